#include <algorithm>
#include <nlohmann/json.hpp>

#include "core/files.h"
#include "station/assignment.h"

namespace lapwright::station {
namespace {

/// The roll's joined proof sheet, on which full-resolution passes are found.
struct ProofSheet {
  std::unique_ptr<raw::Reader> reader;
  profile::Card card;
  Affine<SleeveSpace, PassSpace> map;  // sleeve mm to sheet pixels, seen as a pass
};

Result<ProofSheet> open_proof_sheet(const Setting& s, const std::string& roll) {
  const auto folder = ledger::archive::roll_folder(s.archive, roll) / "proof";
  auto text = core::read_file(folder / "sheet.yaml");
  if (!text) return fail(text.error());
  auto card = profile::read_card(*text, (folder / "sheet.yaml").string());
  if (!card) return fail(card.error());
  auto reader = raw::Reader::open(folder / "sheet.tif");
  if (!reader) return fail(reader.error());
  return ProofSheet{std::move(*reader), *card,
                    mm_to_pixels<SleeveSpace, PassSpace>(card->origin_mm, card->ppi)};
}

bool inside(const Spot<PassSpace>& p, const image::RowSource& picture) {
  return p.x >= 0 && p.y >= 0 && p.x <= static_cast<double>(picture.width()) &&
         p.y <= static_cast<double>(picture.height());
}

/// A wanted frame that the pass was planned for but cuts off; empty when all are whole.
std::string cut_frame(const Assignment& a, const plan::Pass& pass, const lap::Placement& placement,
                      const image::RowSource& picture) {
  for (const auto& frame : a.wanted) {
    const bool planned =
        std::all_of(frame.corners.begin(), frame.corners.end(), [&](const auto& c) {
          return c.x >= pass.covers.x.mm() && c.x <= pass.covers.right().mm() &&
                 c.y >= pass.covers.y.mm() && c.y <= pass.covers.bottom().mm();
        });
    if (planned && !std::all_of(frame.corners.begin(), frame.corners.end(),
                                [&](const auto& c) { return inside(placement(c), picture); }))
      return frame.frame;
  }
  return {};
}

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

/// The proof's own laps, or at full resolution the lap with the roll's joined proof sheet.
Result<join::Judged> judge(const Setting& s, const Assignment& a,
                           const std::map<int, join::Laid>& before, const lap::Input& pass) {
  if (a.job.kind == ledger::JobKind::proof) return join::judge(a.plan, a.sleeve, before, pass);
  auto sheet = open_proof_sheet(s, a.job.roll.name);
  if (!sheet) return fail(sheet.error());
  auto report = lap::check({sheet->reader.get(), sheet->map, 0},
                           {.affine = sheet->map, .dx = {}, .dy = {}}, pass, a.sleeve);
  if (!report) return fail(report.error());
  return join::Judged{{std::move(*report)}};
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
    auto judged = judge(s, a, before, input);
    if (!judged) return fail(judged.error());
    for (const lap::Report& r : judged->reports) tell(r);
    if (const lap::Report* worst = judged->refused()) return refusal(a, p, *worst);
    if (const lap::Report* best = judged->best()) b.placement = best->b_on_sleeve;
    if (a.job.kind == ledger::JobKind::full) {
      if (const std::string cut = cut_frame(a, a.pass(p), b.placement, picture); !cut.empty())
        return Verdict{.good = false,
                       .pass = p,
                       .why = "frame " + cut + " is cut by the window's edge",
                       .say = "Frame " + cut +
                              " is cut by the window's edge: lay the sleeve as the drawing shows "
                              "and press the key again."};
    }
    before[p] = {input, b.placement};
    for (lap::Report& r : judged->reports) a.laps.push_back(std::move(r));
    b.checked = true;
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
