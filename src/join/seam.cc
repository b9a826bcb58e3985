#include "join/seam.h"

#include <algorithm>
#include <cmath>
#include <future>

namespace lapwright::join {
namespace {

using image::Plane;

constexpr double cell_mm = 0.1, unseen_mm = 3;
constexpr std::int64_t cells_wide = 2048,
                       cells_high = 16;  // px, cells: of a tile that is looked at
constexpr std::size_t largest_speck =
    1000;  // cells; larger is not dust but film that lies elsewhere

/// Common part of two pieces in cells; transmission of both, the mean of the channels.
struct Common {
  std::int64_t cell = 1, x = 0, y = 0;  // cell (0, 0) begins at sheet pixel (x, y)
  Plane inside, a, b;                   // inside: 1 where both show the whole cell
};

float density(float transmission) { return -std::log10(std::clamp(transmission, 1e-3F, 1.5F)); }

/// The part that both show, or one without cells.
Common common_part(const PieceView& a, const PieceView& b, std::int64_t cell, double inset) {
  Common common;
  common.cell = cell;
  const Tile fa = a.footprint(), fb = b.footprint();
  const std::int64_t x0 = std::max(fa.x, fb.x), y0 = std::max(fa.y, fb.y);
  const std::int64_t columns = (std::min(fa.x + fa.width, fb.x + fb.width) - x0) / cell;
  const std::int64_t lines = (std::min(fa.y + fa.height, fb.y + fb.height) - y0) / cell;
  if (columns <= 0 || lines <= 0) return common;
  Plane both(columns, lines, 0);
  std::int64_t l = columns, t = lines, r = -1, bottom = -1;
  constexpr std::int64_t block = 16;  // cells that are mostly decided at once
  for (std::int64_t j0 = 0; j0 < lines; j0 += block)
    for (std::int64_t i0 = 0; i0 < columns; i0 += block) {
      const std::int64_t i1 = std::min(i0 + block, columns), j1 = std::min(j0 + block, lines);
      const Tile tile{x0 + i0 * cell, y0 + j0 * cell, (i1 - i0) * cell, (j1 - j0) * cell};
      const Shows in_a = a.shows(tile, inset), in_b = b.shows(tile, inset);
      if (in_a == Shows::nothing || in_b == Shows::nothing) continue;
      const bool all = in_a == Shows::all && in_b == Shows::all;
      for (std::int64_t j = j0; j < j1; ++j)
        for (std::int64_t i = i0; i < i1; ++i) {
          const Tile one{x0 + i * cell, y0 + j * cell, cell, cell};
          if (!all && (a.shows(one, inset) != Shows::all || b.shows(one, inset) != Shows::all))
            continue;
          both.row(j)[i] = 1;
          l = std::min(l, i), r = std::max(r, i), t = std::min(t, j), bottom = std::max(bottom, j);
        }
    }
  if (r < 0) return common;
  common.x = x0 + l * cell, common.y = y0 + t * cell;
  common.inside = Plane(r - l + 1, bottom - t + 1);
  for (std::int64_t j = t; j <= bottom; ++j)
    std::copy(both.row(j) + l, both.row(j) + r + 1, common.inside.row(j - t));
  return common;
}

/// What lies nearer to a pass's edge than the lap's check can see is left to the other pass: of a
/// line of cells across the seam a quarter at most is given up at each end.
void keep_from_edges(Common& common, bool x_axis, double most) {
  Plane& in = common.inside;
  const std::int64_t across = x_axis ? in.width : in.height, along = x_axis ? in.height : in.width;
  for (std::int64_t k = 0; k < along; ++k) {
    const auto cell = [&](std::int64_t s) -> float& {
      return x_axis ? in.row(k)[s] : in.row(s)[k];
    };
    std::int64_t first = 0, last = across - 1;
    while (first < last && cell(first) <= 0) ++first;
    while (last > first && cell(last) <= 0) --last;
    const auto by = std::min<std::int64_t>(std::llround(most), (last - first) / 4);
    for (std::int64_t i = 0; i < by; ++i) cell(first + i) = cell(last - i) = 0;
  }
}

Result<> sample(const PieceView& piece, const std::array<double, 3>& open, const Common& common,
                Plane& into) {
  Workspace work;
  const std::int64_t wide = std::max<std::int64_t>(1, cells_wide / common.cell);
  into = Plane(common.inside.width, common.inside.height);
  std::vector<float> means;
  for (std::int64_t j0 = 0; j0 < into.height; j0 += cells_high)
    for (std::int64_t i0 = 0; i0 < into.width; i0 += wide) {
      const std::int64_t i1 = std::min(i0 + wide, into.width),
                         j1 = std::min(j0 + cells_high, into.height);
      bool any = false;
      for (std::int64_t j = j0; j < j1; ++j)
        any = any || std::any_of(common.inside.row(j) + i0, common.inside.row(j) + i1,
                                 [](float v) { return v > 0; });
      if (!any) continue;
      const Tile tile{common.x + i0 * common.cell, common.y + j0 * common.cell,
                      (i1 - i0) * common.cell, (j1 - j0) * common.cell};
      if (auto r = piece.means(tile, common.cell, means, work); !r) return r;
      for (std::int64_t j = j0; j < j1; ++j)
        for (std::int64_t i = i0; i < i1; ++i) {
          const float* counts = means.data() + ((j - j0) * (i1 - i0) + i - i0) * 3;
          double sum = 0;
          for (std::size_t c = 0; c < 3; ++c) sum += static_cast<double>(counts[c]) / open[c];
          into.row(j)[i] = static_cast<float>(sum / 3);
        }
    }
  return {};
}

/// What a path pays in each cell, and what each side pays for the specks it keeps.
struct Costs {
  Plane path, speck_in_a, speck_in_b;
};

float middle_of(std::vector<float> v) {
  if (v.empty()) return 0;
  const auto at = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), at, v.end());
  return *at;
}

/// The cells around (i, j) within `reach`.
template <class Each>
void around(const Plane& p, std::int64_t i, std::int64_t j, std::int64_t reach, const Each& each) {
  for (std::int64_t y = std::max<std::int64_t>(0, j - reach);
       y <= std::min(p.height - 1, j + reach); ++y)
    for (std::int64_t x = std::max<std::int64_t>(0, i - reach);
         x <= std::min(p.width - 1, i + reach); ++x)
      each(x, y);
}

/// Cells where the pieces disagree, in patches; small ones are specks, in the piece that is darker
/// there.
void find_specks(const Common& common, const Plane& apart, Costs& costs) {
  Plane seen(apart.width, apart.height, 0);
  std::vector<std::pair<std::int64_t, std::int64_t>> patch;
  for (std::int64_t j = 0; j < apart.height; ++j)
    for (std::int64_t i = 0; i < apart.width; ++i) {
      if (apart.row(j)[i] <= 0 || seen.row(j)[i] > 0) continue;
      patch.assign(1, {i, j});
      seen.row(j)[i] = 1;
      double darker = 0;
      for (std::size_t k = 0; k < patch.size(); ++k) {
        const auto [x, y] = patch[k];
        darker += static_cast<double>(common.b.row(y)[x] - common.a.row(y)[x]);
        around(apart, x, y, 1, [&](std::int64_t nx, std::int64_t ny) {
          if (apart.row(ny)[nx] <= 0 || seen.row(ny)[nx] > 0) return;
          seen.row(ny)[nx] = 1;
          patch.emplace_back(nx, ny);
        });
      }
      if (patch.size() > largest_speck) continue;
      // Worth a way round on film, not worth leaving a gutter for when it lies far from it.
      const auto cells = static_cast<float>(patch.size());
      Plane& in = darker > 0 ? costs.speck_in_a : costs.speck_in_b;
      for (const auto& [x, y] : patch) in.row(y)[x] = 5 / cells + 0.05F;
    }
}

Costs costs_of(const Common& common, plan::Axis axis, double wanted_cell, std::int64_t reach) {
  const std::int64_t w = common.inside.width, h = common.inside.height;
  Plane range(w, h, 0), apart(w, h, 0);
  const auto light_at = [&](std::int64_t i, std::int64_t j) {
    return std::max({common.a.row(j)[i], common.b.row(j)[i], 1e-3F});
  };
  std::vector<float> differences;
  for (std::int64_t j = 0; j < h; ++j)
    for (std::int64_t i = 0; i < w; ++i) {
      if (common.inside.row(j)[i] <= 0) continue;
      const auto range_of = [&](const Plane& p) {
        float least = p.row(j)[i], most = least;
        around(p, i, j, 1, [&](std::int64_t x, std::int64_t y) {
          if (common.inside.row(y)[x] <= 0) return;
          least = std::min(least, p.row(y)[x]), most = std::max(most, p.row(y)[x]);
        });
        return most - least;
      };
      // What both show: a speck is no detail.
      range.row(j)[i] = std::min(range_of(common.a), range_of(common.b));
      apart.row(j)[i] = std::abs(common.a.row(j)[i] - common.b.row(j)[i]);
      differences.push_back(apart.row(j)[i] / std::sqrt(light_at(i, j)));  // as noise goes
    }
  // Six standard deviations, what is left of the light, and cells that are of nearest pixels.
  const float usual = 9 * middle_of(std::move(differences));
  const float off_place = 1.0F / static_cast<float>(common.cell);
  for (std::int64_t j = 0; j < h; ++j)
    for (std::int64_t i = 0; i < w; ++i) {
      const float light = light_at(i, j);
      const float allowed =
          std::max(0.012F * light, usual * std::sqrt(light)) + off_place * range.row(j)[i];
      apart.row(j)[i] = std::max(0.0F, apart.row(j)[i] - allowed) / light;
    }

  Costs costs{Plane(w, h, 0), Plane(w, h, 0), Plane(w, h, 0)};
  find_specks(common, apart, costs);
  for (std::int64_t j = 0; j < h; ++j)
    for (std::int64_t i = 0; i < w; ++i) {
      if (common.inside.row(j)[i] <= 0) continue;
      const float light = light_at(i, j), film = std::max(0.0F, density(light));
      const auto off_line = static_cast<float>(
          std::abs(static_cast<double>(axis == plan::Axis::x ? i : j) - wanted_cell) * cell_mm);
      costs.path.row(j)[i] +=
          0.01F + 0.6F * film / (film + 0.3F) + 0.5F * range.row(j)[i] / light + 0.005F * off_line;
      if (apart.row(j)[i] > 0)
        around(apart, i, j, reach, [&](std::int64_t x, std::int64_t y) {
          costs.path.row(y)[x] += 2 * apart.row(j)[i] / static_cast<float>(reach);
        });
    }
  return costs;
}

/// The column of the least-cost path in each row, for costs laid so that the path runs downwards.
template <class Inside, class Path, class Before, class After>
std::vector<std::int64_t> least_path(std::int64_t across, std::int64_t along, const Inside& inside,
                                     const Path& path, const Before& before, const After& after) {
  constexpr double blocked = 1e6, longer_way = 0.03;
  std::vector<double> last(static_cast<std::size_t>(across)), now = last;
  std::vector<std::int8_t> from(static_cast<std::size_t>(across * along));
  for (std::int64_t k = 0; k < along; ++k) {
    double kept = 0;  // specks that stay in the sheet, when the path is at s
    for (std::int64_t s = 0; s < across; ++s) kept += after(s, k);
    for (std::int64_t s = 0; s < across; ++s) {
      const auto at = static_cast<std::size_t>(s);
      kept += before(s, k);
      const double here = inside(s, k) ? path(s, k) : blocked;
      double best = k == 0 ? 0 : last[at];
      std::int8_t step = 0;
      for (const int d : {-1, 1}) {
        if (k == 0 || s + d < 0 || s + d >= across) continue;
        const double v = last[static_cast<std::size_t>(s + d)] + longer_way;
        if (v < best) best = v, step = static_cast<std::int8_t>(d);
      }
      now[at] = best + here + kept;
      from[static_cast<std::size_t>(k * across + s)] = step;
      kept -= after(s, k);
    }
    std::swap(last, now);
  }
  std::vector<std::int64_t> at(static_cast<std::size_t>(along));
  std::int64_t s = std::min_element(last.begin(), last.end()) - last.begin();
  for (std::int64_t k = along - 1; k >= 0; --k) {
    at[static_cast<std::size_t>(k)] = s;
    s += from[static_cast<std::size_t>(k * across + s)];
  }
  return at;
}

}  // namespace

Result<Seam> Seam::find(const PieceView& a, const PieceView& b, const plan::Lap* lap,
                        const SheetGeometry& sheet, const std::array<double, 3>& open,
                        double feather_px) {
  Seam seam;
  seam.feather_ = std::max(feather_px, 1e-3);
  const std::int64_t cell =
      std::max<std::int64_t>(2, std::llround(cell_mm * sheet.ppi.pixels_per_mm()));
  // Far enough inside that the feather never meets a pass's edge, where the two overlap enough for
  // that.
  Common common = common_part(a, b, cell, feather_px + 8);
  if (common.inside.values.empty()) common = common_part(a, b, cell, 0);
  if (common.inside.values.empty()) return seam;
  seam.path_.axis = lap != nullptr ? lap->seam.axis
                                   : (common.inside.width <= common.inside.height ? plan::Axis::x
                                                                                  : plan::Axis::y);
  const bool x_axis = seam.path_.axis == plan::Axis::x;
  keep_from_edges(common, x_axis,
                  unseen_mm * sheet.ppi.pixels_per_mm() / static_cast<double>(common.cell));
  const Tile fa = a.footprint(), fb = b.footprint();
  seam.a_before_ = x_axis ? 2 * fa.x + fa.width <= 2 * fb.x + fb.width
                          : 2 * fa.y + fa.height <= 2 * fb.y + fb.height;

  auto sampling = std::async(std::launch::async | std::launch::deferred,
                             [&] { return sample(b, open, common, common.b); });
  const Result<> sampled = sample(a, open, common, common.a);
  if (auto s = sampling.get(); !s) return fail(s.error());
  if (!sampled) return fail(sampled.error());

  const std::int64_t across = x_axis ? common.inside.width : common.inside.height,
                     along = x_axis ? common.inside.height : common.inside.width;
  double wanted = static_cast<double>(across) / 2;
  if (lap != nullptr) {
    const double px = (lap->seam.at.mm() - (x_axis ? sheet.origin.x : sheet.origin.y)) *
                      sheet.ppi.pixels_per_mm();
    wanted =
        (px - static_cast<double>(x_axis ? common.x : common.y)) / static_cast<double>(cell) - 0.5;
  }
  // A speck is kept out of the feather too.
  const auto reach =
      1 + static_cast<std::int64_t>(std::ceil(feather_px / 2 / static_cast<double>(cell)));
  const Costs costs = costs_of(common, seam.path_.axis, wanted, reach);
  const auto in = [&](const Plane& p) {
    return
        [&p, x_axis](std::int64_t s, std::int64_t k) { return x_axis ? p.row(k)[s] : p.row(s)[k]; };
  };
  const auto is_inside = in(common.inside);
  const auto path = least_path(
      across, along, [&](std::int64_t s, std::int64_t k) { return is_inside(s, k) > 0; },
      in(costs.path), in(seam.a_before_ ? costs.speck_in_a : costs.speck_in_b),
      in(seam.a_before_ ? costs.speck_in_b : costs.speck_in_a));
  for (const std::int64_t s : path)
    seam.path_.at.push_back(static_cast<double>(x_axis ? common.x : common.y) +
                            (static_cast<double>(s) + 0.5) * static_cast<double>(cell));
  seam.path_.step = static_cast<double>(cell);
  seam.path_.first = static_cast<double>(x_axis ? common.y : common.x) + seam.path_.step / 2;
  return seam;
}

double Seam::at(double along) const {
  const double k =
      std::clamp((along - path_.first) / path_.step, 0.0, static_cast<double>(path_.at.size() - 1));
  const auto i = static_cast<std::size_t>(k);
  if (i + 1 >= path_.at.size()) return path_.at.back();
  return path_.at[i] + (k - static_cast<double>(i)) * (path_.at[i + 1] - path_.at[i]);
}

float Seam::share_of_a(double x, double y) const {
  const double d = path_.axis == plan::Axis::x ? x - at(y) : y - at(x);
  const double u = std::clamp(0.5 + d / feather_, 0.0, 1.0);
  const double after = u * u * (3 - 2 * u);
  return static_cast<float>(a_before_ ? 1 - after : after);
}

int Seam::side(const Tile& tile) const {
  const bool x_axis = path_.axis == plan::Axis::x;
  const auto along0 = static_cast<double>(x_axis ? tile.y : tile.x),
             along1 = along0 + static_cast<double>(x_axis ? tile.height : tile.width);
  const auto across0 = static_cast<double>(x_axis ? tile.x : tile.y),
             across1 = across0 + static_cast<double>(x_axis ? tile.width : tile.height);
  double least = std::min(at(along0), at(along1)), most = std::max(at(along0), at(along1));
  for (double v = along0; v < along1; v += path_.step / 2)
    least = std::min(least, at(v)), most = std::max(most, at(v));
  least -= path_.step / 2 + feather_ / 2, most += path_.step / 2 + feather_ / 2;
  if (across1 <= least) return a_before_ ? 1 : 0;
  if (across0 >= most) return a_before_ ? 0 : 1;
  return -1;
}

}  // namespace lapwright::join
