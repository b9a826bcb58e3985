#include "core/json.h"

#include <algorithm>
#include <nlohmann/json.hpp>

namespace lapwright::core {

namespace {

constexpr int most_depth = 64;
struct TooDeep {};

}  // namespace

Result<Json> parse_json(std::string_view text, const std::string& source) {
  try {
    return Json::parse(text, [](int depth, Json::parse_event_t, Json&) {
      if (depth > most_depth) throw TooDeep{};
      return true;
    });
  } catch (const TooDeep&) {
    return fail(Fault::bad_data, source + ": nested too deep; at most " +
                                     std::to_string(most_depth) +
                                     " lists or objects in each other are right");
  } catch (const Json::parse_error& e) {
    const auto at = std::min<std::size_t>(e.byte > 0 ? e.byte - 1 : 0, text.size());
    const auto before = text.substr(0, at);
    const auto line = 1 + std::count(before.begin(), before.end(), '\n');
    const auto start = before.rfind('\n');
    const auto column = start == std::string_view::npos ? at + 1 : at - start;
    return fail(Fault::bad_data, source + ":" + std::to_string(line) + ":" +
                                     std::to_string(column) +
                                     ": not JSON; a complete JSON document is expected here");
  } catch (const Json::out_of_range&) {
    return fail(Fault::bad_data,
                source + ": holds a number that is too large; the largest is 1.7e308");
  }
}

}  // namespace lapwright::core
