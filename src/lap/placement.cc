#include <algorithm>
#include <cmath>

#include "lap/lap.h"

namespace lapwright::lap {

double Curve::operator()(double row) const {
  const auto n = static_cast<int>(coefficients.size());
  if (n < 4) return 0;
  const double t = std::clamp((row - first_row) / knot_rows, 0.0, static_cast<double>(n - 3));
  const int i = std::min(static_cast<int>(t), n - 4);
  const double u = t - i, v = 1 - u;
  const double* c = coefficients.data() + i;
  return (v * v * v * c[0] + (3 * u * u * u - 6 * u * u + 4) * c[1] +
          (3 * v * v * v - 6 * v * v + 4) * c[2] + u * u * u * c[3]) /
         6;
}

Spot<PassSpace> Bow::operator()(double x) const {
  const double u = std::clamp((x - middle) / half, -1.5, 1.5);
  return {u * u * (dx[0] + u * dx[1]), u * u * (dy[0] + u * dy[1])};
}

bool Placement::straight() const {
  return bow.none() && dx.coefficients.empty() && dy.coefficients.empty() &&
         followed.dx.coefficients.empty() && followed.dy.coefficients.empty();
}

Spot<PassSpace> Placement::operator()(Spot<SleeveSpace> s) const {
  const Spot<PassSpace> p = affine(s);
  const double row = followed.x * s.x + followed.y * s.y + followed.at;
  const Spot<PassSpace> bent = bow(p.x);
  return {p.x + dx(p.y) + followed.dx(row) + bent.x, p.y + dy(p.y) + followed.dy(row) + bent.y};
}

Spot<SleeveSpace> sleeve_at(const Placement& placement, Spot<PassSpace> p) {
  const auto back = placement.affine.inverse();
  Spot<SleeveSpace> s = back(p);
  if (placement.straight()) return s;
  for (int i = 0; i < 6; ++i) {
    const Spot<PassSpace> q = placement(s), plain = placement.affine(s);
    s = back({p.x - (q.x - plain.x), p.y - (q.y - plain.y)});
  }
  return s;
}

}  // namespace lapwright::lap
