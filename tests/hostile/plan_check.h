// What must hold of every plan, made or read.
// Units: as plan/plan.h. Thread: any. Errors: Broken.
#pragma once

#include "plan/plan.h"

namespace lapwright::hostile {

/// A plan that was read, or made: it goes out and comes back the same, and all that follows from it
/// can be told.
void check(const plan::Plan& plan, const profile::SleeveProfile& sleeve,
           const profile::BedProfile& bed);
/// The answer of make_plan.
void check_made(const Result<plan::Plan>& plan, const profile::SleeveProfile& sleeve,
                const profile::BedProfile& bed);

}  // namespace lapwright::hostile
