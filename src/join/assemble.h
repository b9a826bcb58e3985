// From a plan and its captured passes to checked places, light and the sheet's geometry: everything join() needs.
//
// Invariants: passes are in the plan's order; a pass is placed by the laps with passes before it. Nothing is joined here.
// Units: pixels, millimetres. Thread: blocks its caller. Errors: bad_data (passes that do not fit the plan), io from the pictures;
//   a bad lap is not an error: `bad()` names it.
#pragma once

#include <vector>

#include "join/join.h"

namespace lapwright::join {

struct Assembled {
  std::vector<lap::Report> laps;
  std::vector<Piece> pieces;  // empty when a lap is bad
  SheetGeometry sheet;
  double worst_loop_px = 0;
  /// The first lap that must not be joined, or null.
  const lap::Report* bad() const;
};

/// The sheet's area: what the plan needs and, where the passes show it, what a hand's error may have moved beyond.
Rect<SleeveSpace> sheet_area(const plan::Plan& plan);

/// `pictures` in the order of plan.passes.
Result<Assembled> assemble(const plan::Plan& plan, const profile::SleeveProfile& sleeve, const std::vector<image::RowSource*>& pictures,
                           const lap::Options& options = {});

}  // namespace lapwright::join
