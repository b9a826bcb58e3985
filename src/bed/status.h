// What a SANE status means to the person at the bed: one sentence with what to do, and the fault
// that goes with it.
//
// Thread: any. Errors: none.
#pragma once

#include <string>

#include "core/result.h"

namespace lapwright::bed {

/// `status` is a SANE_Status; `while_doing` comes first ("starting the scan"). Unknown words are
/// I/O errors.
Error explain(int status, const std::string& while_doing);

}  // namespace lapwright::bed
