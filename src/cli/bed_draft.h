// A bed profile from what a device says of itself, to be completed by hand.
//
// Invariants: what is returned was read by the profile loader. Thread: any. Errors: bad_data where
// the device does not say
//   what a profile must hold (window, resolutions).
#pragma once

#include <string>

#include "bed/bed.h"
#include "core/result.h"

namespace lapwright::cli {

/// `name`: the profile's; `file`: for messages.
Result<std::string> bed_draft(const bed::Capability& known, const std::string& name,
                              const std::string& file);

}  // namespace lapwright::cli
