// Reads the film edge codes printed along one rebate.
//
// Invariants: no reading rather than a doubtful one: clock and data structure, parity and every
// module's margin must hold, and the
//   margin is taken against the noise that the known modules of the same code show.
// Units: run millimetres along the strip; margins 0..1, 1 for a clean print. Thread: pure. Errors:
// none.
#pragma once

#include <vector>

#include "frames/edge_code.h"
#include "frames/rebate.h"

namespace lapwright::frames {

struct EdgeMark {
  EdgeCode code;
  double along = 0;         // the code's middle
  bool forward = true;      // read in the direction that `along` rises in
  bool clock_first = true;  // the clock track lies nearer the film's first edge than the data
  double margin = 0;        // of the weakest module told by the code
  double module = 0;        // mm
};
std::vector<EdgeMark> read_edge_codes(const Rebate& rebate);

}  // namespace lapwright::frames
