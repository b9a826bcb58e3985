#include "lap/recognise.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <set>

#include "core/clones.h"
#include "lap/two_threads.h"

namespace lapwright::lap {
namespace {

constexpr int alike = 58;                         // comparisons that may differ
constexpr double near_mm = 2.6;                   // strips slide in their pockets
constexpr double alike_mm = 0.7, around_mm = 40;  // of one strip: what slid with it lies off alike
constexpr int least_support = 3;
constexpr double length_mm = 1.2;  // two features' distance, on the look and on the sleeve
constexpr double far_enough_mm = 12;
constexpr double direction_off = 0.45;  // radians
constexpr std::size_t most_matches = 160, most_tried = 60,
                      least_matches = 5;  // tried: the most alike, two by two

struct Match {
  std::uint32_t look = 0, roll = 0;
  int differ = 0;
};

double turn_between(double a, double b) { return std::remainder(a - b, 2 * std::numbers::pi); }

/// Of each look feature the most alike one of the roll.
LAPWRIGHT_CLONES("popcnt")
void match(const Feature* look, std::size_t looks, const Feature* roll, std::size_t rolls,
           std::vector<Match>& out) {
  for (std::size_t i = 0; i < looks; ++i) {
    const std::uint64_t a0 = look[i].bits[0], a1 = look[i].bits[1], a2 = look[i].bits[2],
                        a3 = look[i].bits[3];
    int best = alike + 1;
    std::uint32_t at = 0;
    for (std::size_t k = 0; k < rolls; ++k) {
      const auto& b = roll[k].bits;
      const int half = __builtin_popcountll(a0 ^ b[0]) + __builtin_popcountll(a1 ^ b[1]);
      if (half >= best) continue;
      const int n = half + __builtin_popcountll(a2 ^ b[2]) + __builtin_popcountll(a3 ^ b[3]);
      if (n < best) best = n, at = static_cast<std::uint32_t>(k);
    }
    if (best <= alike) out.push_back({static_cast<std::uint32_t>(i), at, best});
  }
}

/// The lay that puts two features of the roll on two of the look, lengths kept.
LookMap lay_of(const Feature& s, const Feature& t, const Feature& u, const Feature& v,
               bool mirrored) {
  // With the sleeve's x reversed first where it lies wrong side up.
  const double k = mirrored ? -1 : 1;
  const double dx = k * (t.x - s.x), dy = t.y - s.y, ex = v.x - u.x, ey = v.y - u.y;
  const double angle = std::atan2(ey, ex) - std::atan2(dy, dx);
  const double c = std::cos(angle), n = std::sin(angle);
  LookMap m{k * c, k * n, -n, c, 0, 0};
  const double mx = (s.x + t.x) / 2, my = (s.y + t.y) / 2;
  m.e = (u.x + v.x) / 2 - m.a * mx - m.c * my;
  m.f = (u.y + v.y) / 2 - m.b * mx - m.d * my;
  return m;
}

/// Least squares over the agreeing features, lengths kept.
LookMap refit(const std::vector<Feature>& look, const std::vector<Feature>& roll,
              const std::vector<Match>& agree, bool mirrored) {
  const double k = mirrored ? -1 : 1;
  double sx = 0, sy = 0, lx = 0, ly = 0;
  const auto n = static_cast<double>(agree.size());
  for (const Match& m : agree)
    sx += k * roll[m.roll].x, sy += roll[m.roll].y, lx += look[m.look].x, ly += look[m.look].y;
  sx /= n, sy /= n, lx /= n, ly /= n;
  double along = 0, across = 0;
  for (const Match& m : agree) {
    const double x = k * roll[m.roll].x - sx, y = roll[m.roll].y - sy;
    const double u = look[m.look].x - lx, v = look[m.look].y - ly;
    along += x * u + y * v, across += x * v - y * u;
  }
  const double angle = std::atan2(across, along), c = std::cos(angle), s = std::sin(angle);
  return {k * c, k * s, -s, c, lx - c * sx + s * sy, ly - s * sx - c * sy};
}

std::vector<Match> agreeing(const std::vector<Feature>& look, const std::vector<Feature>& roll,
                            const std::vector<Match>& matches, const LookMap& lay, bool mirrored) {
  std::vector<Match> out;
  const double turn = std::atan2(lay.b, lay.a) + (mirrored ? std::numbers::pi : 0);
  for (const Match& m : matches) {
    const Feature &r = roll[m.roll], &l = look[m.look];
    const auto p = lay({r.x, r.y});
    if (std::hypot(p.x - l.x, p.y - l.y) > near_mm) continue;
    // A mirrored look's directions are those of the picture with its x reversed.
    const double is = static_cast<double>(l.direction) - static_cast<double>(r.direction);
    const double should = mirrored ? -turn : turn;
    if (std::abs(turn_between(is, should)) > direction_off) continue;
    if (std::any_of(out.begin(), out.end(), [&](const Match& o) { return o.roll == m.roll; }))
      continue;
    out.push_back(m);
  }
  return out;
}

/// Those that others nearby bear out: a strip may lie off, but all of it alike. What agrees by
/// chance lies off anyhow.
int borne_out(const std::vector<Feature>& look, const std::vector<Feature>& roll,
              const std::vector<Match>& agree, const LookMap& lay) {
  struct Off {
    double x, y, dx, dy;
  };
  std::vector<Off> offs;
  for (const Match& m : agree) {
    const Feature &r = roll[m.roll], &l = look[m.look];
    const auto p = lay({r.x, r.y});
    offs.push_back({l.x, l.y, l.x - p.x, l.y - p.y});
  }
  int out = 0;
  for (const Off& a : offs) {
    int support = -1;  // not itself
    for (const Off& b : offs)
      support += std::hypot(a.x - b.x, a.y - b.y) < around_mm &&
                 std::hypot(a.dx - b.dx, a.dy - b.dy) < alike_mm;
    out += support >= least_support;
  }
  return out;
}

Likeness best_lay(const std::vector<Feature>& look, const RollFeatures& roll,
                  std::vector<Match> matches, bool mirrored) {
  Likeness best;
  best.mirrored = mirrored;
  std::sort(matches.begin(), matches.end(),
            [](const Match& a, const Match& b) { return a.differ < b.differ; });
  if (matches.size() > most_matches) matches.resize(most_matches);
  std::vector<Match> kept;
  const std::size_t tried = std::min(most_tried, matches.size());
  const auto turn_of = [&](const Match& m) {
    return static_cast<double>(look[m.look].direction) -
           static_cast<double>(roll.features[m.roll].direction);
  };
  for (std::size_t i = 0; i < tried; ++i)
    for (std::size_t k = i + 1; k < tried; ++k) {
      // Both must say the same of the turn before anything else is reckoned.
      if (std::abs(turn_between(turn_of(matches[i]), turn_of(matches[k]))) > 2 * direction_off)
        continue;
      const Feature &s = roll.features[matches[i].roll], &t = roll.features[matches[k].roll];
      const Feature &u = look[matches[i].look], &v = look[matches[k].look];
      const double on_sleeve = std::hypot(t.x - s.x, t.y - s.y);
      if (on_sleeve < far_enough_mm ||
          std::abs(std::hypot(v.x - u.x, v.y - u.y) - on_sleeve) > length_mm)
        continue;
      const LookMap lay = lay_of(s, t, u, v, mirrored);
      const double turn = std::atan2(lay.b, lay.a) + (mirrored ? std::numbers::pi : 0);
      if (std::abs(turn_between(turn_of(matches[i]), mirrored ? -turn : turn)) > direction_off)
        continue;
      auto agree = agreeing(look, roll.features, matches, lay, mirrored);
      if (agree.size() > kept.size()) kept = std::move(agree), best.lay = lay;
      if (kept.size() * 3 > matches.size() * 2 && kept.size() > 40) i = k = tried;
    }
  for (int again = 0; again < 2 && kept.size() >= 3; ++again) {
    const LookMap lay = refit(look, roll.features, kept, mirrored);
    auto agree = agreeing(look, roll.features, matches, lay, mirrored);
    if (agree.size() < kept.size()) break;
    kept = std::move(agree), best.lay = lay;
  }
  best.agreeing = borne_out(look, roll.features, kept, best.lay);
  return best;
}

}  // namespace

std::vector<Likeness> likenesses(const std::vector<Feature>& look,
                                 const std::vector<Feature>& look_mirrored,
                                 const std::vector<RollFeatures>& rolls, int least) {
  std::vector<Likeness> best(rolls.size());
  on_two_threads(rolls.size(), [&](std::size_t i) {
    best[i].roll = i;
    for (const bool mirrored : {false, true}) {
      const auto& features = mirrored ? look_mirrored : look;
      std::vector<Match> matches;
      match(features.data(), features.size(), rolls[i].features.data(), rolls[i].features.size(),
            matches);
      if (matches.size() < least_matches) continue;
      Likeness l = best_lay(features, rolls[i], std::move(matches), mirrored);
      l.roll = i;
      if (l.agreeing > best[i].agreeing) best[i] = l;
    }
  });
  std::erase_if(best, [&](const Likeness& l) { return l.agreeing < least; });
  std::stable_sort(best.begin(), best.end(),
                   [](const Likeness& a, const Likeness& b) { return a.agreeing > b.agreeing; });
  return best;
}

std::optional<Likeness> recognised(const std::vector<Likeness>& found) {
  if (found.empty() || found[0].agreeing < agreeing_enough) return std::nullopt;
  if (found.size() > 1 && found[1].agreeing * 2 > found[0].agreeing) return std::nullopt;
  return found[0];
}

}  // namespace lapwright::lap
