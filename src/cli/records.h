// What the commands on the ledger share: opening it, and showing rolls as JSON and as tables.
//
// Units: ppi, bytes. Thread: the main thread. Errors: no_input when the archive has no ledger yet.
#pragma once

#include <string>
#include <vector>

#include "cli/command.h"

namespace lapwright::ledger {
class Ledger;
struct RollState;
}  // namespace lapwright::ledger

namespace lapwright::cli {

/// The ledger of an archive that exists; a mistyped folder is not made into an archive.
Result<ledger::Ledger> open_existing(const Common& common);
/// The same to look only, which an archive on a disk that is read-only allows, too.
Result<ledger::Ledger> open_to_look(const Common& common);

Json roll_json(const ledger::RollState& state);

/// Columns as wide as their widest cell, two blanks between them; the last line has no newline.
/// Trailing empty columns leave no blanks.
std::string table(const std::vector<std::string>& header,
                  const std::vector<std::vector<std::string>>& rows);

/// The date of an RFC 3339 time.
inline std::string day(const std::string& at) { return at.substr(0, 10); }

/// Frames of the roll whose verdict is select.
Result<std::vector<std::string>> selects_of(const Common& common, const std::string& roll);

}  // namespace lapwright::cli
