// From a rough place of b to the exact one: patches at the overview's resolution, then at full
// resolution, and the model fitted to them; the light of b against a.
//
// Units: pass pixels, sleeve mm. Thread: two threads itself. Errors: those of reading the passes.
#pragma once

#include "lap/fit.h"
#include "lap/light.h"
#include "profile/profile.h"

namespace lapwright::lap {

/// A place of a, and where b shows it; pass pixels.
struct Twin {
  Spot<PassSpace> a, b;
};

struct Estimate {
  Placement b;
  double residual_px = 0;
  int patches = 0;  // that agree; below `least_patches` nothing else holds
  LightFound light;
  std::vector<Slid> slid;
  /// Film without holes whose grain or picture was found at full resolution where the placement
  /// says, a place for each few millimetres. Empty where nothing is finer than the overview.
  std::vector<Twin> seen;
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
