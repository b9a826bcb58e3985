#include <algorithm>
#include <nlohmann/json.hpp>

#include "core/files.h"
#include "station/full.h"

namespace lapwright::station {
namespace {

namespace fs = std::filesystem;

constexpr double crop_margin_mm =
    1.5;  // film shown around a full-resolution frame, so that its edge can be seen

/// The places of the wanted frames on the roll's proof.
Result<std::vector<frames::Frame>> wanted_frames(const Setting& s, const ledger::Job& job) {
  auto all = frames_of(s, job.roll.name);
  if (!all) return fail(all.error());
  if (job.frames == std::vector<std::string>{"all"}) return *all;
  std::vector<frames::Frame> wanted;
  for (const std::string& name : job.frames) {
    const auto it = std::find_if(all->begin(), all->end(),
                                 [&](const frames::Frame& f) { return f.frame == name; });
    if (it == all->end())
      return fail(Fault::bad_data,
                  "roll " + job.roll.name + " has no frame " + name + " on its proof");
    wanted.push_back(*it);
  }
  return wanted;
}

Affine<SleeveSpace, PassSpace> planned_map(const plan::Pass& pass, const Json& capture) {
  const auto& w = capture.at("window");
  const Spot<BedSpace> origin{w.at("x").get<double>(), w.at("y").get<double>()};
  return compose(
      mm_to_pixels<BedSpace, PassSpace>(origin, Ppi{capture.at("ppi").get<std::int32_t>()}),
      pass.lay.sleeve_to_bed);
}

}  // namespace

Rect<SleeveSpace> crop_area(const frames::Frame& frame) {
  double l = 1e9, t = 1e9, r = -1e9, b = -1e9;
  for (const auto& c : frame.corners)
    l = std::min(l, c.x), r = std::max(r, c.x), t = std::min(t, c.y), b = std::max(b, c.y);
  const auto um = [](double mm) { return Micrometres::from_mm(mm); };
  return {um(l - crop_margin_mm), um(t - crop_margin_mm), um(r - l + 2 * crop_margin_mm),
          um(b - t + 2 * crop_margin_mm)};
}

fs::path Assignment::folder(const Setting& s) const {
  return ledger::archive::roll_folder(s.archive, job.roll.name) /
         (job.kind == ledger::JobKind::proof ? "proof" : "full");
}

fs::path Assignment::pass_file(const Setting& s, int number) const {
  const std::string of_job = job.kind == ledger::JobKind::full ? std::to_string(job.id) + "-" : "";
  return folder(s) / ("pass-" + of_job + std::to_string(number) + ".tif");
}

fs::path Assignment::infrared_file(const Setting& s, int number) const {
  fs::path file = pass_file(s, number);
  return file.replace_filename(file.stem().string() + "-infrared.tif");
}

bool Assignment::takes_infrared(const Setting& s) const {
  return !stock.silver &&
         (s.infrared == Setting::Infrared::all ||
          (s.infrared == Setting::Infrared::full && job.kind == ledger::JobKind::full));
}

int Assignment::captures(const Setting& s) const {
  return job.kind == ledger::JobKind::full ? s.average : 1;
}

fs::path Assignment::frame_stem(const Setting& s, const std::string& frame) const {
  std::size_t digits = 0;
  while (digits < frame.size() && std::isdigit(static_cast<unsigned char>(frame[digits])) != 0)
    ++digits;
  std::string stem = (digits == 1 || frame.size() == 1 || frame[0] == '0' ? "frame-0" : "frame-") + frame;
  const std::string below = "rolls/" + job.roll.name + "/full/";
  for (const std::int64_t more : {std::int64_t{plan.ppi.value}, job.id}) {
    if (job.named.count(below + stem + ".tif") || job.named.count(below + stem + ".yaml"))
      stem += "-" + std::to_string(more);
  }
  return folder(s) / stem;
}

int Assignment::kept() const {
  int n = 0;
  while (passes.count(n + 1)) ++n;
  return n;
}

KeptPass kept_pass(const plan::Pass& pass, const ledger::File& file, const Json& capture) {
  KeptPass kept;
  kept.file = file;
  kept.capture = capture;
  kept.planned = planned_map(pass, capture);
  kept.placement.affine = kept.planned;
  if (const auto it = capture.find("infrared"); it != capture.end()) {
    const Json& f = it->at("file");
    InfraredPass& infrared =
        kept.infrared.emplace(InfraredPass{{f.at("path"), f.at("sha256"), f.at("bytes")}, {}, 0});
    if (it->contains("from_visible")) {
      const auto m = it->at("from_visible").get<std::array<double, 6>>();
      infrared.from_visible = {m[0], m[1], m[2], m[3], m[4], m[5]};
      infrared.residual_px = it->at("residual_px");
    }
  }
  return kept;
}

Spot<BedSpace> window_corner(const KeptPass& pass) {
  const auto& w = pass.capture.at("window");
  return {w.at("x").get<double>(), w.at("y").get<double>()};
}

Result<Assignment> prepare(const Setting& s, const ledger::Job& job, bool& planned_now) {
  Assignment a;
  a.job = job;
  auto sleeve = s.shelf.sleeve(job.roll.sleeve);
  if (!sleeve) return fail(sleeve.error());
  auto stock = s.shelf.stock(job.roll.stock);
  if (!stock) return fail(stock.error());
  a.sleeve = *sleeve;
  a.stock = *stock;
  const bool proof = job.kind == ledger::JobKind::proof;
  if (!proof) {
    auto wanted = wanted_frames(s, job);
    if (!wanted) return fail(wanted.error());
    a.wanted = *wanted;
  }
  planned_now = true;
  if (job.plan) {
    auto plan = plan::from_json(*job.plan, "ledger: plan of " + job.roll.name);
    // A plan for another bed, sleeve or resolution than today's is made anew; its passes do not
    // fit.
    if (plan && plan->bed == s.bed.name && plan->sleeve == a.sleeve.name &&
        (job.ppi.value == 0 || plan->ppi == job.ppi) && (!proof || plan->ppi == s.proof_ppi)) {
      a.plan = *plan;
      a.plan_mark = ledger::plan_mark(*job.plan);
      planned_now = false;
    }
  }
  if (planned_now) {
    plan::Options options;
    if (auto free = core::free_bytes(s.archive)) options.free_bytes = *free;
    if (!proof) {
      options.margin = Micrometres{5000};  // two hands may have missed: at the proof, and now
      for (const auto& frame : a.wanted) options.wanted.push_back(crop_area(frame));
    }
    const Ppi ppi = job.ppi.value ? job.ppi : proof ? s.proof_ppi : s.bed.ppi.back();
    auto plan = plan::make_plan(a.sleeve, s.bed, ppi, options);
    if (!plan) return fail(plan.error());
    a.plan = *plan;
    a.plan_mark = ledger::plan_mark(plan::to_json(a.plan));
  }
  if (!planned_now) {
    for (const auto& c : job.captured) {
      if (c.pass < 1 || c.pass > static_cast<int>(a.plan.passes.size())) continue;
      try {
        a.passes[c.pass] = kept_pass(a.pass(c.pass), c.file, c.capture);
      } catch (const Json::exception&) {
        return fail(Fault::bad_data, "ledger: the capture of pass " + std::to_string(c.pass) +
                                         " of " + job.roll.name +
                                         " lacks its window or resolution");
      }
    }
  }
  std::uint64_t needed = static_cast<std::uint64_t>(a.plan.totals.joined_bytes) * 5 / 4;
  if (a.takes_infrared(s) && !proof) needed *= 2;
  for (const auto& pass : a.plan.passes)
    if (!a.passes.count(pass.number))
      needed += static_cast<std::uint64_t>(pass.bytes) * (a.takes_infrared(s) ? 2 : 1) + static_cast<std::uint64_t>(pass.bytes) * (a.captures(s) > 1 ? static_cast<std::uint64_t>(a.captures(s)) : 0);
  auto free = core::free_bytes(s.archive);
  if (!free) return fail(free.error());
  if (*free < needed)
    return fail(Fault::cannot_create, s.archive.string() + ": roll " + job.roll.name + " needs " +
                                          std::to_string(needed / 1000000) +
                                          " MB and the disk has " +
                                          std::to_string(*free / 1000000) +
                                          " MB free; free some space or choose a lower --ppi");
  return a;
}

std::string how_to_place(const Setting& s, const Assignment& a, int number, bool lies_as_before) {
  plan::Plan alone = a.plan;
  const bool full = a.job.kind == ledger::JobKind::full;
  if (!lies_as_before || full) alone.passes = {a.pass(number)};
  std::string say;
  if (full && !a.advice.empty()) {
    say = a.advice;
  } else if (full && lies_as_before) {
    say = "Leave the sleeve as it lies.";
  } else {
    say = plan::how_to_lay(alone, a.pass(number), a.sleeve, s.bed);
  }
  if (full && a.advice.empty() && !lies_as_before) {
    std::string frames;
    for (const frames::Frame& f : a.wanted)
      if (!a.found.count(f.frame)) frames += (frames.empty() ? "" : ", ") + f.frame;
    say = "Put the sleeve, or the strip alone, on the glass so that these frames lie in the window, whichever way round: " + frames +
          ". For instance: " + say;
  }
  if (a.takes_infrared(s))
    say += " The flatbed goes over it twice, the second time by infrared: leave it lying.";
  return say;
}

}  // namespace lapwright::station
