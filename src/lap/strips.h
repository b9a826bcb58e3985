// The strips as a pass really shows them, and how far each slid in its pocket from one pass to the
// next.
//
// Units: overview pixels; sleeve mm. Thread: const after making. Errors: none.
#pragma once

#include <vector>

#include "lap/coarse.h"
#include "profile/profile.h"

namespace lapwright::lap {

class Strips {
 public:
  /// `on_a`: sleeve mm -> overview pixels of a, right to some millimetres; the pockets' lattice is
  /// put where the film is.
  Strips(const Overview& a, const Affine<SleeveSpace, PassSpace>& on_a,
         const profile::SleeveProfile& sleeve);
  /// The strip (0-based) at an overview pixel of a, or -1.
  int at(Spot<PassSpace> p) const;
  /// Per strip, in overview pixels of a: content at p in a is at a_to_b(p + slide) in b. To a
  /// pixel; (0, 0) where nothing slid by more than that or too little is seen.
  std::vector<Spot<PassSpace>> slides(const Overview& a, const Overview& b,
                                      const PassMap& a_to_b) const;

 private:
  Affine<PassSpace, SleeveSpace> to_sleeve_;
  Spot<PassSpace> along_{}, across_{};  // overview pixels of a per mm
  bool right_;
  int count_;
  double first_mm_, pitch_mm_, width_mm_;
};

}  // namespace lapwright::lap
