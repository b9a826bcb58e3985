// Why a sleeve cannot be laid on a bed, and what would help, in millimetres.
// Units: micrometres. Thread: values. Errors: it makes the one for make_plan (bad_data).
#pragma once

#include "plan/layout.h"

namespace lapwright::plan {

Error refusal(const profile::SleeveProfile& sleeve, const profile::BedProfile& bed, Ppi ppi, const std::vector<Box>& areas,
              Needs needs);

/// "101 mm", "203.2 mm": at most one decimal.
std::string mm_text(Um length);
std::string mm_number(Um length);

}  // namespace lapwright::plan
