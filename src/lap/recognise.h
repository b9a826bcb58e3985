// Which roll lies under the window, and how: a quick look's features found again among those of
// many rolls' proofs.
//
// A lay keeps lengths, so two features found again tell turn and shift; every other must then be
// where that lay says. Invariants: a roll is named only where clearly more features agree than by
// chance and than for any other roll; strips may have slid in their pockets. Units: millimetres.
// Thread: pure, two threads. Errors: none.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "lap/features.h"

namespace lapwright::lap {

/// Millimetres of the sleeve to millimetres of the look, from its first pixel's corner.
using LookMap = Affine<SleeveSpace, BedSpace>;

struct RollFeatures {
  std::string roll;
  std::vector<Feature> features;  // sleeve mm
};

struct Likeness {
  std::size_t roll = 0;  // index into the rolls
  int agreeing =
      0;  // features of the look that are where the lay says, each borne out by others near it
  bool mirrored = false;
  LookMap lay;
};

/// Rolls that the look may show, most agreeing first, each with its best lay; those with fewer
/// than `least` agreeing features are left out. `look` and `look_mirrored` as features_of() gives
/// them.
std::vector<Likeness> likenesses(const std::vector<Feature>& look,
                                 const std::vector<Feature>& look_mirrored,
                                 const std::vector<RollFeatures>& rolls, int least = 6);

/// The roll, when it is clear: at least `agreeing_enough`, and twice as many as the next. It is
/// believed only when its frames show the same pictures, too (station/full.cc).
inline constexpr int agreeing_enough = 14;
std::optional<Likeness> recognised(const std::vector<Likeness>& found);

}  // namespace lapwright::lap
