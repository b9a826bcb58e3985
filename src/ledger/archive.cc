#include <algorithm>
#include <nlohmann/json.hpp>
#include <string_view>

#include "ledger/ledger.h"

namespace lapwright::ledger::archive {

std::filesystem::path roll_folder(const std::filesystem::path& archive, const std::string& roll) {
  return archive / "rolls" / roll;
}

Result<> check_roll_name(const std::string& name) {
  constexpr std::string_view allowed =
      "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.-_ ";
  const auto refuse = [&](const std::string& what) {
    return fail(Fault::bad_data, "roll name '" + name.substr(0, 100) + "': " + what);
  };
  if (name.empty()) return refuse("is empty; give it a name such as 2026-014");
  if (name.size() > 100) return refuse("is longer than 100 letters");
  const bool good = std::all_of(name.begin(), name.end(),
                                [&](char c) { return allowed.find(c) != std::string_view::npos; });
  if (!good) {
    std::string shown;
    for (const char c : name.substr(0, 100))
      shown += static_cast<unsigned char>(c) < 0x20 || c == 0x7f ? '?' : c;
    return fail(Fault::bad_data,
                "roll name '" + shown +
                    "': use letters a to z, digits, dot, dash, underscore and space only");
  }
  if (name.front() == '.') return refuse("must not begin with a dot");
  if (name.front() == ' ' || name.back() == ' ')
    return refuse("must not begin or end with a space");
  if (name.front() == '-')
    return refuse("must not begin with a dash, which commands take for an option");
  return {};
}

}  // namespace lapwright::ledger::archive
