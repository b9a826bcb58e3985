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
  return (v * v * v * c[0] + (3 * u * u * u - 6 * u * u + 4) * c[1] + (3 * v * v * v - 6 * v * v + 4) * c[2] + u * u * u * c[3]) / 6;
}

Spot<PassSpace> Placement::operator()(Spot<SleeveSpace> s) const {
  const Spot<PassSpace> p = affine(s);
  return {p.x + dx(p.y), p.y + dy(p.y)};
}

Spot<SleeveSpace> sleeve_at(const Placement& placement, Spot<PassSpace> p) {
  double row = p.y;
  for (int i = 0; i < 6; ++i) row = p.y - placement.dy(row);
  return placement.affine.inverse()({p.x - placement.dx(row), row});
}

}  // namespace lapwright::lap
