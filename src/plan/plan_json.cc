#include <cmath>
#include <nlohmann/json.hpp>
#include <utility>

#include "core/text.h"
#include "plan/plan.h"

namespace lapwright::plan {
namespace {

constexpr double longest_mm = 1e5;

const char* text(Through t) {
  switch (t) {
    case Through::gutter: return "gutter";
    case Through::gap: return "gap";
    case Through::frame: return "frame";
  }
  return "frame";
}

/// Thrown inside this file only: what is wrong at a place in the document.
struct Wrong {
  std::string place, what;
};

/// A value of the document that knows where it stands.
class Place {
 public:
  Place(const Json& json, std::string path) : json_(json), path_(std::move(path)) {}
  bool has(const char* key) const { return json_.is_object() && json_.contains(key); }
  Place at(const char* key) const {
    if (!json_.is_object()) wrong("must be an object");
    const auto it = json_.find(key);
    const std::string path = path_.empty() ? key : path_ + "." + key;
    if (it == json_.end()) throw Wrong{path, "is missing"};
    return {*it, path};
  }
  std::vector<Place> items() const {
    if (!json_.is_array()) wrong("must be a list");
    std::vector<Place> out;
    for (std::size_t i = 0; i < json_.size(); ++i) out.emplace_back(json_[i], path_ + "[" + std::to_string(i) + "]");
    return out;
  }
  double number(double least, double most) const {
    if (!json_.is_number()) wrong("must be a number");
    const double v = json_.get<double>();
    if (!std::isfinite(v) || v < least || v > most) wrong("is " + json_.dump() + "; must be from " + Json(least).dump() + " to " + Json(most).dump());
    return v;
  }
  std::int64_t whole(std::int64_t least, std::int64_t most) const {
    const double v = number(static_cast<double>(least), static_cast<double>(most));
    if (v != std::floor(v)) wrong("is " + json_.dump() + "; must be a whole number");
    return json_.is_number_integer() ? json_.get<std::int64_t>() : static_cast<std::int64_t>(v);
  }
  bool flag() const {
    if (!json_.is_boolean()) wrong("must be true or false");
    return json_.get<bool>();
  }
  std::string word() const {
    if (!json_.is_string()) wrong("must be a text");
    return json_.get<std::string>();
  }
  template <class Space>
  Rect<Space> rect(bool may_be_empty = false) const {
    const double least = may_be_empty ? 0 : 0.001;
    const auto um = [](double mm) { return Micrometres::from_mm(mm); };
    return {um(at("x").number(-longest_mm, longest_mm)), um(at("y").number(-longest_mm, longest_mm)),
            um(at("width").number(least, longest_mm)), um(at("height").number(least, longest_mm))};
  }
  [[noreturn]] void wrong(const std::string& what) const { throw Wrong{path_.empty() ? "the document" : path_, what}; }

 private:
  const Json& json_;
  std::string path_;
};

Pass read_pass(const Place& in, int expected, Ppi ppi) {
  Pass p;
  p.number = static_cast<int>(in.at("pass").whole(1, 10'000));
  if (p.number != expected) in.at("pass").wrong("is " + std::to_string(p.number) + "; passes are numbered 1, 2, 3 in their order");
  p.lay.turn = static_cast<int>(in.at("turn").whole(0, 270));
  if (p.lay.turn % 90 != 0) in.at("turn").wrong("is " + std::to_string(p.lay.turn) + "; must be 0, 90, 180 or 270");
  p.lay.mirrored = in.at("mirrored").flag();
  const auto map = in.at("sleeve_to_bed").items();
  if (map.size() != 6) in.at("sleeve_to_bed").wrong("must hold six numbers");
  double m[6];
  for (std::size_t i = 0; i < 6; ++i) m[i] = map[i].number(-longest_mm, longest_mm);
  p.lay.sleeve_to_bed = {m[0], m[1], m[2], m[3], m[4], m[5]};
  const double size = p.lay.sleeve_to_bed.determinant();
  if (std::abs(std::abs(size) - 1) > 0.1) in.at("sleeve_to_bed").wrong("stretches the sleeve; a*d - b*c must be 1 (-1 when mirrored)");
  if ((size < 0) != p.lay.mirrored) in.at("mirrored").wrong("does not agree with sleeve_to_bed");
  const double r = p.lay.turn * std::acos(-1.0) / 180, sign = p.lay.mirrored ? -1 : 1;
  // The nearest quarter turn; a sleeve that was laid anyhow lies askew besides.
  if (sign * (m[0] * std::cos(r) + m[1] * std::sin(r)) < 0.7)
    in.at("turn").wrong("is " + std::to_string(p.lay.turn) + " and does not agree with sleeve_to_bed");
  p.window = in.at("window").rect<BedSpace>();
  p.covers = in.at("covers").rect<SleeveSpace>();
  p.width.value = in.at("pixels").at("width").whole(1, 10'000'000);
  p.height.value = in.at("pixels").at("height").whole(1, 100'000'000);
  const auto near = [&](const char* key, Pixels pixels, Micrometres length) {
    if (std::abs(pixels.value - to_pixels(length, ppi).value) > 1)
      in.at("pixels").at(key).wrong("is " + std::to_string(pixels.value) + "; the window at " + std::to_string(ppi.value) + " ppi has " +
                                    std::to_string(to_pixels(length, ppi).value));
  };
  near("width", p.width, p.window.width);
  near("height", p.height, p.window.height);
  p.bytes = in.at("bytes").whole(0, std::int64_t{1} << 52);
  if (p.bytes != p.width.value * p.height.value * core::bytes_per_pixel)
    in.at("bytes").wrong("is " + std::to_string(p.bytes) + "; width x height x 6 is " +
                         std::to_string(p.width.value * p.height.value * core::bytes_per_pixel));
  p.seconds = in.at("seconds").number(0, 1e7);
  return p;
}

Lap read_lap(const Place& in, int passes) {
  Lap lap;
  const auto between = in.at("between").items();
  if (between.size() != 2) in.at("between").wrong("must hold two pass numbers");
  lap.a = static_cast<int>(between[0].whole(1, passes));
  lap.b = static_cast<int>(between[1].whole(1, passes));
  if (lap.a == lap.b) in.at("between").wrong("names the same pass twice");
  lap.area = in.at("area").rect<SleeveSpace>(true);
  const Place seam = in.at("seam");
  const std::string axis = seam.at("axis").word(), through = seam.at("through").word();
  if (axis != "x" && axis != "y") seam.at("axis").wrong("is \"" + core::one_line(axis, 40) + "\"; must be x or y");
  lap.seam.axis = axis == "x" ? Axis::x : Axis::y;
  lap.seam.at = Micrometres::from_mm(seam.at("at").number(-longest_mm, longest_mm));
  if (through == "gutter") lap.seam.through = Through::gutter;
  else if (through == "gap") lap.seam.through = Through::gap;
  else if (through == "frame") lap.seam.through = Through::frame;
  else seam.at("through").wrong("is \"" + core::one_line(through, 40) + "\"; must be gutter, gap or frame");
  return lap;
}

Plan read_plan(const Place& in) {
  Plan plan;
  plan.sleeve = in.at("sleeve").word();
  plan.bed = in.at("bed").word();
  plan.ppi.value = static_cast<std::int32_t>(in.at("ppi").whole(25, 25400));
  for (const Place& p : in.at("passes").items()) plan.passes.push_back(read_pass(p, static_cast<int>(plan.passes.size()) + 1, plan.ppi));
  if (plan.passes.empty()) in.at("passes").wrong("is empty; a plan has one pass at least");
  for (const Place& l : in.at("laps").items()) plan.laps.push_back(read_lap(l, static_cast<int>(plan.passes.size())));
  const Place totals = in.at("totals");
  plan.totals.passes = static_cast<int>(totals.at("passes").whole(1, 10'000));
  if (plan.totals.passes != static_cast<int>(plan.passes.size()))
    totals.at("passes").wrong("is " + std::to_string(plan.totals.passes) + "; the plan has " + std::to_string(plan.passes.size()));
  plan.totals.bytes = totals.at("bytes").whole(0, std::int64_t{1} << 53);
  plan.totals.joined_bytes = totals.at("joined_bytes").whole(0, std::int64_t{1} << 53);
  plan.totals.seconds = totals.at("seconds").number(0, 1e9);
  for (const Place& c : in.at("cautions").items()) plan.cautions.push_back(c.word());
  if (in.has("needed")) {
    plan.needed = in.at("needed").rect<SleeveSpace>();
  } else {
    for (const Pass& p : plan.passes) plan.needed = plan.needed.hull(p.covers);
  }
  return plan;
}

}  // namespace

Json to_json(const Pass& p, Ppi ppi) {
  (void)ppi;
  const auto& m = p.lay.sleeve_to_bed;
  return {{"pass", p.number},
          {"turn", p.lay.turn},
          {"mirrored", p.lay.mirrored},
          {"sleeve_to_bed", {m.a, m.b, m.c, m.d, m.e, m.f}},
          {"window", rect_json(p.window)},
          {"covers", rect_json(p.covers)},
          {"pixels", {{"width", p.width.value}, {"height", p.height.value}}},
          {"bytes", p.bytes},
          {"seconds", std::llround(p.seconds)}};
}

Json to_json(const Plan& plan) {
  Json out = {{"sleeve", plan.sleeve}, {"bed", plan.bed}, {"ppi", plan.ppi.value}, {"passes", Json::array()}, {"laps", Json::array()}};
  for (const Pass& p : plan.passes) out["passes"].push_back(to_json(p, plan.ppi));
  for (const Lap& l : plan.laps) {
    out["laps"].push_back({{"between", {l.a, l.b}},
                           {"area", rect_json(l.area)},
                           {"seam", {{"axis", l.seam.axis == Axis::x ? "x" : "y"}, {"at", l.seam.at.mm()}, {"through", text(l.seam.through)}}}});
  }
  out["totals"] = {{"passes", plan.totals.passes},
                   {"bytes", plan.totals.bytes},
                   {"joined_bytes", plan.totals.joined_bytes},
                   {"seconds", std::llround(plan.totals.seconds)}};
  out["cautions"] = plan.cautions;
  out["needed"] = rect_json(plan.needed);
  return out;
}

Result<Plan> from_json(const Json& json, const std::string& source) {
  try {
    return read_plan(Place(json, ""));
  } catch (const Wrong& w) {
    return fail(Fault::bad_data, source + ": " + w.place + " " + core::one_line(w.what));
  }
}

}  // namespace lapwright::plan
