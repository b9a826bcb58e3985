#include "lap/search.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <future>

namespace lapwright::lap {
namespace {

constexpr std::int64_t thumb_by = 3;   // 150 -> 50 ppi
constexpr double perforation_mm = 4.75;  // READ trade.md 1.1
constexpr int least_agreeing = 8;
constexpr double least_fraction = 0.45, most_rival = 0.7;

PassMap turned(const PassMap& planned, double degrees, bool mirrored) {
  const double t = degrees * 3.14159265358979323846 / 180, c = std::cos(t), s = std::sin(t);
  PassMap turn{c, s, -s, c, 0, 0};
  if (mirrored) turn = core::compose(turn, PassMap{-1, 0, 0, 1, 0, 0});
  PassMap linear = planned;
  linear.e = linear.f = 0;
  return core::compose(turn, linear);
}

double worth(const Agreement& g) { return g.agreeing * g.fraction(); }

std::vector<Agreement> agreements(const Overview& a, const Overview& b, const std::vector<PassMap>& maps, int blocks) {
  std::vector<Agreement> out(maps.size());
  const auto part = [&](std::size_t first) {
    for (std::size_t i = first; i < maps.size(); i += 2) out[i] = agreement(a, b, maps[i], blocks);
  };
  auto other = std::async(std::launch::async, part, std::size_t{1});
  part(0);
  other.get();
  return out;
}

/// Chance that what was found is not so: fewer blocks, less agreement and stronger rivals raise it. The slope is
/// chosen by judgement, not fitted; tests/lap/false_acceptance_test.cc counts how the laps said to be sure turn out.
double chance_wrong(const Agreement& best, double rival) {
  const double evidence = best.agreeing * std::max(0.0, best.fraction() - 0.15) * std::max(0.0, 1 - rival / most_rival);
  return std::clamp(std::exp(-0.8 * evidence), 1e-3, 1.0);
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

}  // namespace

Found search(const Overview& a, const Overview& b, const PassMap& planned, const Affine<SleeveSpace, PassSpace>& on_a, const profile::SleeveProfile& sleeve,
             double sure) {
  const bool right = sleeve.strips.run == profile::Run::right;
  const bool along_x = std::abs(right ? on_a.a : on_a.c) > std::abs(right ? on_a.b : on_a.d);
  const bool turned_over = std::abs(planned.a) < std::abs(planned.b);  // the plan lays b a quarter turn from a
  const Thumb ta = thumb(a, thumb_by, along_x);
  const std::array<Thumb, 2> tb = {thumb(b, thumb_by, along_x != turned_over), thumb(b, thumb_by, along_x == turned_over)};
  Found found;
  std::vector<Agreement> others;
  const auto consider = [&](int quarter, bool mirrored, const std::vector<double>& degrees, int most) {
    std::vector<PassMap> linear;
    for (const double d : degrees) linear.push_back(turned(planned, 90.0 * quarter + d, mirrored));
    std::vector<PassMap> maps;
    for (const Proposal& p : propose(ta, tb[static_cast<std::size_t>(quarter % 2)], static_cast<double>(thumb_by), linear, planned, most)) maps.push_back(p.a_to_b);
    for (Agreement& g : agreements(a, b, maps, 90)) {
      if (worth(g) > worth(found.best)) {
        if (found.best.agreeing > 0) others.push_back(std::move(found.best));
        found.best = std::move(g), found.quarter_turns = quarter, found.mirrored = mirrored;
      } else if (g.agreeing > 0) {
        others.push_back(std::move(g));
      }
    }
  };
  const auto promising = [&] { return found.best.agreeing >= least_agreeing && found.best.fraction() >= least_fraction; };
  consider(0, false, {0, -0.4, 0.4, -0.8, 0.8, -1.2, 1.2, -1.7, 1.7, -2.3, 2.3, -3, 3}, 8);
  if (!promising())
    for (const bool mirrored : {false, true})
      for (int quarter = mirrored ? 0 : 1; quarter < 4 && !promising(); ++quarter)
        consider(quarter, mirrored, {0, -1.25, 1.25, -2.5, 2.5}, 4);
  if (found.best.agreeing < least_agreeing) return found;

  const Agreement whole = agreement(a, b, found.best.a_to_b, 400);
  // Rivals: what repeats on a sleeve. Perforations and frames along the strip, pockets across.
  const double advance = sleeve.frame.advance.mm(), pitch = sleeve.strips.pitch.mm();
  std::vector<std::array<double, 2>> shifts;  // along, across
  if (sleeve.film == profile::Film::f135)
    for (const double k : {1.0, -1.0, 2.0, -2.0}) shifts.push_back({k * perforation_mm, 0});
  for (const double k : {1.0, -1.0, 2.0, -2.0}) shifts.push_back({k * advance, 0});
  for (const double k : {1.0, -1.0})
    for (const double l : {0.0, 1.0, -1.0}) shifts.push_back({l * advance, k * pitch});
  std::vector<PassMap> maps;
  for (const auto& s : shifts) {
    const double x = right ? s[0] : s[1], y = right ? s[1] : s[0];
    const PassMap slide{1, 0, 0, 1, on_a.a * x + on_a.c * y, on_a.b * x + on_a.d * y};
    maps.push_back(core::compose(whole.a_to_b, slide));
  }
  std::vector<Agreement> rivals = agreements(a, b, maps, 60);
  for (Agreement& g : others) rivals.push_back(std::move(g));
  const double mm = b.mm_per_pixel;
  for (const Agreement& g : rivals)
    if (g.agreeing >= 4 && apart_mm(g.a_to_b, whole.a_to_b, whole, mm) > 2 && whole.fraction() > 0)
      found.rival = std::max(found.rival, g.fraction() / whole.fraction() * std::min(1.0, static_cast<double>(g.agreeing) / std::min(whole.agreeing, 30)));
  found.best = whole;
  found.wrong = found.best.agreeing < least_agreeing || found.best.fraction() < least_fraction ? 1.0 : chance_wrong(whole, found.rival);
  found.sure = 1 - found.wrong >= sure;
  return found;
}

}  // namespace lapwright::lap
