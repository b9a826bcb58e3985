// From a rough place of b to the exact one: patches at the overview's resolution, then at full
// resolution, and the model fitted to them; the light of b against a.
//
// Units: pass pixels, sleeve mm. Thread: two threads itself. Errors: those of reading the passes.
#pragma once

#include <vector>

#include "lap/fit.h"
#include "lap/light.h"
#include "profile/profile.h"

namespace lapwright::lap {

/// A place where the matches at full resolution lie where the placement says, as far as they tell
/// the way along x or y; pass pixels.
struct Twin {
  Spot<PassSpace> a, b;
  bool tells_x = false, tells_y = false;
};

struct Estimate {
  Placement b;
  double residual_px = 0;
  int patches = 0;  // that agree; below `least_patches` nothing else holds
  LightFound light;
  std::vector<Slid> slid;
  std::vector<Twin> seen;  // some millimetres apart; none where nothing is finer than overviews
};
constexpr int least_patches = 12;

/// `oa`, `ob`: the passes' overviews; `rough`: sleeve mm -> b's pixels; `slides`: what
/// Strips::slides() says there.
Result<Estimate> estimate(const Input& a, const Overview& oa, const Placement& a_placement,
                          const Input& b, const Overview& ob,
                          const Affine<SleeveSpace, PassSpace>& rough,
                          const std::vector<Spot<PassSpace>>& slides,
                          const profile::SleeveProfile& sleeve);

}  // namespace lapwright::lap
