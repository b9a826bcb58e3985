// What broke a lap off at a row of b: the sleeve moved, or other light came in.
//
// What moved is found again a little beside, all of it by one shift and lit as before; what is lit
// otherwise is best found where it should be. Units: overview pixels. Thread: pure. Errors: none.
#pragma once

#include "lap/cells.h"

namespace lapwright::lap {

enum class Cause { moved, light };

struct Interruption {
  Cause cause = Cause::moved;
  bool sure = false;  // both say so; else the more likely of the two
};

/// `ends`: where `cells`, which were compared under `a_to_b` or near it, break off.
Interruption cause_of(const Overview& a, const Overview& b, const PassMap& a_to_b,
                      const Cells& cells, const Break& ends);

}  // namespace lapwright::lap
