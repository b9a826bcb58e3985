// Where two passes' lap is judged: points of film, and points of gutter, that both passes show.
//
// Units: sleeve mm, pixels. Thread: values. Errors: none.
#pragma once

#include <algorithm>
#include <cmath>
#include <vector>

#include "bench/bed_model.h"

namespace lapwright::bench {

constexpr double rim_mm = 1;  // of each pass, left out

struct LapPoint {
  Spot<PassSpace> a;    // pixels of a
  Spot<SleeveSpace> s;  // where that is, as long as the strip has not slid
  int strip = 0;
};

std::vector<LapPoint> lap_grid(const PassTruth& a, const PassTruth& b);
std::vector<LapPoint> gutter_grid(const PassTruth& a, const PassTruth& b);

/// Root of the mean square, and the worst.
struct Sum {
  double squares = 0, worst = 0;
  int n = 0;
  void add(double d) { squares += d * d, worst = std::max(worst, d), ++n; }
  double rms() const { return n > 0 ? std::sqrt(squares / n) : std::nan(""); }
};

}  // namespace lapwright::bench
