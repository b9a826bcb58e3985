#include "density/stock_curve.h"

#include <algorithm>

namespace lapwright::density {

/// Slopes after Fritsch and Butland: harmonic means, which keep a rising curve rising.
StockCurve::StockCurve(const profile::StockProfile::Curve& points) {
  for (const auto& [at, value] : points) knots_.push_back({at, value, 0});
  const auto secant = [&](std::size_t i) {
    return (knots_[i + 1].value - knots_[i].value) / (knots_[i + 1].at - knots_[i].at);
  };
  for (std::size_t i = 1; i + 1 < knots_.size(); ++i) {
    const double a = secant(i - 1), b = secant(i), ha = knots_[i].at - knots_[i - 1].at,
                 hb = knots_[i + 1].at - knots_[i].at;
    const double wa = 2 * hb + ha, wb = hb + 2 * ha;
    knots_[i].slope = a * b <= 0 ? 0 : (wa + wb) / (wa / a + wb / b);
  }
  const std::size_t last = knots_.size() - 1;
  knots_[0].slope = secant(0);
  knots_[last].slope = secant(last - 1);
}

double StockCurve::operator()(double net) const {
  const Knot &first = knots_.front(), &last = knots_.back();
  if (net <= first.at) return first.value + first.slope * (net - first.at);
  if (net >= last.at) return last.value + last.slope * (net - last.at);
  const auto after = std::upper_bound(knots_.begin(), knots_.end(), net,
                                      [](double v, const Knot& k) { return v < k.at; });
  const Knot &a = *(after - 1), &b = *after;
  const double h = b.at - a.at, t = (net - a.at) / h, u = 1 - t;
  return a.value * (1 + 2 * t) * u * u + b.value * t * t * (3 - 2 * t) +
         h * t * u * (a.slope * u - b.slope * t);
}

}  // namespace lapwright::density
