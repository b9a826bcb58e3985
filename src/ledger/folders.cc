#include "ledger/folders.h"

#include <algorithm>

namespace lapwright::ledger {

namespace fs = std::filesystem;

Result<std::vector<std::string>> files_below(const fs::path& folder, const fs::path& base) {
  std::vector<std::string> out;
  std::error_code trouble;
  if (!fs::exists(folder, trouble)) return out;
  fs::recursive_directory_iterator it(folder, trouble), end;
  for (; !trouble && it != end; it.increment(trouble)) {
    std::error_code ignored;
    if (!fs::is_directory(it->symlink_status(ignored)))
      out.push_back(it->path().lexically_relative(base).generic_string());
  }
  if (trouble)
    return fail(Fault::io, folder.string() + ": cannot be looked through: " + trouble.message());
  std::sort(out.begin(), out.end());
  return out;
}

bool is_partial(const std::string& path) {
  const std::string name = fs::path(path).filename().string();
  return name.starts_with(".") && name.ends_with(".part");
}

}  // namespace lapwright::ledger
