#include "lap/search.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <future>

#include "lap/outline.h"
#include "lap/strips.h"

namespace lapwright::lap {
namespace {

constexpr std::int64_t thumb_by = 3;     // 150 -> 50 ppi
constexpr double perforation_mm = 4.75;  // READ trade.md 1.1
constexpr int least_agreeing = 8;
constexpr double least_fraction = 0.45, least_fraction_turned = 0.6;
// Chosen by judgement; tests/lap/false_acceptance_test.cc counts how the laps said to be sure turn
// out.
constexpr double most_counted = 60, temper = 4;
constexpr double near_plan_mm = 15, far_nats = 3;  // a hand seldom misses by more
constexpr double outline_nats = 4, outline_agrees_mm = 8;

PassMap turned(const PassMap& planned, double degrees, bool mirrored) {
  const double t = degrees * 3.14159265358979323846 / 180, c = std::cos(t), s = std::sin(t);
  PassMap turn{c, s, -s, c, 0, 0};
  if (mirrored) turn = core::compose(turn, PassMap{-1, 0, 0, 1, 0, 0});
  PassMap linear = planned;
  linear.e = linear.f = 0;
  return core::compose(turn, linear);
}

double worth(const Agreement& g) { return g.agreeing * g.fraction(); }

std::vector<Agreement> agreements(const Overview& a, const Overview& b,
                                  const std::vector<PassMap>& maps, int blocks) {
  std::vector<Agreement> out(maps.size());
  const auto part = [&](std::size_t first) {
    for (std::size_t i = first; i < maps.size(); i += 2) out[i] = agreement(a, b, maps[i], blocks);
  };
  auto other = std::async(std::launch::async, part, std::size_t{1});
  part(0);
  other.get();
  return out;
}

/// What blocks say for a place, in nats before tempering: at the right place nine of ten agree,
/// where pictures merely repeat three or four do; no more blocks count than `most_counted`, since
/// neighbours say the same.
double support(double agreeing, double textured) {
  if (textured < 1) return 0;
  const double part = agreeing / textured;
  return std::min(textured, most_counted) *
         (part * std::log(0.9 / 0.35) + (1 - part) * std::log(0.1 / 0.65));
}

double apart_mm(const PassMap& p, const PassMap& q, const Agreement& at, double mm_per_pixel) {
  double worst = 0;
  for (const Block& k : at.blocks)
    if (k.agrees) {
      const auto u = p(k.a), v = q(k.a);
      worst = std::max(worst, std::hypot(u.x - v.x, u.y - v.y) * mm_per_pixel);
    }
  return worst;
}

/// Blocks on strips that slid in their pockets agree where their strip went.
Agreement with_slides(const Overview& a, const Overview& b, const Strips& strips, Agreement whole) {
  const auto slides = strips.slides(a, b, whole.a_to_b);
  for (std::size_t k = 0; k < slides.size(); ++k) {
    if (slides[k].x == 0 && slides[k].y == 0) continue;
    const PassMap moved =
        core::compose(whole.a_to_b, PassMap{1, 0, 0, 1, slides[k].x, slides[k].y});
    const Agreement there = agreement(a, b, moved, 400);
    std::erase_if(whole.blocks, [&](const Block& block) {
      if (strips.at(block.a) != static_cast<int>(k)) return false;
      --whole.textured, whole.agreeing -= block.agrees ? 1 : 0;
      return true;
    });
    for (Block block : there.blocks) {
      if (strips.at(block.a) != static_cast<int>(k)) continue;
      const auto p = moved(block.a);
      block.agrees = block.correlation > 0.6 && std::hypot(p.x - block.b.x, p.y - block.b.y) < 2.5;
      ++whole.textured, whole.agreeing += block.agrees ? 1 : 0;
      whole.blocks.push_back(block);
    }
  }
  return whole;
}

}  // namespace

Found search(const Overview& a, const Overview& b, const PassMap& planned,
             const Affine<SleeveSpace, PassSpace>& on_a,
             const Affine<SleeveSpace, PassSpace>& planned_b, const profile::SleeveProfile& sleeve,
             double sure) {
  const bool right = sleeve.strips.run == profile::Run::right;
  const bool along_x = std::abs(right ? on_a.a : on_a.c) > std::abs(right ? on_a.b : on_a.d);
  const bool turned_over =
      std::abs(planned.a) < std::abs(planned.b);  // the plan lays b a quarter turn from a
  const Thumb ta = thumb(a, thumb_by, along_x);
  const std::array<Thumb, 2> tb = {thumb(b, thumb_by, along_x != turned_over),
                                   thumb(b, thumb_by, along_x == turned_over)};
  Found found;
  std::vector<Agreement> others;
  const auto consider = [&](int quarter, bool mirrored, const std::vector<double>& degrees,
                            int most) {
    std::vector<PassMap> linear;
    for (const double d : degrees) linear.push_back(turned(planned, 90.0 * quarter + d, mirrored));
    std::vector<PassMap> maps;
    for (const Proposal& p : propose(ta, tb[static_cast<std::size_t>(quarter % 2)],
                                     static_cast<double>(thumb_by), linear, planned, most))
      maps.push_back(p.a_to_b);
    for (Agreement& g : agreements(a, b, maps, 90)) {
      if (worth(g) > worth(found.best)) {
        if (found.best.agreeing > 0) others.push_back(std::move(found.best));
        found.best = std::move(g), found.quarter_turns = quarter, found.mirrored = mirrored;
      } else if (g.agreeing > 0) {
        others.push_back(std::move(g));
      }
    }
  };
  const auto promising = [&] {
    return found.best.agreeing >= least_agreeing && found.best.fraction() >= least_fraction;
  };
  consider(0, false, {0, -0.4, 0.4, -0.8, 0.8, -1.2, 1.2, -1.7, 1.7, -2.3, 2.3, -3, 3}, 8);
  if (!promising())
    for (const bool mirrored : {false, true})
      for (int quarter = mirrored ? 0 : 1; quarter < 4 && !promising(); ++quarter)
        consider(quarter, mirrored, {0, -1.25, 1.25, -2.5, 2.5}, 4);
  if (found.best.agreeing < least_agreeing) return found;

  const Strips strips(a, on_a, sleeve);
  const Agreement whole = with_slides(a, b, strips, agreement(a, b, found.best.a_to_b, 400));
  // What repeats on a sleeve: perforations and frames along the strip, pockets across.
  const double advance = sleeve.frame.advance.mm(), pitch = sleeve.strips.pitch.mm();
  std::vector<std::array<double, 2>> shifts;  // along, across
  if (sleeve.film == profile::Film::f135)
    for (const double k : {1.0, -1.0, 2.0, -2.0}) shifts.push_back({k * perforation_mm, 0});
  for (const double k : {1.0, -1.0, 2.0, -2.0}) shifts.push_back({k * advance, 0});
  for (const double k : {1.0, -1.0})
    for (const double l : {0.0, 1.0, -1.0}) shifts.push_back({l * advance, k * pitch});
  std::vector<PassMap> maps, own;
  for (const auto& s : shifts) {
    const double x = right ? s[0] : s[1], y = right ? s[1] : s[0];
    const PassMap slide{1, 0, 0, 1, on_a.a * x + on_a.c * y, on_a.b * x + on_a.d * y};
    maps.push_back(core::compose(whole.a_to_b, slide)), own.push_back(slide);
  }
  std::vector<Agreement> rivals = agreements(a, b, maps, 60);
  for (Agreement& g : others) rivals.push_back(std::move(g));

  const double mm = b.mm_per_pixel;
  const auto off_plan_mm = [&](const PassMap& map) {
    double x = 0, y = 0, n = 0;
    for (const Block& k : whole.blocks)
      if (k.agrees) {
        const auto u = map(k.a), v = planned(k.a);
        x += u.x - v.x, y += u.y - v.y, n += 1;
      }
    return n > 0 ? std::hypot(x, y) / n * mm : 1e9;
  };
  const double off = off_plan_mm(whole.a_to_b);
  const bool as_planned = found.quarter_turns == 0 && !found.mirrored && off < near_plan_mm;
  double for_place = as_planned ? 0 : -far_nats;
  if (as_planned)
    if (const auto seen = outline_shift(b, planned_b, sleeve);
        seen && std::hypot((*seen)[0], (*seen)[1]) < near_plan_mm + outline_agrees_mm)
      for_place += outline_nats;
  const double best = support(whole.agreeing, whole.textured);
  double wrong = std::exp(-0.8 * whole.agreeing * std::max(0.0, whole.fraction() - 0.15));
  const auto against = [&](double rival, double place) {
    found.rival = std::max(found.rival, best > 0 ? std::min(9.99, rival / best) : 9.99);
    wrong += std::exp(std::min(0.0, -(best - rival) / temper - for_place + place));
  };
  for (const Agreement& g : rivals)
    if (g.agreeing >= 4 && apart_mm(g.a_to_b, whole.a_to_b, whole, mm) > 2)
      if (const double s = support(g.agreeing, g.textured); s > 0)
        against(s, off_plan_mm(g.a_to_b) < near_plan_mm ? 0 : -far_nats);
  // Where a's own pictures repeat, b may show another of them, from a place that a does not show at
  // all.
  for (const Agreement& g : agreements(a, a, own, 60))
    if (g.textured >= least_agreeing) {
      const double s = g.fraction() * whole.textured;
      if (const double repeated = support(s, whole.textured); repeated > 0)
        against(repeated, -far_nats);
    }
  found.best = whole;
  const double least =
      found.quarter_turns || found.mirrored ? least_fraction_turned : least_fraction;
  found.wrong = whole.agreeing < least_agreeing || whole.fraction() < least
                    ? 1.0
                    : std::clamp(wrong, 1e-3, 1.0);
  found.sure = 1 - found.wrong >= sure;
  return found;
}

}  // namespace lapwright::lap
