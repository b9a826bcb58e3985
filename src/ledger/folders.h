// What lies in the rolls' folders.
//
// Invariants: links are files of their own and never followed. Units: paths relative to `base`,
// sorted. Thread: any. Errors: io.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "core/result.h"

namespace lapwright::ledger {

Result<std::vector<std::string>> files_below(const std::filesystem::path& folder,
                                             const std::filesystem::path& base);
/// A file that some program is still writing (core/files.h).
bool is_partial(const std::string& path);

}  // namespace lapwright::ledger
