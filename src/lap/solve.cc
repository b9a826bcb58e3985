#include <algorithm>
#include <cmath>
#include <map>
#include <queue>

#include "lap/fit.h"

namespace lapwright::lap {
namespace {

/// Where b's pixel would be for a's pixel, as the pair's report measured it.
Spot<PassSpace> across(const Report& r, Spot<PassSpace> p) {
  return r.b_on_sleeve(sleeve_at(r.a_on_sleeve, p));
}

struct Pair {
  std::size_t a, b;
  const Report* report;
};

Match match(Spot<PassSpace> a, Spot<PassSpace> b) {
  Match m;
  m.a = a, m.b = b, m.info = Information::of_sigma(0.05);
  return m;
}

/// Points of a that b shows too.
std::vector<Match> samples(const Pair& e, const std::vector<Input>& passes, bool towards_b) {
  std::vector<Match> out;
  const auto &a = *passes[e.a].picture, &b = *passes[e.b].picture;
  const auto w = static_cast<double>(a.width()), h = static_cast<double>(a.height());
  constexpr int steps = 48;
  for (int j = 0; j <= steps * 2; ++j)
    for (int i = 0; i <= steps; ++i) {
      const Spot<PassSpace> p{w * i / steps, h * j / (steps * 2)}, q = across(*e.report, p);
      if (q.x < 0 || q.y < 0 || q.x > static_cast<double>(b.width()) ||
          q.y > static_cast<double>(b.height()))
        continue;
      out.push_back(towards_b ? match(p, q) : match(q, p));
    }
  return out;
}

double density_gain(const Light& l, std::size_t c, double at) {
  return std::log10(l.gain[c]) + l.drift[c] * at;
}

}  // namespace

Result<Solved> solve(const std::vector<Input>& passes, const std::vector<Report>& reports) {
  Solved out;
  if (passes.empty()) return fail(Fault::bad_data, "no passes to place");
  std::map<int, std::size_t> index;
  for (std::size_t i = 0; i < passes.size(); ++i) index[passes[i].number] = i;
  std::vector<Pair> pairs;
  for (const Report& r : reports)
    if (r.located && index.count(r.a) && index.count(r.b))
      pairs.push_back({index[r.a], index[r.b], &r});
  for (const Input& p : passes) out.placements.push_back({p.planned, {}, {}});
  out.lights.resize(passes.size());

  // Outwards from pass 1: each pass from those already placed.
  std::vector<int> order(passes.size(), -1);
  order[0] = 0;
  std::queue<std::size_t> waiting;
  waiting.push(0);
  int next = 1;
  const auto place = [&](std::size_t which, bool all) {
    std::vector<Match> matches;  // a: sleeve position dressed as the planned pass's own pixel
    const Placement plain{passes[which].planned, {}, {}};
    Affine<SleeveSpace, PassSpace> start = out.placements[which].affine;
    const Pair* only = nullptr;
    int edges = 0;
    for (const Pair& e : pairs) {
      if (e.a != which && e.b != which) continue;
      const std::size_t other = e.a == which ? e.b : e.a;
      if (order[other] < 0 || (!all && order[other] >= next)) continue;
      const bool to_b = e.b == which;
      ++edges, only = &e;
      if (!all || edges == 1) {
        const Placement& from = out.placements[other];
        const auto &ra = e.report->a_on_sleeve.affine, &rb = e.report->b_on_sleeve.affine;
        start = to_b ? core::compose(core::compose(rb, ra.inverse()), from.affine)
                     : core::compose(core::compose(ra, rb.inverse()), from.affine);
      }
      for (Match& m : samples(e, passes, to_b))
        matches.push_back(match(plain(sleeve_at(out.placements[other], m.a)), m.b));
    }
    if (edges == 1 &&
        only->b ==
            which) {  // nothing to weigh up: as measured, where a lies as it was taken to lie
      const Placement &given = only->report->a_on_sleeve, &now = out.placements[only->a];
      const auto same = [&](Spot<SleeveSpace> s) {
        const auto p = given(s), q = now(s);
        return std::hypot(p.x - q.x, p.y - q.y) < 1e-3;
      };
      if (same({0, 0}) && same({200, 0}) && same({0, 250}) && same({97, 131})) {
        out.placements[which] = only->report->b_on_sleeve;
        return;
      }
    }
    if (matches.size() < 3) return;
    FitOptions how;
    how.width_px = static_cast<double>(passes[which].picture->width());
    out.placements[which] = fit(matches, plain, start, how).b;
  };
  while (!waiting.empty()) {
    const std::size_t from = waiting.front();
    waiting.pop();
    for (const Pair& e : pairs) {
      if (e.a != from && e.b != from) continue;
      const std::size_t to = e.a == from ? e.b : e.a;
      if (order[to] >= 0) continue;
      place(to, false);
      order[to] = next++;
      const Light &known = out.lights[from], &pair = e.report->light;
      for (std::size_t c = 0; c < 3; ++c) {
        const double sign = e.b == to ? 1 : -1;
        const double at = e.b == to ? 0.0 : 0.5;
        out.lights[to].gain[c] =
            std::pow(10.0, density_gain(known, c, 0.5) + sign * density_gain(pair, c, at));
        out.lights[to].drift[c] = e.b == to ? pair.drift[c] : 0;
      }
      waiting.push(to);
    }
  }
  for (std::size_t i = 0; i < passes.size(); ++i)
    if (order[i] < 0)
      return fail(Fault::bad_data,
                  "pass " + std::to_string(passes[i].number) + ": no good lap joins it to pass " +
                      std::to_string(passes.front().number) +
                      "; capture it again so that it shares " + "enough film with a neighbour");

  // More laps than a chain needs: let every pass settle between all its neighbours.
  const bool loops = pairs.size() + 1 > passes.size();
  if (loops)
    for (int sweep = 0; sweep < 12; ++sweep)
      for (std::size_t i = 1; i < passes.size(); ++i) place(i, true);
  if (loops)
    for (const Pair& e : pairs) {
      double sum = 0, n = 0;
      for (const Match& m : samples(e, passes, true)) {
        const auto p = out.placements[e.b](sleeve_at(out.placements[e.a], m.a));
        sum += (p.x - m.b.x) * (p.x - m.b.x) + (p.y - m.b.y) * (p.y - m.b.y), n += 1;
      }
      if (n > 0) out.worst_loop_px = std::max(out.worst_loop_px, std::sqrt(sum / n));
    }
  return out;
}

}  // namespace lapwright::lap
