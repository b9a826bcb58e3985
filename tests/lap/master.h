// A scene rendered once and captured many times: passes cut out of one fine picture of the sleeve,
// which is quick.
//
// Units: sleeve mm, pass pixels. Thread: const after making.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <random>

#include "lap/lap_scene.h"

namespace lapwright::lap::test {

/// 35 mm, four strips of three: small enough to draw often.
inline profile::SleeveProfile small_sleeve() {
  profile::SleeveProfile s = support::sleeve_135_7x5();
  s.name = "135-4x3";
  s.page = {{150000}, {170000}};
  s.strips.count = 4, s.strips.frames = 3, s.strips.length = {114000};
  return s;
}

/// What the light of a pass is like: `drift` over its whole height, `swell` in its middle, `haze`
/// over all of it. From where the lid is lifted (a part of the height; 2: never) stray light comes
/// in and the film, no longer pressed down, is out of focus.
struct Lamp {
  double noise = 60, dust_per_cm2 = 0;
  std::array<double, 3> gain{1, 1, 1};
  double drift = 0, swell = 0, haze = 0;
  double lifted_at = 2, stray = 0, blur_mm = 0;
};

class Master {
 public:
  Master(const support::Scene& scene, int ppi) : sleeve_(scene.sleeve()), k_(ppi / 25.4) {
    OnPass on{k_, 0, 0, k_, rim * k_, rim * k_};
    const auto size = [&](Micrometres mm) {
      return static_cast<std::int64_t>((mm.mm() + 2 * rim) * k_);
    };
    picture_ = support::render(scene, on, size(sleeve_.page.width), size(sleeve_.page.height));
  }
  const profile::SleeveProfile& sleeve() const { return sleeve_; }

  image::Rgb16 capture(const MadePass& pass, unsigned seed, const Lamp& lamp = {}) const {
    image::Rgb16 out(pass.width, pass.height);
    std::uint64_t state = seed * 0x9e3779b97f4a7c15ULL + 1;
    const auto gauss = [&] {  // the sum of four uniform numbers: near enough, and quick
      state ^= state << 13, state ^= state >> 7, state ^= state << 17;
      const auto part = [&](int shift) {
        return static_cast<double>((state >> shift) & 0xffff) / 65536.0;
      };
      return (part(0) + part(16) + part(32) + part(48) - 2) * 1.732;
    };
    for (std::int64_t y = 0; y < pass.height; ++y) {
      const double through = static_cast<double>(y) / static_cast<double>(pass.height);
      const double lifted = std::clamp((through - lamp.lifted_at) * 8, 0.0, 1.0);
      const double swell =
          1 + lamp.drift * through + lamp.swell * std::sin(std::numbers::pi * through);
      const double added = 60000 * (lamp.haze + lamp.stray * lifted);
      // Along a row the place is a straight line.
      const double row = static_cast<double>(y) + 0.5, wide = static_cast<double>(pass.width);
      const auto left = pass.where({0, row}), right = pass.where({wide, row});
      const double step_x = (right.x - left.x) / wide, step_y = (right.y - left.y) / wide;
      for (std::int64_t x = 0; x < pass.width; ++x) {
        const double along = static_cast<double>(x) + 0.5;
        const Spot<SleeveSpace> s{left.x + step_x * along, left.y + step_y * along};
        auto seen = transmitted(s);
        if (lifted > 0 && lamp.blur_mm > 0) seen = out_of_focus(s, lamp.blur_mm * lifted);
        for (std::size_t c = 0; c < 3; ++c) {
          double v = seen[c] * lamp.gain[c] * swell + added;
          v += gauss() * lamp.noise * std::sqrt(0.1 + 0.9 * v / 60000);
          out.row(y)[x * 3 + static_cast<std::int64_t>(c)] =
              static_cast<std::uint16_t>(std::clamp(v + 0.5, 0.0, 65535.0));
        }
      }
    }
    const double area = static_cast<double>(pass.width * pass.height) / (k_ * k_ * 100);
    std::mt19937 random(seed * 31 + 7);
    std::uniform_real_distribution<double> part(0, 1);
    for (int specks = static_cast<int>(area * lamp.dust_per_cm2); specks > 0; --specks) {
      const double x = part(random) * static_cast<double>(pass.width),
                   y = part(random) * static_cast<double>(pass.height),
                   r = (0.02 + 0.1 * part(random)) * k_ + 0.4;
      for (auto j = static_cast<std::int64_t>(y - r); j <= static_cast<std::int64_t>(y + r); ++j)
        for (auto i = static_cast<std::int64_t>(x - r); i <= static_cast<std::int64_t>(x + r); ++i)
          if (i >= 0 && j >= 0 && i < pass.width && j < pass.height &&
              std::hypot(static_cast<double>(i) + 0.5 - x, static_cast<double>(j) + 0.5 - y) < r)
            for (int c = 0; c < 3; ++c)
              out.row(j)[i * 3 + c] = static_cast<std::uint16_t>(out.row(j)[i * 3 + c] / 3);
    }
    return out;
  }

 private:
  std::array<double, 3> transmitted(Spot<SleeveSpace> s) const {
    const double fx = (s.x + rim) * k_ - 0.5, fy = (s.y + rim) * k_ - 0.5;
    const auto ix = static_cast<std::int64_t>(std::floor(fx)),
               iy = static_cast<std::int64_t>(std::floor(fy));
    if (ix < 0 || iy < 0 || ix + 1 >= picture_.width() || iy + 1 >= picture_.height())
      return {60000, 60000, 60000};
    const double u = fx - static_cast<double>(ix), w = fy - static_cast<double>(iy);
    const std::uint16_t *p = picture_.row(iy) + ix * 3, *q = picture_.row(iy + 1) + ix * 3;
    std::array<double, 3> v{};
    for (std::size_t c = 0; c < 3; ++c)
      v[c] = (p[c] * (1 - u) + p[c + 3] * u) * (1 - w) + (q[c] * (1 - u) + q[c + 3] * u) * w;
    return v;
  }
  /// The mean over a disc, by points of equal area.
  std::array<double, 3> out_of_focus(Spot<SleeveSpace> s, double radius) const {
    constexpr int points = 12;
    std::array<double, 3> sum{};
    for (int i = 0; i < points; ++i) {
      const double r = radius * std::sqrt((i + 0.5) / points), t = i * 2.399963;  // golden angle
      const auto v = transmitted({s.x + r * std::cos(t), s.y + r * std::sin(t)});
      for (std::size_t c = 0; c < 3; ++c) sum[c] += v[c] / points;
    }
    return sum;
  }

  static constexpr double rim = 5;
  profile::SleeveProfile sleeve_;
  double k_;
  image::Rgb16 picture_;
};

/// Checks b (captured of `of_b`) against a (of `of_a`).
inline Result<Report> check_captures(const Master& of_a, const PassSpec& a, const Master& of_b,
                                     const PassSpec& b, unsigned seed, Error* error = nullptr,
                                     const Options& options = {}, const Lamp& lamp = {}) {
  const MadePass pa = make(a), pb = make(b);
  Lamp film_as_dusty;
  film_as_dusty.dust_per_cm2 = lamp.dust_per_cm2;
  const image::Rgb16 ca = of_a.capture(pa, seed * 2 + 1, film_as_dusty),
                     cb = of_b.capture(pb, seed * 2 + 2, lamp);
  image::MemorySource sa(ca, Ppi{a.ppi}), sb(cb, Ppi{b.ppi});
  const Input ia{&sa, pa.planned, 1}, ib{&sb, pb.planned, 2};
  auto r = check(ia, {ia.planned, {}, {}}, ib, of_a.sleeve(), options);
  if (r && error) *error = error_in_lap(*r, pa, pb);
  return r;
}

}  // namespace lapwright::lap::test
