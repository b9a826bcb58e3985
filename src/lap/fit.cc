#include "lap/fit.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>

namespace lapwright::lap {
namespace {

// Priors, one sigma. Carriages wobble by some 60 um over some 40 mm (registration.md); axes agree to 1e-3.
constexpr double wobble_mm = 0.08, bend_mm_per_5mm = 0.05, axis_scale = 1e-3, shear = 3e-4;

struct Basis { int first = 0; std::array<double, 4> w{}; };
Basis basis(const Curve& c, double row) {
  const auto n = static_cast<int>(c.coefficients.size());
  const double t = std::clamp((row - c.first_row) / c.knot_rows, 0.0, static_cast<double>(n - 3));
  Basis b;
  b.first = std::min(static_cast<int>(t), n - 4);
  const double u = t - b.first, v = 1 - u;
  b.w = {v * v * v / 6, (3 * u * u * u - 6 * u * u + 4) / 6, (3 * v * v * v - 6 * v * v + 4) / 6, u * u * u / 6};
  return b;
}

Curve empty_curve(double low, double high, double knot) {
  Curve c;
  c.first_row = low - 6 * knot;  // room to fall back to nothing outside the evidence
  c.knot_rows = knot;
  c.coefficients.assign(static_cast<std::size_t>(std::ceil((high - low) / knot) + 12 + 3), 0.0);
  return c;
}

}  // namespace

Fitted fit(std::vector<Match>& matches, const Placement& a, const Affine<SleeveSpace, PassSpace>& start, const Affine<SleeveSpace, PassSpace>& planned,
           const FitOptions& options) {
  Fitted out;
  out.a = a;
  out.b.affine = start;
  const std::size_t n = matches.size();
  if (n < 3) return out;
  const double per_mm = std::sqrt(std::abs(planned.determinant())), a_per_mm = std::sqrt(std::abs(a.affine.determinant()));
  std::vector<Spot<SleeveSpace>> s(n);
  Spot<SleeveSpace> centre;
  double low = 1e300, high = -1e300, a_low = 1e300, a_high = -1e300;
  for (std::size_t i = 0; i < n; ++i) {
    s[i] = sleeve_at(a, matches[i].a);
    centre.x += s[i].x / static_cast<double>(n), centre.y += s[i].y / static_cast<double>(n);
    low = std::min(low, matches[i].b.y), high = std::max(high, matches[i].b.y);
    a_low = std::min(a_low, matches[i].a.y), a_high = std::max(a_high, matches[i].a.y);
  }
  Affine<SleeveSpace, PassSpace> base = start;
  {
    const double k = per_mm / std::sqrt(std::abs(start.determinant()));
    base.a *= k, base.b *= k, base.c *= k, base.d *= k;
    const auto want = start(centre), have = base(centre);
    base.e += want.x - have.x, base.f += want.y - have.y;
  }
  const Spot<PassSpace> origin = base(centre);
  const PassMap ab = core::compose(base, a.affine.inverse());
  Curve shape, a_shape;
  if (options.curve) shape = empty_curve(low, high, options.knot_mm * per_mm);
  const bool with_a = options.curve && options.curve_of_a && a.dx.coefficients.empty() && a.dy.coefficients.empty();
  if (with_a) a_shape = empty_curve(a_low, a_high, options.knot_mm * a_per_mm);
  const auto nb = static_cast<int>(shape.coefficients.size()), na = static_cast<int>(a_shape.coefficients.size());
  const int size = 6 + 2 * nb + 2 * na;
  std::vector<double> rows(n);
  for (std::size_t i = 0; i < n; ++i) rows[i] = base(s[i]).y, matches[i].weight = 1;
  Eigen::VectorXd x = Eigen::VectorXd::Zero(size);
  std::vector<double> error(n, 0.0);
  double spread = 1e9;
  for (int round = 0; round < 12; ++round) {
    Eigen::MatrixXd h = Eigen::MatrixXd::Zero(size, size);
    Eigen::VectorXd g = Eigen::VectorXd::Zero(size);
    const auto prior = [&](int i, double sigma) { h(i, i) += 1 / (sigma * sigma); };
    prior(0, 1e6), prior(1, 1e6), prior(2, 0.1), prior(3, axis_scale), prior(4, axis_scale), prior(5, shear);
    const auto smooth = [&](int first, int count, double px_per_mm) {
      const double k = options.knot_mm / 5, bend = bend_mm_per_5mm * k * k * px_per_mm;
      for (int i = 0; i < count; ++i) prior(first + i, wobble_mm * px_per_mm);
      for (int i = 1; i + 1 < count; ++i) {
        const double w = 1 / (bend * bend);
        const int q[3] = {first + i - 1, first + i, first + i + 1};
        const double v[3] = {1, -2, 1};
        for (int j = 0; j < 3; ++j)
          for (int l = 0; l < 3; ++l) h(q[j], q[l]) += w * v[j] * v[l];
      }
    };
    smooth(6, nb, per_mm), smooth(6 + nb, nb, per_mm), smooth(6 + 2 * nb, na, a_per_mm), smooth(6 + 2 * nb + na, na, a_per_mm);
    std::vector<std::pair<int, double>> ex, ey;
    const auto equation = [&](const std::vector<std::pair<int, double>>& e, double value, double w) {
      for (const auto& [i, p] : e) {
        g[i] += w * p * value;
        for (const auto& [j, q] : e) h(i, j) += w * p * q;
      }
    };
    std::vector<double> back(n);
    for (int pass = 0; pass < 2; ++pass) {  // first the equations, then the errors they leave
      if (pass == 1) x = h.ldlt().solve(g);
      for (std::size_t i = 0; i < n; ++i) {
        if (pass == 0 && matches[i].weight <= 0) continue;
        const Spot<PassSpace> m = base(s[i]);
        const double ux = m.x - origin.x, uy = m.y - origin.y;
        ex = {{0, 1}, {2, -uy}, {3, ux}, {5, uy}}, ey = {{1, 1}, {2, ux}, {4, uy}, {5, ux}};
        if (nb) {
          const Basis b = basis(shape, rows[i]);
          for (int k = 0; k < 4; ++k) {
            const double w = b.w[static_cast<std::size_t>(k)];
            ex.emplace_back(6 + b.first + k, w), ey.emplace_back(6 + nb + b.first + k, w);
          }
        }
        if (na) {
          const Basis b = basis(a_shape, matches[i].a.y);
          const int fx = 6 + 2 * nb + b.first, fy = fx + na;
          for (int k = 0; k < 4; ++k) {
            const double w = b.w[static_cast<std::size_t>(k)];
            ex.emplace_back(fx + k, -ab.a * w), ex.emplace_back(fy + k, -ab.c * w);
            ey.emplace_back(fx + k, -ab.b * w), ey.emplace_back(fy + k, -ab.d * w);
          }
        }
        const double rx = matches[i].b.x - m.x, ry = matches[i].b.y - m.y;
        if (pass == 0) {
          const double w = matches[i].weight / (matches[i].sigma * matches[i].sigma);
          equation(ex, rx, w), equation(ey, ry, w);
        } else {
          double px = 0, py = 0;
          for (const auto& [k, v] : ex) px += v * x[k];
          for (const auto& [k, v] : ey) py += v * x[k];
          error[i] = std::hypot(rx - px, ry - py);
          rows[i] = m.y + x[1] + x[2] * ux + x[4] * uy + x[5] * ux;
        }
      }
    }
    // Tukey's weights; the scale starts wide, so that what slid falls out before it can pull.
    std::vector<double> sorted;
    for (std::size_t i = 0; i < n; ++i)
      if (!matches[i].coarse) sorted.push_back(error[i]);
    if (sorted.empty()) sorted = error;
    const auto middle = static_cast<std::ptrdiff_t>(sorted.size() / 2);
    std::nth_element(sorted.begin(), sorted.begin() + middle, sorted.end());
    const double now = std::max(0.02, sorted[static_cast<std::size_t>(middle)] / 1.177);  // median of a two-dimensional error
    spread = std::min(spread, now);
    const double limit = 4.5 * std::max(spread, 0.02) * (round < 3 ? 2 : 1);
    for (std::size_t i = 0; i < n; ++i) {
      const double q = error[i] / std::max(limit, 2.5 * matches[i].sigma);
      matches[i].weight = q < 1 ? (1 - q * q) * (1 - q * q) : 0;
    }
  }
  Affine<SleeveSpace, PassSpace> stretch_base = base;
  const auto lin = [&](double lx, double ly) { return std::pair{lx * (1 + x[3]) + ly * (x[5] - x[2]), ly * (1 + x[4]) + lx * (x[5] + x[2])}; };
  std::tie(stretch_base.a, stretch_base.b) = lin(base.a, base.b);
  std::tie(stretch_base.c, stretch_base.d) = lin(base.c, base.d);
  stretch_base.e = origin.x + x[0] - stretch_base.a * centre.x - stretch_base.c * centre.y;
  stretch_base.f = origin.y + x[1] - stretch_base.b * centre.x - stretch_base.d * centre.y;
  out.b.affine = stretch_base;
  const auto take = [&](const Curve& like, int first) {
    Curve c = like;
    for (std::size_t i = 0; i < c.coefficients.size(); ++i) c.coefficients[i] = x[first + static_cast<int>(i)];
    return c;
  };
  if (nb) out.b.dx = take(shape, 6), out.b.dy = take(shape, 6 + nb);
  if (na) out.a.dx = take(a_shape, 6 + 2 * nb), out.a.dy = take(a_shape, 6 + 2 * nb + na);
  double sum = 0;
  for (std::size_t i = 0; i < n; ++i)
    if (matches[i].weight > 0 && !matches[i].coarse) sum += error[i] * error[i] / 2, ++out.used;
  out.residual_px = out.used ? std::sqrt(sum / out.used) : 0;
  return out;
}

}  // namespace lapwright::lap
