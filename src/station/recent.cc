#include "station/recent.h"

#include <algorithm>
#include <map>
#include <nlohmann/json.hpp>
#include <set>

namespace lapwright::station {
namespace {

/// What each kind makes old, besides itself.
const std::map<std::string, std::set<std::string>>& makes_old() {
  // What was said of the try before (look, lap, again, fault) stays until the key says that it was read.
  static const std::map<std::string, std::set<std::string>> table = {
      {"ready", {}},  // everything: see take()
      {"place", {"waiting", "pass", "key", "busy", "capture", "captured"}},
      {"key", {"look", "lap", "again", "fault", "pass", "busy", "capture", "captured"}},
      {"look", {"busy"}},
      {"pass", {"busy", "capture", "captured"}},
      {"busy", {}},
      {"capture", {"busy"}},
      {"captured", {"capture"}},
      {"lap", {}},
      {"again", {}},
      {"fault", {}},
      {"waiting", {"place", "key", "look", "pass", "busy", "capture", "captured", "lap", "again"}},
      {"handed_over", {"place", "key", "look", "pass", "busy", "capture", "captured", "lap", "again"}},
      {"joined", {}},
      {"converted", {}},
      {"frames", {}},
      {"done", {}}};
  return table;
}

bool of_a_roll(const std::string& kind) {
  return kind == "handed_over" || kind == "joined" || kind == "converted" || kind == "frames";
}

std::string text(const Json& event, const char* key) {
  const auto it = event.find(key);
  return it != event.end() && it->is_string() ? it->get<std::string>() : std::string();
}

}  // namespace

bool Recent::take(const Json& event) {
  if (!event.is_object()) return false;
  const std::string kind = text(event, "event"), roll = text(event, "roll");
  const auto row = makes_old().find(kind);
  if (row == makes_old().end()) return false;
  if (kind == "ready") kept_.clear();
  const bool ended = kind == "done" || (kind == "fault" && !roll.empty());
  std::erase_if(kept_, [&](const Json& e) {
    const std::string was = text(e, "event");
    if (of_a_roll(was)) return text(e, "roll") == roll && (was == kind || ended);
    return was == kind || row->second.count(was) > 0;
  });
  kept_.push_back(event);
  return true;
}

const Json* Recent::of(const std::string& kind) const {
  const auto it = std::find_if(kept_.rbegin(), kept_.rend(), [&](const Json& e) { return text(e, "event") == kind; });
  return it == kept_.rend() ? nullptr : &*it;
}

std::string Recent::about() const {
  static const std::map<std::string, std::string> phases = {
      {"place", "placing"},       {"key", "looking"},      {"pass", "capturing"},     {"capture", "capturing"},
      {"captured", "checking"},   {"waiting", "waiting"},  {"handed_over", "seeking"}};
  for (auto e = kept_.rbegin(); e != kept_.rend(); ++e)
    if (const auto it = phases.find(text(*e, "event")); it != phases.end()) return it->second;
  return "seeking";
}

}  // namespace lapwright::station
