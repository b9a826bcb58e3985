// Pairs of passes of known truth for the lap tests.
//
// Units: sleeve mm, pass pixels. Thread: values.
#pragma once

#include <algorithm>
#include <cmath>
#include <functional>
#include <numbers>

#include "lap/lap.h"
#include "support/film_scene.h"

namespace lapwright::lap::test {

using OnPass = Affine<SleeveSpace, PassSpace>;

/// A pass that should lie with sleeve point (x, y) at its top left corner, turned by quarter turns,
/// but lies off by the errors given.
struct PassSpec {
  int ppi = 150;
  double x = 0, y = 0;  // sleeve mm of the window's corner that lies nearest the sleeve's origin
  double width = 100, height = 100;       // mm of the window, in sleeve directions
  int quarter = 0;                        // planned clockwise quarter turns
  double off_x = 0, off_y = 0, turn = 0;  // hand's errors: bed mm, degrees
  double scale_y = 0;                     // carriage's scale error
  double wobble_mm = 0, wobble_period_mm = 40, wobble_phase = 0;
  bool mirrored = false;  // the hand turned it over
  // The sleeve is bumped when so much of the pass has been captured: bed mm, degrees. 2: never.
  double bumped_at = 2, bump_x = 0, bump_y = 0, bump_turn = 0;
  int mistaken_quarter = 0;  // the hand's wrong turn
};

inline support::SceneOptions seeded(unsigned seed) {
  support::SceneOptions o;
  o.seed = seed;
  return o;
}

struct MadePass {
  OnPass planned;
  std::function<Spot<PassSpace>(Spot<SleeveSpace>)> truth;
  std::function<Spot<SleeveSpace>(Spot<PassSpace>)> where;
  std::int64_t width = 0, height = 0;
  int ppi = 150;
};

/// Sleeve -> pass for a window turned clockwise by quarter turns around its middle.
inline OnPass lay(const PassSpec& s, double quarter_degrees, bool mirrored) {
  const double k = s.ppi / 25.4, t = quarter_degrees * std::numbers::pi / 180, c = std::cos(t),
               n = std::sin(t);
  const bool across = s.quarter % 2 != 0;
  const double w = (across ? s.height : s.width) * k, h = (across ? s.width : s.height) * k;
  const double mx = s.x + s.width / 2, my = s.y + s.height / 2, f = mirrored ? -1 : 1;
  OnPass m{k * c * f, k * n * f, -k * n, k * c, 0, 0};
  const auto p = m({mx, my});
  m.e = w / 2 - p.x, m.f = h / 2 - p.y;
  return m;
}

inline MadePass make(const PassSpec& s) {
  MadePass out;
  const double k = s.ppi / 25.4;
  const bool across = s.quarter % 2 != 0;
  out.ppi = s.ppi;
  out.width = std::llround((across ? s.height : s.width) * k),
  out.height = std::llround((across ? s.width : s.height) * k);
  out.planned = lay(s, 90.0 * s.quarter, false);
  OnPass real = lay(s, 90.0 * (s.quarter + s.mistaken_quarter) + s.turn, s.mirrored);
  real.e += s.off_x * k, real.f += s.off_y * k;
  real.b *= 1 + s.scale_y, real.d *= 1 + s.scale_y, real.f *= 1 + s.scale_y;
  const double a = s.wobble_mm * k, omega = 2 * std::numbers::pi / (s.wobble_period_mm * k),
               phase = s.wobble_phase;
  const auto wobble = [a, omega, phase](double row) { return a * std::sin(omega * row + phase); };
  // After a bump everything lies elsewhere, turned about the window's middle.
  const double jump = s.bumped_at * static_cast<double>(out.height);
  const double t = s.bump_turn * std::numbers::pi / 180, c = std::cos(t), n = std::sin(t),
               mx = static_cast<double>(out.width) / 2, my = static_cast<double>(out.height) / 2;
  const Affine<PassSpace, PassSpace> moved{
      c, n, -n, c, mx - c * mx + n * my + s.bump_x * k, my - n * mx - c * my + s.bump_y * k};
  const OnPass later = core::compose(moved, real);
  out.truth = [real, later, jump, wobble](Spot<SleeveSpace> p) {
    // wobble as a function of the row the point is captured in
    const auto shown = [&](const OnPass& lay) {
      const auto q = lay(p);
      return Spot<PassSpace>{q.x + 0.3 * wobble(q.y + 500), q.y + wobble(q.y)};
    };
    const auto before = shown(real);
    return before.y < jump ? before : shown(later);
  };
  const auto back = real.inverse(), back_later = later.inverse();
  out.where = [back, back_later, jump, wobble](Spot<PassSpace> p) {
    double row = p.y;
    for (int i = 0; i < 4; ++i) row = p.y - wobble(row);
    const Spot<PassSpace> q{p.x - 0.3 * wobble(row + 500), row};
    return p.y < jump ? back(q) : back_later(q);
  };
  return out;
}

inline image::Rgb16 picture(const support::Scene& scene, const MadePass& pass,
                            const support::Faults& faults = {}) {
  return support::render(scene, pass.where, pass.width, pass.height, faults);
}

inline support::Faults faults(unsigned seed, double noise = 60) {
  support::Faults f;
  f.noise = noise, f.seed = seed, f.dust_per_cm2 = 0.3;
  return f;
}

struct Error {
  double rms = 0, worst = 0;
  int points = 0;
};
/// b's place against the truth, where a's truth is carried to the sleeve by the report's own place
/// of a: what a join would miss by.
inline Error error_in_lap(const Report& report, const MadePass& a, const MadePass& b,
                          double rim_mm = 2) {
  Error e;
  double sum = 0;
  const double rim = rim_mm * a.ppi / 25.4;
  for (int j = 0; j <= 60; ++j)
    for (int i = 0; i <= 60; ++i) {
      const Spot<PassSpace> pa{static_cast<double>(a.width) * i / 60,
                               static_cast<double>(a.height) * j / 60};
      const auto truth = b.truth(a.where(pa));
      const double w = static_cast<double>(b.width), h = static_cast<double>(b.height);
      if (pa.x < rim || pa.y < rim || pa.x > static_cast<double>(a.width) - rim ||
          pa.y > static_cast<double>(a.height) - rim)
        continue;
      if (truth.x < rim || truth.y < rim || truth.x > w - rim || truth.y > h - rim) continue;
      const auto found = report.b_on_sleeve(sleeve_at(report.a_on_sleeve, pa));
      const double d = std::hypot(found.x - truth.x, found.y - truth.y);
      sum += d * d / 2, ++e.points, e.worst = std::max(e.worst, d);
    }
  e.rms = e.points ? std::sqrt(sum / e.points) : 1e9;
  return e;
}

}  // namespace lapwright::lap::test
