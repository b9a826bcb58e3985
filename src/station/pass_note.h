// What a pass file says of itself at the end of its TIFF description, so that a pass that was whole
// when the station was killed is found again although no event names it.
//
// Invariants: ASCII (TIFF 6.0, section 8). Units: none. Thread: values. Errors: a file that is no
//   whole TIFF, or says nothing of the kind, gives nothing.
#pragma once

#include <filesystem>
#include <optional>
#include <string>

#include "core/json.h"
#include "ledger/ledger.h"

namespace lapwright::station {

std::string pass_note(const ledger::PassNote& note);
std::optional<ledger::PassNote> read_pass_note(const std::filesystem::path& file);

}  // namespace lapwright::station
