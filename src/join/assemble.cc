#include "join/assemble.h"

#include <algorithm>
#include <cmath>
#include <map>

namespace lapwright::join {

const lap::Report* Assembled::bad() const {
  const auto it = std::find_if(laps.begin(), laps.end(), [](const lap::Report& r) { return !r.ok; });
  return it == laps.end() ? nullptr : &*it;
}

Rect<SleeveSpace> sheet_area(const plan::Plan& plan) {
  Rect<SleeveSpace> seen{};
  for (const auto& pass : plan.passes) seen = seen.hull(bounds(pass.lay.sleeve_to_bed.inverse(), pass.window));
  return plan.needed.grown(Micrometres{4000}).intersect(seen);
}

namespace {

/// The plan's laps ordered so that the first of each pair is placed before the second.
std::vector<std::pair<int, int>> in_order(const plan::Plan& plan) {
  std::vector<std::pair<int, int>> left, ordered;
  for (const auto& l : plan.laps) left.emplace_back(std::min(l.a, l.b), std::max(l.a, l.b));
  std::sort(left.begin(), left.end());
  std::vector<int> placed{plan.passes.front().number};
  const auto has = [&](int n) { return std::find(placed.begin(), placed.end(), n) != placed.end(); };
  for (bool found = true; found;) {
    found = false;
    for (auto it = left.begin(); it != left.end(); ++it) {
      if (!has(it->first) && !has(it->second)) continue;
      if (!has(it->first)) std::swap(it->first, it->second);
      placed.push_back(it->second);
      ordered.push_back(*it);
      left.erase(it);
      found = true;
      break;
    }
  }
  return ordered;
}

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

}  // namespace

Result<Assembled> assemble(const plan::Plan& plan, const profile::SleeveProfile& sleeve, const std::vector<image::RowSource*>& pictures,
                           const lap::Options& options) {
  if (auto r = check_pictures(plan, pictures); !r) return fail(r.error());
  Assembled out;
  out.sheet = SheetGeometry::of(sheet_area(plan), plan.ppi);
  std::vector<lap::Input> inputs;
  std::map<int, std::size_t> index;
  for (std::size_t i = 0; i < plan.passes.size(); ++i) {
    index[plan.passes[i].number] = i;
    inputs.push_back({pictures[i], plan.passes[i].sleeve_to_pass(plan.ppi), plan.passes[i].number});
  }
  std::map<int, lap::Placement> places;
  places[inputs.front().number].affine = inputs.front().planned;
  for (const auto& [a, b] : in_order(plan)) {
    if (!index.count(a) || !index.count(b)) return fail(Fault::bad_data, "the plan's lap " + std::to_string(a) + "-" + std::to_string(b) + " names a pass that it does not have");
    auto report = lap::check(inputs[index[a]], places[a], inputs[index[b]], sleeve, options);
    if (!report) return fail(report.error());
    if (report->ok && !places.count(b)) places[b] = report->b_on_sleeve;
    out.laps.push_back(*report);
    if (!report->ok) return out;
  }
  for (const auto& input : inputs)
    if (!places.count(input.number))
      return fail(Fault::bad_data, "the plan has no lap that ties pass " + std::to_string(input.number) + " to the others");
  std::vector<lap::Light> lights(inputs.size());
  std::vector<lap::Placement> placements{places.begin()->second};
  if (inputs.size() > 1) {
    auto solved = lap::solve(inputs, out.laps);
    if (!solved) return fail(solved.error());
    if (solved->placements.size() != inputs.size() || solved->lights.size() != inputs.size())
      return fail(Fault::internal, "the laps were solved for another number of passes");
    placements = solved->placements;
    lights = solved->lights;
    out.worst_loop_px = solved->worst_loop_px;
  }
  for (std::size_t i = 0; i < inputs.size(); ++i) out.pieces.push_back({pictures[i], placements[i], lights[i], inputs[i].number});
  return out;
}

}  // namespace lapwright::join
