// Where a pass lies by the outline of the strips alone: for when no common picture is found.
//
// Invariant: an answer only where the ends of strips or the outermost strips make it unique.
// Units: millimetres of the bed's axes. Thread: pure. Errors: none.
#pragma once

#include <optional>

#include "lap/overview.h"
#include "profile/profile.h"

namespace lapwright::lap {

/// How far the sleeve lies from the planned place, along the pass's x and y.
std::optional<std::array<double, 2>> outline_shift(const Overview& pass,
                                                   const Affine<SleeveSpace, PassSpace>& planned,
                                                   const profile::SleeveProfile& sleeve);

}  // namespace lapwright::lap
