// What there is to draw of one lay: the bed, its window, and the sleeve as it is to lie. The drawing of `plan --drawing` and the
// page at the bed are both made from it.
//
// Invariants: nothing is rounded: every length is the plan's or the profiles' own. Units: micrometres; the JSON has millimetres.
// Thread: values. Errors: none.
#pragma once

#include <array>
#include <vector>

#include "plan/how_to_lay.h"
#include "plan/plan.h"

namespace lapwright::plan {

struct Sketch {
  Rect<BedSpace> bed_window, captured;  // what the bed can light; what this pass captures of it
  Rect<BedSpace> reach;                 // how far a sleeve may lie: the window and the bed's overhang
  Rect<BedSpace> page;                  // the sleeve's bounds as it lies
  Affine<SleeveSpace, BedSpace> sleeve_to_bed;
  Size sleeve;
  std::vector<Rect<SleeveSpace>> strips, frames;  // frames: strip after strip
  struct Seam { Spot<SleeveSpace> from, to; };
  std::vector<Rect<SleeveSpace>> laps;  // of this pass
  std::vector<Seam> seams;
  std::vector<Spot<SleeveSpace>> holes;  // of the binding edge, which is the sleeve's left one
  double hole_radius = 2.6;              // mm
  Side binding = Side::left, top = Side::back;
  std::array<Um, 4> past{};  // how far the sleeve reaches past the window, in the order of Side
};

Sketch sketch_of(const Plan& plan, const Pass& pass, const profile::SleeveProfile& sleeve, const profile::BedProfile& bed);
Json to_json(const Sketch& sketch);

}  // namespace lapwright::plan
