#include "join/map_grid.h"

#include <algorithm>
#include <cmath>

namespace lapwright::join {
namespace {

constexpr std::int64_t widest = 64;

/// A cubic B-spline stays within its coefficients, its second derivative within their second
/// differences.
double sharpest(const lap::Curve& c) {
  double most = 0;
  for (std::size_t i = 2; i < c.coefficients.size(); ++i)
    most = std::max(
        most, std::abs(c.coefficients[i] - 2 * c.coefficients[i - 1] + c.coefficients[i - 2]));
  return most / (c.knot_rows * c.knot_rows);
}

/// A lens bows so little over a whole line that no node stands closer for it.
double farthest(const std::array<double, 2>& bow) {
  return 2.25 * std::abs(bow[0]) + 3.375 * std::abs(bow[1]);  // as far as 1.5 half widths
}

double farthest(const lap::Curve& c) {
  double most = 0;
  for (const double v : c.coefficients) most = std::max(most, std::abs(v));
  return most;
}

}  // namespace

Bend::Bend(const lap::Placement& p)
    : own(std::max(sharpest(p.dx), sharpest(p.dy))),
      followed(std::max(sharpest(p.followed.dx), sharpest(p.followed.dy))),
      reach(std::max(farthest(p.dx) + farthest(p.followed.dx) + farthest(p.bow.dx),
                     farthest(p.dy) + farthest(p.followed.dy) + farthest(p.bow.dy))) {}

std::int64_t node_spacing(const Bend& bend, double rows, double followed_rows) {
  // A chord errs by step^2 / 8 of the second derivative; both directions and both coordinates have
  // their share of what is allowed.
  const double second = bend.own * rows * rows + bend.followed * followed_rows * followed_rows;
  std::int64_t step = widest;
  while (step > 1 && static_cast<double>(step * step) / 8 * second > most_error_px / 3) step /= 2;
  return step;
}

MapGrid::Bounds MapGrid::bounds(std::int64_t u, std::int64_t v, std::int64_t width,
                                std::int64_t height) const {
  Bounds b;
  for (std::int64_t i = u / step_u_; i <= (u + width - 1) / step_u_ + 1; ++i)
    for (std::int64_t j = v / step_v_; j <= (v + height - 1) / step_v_ + 1; ++j)
      b.add(column(i)[j + before_]);
  return b;
}

MapGrid::Bounds MapGrid::bounds() const {
  Bounds b;
  for (const Spot<PassSpace>& p : nodes_) b.add(p);
  return b;
}

void MapGrid::ys(std::int64_t u, std::int64_t v, std::int64_t n, double origin, float* out) const {
  const Spot<PassSpace>*a = column(u / step_u_), *b = a + lines_;
  const double t = static_cast<double>(u % step_u_) / static_cast<double>(step_u_);
  for (std::int64_t k = 0; k < n;) {
    const std::int64_t j = (v + k) / step_v_ + before_, into = (v + k) % step_v_;
    const double from = a[j].y + t * (b[j].y - a[j].y) - origin;
    const double to = a[j + 1].y + t * (b[j + 1].y - a[j + 1].y) - origin;
    const auto slope = static_cast<float>((to - from) / static_cast<double>(step_v_));
    const auto base = static_cast<float>(from);
    const std::int64_t many = std::min(n - k, step_v_ - into);
    for (std::int64_t i = 0; i < many; ++i)
      out[k + i] = base + static_cast<float>(into + i) * slope;
    k += many;
  }
}

double MapGrid::x_in_row(std::int64_t i, double row, std::int64_t first, std::int64_t last) const {
  const Spot<PassSpace>* p = column(i);
  // The segment that holds the row, or the nearest one's straight continuation.
  const double sign = p[last].y < p[first].y ? -1 : 1;
  std::int64_t low = first, high = last;
  while (high - low > 1) {
    const std::int64_t middle = (low + high) / 2;
    (sign * p[middle].y <= sign * row ? low : high) = middle;
  }
  const double rise = p[high].y - p[low].y;
  if (std::abs(rise) < 1e-9) return p[low].x;
  return p[low].x + (row - p[low].y) / rise * (p[high].x - p[low].x);
}

void MapGrid::xs(double row, std::int64_t u, std::int64_t v, std::int64_t n, std::int64_t height,
                 double origin, float* out) const {
  const std::int64_t first = v / step_v_, last = (v + height - 1) / step_v_ + 1 + 2 * before_;
  double to = x_in_row(u / step_u_, row, first, last) - origin;
  for (std::int64_t k = 0; k < n;) {
    const std::int64_t i = (u + k) / step_u_, into = (u + k) % step_u_;
    const double from = to;
    to = x_in_row(i + 1, row, first, last) - origin;
    const auto slope = static_cast<float>((to - from) / static_cast<double>(step_u_));
    const auto base = static_cast<float>(from);
    const std::int64_t many = std::min(n - k, step_u_ - into);
    for (std::int64_t m = 0; m < many; ++m)
      out[k + m] = base + static_cast<float>(into + m) * slope;
    k += many;
  }
}

}  // namespace lapwright::join
