#include "plan/sketch.h"

#include <algorithm>
#include <nlohmann/json.hpp>

namespace lapwright::plan {
namespace {

template <class Space>
Json rects_json(const std::vector<Rect<Space>>& rects) {
  Json out = Json::array();
  for (const auto& r : rects) out.push_back(rect_json(r));
  return out;
}

}  // namespace

Sketch sketch_of(const Plan& plan, const Pass& pass, const profile::SleeveProfile& s, const profile::BedProfile& bed) {
  Sketch k;
  const auto& w = bed.window;
  const auto& o = bed.overhang;
  k.bed_window = w, k.captured = pass.window;
  k.reach = {w.x - o.left, w.y - o.back, w.width + o.left + o.right, w.height + o.back + o.front};
  k.page = page_on_bed(pass, s);
  k.sleeve_to_bed = pass.lay.sleeve_to_bed;
  k.sleeve = s.page;
  for (int i = 0; i < s.strips.count; ++i) {
    k.strips.push_back(s.strip(i));
    for (int j = 0; j < s.strips.frames; ++j) k.frames.push_back(s.frame_area(i, j));
  }
  for (const Lap& l : plan.laps) {
    if (l.a != pass.number && l.b != pass.number) continue;
    k.laps.push_back(l.area);
    const double at = l.seam.at.mm();
    if (l.seam.axis == Axis::x) k.seams.push_back({{at, l.area.y.mm()}, {at, l.area.bottom().mm()}});
    else k.seams.push_back({{l.area.x.mm(), at}, {l.area.right().mm(), at}});
  }
  const double h = s.page.height.mm();
  const double hole_at = std::clamp(s.block().x.mm() / 2, 4.0, 9.0);
  for (const double y : {h / 2 - 80, h / 2, h / 2 + 80})
    if (y > 6 && y < h - 6) k.holes.push_back({hole_at, y});
  k.binding = binding_side(pass.lay), k.top = top_side(pass.lay);
  for (const Side side : {Side::left, Side::right, Side::back, Side::front})
    k.past[static_cast<std::size_t>(side)] = overhang(k.page, w, side);
  return k;
}

Json to_json(const Sketch& k) {
  const auto& m = k.sleeve_to_bed;
  Json seams = Json::array(), holes = Json::array(), past = Json::object();
  for (const auto& s : k.seams) seams.push_back({s.from.x, s.from.y, s.to.x, s.to.y});
  for (const auto& h : k.holes) holes.push_back({h.x, h.y});
  for (const Side side : {Side::left, Side::right, Side::back, Side::front})
    past[side_name(side)] = static_cast<double>(k.past[static_cast<std::size_t>(side)]) / 1000;
  return {{"bed_window", rect_json(k.bed_window)},
          {"captured", rect_json(k.captured)},
          {"reach", rect_json(k.reach)},
          {"sleeve_to_bed", {m.a, m.b, m.c, m.d, m.e, m.f}},
          {"sleeve", {{"width", k.sleeve.width.mm()}, {"height", k.sleeve.height.mm()}}},
          {"strips", rects_json(k.strips)},
          {"frames", rects_json(k.frames)},
          {"laps", rects_json(k.laps)},
          {"seams", std::move(seams)},
          {"holes", std::move(holes)},
          {"hole_radius", k.hole_radius},
          {"binding", side_name(k.binding)},
          {"top", side_name(k.top)},
          {"past", std::move(past)}};
}

}  // namespace lapwright::plan
