// A placement from measured matches: rigid, what is left of scale per axis and shear, and the
// carriage's smooth curve.
//
// Invariants: what the matches do not show stays at its prior: b's scale and shear are a's (one bed
// captured both), the curve falls
//   back to 0. Strips that slid in their pockets are found as such and do not pull. Finer knots are
//   used only where matches left out of the fit are foretold better by them. Units: pass pixels.
//   Thread: pure. Errors: none.
#pragma once

#include <vector>

#include "lap/lap.h"
#include "lap/patches.h"

namespace lapwright::lap {

struct FitOptions {
  bool finer_knots = false;  // follow gear errors down to 0.6 mm where the matches show them
  double width_px = 0;       // of b: its lens may bow that much of a line; 0: no lens
  int strips = 0;            // how many strips may have slid, each on its own
  bool strips_right = true;  // they run right on the sleeve, else down
};

struct Fitted {
  Placement b;
  double residual_px = 0;  // weighted RMS of the matches kept, per axis
  int used = 0;
  std::vector<Spot<PassSpace>>
      strip_px;  // how far each strip slid, pixels of b; 0 where it did not
};

/// `start`: sleeve -> b, near enough; only its rotation and place are taken. Weights of matches
/// that do not belong become 0.
Fitted fit(std::vector<Match>& matches, const Placement& a,
           const Affine<SleeveSpace, PassSpace>& start, const FitOptions& options);

}  // namespace lapwright::lap
