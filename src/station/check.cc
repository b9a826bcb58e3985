#include <algorithm>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "core/files.h"
#include "station/full.h"

namespace lapwright::station {
namespace {

/// Whether the pass itself shows the sleeve lying as planned: a wrong turn or an empty bed needs no
/// second pass to be seen.
Result<frames::Look> lies_as_planned(const Assignment& a, int number, image::RowSource& picture) {
  const auto& w = a.passes.at(number).capture.at("window");
  const std::int64_t factor = std::max<std::int64_t>(1, picture.ppi().value / 100);
  auto small = image::reduced(picture, 0, 0, picture.width(), picture.height(), factor);
  if (!small) return fail(small.error());
  const Rect<BedSpace> seen{Micrometres::from_mm(w.at("x").get<double>()),
                            Micrometres::from_mm(w.at("y").get<double>()),
                            to_micrometres({picture.width()}, picture.ppi()),
                            to_micrometres({picture.height()}, picture.ppi())};
  image::MemorySource source(*small, Ppi{static_cast<std::int32_t>(picture.ppi().value / factor)});
  return lies(a, number, source, seen);
}

}  // namespace

Result<Verdict> check(const Setting& s, Assignment& a, int number,
                      const std::function<void(const lap::Report&)>& tell) {
  std::vector<std::unique_ptr<raw::Reader>> readers;
  std::map<int, join::Laid> before;
  for (int p = 1; p <= number; ++p) {
    KeptPass& b = a.passes.at(p);
    auto reader = raw::Reader::open(s.archive / b.file.path);
    if (!reader) return fail(reader.error());
    raw::Reader& picture = *readers.emplace_back(std::move(*reader));
    const lap::Input input{&picture, b.planned, p, window_corner(b)};
    if (b.checked) {
      before[p] = {input, b.placement};
      continue;
    }
    auto seen = lies_as_planned(a, p, picture);
    if (!seen) return fail(seen.error());
    if (!acceptable(a, p, *seen))
      return Verdict{.good = false,
                     .pass = p,
                     .why = seen->found ? "the pass does not show all that it must"
                                        : "the pass does not show the sleeve as planned",
                     .say = seen->say};
    auto judged = join::judge(a.plan, a.sleeve, before, input);
    if (!judged) return fail(judged.error());
    for (const lap::Report& r : judged->reports) tell(r);
    if (const lap::Report* worst = judged->refused()) return refusal(a, p, *worst);
    if (const lap::Report* best = judged->best()) b.placement = best->b_on_sleeve;
    before[p] = {input, b.placement};
    for (lap::Report& r : judged->reports) a.laps.push_back(std::move(r));
    b.checked = true;
  }
  return Verdict{};
}

namespace {

constexpr double slides_mm = 3.5;     // strips in their pockets
constexpr double may_be_cut_mm = 0.3;
constexpr double least_sharpness = 0.6, least_of_others = 0.75;

std::string number(const char* format, double v) {
  char text[32];
  std::snprintf(text, sizeof text, format, v);
  return text;
}

bool shown(const std::array<Spot<SleeveSpace>, 4>& corners, const Affine<SleeveSpace, PassSpace>& lies,
           Spot<SleeveSpace> off, double shrunk, const image::RowSource& picture) {
  Spot<SleeveSpace> middle{};
  for (const auto& c : corners) middle.x += c.x / 4, middle.y += c.y / 4;
  return std::all_of(corners.begin(), corners.end(), [&](const auto& c) {
    const auto p = lies({c.x + off.x + (middle.x - c.x) * shrunk, c.y + off.y + (middle.y - c.y) * shrunk});
    return p.x >= 0 && p.y >= 0 && p.x <= static_cast<double>(picture.width()) &&
           p.y <= static_cast<double>(picture.height());
  });
}

/// Why a frame found is not sharp; empty when it is, or when nothing tells.
std::string not_sharp(const Assignment& a, const lap::SamePicture& match) {
  if (match.sharpness <= 0) return {};
  std::vector<double> others;
  for (const auto& [name, f] : a.found)
    if (f.match.sharpness > 0) others.push_back(f.match.sharpness);
  if (match.sharpness < least_sharpness)
    return "it has " + number("%.2f", match.sharpness) + " of its proof's sharpness";
  if (others.size() < 3) return {};
  std::nth_element(others.begin(), others.begin() + static_cast<std::ptrdiff_t>(others.size() / 2), others.end());
  const double usual = others[others.size() / 2];
  if (match.sharpness >= least_of_others * usual) return {};
  return "it has " + number("%.2f", match.sharpness) + " of its proof's sharpness, the roll's others " + number("%.2f", usual);
}

}  // namespace

Result<Verdict> check_full(const Setting& s, Assignment& a, int number_of, const Tell& tell) {
  if (!a.print) {
    auto print = print_of(s, a.job.roll.name);
    if (!print) return fail(print.error());
    a.print = std::move(*print);
  }
  for (int p = 1; p <= number_of; ++p) {
    KeptPass& pass = a.passes.at(p);
    if (pass.checked) continue;
    auto reader = raw::Reader::open(s.archive / pass.file.path);
    if (!reader) return fail(reader.error());
    raw::Reader& picture = **reader;
    int compared = 0;
    for (const frames::Frame& frame : a.wanted) {
      if (a.found.count(frame.frame) || !shown(frame.corners, pass.planned, {}, 0.3, picture)) continue;
      const auto match = lap::same_picture({a.print->sheet.get(), a.print->on_sheet}, {&picture, pass.planned}, frame.corners, slides_mm, true);
      if (!match) return fail(match.error());
      ++compared;
      Verdict bad{.good = false, .pass = p, .why = {}, .say = {}};
      std::string caution;
      if (!match->told) {
        caution = "it shows too little to be compared with its proof; it lies where its neighbours say";
      } else if (!match->same()) {
        bad.why = match->mirrored >= lap::SamePicture::enough ? "frame " + frame.frame + " lies the other way round than on its proof"
                                                              : "frame " + frame.frame + " does not show what its proof shows";
        bad.say = "Frame " + frame.frame + " does not show what its proof shows: the sleeve has moved since the quick look. Leave it lying, keep the lid closed and press the key again.";
      } else if (!shown(frame.corners, pass.planned, match->off, 2 * may_be_cut_mm / 24, picture)) {
        bad.why = "frame " + frame.frame + " is cut by the window's edge";
        bad.say = "Frame " + frame.frame + " is cut: the sleeve has moved since the quick look. Leave it lying and press the key again.";
      } else if (const std::string why = not_sharp(a, *match); !why.empty()) {
        if (a.not_sharp.insert(frame.frame).second) {
          bad.why = "frame " + frame.frame + " is not sharp: " + why;
          bad.say = "Frame " + frame.frame + " is not sharp: press the film flat, close the lid and press the key again. If it comes out the same once more it is taken as it is.";
        } else {
          caution = "it came out unsharp twice: " + why;
        }
      }
      tell("compared", {{"frame", frame.frame},
                        {"pass", p},
                        {"same", match->told ? Json(match->same()) : Json()},
                        {"correlation", match->correlation},
                        {"sharpness", match->sharpness},
                        {"off_mm", {match->off.x, match->off.y}},
                        {"why", bad.why.empty() ? caution : bad.why}});
      if (!bad.why.empty()) return bad;
      lap::SamePicture kept = *match;
      if (!kept.told) kept.off = {};
      a.found[frame.frame] = {p, kept, caution};
    }
    if (compared == 0)
      return Verdict{.good = false,
                     .pass = p,
                     .why = "the pass shows none of the wanted frames whole",
                     .say = "The pass shows none of the wanted frames whole: leave the sleeve lying and press the key again."};
    pass.checked = true;
  }
  return Verdict{};
}

Verdict refusal(Assignment& a, int number, const lap::Report& r) {
  if (number != 2) return {.good = false, .pass = number, .why = r.why, .say = r.say};
  const bool orientation =
      r.finding == lap::Finding::turned || r.finding == lap::Finding::mirrored;
  if (orientation && a.last_refusal == r.finding) {
    a.last_refusal = lap::Finding::good;
    return {.good = false,
            .pass = 1,
            .why = r.why + ", twice",
            .say =
                "Pass 2 came out the same way twice, so pass 1 is the one that lay wrong: lay the "
                "sleeve for pass 1 as drawn."};
  }
  a.last_refusal = r.finding;
  return {.good = false, .pass = number, .why = r.why, .say = r.say};
}

Json to_json(const lap::Report& r) {
  return {{"between", {r.a, r.b}},
          {"ok", r.ok},
          {"shift_px", {r.shift_px[0], r.shift_px[1]}},
          {"turn_degrees", r.turn_degrees},
          {"scale", r.scale},
          {"residual_px", r.residual_px},
          {"overlap_mm", r.overlap_mm},
          {"needed_mm", r.needed_mm},
          {"light_percent", {r.light_percent[0], r.light_percent[1], r.light_percent[2]}},
          {"confidence", r.confidence},
          {"patches", r.patches},
          {"seconds", r.seconds},
          {"why", r.why},
          {"say", r.say}};
}

}  // namespace lapwright::station
