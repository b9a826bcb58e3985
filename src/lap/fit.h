// A placement from measured matches: rigid, scale per axis, a trace of shear, and the carriage's smooth curve.
//
// Invariants: what the matches do not show stays at its prior: scale as planned, no shear, curve falling back to 0.
// Units: pass pixels. Thread: pure. Errors: none.
#pragma once

#include <vector>

#include "lap/lap.h"
#include "lap/patches.h"

namespace lapwright::lap {

struct FitOptions {
  double knot_mm = 5;
  bool curve = true;
  bool curve_of_a = false;  // where rows of a are not rows of b: a's own curve too
};

struct Fitted {
  Placement a, b;
  double residual_px = 0;  // RMS of the matches kept, per axis
  int used = 0;
};

/// `start`: sleeve -> b, near enough; only its rotation and place are taken, the scale is that of `planned`.
/// Weights of matches that do not belong (dust, strips that slid) become 0.
Fitted fit(std::vector<Match>& matches, const Placement& a, const Affine<SleeveSpace, PassSpace>& start, const Affine<SleeveSpace, PassSpace>& planned,
           const FitOptions& options);

}  // namespace lapwright::lap
