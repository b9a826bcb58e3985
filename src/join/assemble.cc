#include "join/assemble.h"

#include <algorithm>

#include "frames/frames.h"

namespace lapwright::join {
namespace {

bool says_nothing(const lap::Report& r) { return !r.ok && r.finding == lap::Finding::cannot_tell; }

Result<> check_pictures(const plan::Plan& plan, const std::vector<image::RowSource*>& pictures) {
  if (plan.passes.empty()) return fail(Fault::bad_data, "the plan has no passes");
  if (pictures.size() != plan.passes.size())
    return fail(Fault::bad_data, std::to_string(pictures.size()) + " passes are given; the plan has " + std::to_string(plan.passes.size()));
  for (std::size_t i = 0; i < pictures.size(); ++i) {
    const plan::Pass& p = plan.passes[i];
    const auto near = [](std::int64_t got, std::int64_t wanted) { return std::abs(got - wanted) <= std::max<std::int64_t>(64, wanted / 50); };
    if (pictures[i]->ppi() != plan.ppi)
      return fail(Fault::bad_data, "pass " + std::to_string(p.number) + " has " + std::to_string(pictures[i]->ppi().value) + " ppi; the plan says " +
                                       std::to_string(plan.ppi.value));
    if (!near(pictures[i]->width(), p.width.value) || !near(pictures[i]->height(), p.height.value))
      return fail(Fault::bad_data, "pass " + std::to_string(p.number) + " is " + std::to_string(pictures[i]->width()) + " x " +
                                       std::to_string(pictures[i]->height()) + " pixels; the plan says " + std::to_string(p.width.value) +
                                       " x " + std::to_string(p.height.value));
  }
  return {};
}

/// Whether two passes show nothing but empty pockets where they lap; `spare` is what a hand may have missed by.
Result<bool> laps_empty_pockets(const plan::Lap& lap, const profile::SleeveProfile& sleeve, const lap::Input& a, const lap::Input& b) {
  constexpr Micrometres spare{5000};
  constexpr double dust = 0.005;
  for (const lap::Input* pass : {&a, &b}) {
    auto film = frames::film_share(*pass->picture, pass->planned, lap.area.grown(-spare), sleeve);
    if (!film) return fail(film.error());
    if (*film > dust) return false;
  }
  return true;
}

/// Passes that located laps tie together, each group in the order of `passes`.
std::vector<std::vector<lap::Input>> tied(const std::vector<lap::Input>& passes, const std::vector<lap::Report>& laps) {
  std::map<int, int> group;
  for (const lap::Input& p : passes) group[p.number] = p.number;
  for (const lap::Report& r : laps) {
    if (!r.located || !group.contains(r.a) || !group.contains(r.b)) continue;
    const int from = group[r.b], to = group[r.a];
    for (auto& [number, in] : group)
      if (in == from) in = to;
  }
  std::vector<std::vector<lap::Input>> groups;
  std::map<int, std::size_t> at;
  for (const lap::Input& p : passes) {
    const auto [it, added] = at.try_emplace(group[p.number], groups.size());
    if (added) groups.emplace_back();
    groups[it->second].push_back(p);
  }
  return groups;
}

}  // namespace

const lap::Report* Judged::best() const {
  const lap::Report* best = nullptr;
  for (const lap::Report& r : reports)
    if (r.ok && (!best || r.confidence > best->confidence)) best = &r;
  return best;
}

const lap::Report* Judged::refused() const {
  for (const lap::Report& r : reports)
    if (!r.ok && !says_nothing(r)) return &r;
  return !reports.empty() && !best() ? &reports.front() : nullptr;
}

Result<Judged> judge(const plan::Plan& plan, const profile::SleeveProfile& sleeve, const std::map<int, Laid>& before, const lap::Input& pass,
                     const lap::Options& options) {
  Judged judged;
  for (const plan::Lap& planned : plan.laps) {
    const int other = planned.a == pass.number ? planned.b : planned.b == pass.number ? planned.a : 0;
    const auto it = before.find(other);
    if (it == before.end()) continue;
    auto report = lap::check(it->second.input, it->second.placement, pass, sleeve, options);
    if (!report) return fail(report.error());
    if (says_nothing(*report)) {
      auto empty = laps_empty_pockets(planned, sleeve, it->second.input, pass);
      if (!empty) return fail(empty.error());
      if (*empty) continue;
    }
    judged.reports.push_back(std::move(*report));
  }
  return judged;
}

Result<Placed> place(const std::vector<lap::Input>& passes, const std::vector<lap::Report>& laps) {
  Placed placed;
  for (const std::vector<lap::Input>& group : tied(passes, laps)) {
    auto solved = lap::solve(group, laps);
    if (!solved) return fail(solved.error());
    for (std::size_t i = 0; i < group.size(); ++i)
      placed.pieces.push_back({group[i].picture, solved->placements[i], solved->lights[i], group[i].number});
    placed.worst_loop_px = std::max(placed.worst_loop_px, solved->worst_loop_px);
  }
  std::sort(placed.pieces.begin(), placed.pieces.end(), [](const Piece& a, const Piece& b) { return a.number < b.number; });
  return placed;
}

Result<Assembled> assemble(const plan::Plan& plan, const profile::SleeveProfile& sleeve, const std::vector<image::RowSource*>& pictures,
                           const lap::Options& options) {
  if (auto r = check_pictures(plan, pictures); !r) return fail(r.error());
  Assembled out;
  std::vector<lap::Input> inputs;
  std::map<int, Laid> laid;
  for (std::size_t i = 0; i < plan.passes.size(); ++i) {
    const plan::Pass& pass = plan.passes[i];
    const lap::Input input{pictures[i], pass.sleeve_to_pass(plan.ppi), pass.number,
                           {pass.window.x.mm(), pass.window.y.mm()}};
    auto judged = judge(plan, sleeve, laid, input, options);
    if (!judged) return fail(judged.error());
    out.laps.insert(out.laps.end(), judged->reports.begin(), judged->reports.end());
    if (const lap::Report* refused = judged->refused()) {
      out.refused = *refused;
      return out;
    }
    const lap::Report* best = judged->best();
    laid[pass.number] = {input, best ? best->b_on_sleeve : lap::Placement{input.planned, {}, {}}};
    inputs.push_back(input);
  }
  auto placed = place(inputs, out.laps);
  if (!placed) return fail(placed.error());
  out.placed = std::move(*placed);
  return out;
}

Rect<SleeveSpace> sheet_area(const plan::Plan& plan) {
  Rect<SleeveSpace> seen{};
  for (const auto& pass : plan.passes) seen = seen.hull(bounds(pass.lay.sleeve_to_bed.inverse(), pass.window));
  return plan.needed.grown(Micrometres{4000}).intersect(seen);
}

Result<Sheet> write_sheet(const std::filesystem::path& file, const std::vector<Piece>& pieces, const std::vector<plan::Lap>& laps,
                          const SheetGeometry& geometry, const raw::Tags& tags, const std::atomic<bool>& stop) {
  auto writer = raw::Writer::create(file, geometry.width, geometry.height, geometry.ppi, tags, 0,
                                    raw::Cached::pass_by);
  if (!writer) return fail(writer.error());
  auto report = join(pieces, laps, geometry, **writer, stop);
  if (!report) return fail(report.error());
  auto written = (*writer)->finish();
  if (!written) return fail(written.error());
  return Sheet{std::move(*written), *report};
}

profile::Card card_of(const raw::Written& written, const SheetGeometry& geometry, const std::vector<Piece>& pieces,
                      const std::vector<lap::Report>& laps) {
  profile::Card card;
  card.file = written.path.filename().string();
  card.sha256 = written.sha256;
  card.ppi = geometry.ppi;
  card.width = {geometry.width};
  card.height = {geometry.height};
  card.origin_mm = geometry.origin;
  card.mm_per_pixel = geometry.ppi.mm_per_pixel();
  for (const Piece& piece : pieces) {
    const auto& m = piece.placement.affine;
    profile::Card::Pass& pass = card.passes.emplace_back();
    pass.pass = piece.number;
    pass.sleeve_to_pass = {m.a, m.b, m.c, m.d, m.e, m.f};
  }
  for (const lap::Report& r : laps)
    card.laps.push_back({.a = r.a, .b = r.b, .residual_px = r.residual_px, .overlap_mm = r.overlap_mm, .confidence = r.confidence,
                         .light_percent = r.light_percent});
  return card;
}

}  // namespace lapwright::join
