// Where a rebate alternates as a clock track does, and its timing there, finer than a module.
//
// Invariants: even modules of a Clock are dark; which of them the code begins with is the reader's
// to find. Units: samples of the rebate (continuous: sample k covers [k, k + 1)), modules. Thread:
// pure. Errors: none.
#pragma once

#include <vector>

#include "frames/rebate.h"

namespace lapwright::frames {

/// A place where rows alternate dark and light with a module of 0.25 to 0.45 mm: known codes have
/// about 0.33 (trade.md 1.4).
struct ClockSite {
  double column = 0;  // the middle
  std::int64_t row = 0;
  double period = 0;    // two modules
  double strength = 0;  // 0..1: how much of all that varies here is this alternation
};
/// The strongest first.
std::vector<ClockSite> clock_sites(const Rebate& rebate);

struct Clock {
  std::int64_t top = 0, bottom = 0;  // rows [top, bottom) of the clock track
  double first = 0, last = 0;        // modules over which it was followed
  /// Column of a module's middle, continuous in the module.
  double column(double module) const;
  double period = 0, phase = 0;  // of the wave at `centre`
  double centre = 0;
  double bend[3] = {0, 0, 0};  // phase correction: constant, by scaled distance, by its square
  double scale = 1;            // samples that the distance is scaled by
};
/// Follows the wave of a site both ways; last - first is small where there is none to follow.
Clock follow_clock(const Rebate& rebate, const ClockSite& site);

}  // namespace lapwright::frames
