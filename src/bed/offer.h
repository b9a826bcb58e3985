// What a device offers as its options stand now: depths, resolutions, and what stays out of reach.
//
// Invariants: pure reading. Units: bits a sample, ppi. Thread: the worker's only thread. Errors:
// "not said" is an empty list.
#pragma once

#include <string>
#include <vector>

#include "bed/bed.h"
#include "bed/option.h"

namespace lapwright::bed {

/// Ascending; of the depth option, else of the modes that name a depth.
std::vector<int> offered_depths(const Surface& s);
/// Ascending; those of a list, or of a range the usual steps inside it; with two axes what both
/// have.
std::vector<int> offered_resolutions(const Surface& s);
/// The highest resolution; a range's end need not be one of the usual steps. 0: not known.
double finest_resolution(const Surface& s);
/// Corrections that stand on and have no off: "sharpness: 1 to 5 has no neutral value; it stands at
/// 3".
std::vector<std::string> stuck_corrections(const Surface& s);
/// Every option with its value, for a person who wants to see the device as the driver shows it.
std::vector<Seen> everything(const Surface& s);

}  // namespace lapwright::bed
