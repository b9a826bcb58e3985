// The first look at a bed: one capture of its empty window, judged, shown and kept in the ledger.
//
// Thread: the main thread. Errors: those of the capture; bad_data where the device has no film
// light or says no window.
#pragma once

#include "bed/bed.h"
#include "cli/command.h"

namespace lapwright::cli {

/// Exit code 0: nothing wrong; 1: something is.
Result<int> check_window(const Common& common, bed::Bed& bed, const bed::Capability& known);

}  // namespace lapwright::cli
