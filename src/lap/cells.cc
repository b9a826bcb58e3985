#include "lap/cells.h"

#include <algorithm>
#include <array>
#include <cmath>

namespace lapwright::lap {
namespace {

constexpr std::int64_t side = 12, reach = 3, wide = side + 2 * reach;
constexpr float clear_structure = 0.045F;  // density, standard deviation, smoothed
constexpr double same = 0.8, surely_displaced = 0.8, as_good = 0.05;
// Chosen by judgement; tests/lap/false_acceptance_test.cc counts how it turns out.
constexpr double least_gain = 7, most_when_lost = 0.45, least_when_kept = 0.7;
constexpr int least_lost = 4, least_kept = 8;

using Patch = std::array<float, wide * wide>;
using Square = std::array<float, side * side>;

/// b around a's cell, in a's pixels, the map taken as straight over so small a place.
void look(const image::Plane& b, const Spot<PassSpace>& middle, const Spot<PassSpace>& right,
          const Spot<PassSpace>& down, Patch& out) {
  const double half = wide / 2.0;
  for (std::int64_t y = 0; y < wide; ++y)
    for (std::int64_t x = 0; x < wide; ++x) {
      const double u = static_cast<double>(x) + 0.5 - half, v = static_cast<double>(y) + 0.5 - half;
      const double fx = std::clamp(middle.x + u * right.x + v * down.x - 0.5, 0.0,
                                   static_cast<double>(b.width) - 1.001),
                   fy = std::clamp(middle.y + u * right.y + v * down.y - 0.5, 0.0,
                                   static_cast<double>(b.height) - 1.001);
      const auto ix = static_cast<std::int64_t>(fx), iy = static_cast<std::int64_t>(fy);
      const auto s = static_cast<float>(fx - static_cast<double>(ix)),
                 t = static_cast<float>(fy - static_cast<double>(iy));
      const float *p = b.row(iy) + ix, *q = b.row(iy + 1) + ix;
      out[static_cast<std::size_t>(y * wide + x)] =
          (p[0] * (1 - s) + p[1] * s) * (1 - t) + (q[0] * (1 - s) + q[1] * s) * t;
    }
}

struct Stats {
  float mean = 0, deviation = 0, slope = 0;
};
/// Of side x side values; `slope`: sum of the squared differences of neighbours.
Stats stats(const float* first, std::int64_t stride) {
  float sum = 0, square = 0;
  Stats out;
  for (std::int64_t y = 0; y < side; ++y)
    for (std::int64_t x = 0; x < side; ++x) {
      const float* p = first + y * stride + x;
      sum += *p, square += *p * *p;
      if (x > 0) out.slope += (p[0] - p[-1]) * (p[0] - p[-1]);
      if (y > 0) out.slope += (p[0] - p[-stride]) * (p[0] - p[-stride]);
    }
  constexpr float n = side * side;
  out.mean = sum / n, out.deviation = std::sqrt(std::max(0.0F, square / n - out.mean * out.mean));
  return out;
}

/// Correlation of a's cell, its mean taken off, with b's at (i, j) of the patch.
double correlation(const Square& a, float deviation, const Patch& patch, std::int64_t i,
                   std::int64_t j) {
  std::array<float, side> s{}, ss{}, c{};  // lane by lane, which the compiler makes vectors of
  for (std::int64_t y = 0; y < side; ++y) {
    const float *p = patch.data() + (y + j) * wide + i, *q = a.data() + y * side;
    for (std::size_t x = 0; x < side; ++x) s[x] += p[x], ss[x] += p[x] * p[x], c[x] += p[x] * q[x];
  }
  float sum = 0, square = 0, common = 0;
  for (std::size_t x = 0; x < side; ++x) sum += s[x], square += ss[x], common += c[x];
  constexpr float n = side * side;
  const float db = std::sqrt(std::max(0.0F, square / n - (sum / n) * (sum / n)));
  return deviation > 1e-4F && db > 1e-4F ? static_cast<double>(common / n / (deviation * db)) : -1;
}

double likelihood(double found, double all) {
  const double p = std::clamp(all > 0 ? found / all : 0.5, 0.02, 0.98);
  return found * std::log(p) + (all - found) * std::log(1 - p);
}

}  // namespace

Cells compare_cells(const Overview& a, const Overview& b, const Warp& a_to_b, double tolerance_mm,
                    const CellSet* only) {
  Cells out;
  const image::Plane &sa = a.smooth, &sb = b.smooth;
  const double tolerance = tolerance_mm / a.mm_per_pixel;
  if (sb.width < wide || sb.height < wide) return out;
  struct Shift {
    std::int64_t i, j;
    double off;
  };
  std::vector<Shift> shifts;  // the nearest first
  for (std::int64_t j = -reach; j <= reach; ++j)
    for (std::int64_t i = -reach; i <= reach; ++i)
      shifts.push_back({i, j, std::hypot(static_cast<double>(i), static_cast<double>(j))});
  std::stable_sort(shifts.begin(), shifts.end(),
                   [](const Shift& p, const Shift& q) { return p.off < q.off; });
  Patch patch;
  Square square;
  for (std::int64_t y0 = 0; y0 + side <= sa.height; y0 += side)
    for (std::int64_t x0 = 0; x0 + side <= sa.width; x0 += side) {
      Cell cell;
      cell.column = static_cast<int>(x0 / side), cell.row = static_cast<int>(y0 / side);
      if (only && !only->count({cell.column, cell.row})) continue;
      cell.a = {static_cast<double>(x0) + side / 2.0, static_cast<double>(y0) + side / 2.0};
      cell.b = a_to_b(cell.a);
      if (cell.b.x < side / 2.0 || cell.b.y < side / 2.0 ||
          cell.b.x > static_cast<double>(sb.width) - side / 2.0 ||
          cell.b.y > static_cast<double>(sb.height) - side / 2.0)
        continue;
      const Stats of_a = stats(sa.row(y0) + x0, sa.width);
      const Spot<PassSpace> r = a_to_b({cell.a.x + side, cell.a.y}),
                            d = a_to_b({cell.a.x, cell.a.y + side});
      look(sb, cell.b, {(r.x - cell.b.x) / side, (r.y - cell.b.y) / side},
           {(d.x - cell.b.x) / side, (d.y - cell.b.y) / side}, patch);
      const Stats of_b = stats(patch.data() + reach * wide + reach, wide);
      if (std::max(of_a.deviation, of_b.deviation) < clear_structure) continue;
      for (std::int64_t y = 0; y < side; ++y)
        for (std::int64_t x = 0; x < side; ++x)
          square[static_cast<std::size_t>(y * side + x)] = sa.row(y0 + y)[x0 + x] - of_a.mean;
      double best = -2, near = -2;
      Shift at{0, 0, 0};
      for (const Shift& s : shifts) {
        if (s.off > tolerance && near >= 1 - as_good) break;
        const double k = correlation(square, of_a.deviation, patch, s.i + reach, s.j + reach);
        if (k > best) best = k, at = s;
        if (s.off <= tolerance) near = std::max(near, k);
      }
      if (near >= same && near >= best - as_good)
        cell.seen = Seen::agrees;
      else if (best >= surely_displaced)
        cell.seen = Seen::displaced, cell.off_x = static_cast<double>(at.i),
        cell.off_y = static_cast<double>(at.j);
      cell.density_a = of_a.mean, cell.thinner = of_a.mean - of_b.mean;
      if (of_a.deviation > 0.01F && of_b.deviation > 0.01F && of_a.slope > 0)
        cell.sharper = (of_b.slope / (of_b.deviation * of_b.deviation)) /
                       (of_a.slope / (of_a.deviation * of_a.deviation));
      out.add(cell);
    }
  return out;
}

CellSet set_of(const Cells& cells, bool agreeing) {
  CellSet out;
  for (const Cell& c : cells.seen)
    if ((c.seen == Seen::agrees) == agreeing) out.emplace(c.column, c.row);
  return out;
}

CellSet every_cell(const Overview& a) {
  CellSet out;
  for (int row = 0; (row + 1) * side <= a.smooth.height; ++row)
    for (int column = 0; (column + 1) * side <= a.smooth.width; ++column) out.emplace(column, row);
  return out;
}

std::optional<Break> break_at(const Cells& cells) {
  std::vector<Cell> by_row = cells.seen;
  std::sort(by_row.begin(), by_row.end(),
            [](const Cell& p, const Cell& q) { return p.b.y < q.b.y; });
  const double all = cells.all(), found = cells.agreeing, even = likelihood(found, all);
  double best = least_gain, n = 0, before = 0;
  std::size_t cut = 0;
  bool kept_before = true;
  for (std::size_t i = 0; i + 1 < by_row.size(); ++i) {
    n += 1, before += by_row[i].seen == Seen::agrees ? 1 : 0;
    if (by_row[i + 1].b.y <= by_row[i].b.y) continue;
    const double after = found - before, m = all - n, first = before / n, second = after / m;
    const bool kept_first = first > second;
    if (std::min(first, second) > most_when_lost || std::max(first, second) < least_when_kept ||
        (kept_first ? m : n) < least_lost || (kept_first ? before : after) < least_kept)
      continue;
    const double gain = likelihood(before, n) + likelihood(after, m) - even;
    if (gain > best) best = gain, cut = i + 1, kept_before = kept_first;
  }
  if (cut == 0) return std::nullopt;
  Break out;
  out.row = (by_row[cut - 1].b.y + by_row[cut].b.y) / 2, out.kept_before = kept_before;
  for (std::size_t i = 0; i < by_row.size(); ++i)
    if ((i < cut) == kept_before) out.kept.add(by_row[i]);
  return out;
}

}  // namespace lapwright::lap
