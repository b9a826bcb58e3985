#include "lap/outline.h"

#include <algorithm>
#include <cmath>

namespace lapwright::lap {
namespace {

constexpr double cell_mm = 2, reach_mm = 70;
constexpr double unlike_at_most = 0.15, clearly_worse = 0.02, same_place_mm = 6;
// A hand seldom misses by a pocket's pitch, so that a place near the plan must be out of the
// question before another is named.
constexpr double near_plan_mm = 15, least_lap_mm = 4, out_of_question = 0.06;

/// How unlike the pass and the planned outline are, by the shift between them, in cells.
struct Unlike {
  double cell = 1;  // mm
  std::int64_t reach = 0;
  std::vector<double> at;  // (2 reach + 1) squared; empty: too small a pass
  std::int64_t span() const { return 2 * reach + 1; }
};

Unlike compare_outlines(const Overview& pass, const Affine<SleeveSpace, PassSpace>& planned,
                        const profile::SleeveProfile& sleeve) {
  Unlike out;
  const auto by = std::max<std::int64_t>(1, std::llround(cell_mm / pass.mm_per_pixel));
  const double cell = static_cast<double>(by) * pass.mm_per_pixel;
  const std::int64_t w = pass.density.width / by, h = pass.density.height / by;
  if (w < 8 || h < 8) return out;
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
  out.cell = cell, out.reach = reach;
  out.at.resize(static_cast<std::size_t>(span * span));
  for (std::int64_t j = 0; j < span; ++j)
    for (std::int64_t i = 0; i < span; ++i) {
      float sum = 0;
      for (std::int64_t y = 0; y < h; ++y) {
        const float *p = seen.row(y), *q = expected.row(y + j) + i;
        for (std::int64_t x = 0; x < w; ++x) sum += std::abs(p[x] - q[x]);
      }
      const auto at = static_cast<std::size_t>(j * span + i);
      out.at[at] = static_cast<double>(sum) / static_cast<double>(w * h);
    }
  return out;
}

}  // namespace

std::optional<std::array<double, 2>> outline_shift(const Overview& pass,
                                                   const Affine<SleeveSpace, PassSpace>& planned,
                                                   const profile::SleeveProfile& sleeve) {
  const Unlike found = compare_outlines(pass, planned, sleeve);
  if (found.at.empty()) return std::nullopt;
  const std::vector<double>& unlike = found.at;
  const std::int64_t span = found.span(), reach = found.reach;
  const double cell = found.cell;
  const auto best =
      static_cast<std::size_t>(std::min_element(unlike.begin(), unlike.end()) - unlike.begin());
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

LapByOutline lap_by_outline(const Overview& pass, const Affine<SleeveSpace, PassSpace>& planned,
                            const profile::SleeveProfile& sleeve,
                            const std::function<double(std::array<double, 2>)>& lap_mm) {
  LapByOutline out;
  const Unlike found = compare_outlines(pass, planned, sleeve);
  if (found.at.empty()) return out;
  for (std::int64_t j = -found.reach; j <= found.reach; ++j)
    for (std::int64_t i = -found.reach; i <= found.reach; ++i) {
      const double unlike =
          found.at[static_cast<std::size_t>((j + found.reach) * found.span() + i + found.reach)];
      const std::array<double, 2> off{-static_cast<double>(i) * found.cell,
                                      -static_cast<double>(j) * found.cell};
      const bool laps = lap_mm(off) > least_lap_mm;
      if (laps && std::hypot(off[0], off[1]) < near_plan_mm)
        out.with_lap = std::min(out.with_lap, unlike);
      // Too far one way, about straight the other.
      if (!laps && std::min(std::abs(off[0]), std::abs(off[1])) < near_plan_mm &&
          unlike < out.without_lap)
        out.without_lap = unlike, out.without_at = off;
    }
  return out;
}

}  // namespace lapwright::lap
