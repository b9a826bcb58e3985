#include "ledger/manifest.h"

#include <algorithm>

#include "core/files.h"
#include "core/text.h"
#include "ledger/store.h"

namespace lapwright::ledger {

std::string manifest_text(const std::string& roll, const Named& files) {
  std::string out;
  const std::size_t folder = std::string("rolls//").size() + roll.size();
  for (const auto& [path, file] : files) out += file.sha256 + "  " + path.substr(folder) + "\n";
  return out;
}

Manifest read_manifest(const std::string& roll, const std::string& text) {
  Manifest out;
  std::size_t at = 0, number = 0;
  while (at < text.size()) {
    const std::size_t end = std::min(text.find('\n', at), text.size());
    const std::string line = text.substr(at, end - at);
    at = end + 1, ++number;
    const std::filesystem::path name(line.size() > 66 ? line.substr(66) : "");
    if (line.size() <= 66 || line.find_first_not_of("0123456789abcdef") != 64 ||
        !core::is_plain(line) || name.is_absolute() || name.lexically_normal() != name ||
        *name.begin() == "..") {
      out.odd_lines.push_back(number);
      continue;
    }
    out.sums["rolls/" + roll + "/" + name.string()] = line.substr(0, 64);
  }
  return out;
}

Result<> Ledger::Store::put_manifest(const std::string& roll, const Named& files) {
  const std::filesystem::path path = archive::roll_folder(archive, roll) / manifest_name;
  const std::string text = manifest_text(roll, files);
  const auto there = core::read_file(path);
  if (text.empty() && !there && there.error().fault == Fault::no_input) return {};
  if (text.empty()) {
    if (auto r = core::remove_file(path); !r) return r;
    return core::flush_folder(path.parent_path());
  }
  if (there && *there == text) return {};
  return core::write_file(path, text);
}

}  // namespace lapwright::ledger
