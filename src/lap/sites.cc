#include "lap/sites.h"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <optional>

namespace lapwright::lap {
namespace {

constexpr double least_film = 0.15;  // of a patch: once the place is known, edges of holes and
                                     // strips measure as well as anything
constexpr double least_structure =
    1e-4;  // gradient energy, density squared, in a window of 17 x 17 overview pixels at most

bool fits(const Box& box, double width, double height) {
  return box.x >= 0 && box.y >= 0 && static_cast<double>(box.x + box.width) <= width &&
         static_cast<double>(box.y + box.height) <= height;
}

/// The site whose patch of a starts at (x, y); expected by the warp's own slope there.
Site site_at(std::int64_t x, std::int64_t y, const PassWarp& a_to_b, const SitePlan& plan) {
  Site s;
  s.a = {x, y, plan.width, plan.height};
  const double half_w = static_cast<double>(plan.width) / 2,
               half_h = static_cast<double>(plan.height) / 2;
  const double ax = static_cast<double>(x) + half_w, ay = static_cast<double>(y) + half_h;
  const auto warp = [&](double u, double v) {
    const auto p = a_to_b({u / plan.scale_a, v / plan.scale_a});
    return Spot<PassSpace>{p.x * plan.scale_b, p.y * plan.scale_b};
  };
  const auto c = warp(ax, ay), r = warp(ax + half_w, ay), l = warp(ax - half_w, ay),
             t = warp(ax, ay - half_h), u = warp(ax, ay + half_h);
  PassMap& m = s.expected;
  m.a = (r.x - l.x) / (2 * half_w), m.b = (r.y - l.y) / (2 * half_w),
  m.c = (u.x - t.x) / (2 * half_h), m.d = (u.y - t.y) / (2 * half_h);
  m.e = c.x - m.a * ax - m.c * ay, m.f = c.y - m.b * ax - m.d * ay;
  const auto reach_x =
      static_cast<std::int64_t>(std::ceil(half_w * std::abs(m.a) + half_h * std::abs(m.c))) +
      plan.margin + 3;
  const auto reach_y =
      static_cast<std::int64_t>(std::ceil(half_w * std::abs(m.b) + half_h * std::abs(m.d))) +
      plan.margin + 3;
  s.b = {static_cast<std::int64_t>(c.x) - reach_x, static_cast<std::int64_t>(c.y) - reach_y,
         2 * reach_x, 2 * reach_y};
  return s;
}

}  // namespace

std::vector<Site> choose_sites(const Overview& a, const Overview& b, const PassWarp& a_to_b,
                               const StripOf& strip_of, const SitePlan& plan) {
  const std::int64_t w = a.density.width, h = a.density.height;
  const auto width = static_cast<double>(w), height = static_cast<double>(h),
             b_width = static_cast<double>(b.density.width),
             b_height = static_cast<double>(b.density.height);
  const double patch_w = static_cast<double>(plan.width) / plan.scale_a,
               patch_h = static_cast<double>(plan.height) / plan.scale_a;
  const auto shows = [&](double x, double y) {
    const auto p = a_to_b({x, y});
    return p.x > 2 && p.y > 2 && p.x < b_width - 2 && p.y < b_height - 2;
  };
  double area = 0;
  for (double y = 4; y < height; y += 8)
    for (double x = 4; x < width; x += 8) area += shows(x, y) ? 64 : 0;
  const double row_step = std::max(plan.row_mm / a.mm_per_pixel, 0.75 * patch_h);
  const double column_step = std::max(0.8 * patch_w, area / row_step / std::max(plan.count, 1));
  // The structure of the patch itself, where the overview can see it.
  const auto look_x = static_cast<std::int64_t>(std::clamp(patch_w / 2, 2.0, 8.0)),
             look_y = static_cast<std::int64_t>(std::clamp(patch_h / 2, 2.0, 8.0));
  const auto structure = [&](double cx, double cy) {
    double xx = 0, xy = 0, yy = 0, film = 0, all = 0;
    const auto ix = static_cast<std::int64_t>(cx), iy = static_cast<std::int64_t>(cy);
    for (std::int64_t y = std::max<std::int64_t>(1, iy - look_y); y <= std::min(h - 2, iy + look_y);
         ++y)
      for (std::int64_t x = std::max<std::int64_t>(1, ix - look_x);
           x <= std::min(w - 2, ix + look_x); ++x) {
        all += 1, film += a.density.row(y)[x] > clear_density ? 1 : 0;
        const double gx = static_cast<double>(a.density.row(y)[x + 1] - a.density.row(y)[x - 1]),
                     gy = static_cast<double>(a.density.row(y + 1)[x] - a.density.row(y - 1)[x]);
        xx += gx * gx, xy += gx * gy, yy += gy * gy;
      }
    if (film < least_film * all) return -1.0;
    // What holds both ways counts in full; an edge says something across itself.
    const double most = (xx + yy) / 2 + std::sqrt((xx - yy) * (xx - yy) / 4 + xy * xy),
                 least = xx + yy - most;
    return least + 0.1 * most;
  };
  // Where a pass ends between two rows of sites, the last one lies as near its end as it can:
  // beyond, the carriage's curve is but carried on.
  const auto site_near = [&](double x, double y) -> std::optional<Site> {
    if (!shows(x, y) && !shows(x, y - 0.75 * row_step) && !shows(x, y + 0.75 * row_step)) return {};
    for (const double aside : {0.0, 0.25, -0.25, 0.5, -0.5, 0.75, -0.75}) {
      const Site s = site_at(
          static_cast<std::int64_t>(x * plan.scale_a) - plan.width / 2,
          static_cast<std::int64_t>((y + aside * row_step) * plan.scale_a) - plan.height / 2,
          a_to_b, plan);
      if (fits(s.a, width * plan.scale_a, height * plan.scale_a) &&
          fits(s.b, b_width * plan.scale_b, b_height * plan.scale_b))
        return s;
    }
    return {};
  };
  std::vector<Site> out;
  int line = 0;
  for (double y = patch_h / 2 + 2; y < height - patch_h / 2 + row_step; y += row_step, ++line)
    for (double x = patch_w / 2 + 2 + (line % 2) * column_step / 2; x < width; x += column_step) {
      double most = -1;
      Site best;
      const int tries = column_step > 1.25 * patch_w ? 4 : 1;
      for (int k = 0; k < tries; ++k) {
        const double px = tries == 1 ? x : x + (k - 1.5) * (column_step - patch_w) / 4;
        if (px < patch_w / 2 + 1 || px > width - patch_w / 2 - 1) continue;
        const auto s = site_near(px, y);
        if (!s) continue;
        const double py =
            (static_cast<double>(s->a.y) + static_cast<double>(plan.height) / 2) / plan.scale_a;
        if (const double q = structure(px, py); q > most)
          most = q, best = *s, best.strip = strip_of({px, py});
      }
      if (most >= (plan.grain ? 0 : least_structure)) out.push_back(best);
    }
  return out;
}

std::vector<image::Plane> cut(const image::Plane& from, const std::vector<Box>& boxes) {
  std::vector<image::Plane> out;
  for (const Box& b : boxes) {
    image::Plane p(b.width, b.height);
    for (std::int64_t y = 0; y < b.height; ++y)
      std::copy_n(from.row(b.y + y) + b.x, b.width, p.row(y));
    out.push_back(std::move(p));
  }
  return out;
}

CountTable::CountTable(const std::array<double, 3>& open, const std::array<double, 3>& weight)
    : table_(65536) {
  for (std::size_t v = 0; v < table_.size(); ++v)
    for (std::size_t c = 0; c < 3; ++c)
      table_[v][c] = static_cast<float>(weight[c]) * density_of(static_cast<double>(v) / open[c]);
}

Result<std::vector<image::Plane>> gather(image::RowSource& source, const std::vector<Box>& boxes,
                                         const CountTable& density) {
  std::vector<image::Plane> out;
  out.reserve(boxes.size());
  std::int64_t left = source.width(), right = 0;
  for (const Box& b : boxes) {
    out.emplace_back(b.width, b.height);
    left = std::min(left, b.x), right = std::max(right, b.x + b.width);
  }
  std::vector<std::size_t> order(boxes.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::sort(order.begin(), order.end(),
            [&](std::size_t i, std::size_t j) { return boxes[i].y < boxes[j].y; });
  const std::int64_t columns = right - left;
  constexpr std::int64_t at_once = 16;
  std::vector<std::uint16_t> rows(
      static_cast<std::size_t>(std::max<std::int64_t>(columns, 0) * 3 * at_once));
  std::vector<std::size_t> active;
  std::size_t next = 0;
  for (std::int64_t y = 0; y < source.height() && (next < order.size() || !active.empty());) {
    if (active.empty()) y = std::max(y, boxes[order[next]].y);
    const std::int64_t n = std::min(at_once, source.height() - y);
    while (next < order.size() && boxes[order[next]].y < y + n) active.push_back(order[next++]);
    if (auto r = source.read_block(left, columns, y, n, rows.data()); !r) return fail(r.error());
    for (const std::size_t i : active) {
      const Box& b = boxes[i];
      for (std::int64_t j = std::max(y, b.y); j < std::min(y + n, b.y + b.height); ++j) {
        float* to = out[i].row(j - b.y);
        const std::uint16_t* p = rows.data() + ((j - y) * columns + b.x - left) * 3;
        for (std::int64_t x = 0; x < b.width; ++x, p += 3) to[x] = density(p);
      }
    }
    y += n;
    std::erase_if(active, [&](std::size_t i) { return y >= boxes[i].y + boxes[i].height; });
  }
  return out;
}

}  // namespace lapwright::lap
