#include "density/lab.h"

#include <lcms2.h>

#include <algorithm>

namespace lapwright::density {
namespace {

constexpr double xyz[3][3] = {
    {0.4124, 0.3576, 0.1805}, {0.2126, 0.7152, 0.0722}, {0.0193, 0.1192, 0.9505}};
constexpr double rgb[3][3] = {{3.2406255, -1.5372080, -0.4986286},
                              {-0.9689307, 1.8757561, 0.0415175},
                              {0.0557101, -0.2040211, 1.0569959}};

cmsCIEXYZ xyz_of(const std::array<double, 3>& light) {
  cmsCIEXYZ out{};
  for (std::size_t c = 0; c < 3; ++c)
    out.X += xyz[0][c] * light[c], out.Y += xyz[1][c] * light[c], out.Z += xyz[2][c] * light[c];
  return out;
}

}  // namespace

Lab lab_of(const std::array<double, 3>& light) {
  const cmsCIEXYZ at = xyz_of(light), white = xyz_of({1, 1, 1});
  cmsCIELab out{};
  cmsXYZ2Lab(&white, &out, &at);
  return {out.L, out.a, out.b};
}

std::array<double, 3> light_of(const Lab& lab) {
  const cmsCIELab in{lab.l, lab.a, lab.b};
  const cmsCIEXYZ white = xyz_of({1, 1, 1});
  cmsCIEXYZ at{};
  cmsLab2XYZ(&white, &at, &in);
  std::array<double, 3> out{};
  for (std::size_t c = 0; c < 3; ++c)
    out[c] = std::clamp(rgb[c][0] * at.X + rgb[c][1] * at.Y + rgb[c][2] * at.Z, 0.0, 1.0);
  return out;
}

double de00(const Lab& p, const Lab& q) {
  const cmsCIELab u{p.l, p.a, p.b}, v{q.l, q.a, q.b};
  return cmsCIE2000DeltaE(&u, &v, 1, 1, 1);
}

}  // namespace lapwright::density
