// Whether two passes agree under a supposed map: many small blocks of film, each found again on its
// own.
//
// Invariants: blocks of clear film, holes, blank film and gutter do not count, so a repeat of
// perforations agrees with nothing;
//   a block counts as agreeing only where all agreeing ones share one rigid map with scale.
// Units: overview pixels. Thread: pure. Errors: none.
#pragma once

#include <vector>

#include "lap/coarse.h"

namespace lapwright::lap {

struct Block {
  Spot<PassSpace> a, b;
  double correlation = 0;
  bool agrees = false;
};

struct Agreement {
  PassMap a_to_b;    // from the agreeing blocks
  int textured = 0;  // blocks with content on both sides' common film
  int agreeing = 0;
  std::vector<Block> blocks;
  double fraction() const { return textured ? static_cast<double>(agreeing) / textured : 0; }
};

Agreement agreement(const Overview& a, const Overview& b, const PassMap& supposed, int most_blocks);

}  // namespace lapwright::lap
