#include "station/pass_note.h"

#include <nlohmann/json.hpp>

#include "raw/tiff.h"

namespace lapwright::station {
namespace {

constexpr std::string_view mark = "pass note: ";

}  // namespace

std::string pass_note(const ledger::PassNote& n) {
  const Json json = {
      {"roll", n.roll}, {"job", n.job}, {"pass", n.pass}, {"plan", n.plan}, {"capture", n.capture}};
  return std::string(mark) + json.dump(-1, ' ', true, Json::error_handler_t::replace);
}

std::optional<ledger::PassNote> read_pass_note(const std::filesystem::path& file) {
  const auto reader = raw::Reader::open(file);
  if (!reader) return {};
  const std::string& text = (*reader)->info().description;
  const std::size_t at = text.find(mark);
  if (at == std::string::npos) return {};
  const auto json = core::parse_json(std::string_view(text).substr(at + mark.size()), "pass note");
  if (!json || !json->is_object() || !json->contains("capture") || !(*json)["capture"].is_object())
    return {};
  try {
    return ledger::PassNote{json->at("roll"), json->at("job"), json->at("pass"), json->at("plan"),
                            json->at("capture")};
  } catch (const Json::exception&) {
    return {};
  }
}

}  // namespace lapwright::station
