#include "lap/strips.h"

#include <algorithm>
#include <cmath>

#include "lap/two_threads.h"

namespace lapwright::lap {
namespace {

constexpr double lattice_reach_mm = 9, lattice_step_mm = 0.5;
constexpr double along_reach_mm = 2.8, across_reach_mm = 0.6;
constexpr std::int64_t block = 24, every = 2;
constexpr std::size_t most_blocks = 40, least_blocks = 3;
constexpr double clearly_better = 1.1;

/// Log likelihood that blocks of a are found in b, slid by (sx, sy) overview pixels of a.
double likelihood(const Overview& a, const Overview& b, const PassMap& a_to_b,
                  const std::vector<Spot<PassSpace>>& corners, double sx, double sy) {
  double score = 0;
  for (const auto& corner : corners) {
    double n = 0, u = 0, v = 0, uu = 0, vv = 0, uv = 0;
    for (std::int64_t j = 0; j < block; j += every)
      for (std::int64_t i = 0; i < block; i += every) {
        const auto ax = static_cast<std::int64_t>(corner.x) + i,
                   ay = static_cast<std::int64_t>(corner.y) + j;
        if (a.film.row(ay)[ax] < 0.5F) continue;
        const auto q =
            a_to_b({static_cast<double>(ax) + 0.5 + sx, static_cast<double>(ay) + 0.5 + sy});
        const double fx = q.x - 0.5, fy = q.y - 0.5;
        const auto ix = static_cast<std::int64_t>(std::floor(fx)),
                   iy = static_cast<std::int64_t>(std::floor(fy));
        if (ix < 0 || iy < 0 || ix + 1 >= b.density.width || iy + 1 >= b.density.height ||
            b.film.row(iy)[ix] < 0.5F)
          continue;
        const double s = fx - static_cast<double>(ix), t = fy - static_cast<double>(iy);
        const float *r0 = b.density.row(iy) + ix, *r1 = b.density.row(iy + 1) + ix;
        const double vb =
            (static_cast<double>(r0[0]) * (1 - s) + static_cast<double>(r0[1]) * s) * (1 - t) +
            (static_cast<double>(r1[0]) * (1 - s) + static_cast<double>(r1[1]) * s) * t;
        const auto va = static_cast<double>(a.density.row(ay)[ax]);
        n += 1, u += va, v += vb, uu += va * va, vv += vb * vb, uv += va * vb;
      }
    if (n < 48) continue;
    const double va = uu - u * u / n, vb = vv - v * v / n, c = uv - u * v / n;
    if (va < n * 1e-4 || vb < n * 1e-4 || c <= 0) continue;
    score -= n / 2 * std::log(1 - std::min(0.9999, c * c / (va * vb)));
  }
  return score;
}

}  // namespace

Strips::Strips(const Overview& a, const Affine<SleeveSpace, PassSpace>& on_a,
               const profile::SleeveProfile& sleeve)
    : to_sleeve_(on_a.inverse()),
      right_(sleeve.strips.run == profile::Run::right),
      count_(sleeve.strips.count),
      pitch_mm_(sleeve.strips.pitch.mm()),
      width_mm_(sleeve.film_width().mm()) {
  along_ = right_ ? Spot<PassSpace>{on_a.a, on_a.b} : Spot<PassSpace>{on_a.c, on_a.d};
  across_ = right_ ? Spot<PassSpace>{on_a.c, on_a.d} : Spot<PassSpace>{on_a.a, on_a.b};
  const auto strip = sleeve.strip(0);
  const double planned = right_ ? strip.y.mm() : strip.x.mm();
  // How much film lies at each place across the strips.
  std::vector<double> film(
      static_cast<std::size_t>(
          std::max(1.0, (pitch_mm_ * count_ + 2 * lattice_reach_mm + 60) / lattice_step_mm)),
      0.0);
  const double origin = planned - lattice_reach_mm - 20;
  for (std::int64_t y = 0; y < a.film.height; y += 4)
    for (std::int64_t x = 0; x < a.film.width; x += 4) {
      if (a.film.row(y)[x] < 0.5F) continue;
      const auto s = to_sleeve_({static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5});
      const auto i = static_cast<std::ptrdiff_t>(((right_ ? s.y : s.x) - origin) / lattice_step_mm);
      if (i >= 0 && i < static_cast<std::ptrdiff_t>(film.size()))
        film[static_cast<std::size_t>(i)] += 1;
    }
  double best = -1, best_off = 0;
  for (double off = -lattice_reach_mm; off <= lattice_reach_mm; off += lattice_step_mm) {
    double held = 0;
    for (std::size_t i = 0; i < film.size(); ++i) {
      const double at = origin + (static_cast<double>(i) + 0.5) * lattice_step_mm - planned - off,
                   k = std::floor(at / pitch_mm_);
      if (k >= 0 && k < count_ && at - k * pitch_mm_ < width_mm_) held += film[i];
    }
    held *= 1 - 1e-4 * std::abs(off);  // of equals, the nearest to the plan
    if (held > best) best = held, best_off = off;
  }
  first_mm_ = planned + best_off;
}

int Strips::at(Spot<PassSpace> p) const {
  const auto s = to_sleeve_(p);
  const double gap = (pitch_mm_ - width_mm_) / 2, at = (right_ ? s.y : s.x) - first_mm_ + gap;
  const int k = static_cast<int>(std::floor(at / pitch_mm_));
  return k >= 0 && k < count_ ? k : -1;
}

std::vector<Spot<PassSpace>> Strips::slides(const Overview& a, const Overview& b,
                                            const PassMap& a_to_b) const {
  std::vector<Spot<PassSpace>> out(static_cast<std::size_t>(count_));
  std::vector<std::vector<Spot<PassSpace>>> corners(out.size());
  for (std::int64_t y = 0; y + block <= a.film.height; y += block)
    for (std::int64_t x = 0; x + block <= a.film.width; x += block) {
      const Spot<PassSpace> middle{static_cast<double>(x + block / 2),
                                   static_cast<double>(y + block / 2)};
      const auto q = a_to_b(middle);
      const int k = at(middle);
      if (k >= 0 && q.x > 0 && q.y > 0 && q.x < static_cast<double>(b.film.width) &&
          q.y < static_cast<double>(b.film.height))
        corners[static_cast<std::size_t>(k)].push_back(
            {static_cast<double>(x), static_cast<double>(y)});
    }
  const double px = 1 / a.mm_per_pixel;
  const auto slide = [&](std::size_t k) {
    auto& c = corners[k];
    if (c.size() < least_blocks) return;
    if (c.size() > most_blocks) {
      const std::size_t step = (c.size() + most_blocks - 1) / most_blocks;
      std::vector<Spot<PassSpace>> fewer;
      for (std::size_t i = 0; i < c.size(); i += step) fewer.push_back(c[i]);
      c = std::move(fewer);
    }
    double still = 0, best = 0, best_t = 0, best_u = 0;
    const auto reach = static_cast<int>(along_reach_mm * px),
               side = static_cast<int>(std::ceil(across_reach_mm * px));
    for (int t = -reach; t <= reach; ++t)
      for (int u = -side; u <= side; ++u) {
        const double mm_t = t / px, mm_u = u / px;
        const double score = likelihood(a, b, a_to_b, c, along_.x * mm_t + across_.x * mm_u,
                                        along_.y * mm_t + across_.y * mm_u);
        if (std::abs(t) <= 1 && std::abs(u) <= 1) still = std::max(still, score);
        if (score > best) best = score, best_t = mm_t, best_u = mm_u;
      }
    if (best > clearly_better * still + 20)
      out[k] = {along_.x * best_t + across_.x * best_u, along_.y * best_t + across_.y * best_u};
  };
  on_two_threads(out.size(), slide);
  return out;
}

}  // namespace lapwright::lap
