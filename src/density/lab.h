// CIE Lab of a positive's light under D65, as the gauge's bands and anchors are given (trade.md
// 4.7).
//
// Units: linear sRGB light 0..1; CIE Lab and dE00. Thread: pure. Errors: none.
#pragma once

#include <array>

namespace lapwright::density {

struct Lab {
  double l = 0, a = 0, b = 0;
};

/// By IEC 61966-2-1's matrix.
Lab lab_of(const std::array<double, 3>& light);
/// Colours that sRGB does not hold are clipped to it.
std::array<double, 3> light_of(const Lab& lab);
double de00(const Lab& p, const Lab& q);

}  // namespace lapwright::density
