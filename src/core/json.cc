#include "core/json.h"

#include <algorithm>
#include <nlohmann/json.hpp>

namespace lapwright::core {

Result<Json> parse_json(std::string_view text, const std::string& source) {
  try {
    return Json::parse(text);
  } catch (const Json::parse_error& e) {
    const auto at = std::min<std::size_t>(e.byte > 0 ? e.byte - 1 : 0, text.size());
    const auto before = text.substr(0, at);
    const auto line = 1 + std::count(before.begin(), before.end(), '\n');
    const auto start = before.rfind('\n');
    const auto column = start == std::string_view::npos ? at + 1 : at - start;
    return fail(Fault::bad_data, source + ":" + std::to_string(line) + ":" +
                                     std::to_string(column) +
                                     ": not JSON; a complete JSON document is expected here");
  }
}

}  // namespace lapwright::core
