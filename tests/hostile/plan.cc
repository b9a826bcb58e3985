#include "plan/plan.h"

#include <cmath>
#include <nlohmann/json.hpp>

#include "frames/frames.h"
#include "hostile.h"
#include "join/assemble.h"
#include "plan_check.h"

namespace lapwright::hostile {
namespace {

constexpr const char* name = "plan.json";

}  // namespace

void check(const plan::Plan& plan, const profile::SleeveProfile& sleeve,
           const profile::BedProfile& bed) {
  const Json json = plan::to_json(plan);
  const auto again = plan::from_json(json, name);
  must(again.has_value(), again ? "" : "a plan that is not read back: " + again.error().text);
  must(plan::to_json(*again) == json, "a plan comes back changed");
  for (const plan::Pass& pass : plan.passes) {
    const auto map = pass.sleeve_to_pass(plan.ppi);
    must(std::isfinite(map.inverse()(map({0, 0})).x), "a lay without an inverse");
    must(!plan::how_to_lay(plan, pass, sleeve, bed).empty(), "nothing to say");
  }
  must(!plan::draw_svg(plan, sleeve, bed).empty(), "no drawing");
  (void)join::SheetGeometry::of(join::sheet_area(plan), plan.ppi);
}

void check_made(const Result<plan::Plan>& plan, const profile::SleeveProfile& sleeve,
                const profile::BedProfile& bed) {
  if (plan) return check(*plan, sleeve, bed);
  must_refuse(plan.error(), Fault::bad_data, "");
}

void plan(std::string_view bytes) {
  static const profile::Shelf shelf({std::filesystem::path(SOURCE_DIR) / "profiles"});
  static const profile::SleeveProfile sleeve = *shelf.sleeve("135-7x5");
  static const profile::BedProfile bed = *shelf.bed("a4-window-8x10");
  const auto json = core::parse_json(bytes, name);
  if (!json) return must_refuse(json.error(), Fault::bad_data, std::string(name) + ":");
  // An archive's other document is read by the same rules.
  if (json->is_object() && json->contains("frames")) {
    const auto frames = frames::from_json(*json, name);
    if (!frames) return must_refuse(frames.error(), Fault::bad_data, std::string(name) + ":");
    const auto again = frames::from_json(frames::to_json(*frames), name);
    must(again.has_value() && again->size() == frames->size(), "frames that are not read back");
    return;
  }
  const auto plan = plan::from_json(*json, name);
  if (!plan) return must_refuse(plan.error(), Fault::bad_data, std::string(name) + ":");
  check(*plan, sleeve, bed);
}

}  // namespace lapwright::hostile
