// Where one pass could lie on another: masked normalised cross-correlation over every shift that
// leaves a common area.
//
// Invariants: only film without holes is compared, each shift by what both show there; the
// proposals still have to be proved
//   (agreement.h). Units: overview pixels. Thread: pure; FFT plans are made under one lock. Errors:
//   none.
#pragma once

#include <vector>

#include "lap/overview.h"

namespace lapwright::lap {

using PassMap = Affine<PassSpace, PassSpace>;

struct Proposal {
  PassMap a_to_b;    // overview pixels of a -> overview pixels of b
  double score = 0;  // log likelihood of the correlation against none
  double correlation = 0;
};

/// `linear` are the maps (their linear parts count) to try; at most `most` proposals, half of
/// them near `planned`, best first, apart by 2 mm at least.
/// `by`: how many overview pixels of a and b make one pixel of their thumbs.
std::vector<Proposal> propose(const Thumb& a, const Thumb& b, double by,
                              const std::vector<PassMap>& linear, const PassMap& planned, int most);

}  // namespace lapwright::lap
