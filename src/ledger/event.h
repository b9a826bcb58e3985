// One fact of the ledger, and the one place where facts are written and read.
//
// Invariants: appended in one transaction with the check that allowed it; never changed. Each has a
// uuid and a running number of the
//   station that wrote it.
// Units: RFC 3339 times. Thread: that of its Database. Errors: those of Database.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

#include "core/json.h"
#include "ledger/database.h"

namespace lapwright::ledger {

/// The kinds that change what is derived; every other kind is a note.
namespace kind {
inline constexpr const char* roll_received = "roll.received";
inline constexpr const char* frames_wanted = "frames.wanted";
inline constexpr const char* plan_made = "plan.made";
inline constexpr const char* pass_captured = "pass.captured";
inline constexpr const char* pass_refused = "pass.refused";
inline constexpr const char* overlap_checked = "overlap.checked";
inline constexpr const char* sheet_published = "sheet.published";
inline constexpr const char* proof_remade = "proof.remade";
inline constexpr const char* full_accepted = "full.accepted";
inline constexpr const char* copy_checked = "copy.checked";
inline constexpr const char* verdict_set = "verdict.set";
inline constexpr const char* verdict_cleared = "verdict.cleared";
inline constexpr const char* audited = "audit.done";
bool is_reserved(const std::string& name);
}  // namespace kind

/// Appends inside a transaction. `roll` empty and `job` 0: none; `at` empty: now.
Result<> append(Database& db, const std::string& kind, const std::string& roll, std::int64_t job,
                const Json& body, const std::string& at = {});

}  // namespace lapwright::ledger
