#include "lap/cells.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <memory>
#include <span>

#include "lap/kernels.h"
#include "lap/two_threads.h"

namespace lapwright::lap {
namespace {

constexpr std::int64_t side = cell_side, lanes = cell_lanes, reach = 3, wide = side + 2 * reach;
constexpr float clear_structure = 0.045F;  // density, standard deviation, smoothed
constexpr float least_weight = 0.4F * side * side;
constexpr double same = 0.8, surely_displaced = 0.8, as_good = 0.05;
// Chosen by judgement; tests/lap/false_acceptance_test.cc counts how it turns out.
constexpr double least_gain = 7, most_when_lost = 0.45, least_when_kept = 0.7;
constexpr std::size_t most_shifted = 120, cells_at_once = 64;
constexpr int least_lost = 4, least_kept = 8;
// Two carriages that wobble by 60 um over 40 mm (registration.md) move 0.08 mm from one window to
// the next.
constexpr double jump_over_mm = 5, least_jump_mm = 0.15, clearly_jumps = 3, sharp_enough = 0.02;
constexpr std::size_t least_jumping = 5;

/// Values and how much each counts: 1, or 0 off the film where that is asked for.
template <std::size_t count>
struct Weighed {
  std::array<float, count> value{}, weight{};
};
// A cell's rows are filled up to whole vectors; a patch has as much behind.
template <std::int64_t across>
struct Patch : Weighed<across * across + lanes> {};
using Square = Weighed<side * lanes>;

/// Pixels of a square, from its middle.
template <std::int64_t across>
struct Offsets {
  std::array<float, across * across> x{}, y{};
  constexpr Offsets() {
    for (std::size_t i = 0; i < across * across; ++i)
      x[i] = static_cast<float>(i % across) + 0.5F - across / 2.0F,
      y[i] = static_cast<float>(i / across) + 0.5F - across / 2.0F;
  }
};

template <std::int64_t across>
void look(const Overview& b, bool film_only, const Spot<PassSpace>& middle,
          const Spot<PassSpace>& right, const Spot<PassSpace>& down, Patch<across>& out) {
  static constexpr Offsets<across> from;
  sample_lattice({b.smooth, b.film}, film_only, {middle, right, down}, from.x.data(), from.y.data(),
                 across * across, out.value.data(), out.weight.data());
}

/// a's own cell.
void cut_out(const Overview& a, std::int64_t x0, std::int64_t y0, bool film_only, Square& out) {
  const image::Plane& sa = a.smooth;
  for (std::int64_t y = 0; y < side; ++y)
    for (std::int64_t x = 0; x < side; ++x) {
      const auto at = static_cast<std::size_t>(y * lanes + x);
      out.value[at] = sa.row(y0 + y)[x0 + x];
      const bool rim =
          x0 + x == 0 || y0 + y == 0 || x0 + x == sa.width - 1 || y0 + y == sa.height - 1;
      out.weight[at] = rim ? 0 : film_only ? a.film.row(y0 + y)[x0 + x] : 1;
    }
}

struct Stats {
  float mean = 0, deviation = 0, slope = 0, weight = 0;
};
/// Of side x side values; `slope`: sum of the squared differences of neighbours.
Stats stats(const float* value, const float* weight, std::int64_t stride) {
  float sum = 0, square = 0;
  Stats out;
  for (std::int64_t y = 0; y < side; ++y)
    for (std::int64_t x = 0; x < side; ++x) {
      const float *p = value + y * stride + x, *w = weight + y * stride + x;
      out.weight += *w, sum += *w * *p, square += *w * *p * *p;
      if (x > 0) out.slope += w[0] * w[-1] * (p[0] - p[-1]) * (p[0] - p[-1]);
      if (y > 0) out.slope += w[0] * w[-stride] * (p[0] - p[-stride]) * (p[0] - p[-stride]);
    }
  const float n = std::max(1.0F, out.weight);
  out.mean = sum / n, out.deviation = std::sqrt(std::max(0.0F, square / n - out.mean * out.mean));
  return out;
}

/// Correlation of a's cell with b's that starts at `value` and `weight`, where both count; -1: too
/// little.
double correlation(const Square& a, float mean, const float* value, const float* weight,
                   std::int64_t stride) {
  const auto [n, u, v, uu, vv, uv] =
      sums_of_cell(a.value.data(), a.weight.data(), mean, value, weight, stride);
  if (n < least_weight) return -1;
  const float va = uu - u * u / n, vb = vv - v * v / n;
  if (va < n * 1e-6F || vb < n * 1e-6F) return -1;
  return static_cast<double>((uv - u * v / n) / std::sqrt(va * vb));
}
template <std::int64_t across>
double correlation(const Square& a, float mean, const Patch<across>& patch, std::int64_t i,
                   std::int64_t j) {
  const std::int64_t at = j * across + i;
  return correlation(a, mean, patch.value.data() + at, patch.weight.data() + at, across);
}

double likelihood(double found, double all) {
  const double p = std::clamp(all > 0 ? found / all : 0.5, 0.02, 0.98);
  return found * std::log(p) + (all - found) * std::log(1 - p);
}

/// Some cells of a's grid.
Cells compare_some(const Overview& a, const Overview& b, const Warp& a_to_b, double tolerance_mm,
                   bool film_only, std::span<const std::pair<int, int>> cells) {
  Cells out;
  const image::Plane& sb = b.smooth;
  const double tolerance = tolerance_mm / a.mm_per_pixel;
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
  Patch<wide> patch;
  Square square;
  for (const auto& [row, column] : cells) {
    const std::int64_t x0 = column * side, y0 = row * side;
    Cell cell;
    cell.column = column, cell.row = row, cell.a = middle_of({row, column});
    cell.b = a_to_b(cell.a);
    if (cell.b.x < side / 2.0 || cell.b.y < side / 2.0 ||
        cell.b.x > static_cast<double>(sb.width) - side / 2.0 ||
        cell.b.y > static_cast<double>(sb.height) - side / 2.0)
      continue;
    cut_out(a, x0, y0, film_only, square);
    const Stats of_a = stats(square.value.data(), square.weight.data(), lanes);
    if (of_a.weight < least_weight) continue;
    const Spot<PassSpace> r = a_to_b({cell.a.x + side, cell.a.y}),
                          d = a_to_b({cell.a.x, cell.a.y + side});
    look(b, film_only, cell.b, {(r.x - cell.b.x) / side, (r.y - cell.b.y) / side},
         {(d.x - cell.b.x) / side, (d.y - cell.b.y) / side}, patch);
    constexpr std::size_t corner = reach * wide + reach;
    const Stats of_b = stats(patch.value.data() + corner, patch.weight.data() + corner, wide);
    if (of_b.weight < least_weight || std::max(of_a.deviation, of_b.deviation) < clear_structure)
      continue;
    std::array<double, (2 * reach + 1) * (2 * reach + 1)> k;
    k.fill(-2);
    const auto place = [](std::int64_t i, std::int64_t j) {
      return static_cast<std::size_t>((j + reach) * (2 * reach + 1) + i + reach);
    };
    double best = -2, near = -2;
    Shift at{0, 0, 0};
    for (const Shift& s : shifts) {
      // Soft film agrees everywhere a little: where the best place so far is at the rim of what
      // was looked at, what lies beyond it is looked at, too.
      if (s.off > std::max(tolerance, 1.0) && near >= 1 - as_good &&
          at.off + 1 <= std::max(tolerance, 1.0))
        break;
      const double found = k[place(s.i, s.j)] =
          correlation(square, of_a.mean, patch, s.i + reach, s.j + reach);
      if (found > best) best = found, at = s;
      if (s.off <= tolerance) near = std::max(near, found);
    }
    if (near >= same && near >= best - as_good)
      cell.seen = Seen::agrees;
    else if (best >= surely_displaced)
      cell.seen = Seen::displaced;
    cell.off_x = static_cast<double>(at.i), cell.off_y = static_cast<double>(at.j);
    const auto bend = [&](std::int64_t i, std::int64_t j, double& off, double& stiff) {
      const auto looked_at = [&](std::int64_t way) {
        return std::max(std::abs(at.i + way * i), std::abs(at.j + way * j)) <= reach;
      };
      const auto beside = [&](std::int64_t way) {
        return k[place(at.i + way * i, at.j + way * j)];
      };
      if (!looked_at(1) || !looked_at(-1)) {  // the peak is there or farther off
        const double inner = beside(looked_at(1) ? 1 : -1);
        if (inner >= -1 && best - inner > 5e-5) stiff = 2 * (best - inner);
        return;
      }
      const double l = beside(-1), h = beside(1);
      if (l < -1 || h < -1 || 2 * best - l - h <= 1e-4) return;
      stiff = 2 * best - l - h, off += std::clamp((h - l) / (2 * stiff), -0.5, 0.5);
    };
    bend(1, 0, cell.off_x, cell.stiff_x), bend(0, 1, cell.off_y, cell.stiff_y);
    cell.density_a = of_a.mean, cell.thinner = of_a.mean - of_b.mean;
    if (of_a.deviation > 0.01F && of_b.deviation > 0.01F && of_a.slope > 0)
      cell.sharper = (of_b.slope / (of_b.deviation * of_b.deviation)) /
                     (of_a.slope / (of_a.deviation * of_a.deviation));
    out.add(cell);
  }
  return out;
}

}  // namespace

Cells compare_cells(const Overview& a, const Overview& b, const Warp& a_to_b, double tolerance_mm,
                    bool film_only, const CellSet* only) {
  if (b.smooth.width < wide || b.smooth.height < wide) return {};
  const std::vector<std::pair<int, int>> cells =
      only ? std::vector<std::pair<int, int>>(only->begin(), only->end()) : every_cell(a);
  std::vector<Cells> parts((cells.size() + cells_at_once - 1) / cells_at_once);
  on_two_threads(parts.size(), [&](std::size_t i) {
    parts[i] = compare_some(a, b, a_to_b, tolerance_mm, film_only,
                            std::span(cells)
                                .subspan(i * cells_at_once)
                                .first(std::min(cells_at_once, cells.size() - i * cells_at_once)));
  });
  Cells out;
  for (const Cells& part : parts)
    for (const Cell& c : part.seen) out.add(c);
  return out;
}

Shifted shifted(const Overview& a, const Overview& b, const PassMap& a_to_b, const Cells& cells) {
  constexpr std::int64_t far = Shifted::reach, across = side + 2 * far, span = 2 * far + 1;
  const auto patch = std::make_unique<Patch<across>>();
  Square square;
  std::vector<double> sum(span * span, 0);
  std::vector<int> count(span * span, 0);
  const std::size_t step = 1 + cells.seen.size() / most_shifted;
  for (std::size_t c = 0; c < cells.seen.size(); c += step) {
    const Cell& cell = cells.seen[c];
    cut_out(a, cell.column * side, cell.row * side, false, square);
    const Stats of_a = stats(square.value.data(), square.weight.data(), lanes);
    if (of_a.weight < least_weight || of_a.deviation < clear_structure) continue;
    look<across>(b, false, cell.b, {a_to_b.a, a_to_b.b}, {a_to_b.c, a_to_b.d}, *patch);
    for (std::int64_t j = 0; j < span; ++j)
      for (std::int64_t i = 0; i < span; ++i)
        if (const double k = correlation(square, of_a.mean, *patch, i, j); k >= -1)
          sum[static_cast<std::size_t>(j * span + i)] += k,
              ++count[static_cast<std::size_t>(j * span + i)];
  }
  Shifted out;
  const auto at = [&](std::int64_t i, std::int64_t j) {
    const auto n = static_cast<std::size_t>((j + far) * span + i + far);
    return count[n] >= least_lost ? sum[n] / count[n] : -1;
  };
  for (std::int64_t j = -far; j <= far; ++j)
    for (std::int64_t i = -far; i <= far; ++i) {
      const double k = at(i, j), off = std::hypot(static_cast<double>(i), static_cast<double>(j));
      if (off <= 2) {
        out.here = std::max(out.here, k);
      } else if (k > out.best) {
        const auto u = static_cast<double>(i), v = static_cast<double>(j);
        out.best = k, out.x = a_to_b.a * u + a_to_b.c * v, out.y = a_to_b.b * u + a_to_b.d * v;
      }
    }
  return out;
}

CellSet set_of(const Cells& cells, bool agreeing) {
  CellSet out;
  for (const Cell& c : cells.seen)
    if ((c.seen == Seen::agrees) == agreeing) out.emplace(c.row, c.column);
  return out;
}

std::vector<std::pair<int, int>> every_cell(const Overview& a) {
  std::vector<std::pair<int, int>> out;
  for (int row = 0; (row + 1) * side <= a.smooth.height; ++row)
    for (int column = 0; (column + 1) * side <= a.smooth.width; ++column)
      out.emplace_back(row, column);
  return out;
}

Spot<PassSpace> middle_of(const std::pair<int, int>& cell) {
  return {(cell.second + 0.5) * side, (cell.first + 0.5) * side};
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

std::optional<double> jump_at(const Cells& cells, double mm_per_pixel) {
  std::vector<Cell> by_row;
  for (const Cell& c : cells.seen)
    if (c.seen != Seen::lost && std::min(c.stiff_x, c.stiff_y) > sharp_enough) by_row.push_back(c);
  std::sort(by_row.begin(), by_row.end(),
            [](const Cell& p, const Cell& q) { return p.b.y < q.b.y; });
  struct Middle {
    double at = 0, spread = 0;
  };
  const auto middle = [&](std::size_t from, std::size_t to, double Cell::*off) {
    std::vector<double> v;
    for (std::size_t i = from; i < to; ++i) v.push_back(by_row[i].*off);
    const auto m = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
    std::nth_element(v.begin(), m, v.end());
    Middle out{*m, 0};
    for (double& x : v) x = std::abs(x - out.at);
    std::nth_element(v.begin(), m, v.end());
    out.spread = *m;
    return out;
  };
  const double window = jump_over_mm / mm_per_pixel, least = least_jump_mm / mm_per_pixel;
  double most = 0;
  std::optional<double> row;
  for (std::size_t i = 1; i < by_row.size(); ++i) {
    if (by_row[i].b.y - by_row[i - 1].b.y < 1) continue;  // cells side by side
    std::size_t from = i, to = i;
    while (from > 0 && by_row[from - 1].b.y > by_row[i].b.y - window) --from;
    while (to < by_row.size() && by_row[to].b.y < by_row[i].b.y + window) ++to;
    if (i - from < least_jumping || to - i < least_jumping) continue;
    double jump = 0, spread = 0;
    for (double Cell::*off : {&Cell::off_x, &Cell::off_y}) {
      const Middle before = middle(from, i, off), after = middle(i, to, off);
      jump = std::hypot(jump, after.at - before.at);
      spread = std::max({spread, before.spread, after.spread});
    }
    if (jump > least && jump > clearly_jumps * spread && jump > most)
      most = jump, row = (by_row[i - 1].b.y + by_row[i].b.y) / 2;
  }
  return row;
}

}  // namespace lapwright::lap
