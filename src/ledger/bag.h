// A roll in a second place: one bag a roll (RFC 8493), made from what the ledger names and read again there.
//
// Invariants: a bag's manifest names only files that were read again in the bag and are what the ledger says; nothing is taken out
// of a bag. Written in the order payload, manifest, tag files, tag manifest, each whole or absent, so that a copy that was stopped
// goes on where it was. Units: bytes. Thread: blocks its caller. Errors: as core/files.h; what is wrong with single files is told
// as troubles.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

#include "ledger/manifest.h"

namespace lapwright::ledger {

struct Bag {
  std::filesystem::path folder;
  int files = 0, copied = 0;  // of the roll, and those that were not there yet
  std::uint64_t bytes = 0, copied_bytes = 0;
  std::vector<AuditLine> troubles;
  bool whole() const { return files > 0 && troubles.empty(); }
};

/// `files`: of this roll, paths below the archive. An unknown thing under the bag's name is cannot_create.
Result<Bag> fill_bag(const std::filesystem::path& archive, const std::string& roll, const Named& files,
                     const std::filesystem::path& place);

/// Reads a bag whole: what is missing, changed, unreadable, or not in its manifests; paths below `place`. no_input when there is
/// none.
Result<std::vector<AuditLine>> check_bag(const std::filesystem::path& place, const std::string& roll);
/// The rolls that have a bag there, sorted.
Result<std::vector<std::string>> bags_in(const std::filesystem::path& place);

}  // namespace lapwright::ledger
