#include "frames/chain.h"

#include <algorithm>
#include <cmath>
#include <numeric>

namespace lapwright::frames {
namespace {

struct Sums {  // prefix sums over a profile
  std::vector<double> total;
  explicit Sums(const std::vector<double>& values) : total(values.size() + 1) {
    std::partial_sum(values.begin(), values.end(), total.begin() + 1);
  }
  double mean(double a, double b) const {  // columns
    const auto n = static_cast<double>(total.size() - 1);
    const double lo = std::clamp(a, 0.0, n), hi = std::clamp(b, 0.0, n);
    return hi - lo < 0.5 ? 0 : (at(hi) - at(lo)) / (hi - lo);
  }
  double covered(double a, double b) const {  // outside counts as 0
    const auto n = static_cast<double>(total.size() - 1);
    return (at(std::clamp(b, 0.0, n)) - at(std::clamp(a, 0.0, n))) / (b - a);
  }

 private:
  double at(double x) const {
    const auto i = std::min(static_cast<std::size_t>(x), total.size() - 2);
    return total[i] + (total[i + 1] - total[i]) * (x - static_cast<double>(i));
  }
};

/// Evidence that a picture begins (direction 1) or ends (-1) at column x: base outside, exposure inside.
double edge_evidence(const StripView& view, const Sums& picture, const Sums& film, double x, int direction) {
  const auto span = [&](const Sums& s, double near, double far) {
    const double a = x + direction * near / view.step, b = x + direction * far / view.step;
    return s.mean(std::min(a, b), std::max(a, b));
  };
  const double outer = std::max(0.0, span(picture, -0.65, -0.2) - view.noise);
  const double inner = std::max(0.0, span(picture, 0.2, 0.9) - view.noise);
  const double quiet = std::exp(-outer / 0.03);
  double evidence = std::max(0.0, inner - outer) / (inner + outer + 0.03) * quiet;
  if (span(film, -0.65, -0.2) < 0.9) evidence *= 0.3;  // the film's own end, not a gap
  if (span(film, 0.2, 0.9) < 0.9) evidence = 0;
  return evidence;
}

double refine(const StripView& view, double x, int direction) {
  const double k = 1 / view.step;
  return half_rise(view.linear, x, 0.7 * k, direction, 0.3 * k, 0.9 * k);
}

}  // namespace

Extent film_extent(const StripView& view) {
  // Ends are where whole columns turn to film for good; a dark speck is no strip.
  Extent extent;
  const auto n = static_cast<std::int64_t>(view.columns());
  const auto run = static_cast<std::int64_t>(4.0 / view.step);
  std::int64_t seen = 0;
  for (std::int64_t k = 0; k < n; ++k) {
    seen = view.film[static_cast<std::size_t>(k)] > 0.6 ? seen + 1 : 0;
    if (seen < run) continue;
    if (!extent.film) extent.first = view.place(static_cast<double>(k + 1 - run)), extent.film = true;
    extent.last = view.place(static_cast<double>(k + 1));
  }
  return extent;
}

std::vector<Found> fit_chain(const StripView& view, const Extent& extent, const Format& format) {
  std::vector<Found> result;
  const auto n = static_cast<std::int64_t>(view.columns());
  if (!extent.film || n == 0) return result;
  const Sums picture(view.picture), film(view.film);
  std::vector<double> left(static_cast<std::size_t>(n)), right(left);
  for (std::int64_t k = 0; k < n; ++k) {
    left[static_cast<std::size_t>(k)] = edge_evidence(view, picture, film, static_cast<double>(k), 1);
    right[static_cast<std::size_t>(k)] = edge_evidence(view, picture, film, static_cast<double>(k), -1);
  }
  const double mm = 1 / view.step, width = format.width * mm;
  // Start column of a frame may lie before the picture's first column: offset so that indices stay positive.
  const auto before = static_cast<std::int64_t>(width) + 1;
  const std::int64_t places = n + before;
  struct Place { double value = -1e9, end = 0; };
  std::vector<Place> unary(static_cast<std::size_t>(places));
  const auto reach = static_cast<std::int64_t>(std::ceil(format.width_spread * mm));
  for (std::int64_t p = 0; p < places; ++p) {
    const std::int64_t x = p - before;
    const double on = film.covered(static_cast<double>(x), static_cast<double>(x) + width);
    if (on < 0.25) continue;
    double l = x >= 0 ? left[static_cast<std::size_t>(x)] : 0, r = 0, end = static_cast<double>(x) + width;
    for (std::int64_t off = -reach; off <= reach; ++off) {
      const std::int64_t e = static_cast<std::int64_t>(std::llround(static_cast<double>(x) + width)) + off;
      if (e < 0 || e >= n) continue;
      const double value = right[static_cast<std::size_t>(e)] - 0.3 * std::abs(static_cast<double>(off)) / static_cast<double>(reach + 1);
      if (value > r) r = value, end = static_cast<double>(e);
    }
    Place& place = unary[static_cast<std::size_t>(p)];
    place.value = l + r + 0.05 - 1.2 * std::max(0.0, 0.98 - on);
    place.end = end;
  }
  const double usable = extent.last - extent.first;
  const double spare = std::fmod(std::max(0.0, usable + format.advance - format.width), format.advance);
  const double first_plan = view.column(extent.first) + std::min(spare, format.advance - format.width) / 2 * mm;
  // best[k][p]: the chain of k + 1 frames whose last one starts at place p.
  const int longest = format.most + 1;
  std::vector<std::vector<double>> best(static_cast<std::size_t>(longest), std::vector<double>(static_cast<std::size_t>(places), -1e9));
  std::vector<std::vector<std::int32_t>> from(static_cast<std::size_t>(longest), std::vector<std::int32_t>(static_cast<std::size_t>(places), -1));
  const auto advance = static_cast<std::int64_t>(std::llround(format.advance * mm));
  const auto spread = static_cast<std::int64_t>(std::ceil(format.advance_spread * mm));
  double top = 0;
  int top_k = -1;
  std::int64_t top_p = 0;
  for (int k = 0; k < longest; ++k) {
    auto& here = best[static_cast<std::size_t>(k)];
    for (std::int64_t p = 0; p < places; ++p) {
      const auto i = static_cast<std::size_t>(p);
      if (unary[i].value < -1e8) continue;
      double reached = -1e9;
      if (k == 0) {
        reached = -0.0005 * std::abs(static_cast<double>(p - before) - first_plan);
      } else {
        for (std::int64_t off = -spread; off <= spread; ++off) {
          const std::int64_t q = p - advance - off;
          if (q < 0) continue;
          const double part = static_cast<double>(off) / static_cast<double>(spread);
          const double value = best[static_cast<std::size_t>(k - 1)][static_cast<std::size_t>(q)] - 0.35 * part * part;
          if (value > reached) reached = value, from[static_cast<std::size_t>(k)][i] = static_cast<std::int32_t>(q);
        }
      }
      here[i] = reached + unary[i].value;
      if (here[i] > top) top = here[i], top_k = k, top_p = p;
    }
  }
  for (int k = top_k; k >= 0; --k) {
    Found f;
    const auto x = static_cast<double>(top_p - before), end = unary[static_cast<std::size_t>(top_p)].end;
    f.left = x >= 0 ? left[static_cast<std::size_t>(top_p - before)] : 0;
    f.right = end >= 0 && end < static_cast<double>(n) ? right[static_cast<std::size_t>(end)] : 0;
    double a = refine(view, x, 1), b = refine(view, end, -1);
    if (f.left < 0.3 || a < 0) f.left = std::min(f.left, 0.2), a = -1;
    if (f.right < 0.3 || b < 0) f.right = std::min(f.right, 0.2), b = -1;
    f.by_model = a < 0 && b < 0;
    if (a < 0) a = b < 0 ? x : b - width;
    if (b < 0) b = a + width;
    f.on_film = film.covered(a, b);
    f.content = picture.mean(a + 0.5 * mm, b - 0.5 * mm);
    f.start = view.place(a), f.end = view.place(b);
    result.push_back(f);
    top_p = from[static_cast<std::size_t>(k)][static_cast<std::size_t>(top_p)];
  }
  std::reverse(result.begin(), result.end());
  return result;
}

}  // namespace lapwright::frames
