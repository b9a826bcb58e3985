// Which of the ways one pass can lie on the other is true, and what stands against it.
//
// Invariants: the answer is proved by content found again cell by cell; a shift by perforations,
// frames or pockets that agrees nearly as well makes it no answer. Units: overview pixels. Thread:
// pure, two threads. Errors: none.
#pragma once

#include "lap/agreement.h"
#include "lap/cells.h"
#include "profile/profile.h"

namespace lapwright::lap {

struct Found {
  bool sure = false;
  PassMap a_to_b;
  Cells cells;                          // under a_to_b, and where strips slid
  std::vector<Spot<PassSpace>> slides;  // of each strip under a_to_b: Strips::slides()
  std::optional<Break> ends;            // of b, where the sleeve moved while it was captured
  int quarter_turns = 0;                // clockwise beyond the plan
  bool mirrored = false;
  int rival = 0;     // cells that agree here and not at the best rival, less those the other way
  double wrong = 1;  // probability that it is not so
};

/// `planned`: overview pixels of a -> overview pixels of b by the plan; `on_a`, `planned_b`: sleeve
/// mm -> overview pixels.
Found search(const Overview& a, const Overview& b, const PassMap& planned,
             const Affine<SleeveSpace, PassSpace>& on_a,
             const Affine<SleeveSpace, PassSpace>& planned_b, const profile::SleeveProfile& sleeve,
             double sure);

}  // namespace lapwright::lap
