#include "lap/strips.h"

#include <algorithm>
#include <cmath>

#include "lap/kernels.h"
#include "lap/two_threads.h"

namespace lapwright::lap {
namespace {

constexpr double lattice_reach_mm = 9, lattice_step_mm = 0.5;
constexpr double along_reach_mm = 2.8, across_reach_mm = 0.6;
constexpr std::int64_t block = 24, every = 2;
constexpr std::size_t most_blocks = 40, least_blocks = 3;
constexpr double clearly_better = 1.1;

/// A block's pixels on film: where they lie in b, and their density less its mean.
struct Points {
  std::vector<float> x, y, value;
  float mean = 0;
};

Points points_of(const Overview& a, const PassMap& a_to_b, const Spot<PassSpace>& corner) {
  Points out;
  for (std::int64_t j = 0; j < block; j += every)
    for (std::int64_t i = 0; i < block; i += every) {
      const auto x = static_cast<std::int64_t>(corner.x) + i,
                 y = static_cast<std::int64_t>(corner.y) + j;
      if (a.film.row(y)[x] < 0.5F) continue;
      const auto q = a_to_b({static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5});
      out.x.push_back(static_cast<float>(q.x - 0.5)),
          out.y.push_back(static_cast<float>(q.y - 0.5));
      out.value.push_back(a.density.row(y)[x]);
      out.mean += a.density.row(y)[x];
    }
  out.mean /= std::max(1.0F, static_cast<float>(out.value.size()));
  for (float& v : out.value) v -= out.mean;
  return out;
}

/// Log likelihood that a block of a is found in b, slid by (dx, dy) overview pixels of b.
double likelihood(const Points& points, const Overview& b, float dx, float dy) {
  const auto [n, u, v, uu, vv, uv] =
      sums_on_film({b.density, b.film}, points.x.data(), points.y.data(), points.value.data(),
                   static_cast<std::int32_t>(points.value.size()), dx, dy, points.mean);
  if (n < 48) return 0;
  const float va = uu - u * u / n, vb = vv - v * v / n, c = uv - u * v / n;
  if (va < n * 1e-4F || vb < n * 1e-4F || c <= 0) return 0;
  return static_cast<double>(n) / -2 *
         std::log(1 - std::min(0.9999, static_cast<double>(c * c / (va * vb))));
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
  if (b.density.width < 2 || b.density.height < 2) return out;
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
    std::vector<Points> blocks;
    for (const auto& corner : c) blocks.push_back(points_of(a, a_to_b, corner));
    double still = 0, best = 0, best_t = 0, best_u = 0;
    const auto reach = static_cast<int>(along_reach_mm * px),
               side = static_cast<int>(std::ceil(across_reach_mm * px));
    for (int t = -reach; t <= reach; ++t)
      for (int u = -side; u <= side; ++u) {
        const double mm_t = t / px, mm_u = u / px;
        const double x = along_.x * mm_t + across_.x * mm_u, y = along_.y * mm_t + across_.y * mm_u;
        double score = 0;
        for (const Points& p : blocks)
          score += likelihood(p, b, static_cast<float>(a_to_b.a * x + a_to_b.c * y),
                              static_cast<float>(a_to_b.b * x + a_to_b.d * y));
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
