#include "lap/outline.h"

#include <cmath>

namespace lapwright::lap {
namespace {

constexpr double cell_mm = 2, reach_mm = 70;
constexpr double unlike_at_most = 0.15, clearly_worse = 0.02, same_place_mm = 6;
// A hand seldom misses by a pocket's pitch, so that a place near the plan must be out of the
// question before another is named.
constexpr double near_plan_mm = 15, out_of_question = 0.06;

}  // namespace

std::optional<std::array<double, 2>> outline_shift(const Overview& pass,
                                                   const Affine<SleeveSpace, PassSpace>& planned,
                                                   const profile::SleeveProfile& sleeve) {
  const auto by = std::max<std::int64_t>(1, std::llround(cell_mm / pass.mm_per_pixel));
  const double cell = static_cast<double>(by) * pass.mm_per_pixel;
  const std::int64_t w = pass.density.width / by, h = pass.density.height / by;
  if (w < 8 || h < 8) return std::nullopt;
  image::Plane seen(w, h);
  for (std::int64_t y = 0; y < h; ++y)
    for (std::int64_t x = 0; x < w; ++x) {
      float n = 0;
      for (std::int64_t j = 0; j < by; ++j)
        for (std::int64_t i = 0; i < by; ++i)
          n += pass.density.row(y * by + j)[x * by + i] > 0.17F ? 1.0F : 0.0F;
      seen.row(y)[x] = n / static_cast<float>(by * by) > 0.5F ? 1.0F : 0.0F;
    }
  const auto reach = static_cast<std::int64_t>(reach_mm / cell);
  image::Plane expected(w + 2 * reach, h + 2 * reach);
  const auto back = planned.inverse();
  const double pass_pixels = static_cast<double>(by * pass.factor);
  for (std::int64_t y = 0; y < expected.height; ++y)
    for (std::int64_t x = 0; x < expected.width; ++x) {
      const auto s = back({(static_cast<double>(x - reach) + 0.5) * pass_pixels,
                           (static_cast<double>(y - reach) + 0.5) * pass_pixels});
      for (int i = 0; i < sleeve.strips.count; ++i) {
        const auto r = sleeve.strip(i);
        if (s.x >= r.x.mm() && s.x < r.right().mm() && s.y >= r.y.mm() && s.y < r.bottom().mm())
          expected.row(y)[x] = 1;
      }
    }
  const std::int64_t span = 2 * reach + 1;
  std::vector<double> unlike(static_cast<std::size_t>(span * span));
  std::size_t best = 0;
  for (std::int64_t j = 0; j < span; ++j)
    for (std::int64_t i = 0; i < span; ++i) {
      float sum = 0;
      for (std::int64_t y = 0; y < h; ++y) {
        const float *p = seen.row(y), *q = expected.row(y + j) + i;
        for (std::int64_t x = 0; x < w; ++x) sum += std::abs(p[x] - q[x]);
      }
      const auto at = static_cast<std::size_t>(j * span + i);
      unlike[at] = static_cast<double>(sum) / static_cast<double>(w * h);
      if (unlike[at] < unlike[best]) best = at;
    }
  if (unlike[best] > unlike_at_most) return std::nullopt;
  const auto bi = static_cast<std::int64_t>(best) % span,
             bj = static_cast<std::int64_t>(best) / span;
  for (std::int64_t j = 0; j < span; ++j)
    for (std::int64_t i = 0; i < span; ++i) {
      const auto from_plan = [&](std::int64_t x, std::int64_t y) {
        return std::hypot(static_cast<double>(x - reach), static_cast<double>(y - reach)) * cell;
      };
      if (from_plan(bi, bj) > near_plan_mm && from_plan(i, j) < near_plan_mm &&
          unlike[static_cast<std::size_t>(j * span + i)] < unlike[best] + out_of_question)
        return std::nullopt;
      if (std::hypot(static_cast<double>(i - bi), static_cast<double>(j - bj)) * cell >
              same_place_mm &&
          unlike[static_cast<std::size_t>(j * span + i)] < unlike[best] + clearly_worse)
        return std::nullopt;
    }
  // seen(x) matches expected at x + shift: the sleeve lies the other way by as much
  return std::array<double, 2>{-static_cast<double>(bi - reach) * cell,
                               -static_cast<double>(bj - reach) * cell};
}

}  // namespace lapwright::lap
