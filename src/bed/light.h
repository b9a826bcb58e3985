// The light for film: which source, switch or nature of the device, and which of several.
//
// Invariants: infrared is chosen only where it is asked for. Thread: the worker's only thread. Errors: bad_data where a
// pass needs film light and
//   there is none.
#pragma once

#include "bed/asking.h"
#include "bed/negotiate.h"

namespace lapwright::bed {

/// Sets it; fills `sources` and `film_source` of the agreement, notes and lacks.
Result<> ask_for_light(Surface& s, Asking& asking, const Wish& wish, Agreement& out);

}  // namespace lapwright::bed
