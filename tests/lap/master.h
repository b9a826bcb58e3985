// A scene rendered once and captured many times: passes cut out of one fine picture of the sleeve,
// which is quick.
//
// Units: sleeve mm, pass pixels. Thread: const after making.
#pragma once

#include <algorithm>
#include <cmath>
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

/// What the light of a pass is like; `drift` over its whole height, stray light from where the lid
/// is lifted.
struct Lamp {
  double noise = 60;
  std::array<double, 3> gain{1, 1, 1};
  double drift = 0, lifted_at = 2, stray = 0;
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
    for (std::int64_t y = 0; y < pass.height; ++y)
      for (std::int64_t x = 0; x < pass.width; ++x) {
        const auto s = pass.where({static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5});
        const double fx = (s.x + rim) * k_ - 0.5, fy = (s.y + rim) * k_ - 0.5;
        const auto ix = static_cast<std::int64_t>(std::floor(fx)),
                   iy = static_cast<std::int64_t>(std::floor(fy));
        for (std::int64_t c = 0; c < 3; ++c) {
          double v = 60000;
          if (ix >= 0 && iy >= 0 && ix + 1 < picture_.width() && iy + 1 < picture_.height()) {
            const double u = fx - static_cast<double>(ix), w = fy - static_cast<double>(iy);
            const auto at = [&](std::int64_t i, std::int64_t j) {
              return static_cast<double>(picture_.row(iy + j)[(ix + i) * 3 + c]);
            };
            v = (at(0, 0) * (1 - u) + at(1, 0) * u) * (1 - w) +
                (at(0, 1) * (1 - u) + at(1, 1) * u) * w;
          }
          const double through = static_cast<double>(y) / static_cast<double>(pass.height);
          v *= lamp.gain[static_cast<std::size_t>(c)] * (1 + lamp.drift * through);
          if (through > lamp.lifted_at)
            v += lamp.stray * 60000 * std::min(1.0, (through - lamp.lifted_at) * 8);
          v += gauss() * lamp.noise * std::sqrt(0.1 + 0.9 * v / 60000);
          out.row(y)[x * 3 + c] = static_cast<std::uint16_t>(std::clamp(v + 0.5, 0.0, 65535.0));
        }
      }
    return out;
  }

 private:
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
  const image::Rgb16 ca = of_a.capture(pa, seed * 2 + 1), cb = of_b.capture(pb, seed * 2 + 2, lamp);
  image::MemorySource sa(ca, Ppi{a.ppi}), sb(cb, Ppi{b.ppi});
  const Input ia{&sa, pa.planned, 1}, ib{&sb, pb.planned, 2};
  auto r = check(ia, {ia.planned, {}, {}}, ib, of_a.sleeve(), options);
  if (r && error) *error = error_in_lap(*r, pa, pb);
  return r;
}

}  // namespace lapwright::lap::test
