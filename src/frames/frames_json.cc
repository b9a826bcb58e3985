#include <cmath>
#include <nlohmann/json.hpp>

#include "frames/frames.h"

namespace lapwright::frames {
namespace {

constexpr const char* names[] = {"code", "position", "person"};

double rounded(double value, double per_unit) { return std::round(value * per_unit) / per_unit; }

}  // namespace

Json to_json(const std::vector<Frame>& frames) {
  Json list = Json::array();
  for (const Frame& f : frames) {
    Json corners = Json::array();
    for (const auto& c : f.corners) corners.push_back(Json::array({rounded(c.x, 1000), rounded(c.y, 1000)}));
    list.push_back({{"frame", f.frame},
                    {"strip", f.strip},
                    {"corners", std::move(corners)},
                    {"sure", rounded(f.sure, 100)},
                    {"numbered_by", names[static_cast<int>(f.numbered_by)]},
                    {"corrected", f.corrected}});
    if (!f.number_sure) list.back()["number_sure"] = false;
  }
  return {{"frames", std::move(list)}};
}

Json to_json(const Report& report) {
  Json json = to_json(report.frames);
  const RollEdge& edge = report.edge;
  if (edge.codes == 0) return json;
  Json strips = Json::array();
  for (const StripEdge& s : edge.strips) {
    if (s.codes.empty()) continue;
    Json codes = Json::array();
    for (const StripEdge::Code& c : s.codes)
      codes.push_back({{"at", {rounded(c.at.x, 100), rounded(c.at.y, 100)}},
                       {"film", c.code.film},
                       {"frame", c.code.half ? Json(half_name(*c.code.half)) : Json()}});
    strips.push_back({{"strip", s.strip}, {"turned", s.turned}, {"mirrored", s.mirrored}, {"codes", std::move(codes)}});
  }
  json["edge"] = {{"film", edge.film ? Json(*edge.film) : Json()}, {"mirrored", edge.mirrored}, {"strips", std::move(strips)}};
  return json;
}

Result<std::vector<Frame>> from_json(const Json& json, const std::string& source) {
  const auto wrong = [&](const std::string& place, const std::string& right) {
    return fail(Fault::bad_data, source + ": " + place + ": must be " + right);
  };
  if (!json.is_object() || !json.contains("frames") || !json["frames"].is_array())
    return wrong("frames", "a list under the key \"frames\"");
  std::vector<Frame> frames;
  for (std::size_t i = 0; i < json["frames"].size(); ++i) {
    const Json& j = json["frames"][i];
    const std::string at = "frames[" + std::to_string(i) + "]";
    if (!j.is_object()) return wrong(at, "an object");
    const auto member = [&](const char* key) -> const Json& {
      static const Json none;
      const auto found = j.find(key);
      return found == j.end() ? none : *found;
    };
    Frame f;
    const Json& name = member("frame");
    if (!name.is_string() || name.get_ref<const std::string&>().empty()) return wrong(at + ".frame", "a frame's name such as \"12A\"");
    f.frame = name.get<std::string>();
    const Json& strip = member("strip");
    if (!strip.is_number_integer() || strip.get<std::int64_t>() < 1 || strip.get<std::int64_t>() > 1000)
      return wrong(at + ".strip", "a whole number from 1");
    f.strip = static_cast<int>(strip.get<std::int64_t>());
    const Json& corners = member("corners");
    if (!corners.is_array() || corners.size() != 4) return wrong(at + ".corners", "four pairs of millimetres");
    for (std::size_t k = 0; k < 4; ++k) {
      const Json& c = corners[k];
      if (!c.is_array() || c.size() != 2 || !c[0].is_number() || !c[1].is_number())
        return wrong(at + ".corners[" + std::to_string(k) + "]", "a pair of millimetres [x, y]");
      f.corners[k] = {c[0].get<double>(), c[1].get<double>()};
    }
    const Json& sure = member("sure");
    if (!sure.is_number() || !(sure.get<double>() >= 0 && sure.get<double>() <= 1)) return wrong(at + ".sure", "a number from 0 to 1");
    f.sure = sure.get<double>();
    const Json& by = member("numbered_by");
    int which = -1;
    for (int k = 0; k < 3; ++k)
      if (by.is_string() && by.get_ref<const std::string&>() == names[k]) which = k;
    if (which < 0) return wrong(at + ".numbered_by", "code, position or person");
    f.numbered_by = static_cast<NumberedBy>(which);
    const Json& corrected = member("corrected");
    if (!corrected.is_boolean()) return wrong(at + ".corrected", "true or false");
    f.corrected = corrected.get<bool>();
    if (const Json& sure_number = member("number_sure"); !sure_number.is_null()) {
      if (!sure_number.is_boolean()) return wrong(at + ".number_sure", "true or false");
      f.number_sure = sure_number.get<bool>();
    }
    frames.push_back(std::move(f));
  }
  return frames;
}

}  // namespace lapwright::frames
