#include "join/seam.h"

#include <algorithm>
#include <cmath>

namespace lapwright::join {
namespace {

constexpr double cell_mm = 0.2;
constexpr std::int64_t samples_each_way = 3;

/// Common part of two pieces in cells; density of both where both show it.
struct Common {
  std::int64_t cell = 1, x = 0, y = 0;  // cell (0, 0) begins at sheet pixel (x, y)
  image::Plane inside, a, b;            // inside: 1 where both show the whole cell
};

double density(const std::array<double, 3>& counts, const std::array<double, 3>& open) {
  double sum = 0;
  for (std::size_t c = 0; c < 3; ++c) sum -= std::log10(std::clamp(counts[c] / open[c], 1e-3, 1.5));
  return sum / 3;
}

Result<> sample(const PieceView& piece, const std::array<double, 3>& open, const Common& common, image::Plane& into, Workspace& work) {
  const std::int64_t per_tile = std::max<std::int64_t>(1, 256 / common.cell);
  std::vector<float> pixels;
  for (std::int64_t j0 = 0; j0 < into.height; j0 += per_tile) {
    for (std::int64_t i0 = 0; i0 < into.width; i0 += per_tile) {
      const std::int64_t i1 = std::min(i0 + per_tile, into.width), j1 = std::min(j0 + per_tile, into.height);
      bool any = false;
      for (std::int64_t j = j0; j < j1; ++j)
        for (std::int64_t i = i0; i < i1; ++i) any = any || common.inside.row(j)[i] > 0;
      if (!any) continue;
      const Tile tile{common.x + i0 * common.cell, common.y + j0 * common.cell, (i1 - i0) * common.cell, (j1 - j0) * common.cell};
      if (auto r = piece.glance(tile, samples_each_way * (i1 - i0), samples_each_way * (j1 - j0), pixels, work); !r) return r;
      for (std::int64_t j = j0; j < j1; ++j)
        for (std::int64_t i = i0; i < i1; ++i) {
          std::array<double, 3> sum{};
          for (std::int64_t k = 0; k < samples_each_way * samples_each_way; ++k) {
            const std::int64_t px = (i - i0) * samples_each_way + k % samples_each_way, py = (j - j0) * samples_each_way + k / samples_each_way;
            const float* p = pixels.data() + (py * samples_each_way * (i1 - i0) + px) * 3;
            for (std::size_t c = 0; c < 3; ++c) sum[c] += static_cast<double>(p[c]) / (samples_each_way * samples_each_way);
          }
          into.row(j)[i] = static_cast<float>(density(sum, open));
        }
    }
  }
  return {};
}

image::Plane costs(const Common& common, plan::Axis axis, double wanted_cell) {
  image::Plane out(common.inside.width, common.inside.height, 0);
  const auto& d = common.a;
  for (std::int64_t j = 0; j < out.height; ++j)
    for (std::int64_t i = 0; i < out.width; ++i) {
      if (common.inside.row(j)[i] <= 0) continue;
      const auto near = [&](std::int64_t x, std::int64_t y) {
        x = std::clamp<std::int64_t>(x, 0, out.width - 1), y = std::clamp<std::int64_t>(y, 0, out.height - 1);
        return common.inside.row(y)[x] > 0 ? d.row(y)[x] : d.row(j)[i];
      };
      const float detail = std::abs(near(i + 1, j) - near(i - 1, j)) + std::abs(near(i, j + 1) - near(i, j - 1));
      const float disagree = std::abs(common.a.row(j)[i] - common.b.row(j)[i]);
      const auto off = static_cast<float>(std::abs(static_cast<double>(axis == plan::Axis::x ? i : j) - wanted_cell) * cell_mm);
      out.row(j)[i] = 0.02F + 0.5F * std::max(d.row(j)[i], 0.0F) + detail + 4 * disagree + 0.01F * off;
    }
  return out;
}

}  // namespace

Result<Seam> Seam::find(const PieceView& a, const PieceView& b, const plan::Lap* lap, const SheetGeometry& sheet,
                        const std::array<double, 3>& open, double feather_px) {
  Seam seam;
  seam.feather_ = std::max(feather_px, 1e-3);
  Common common;
  common.cell = std::max<std::int64_t>(2, std::llround(cell_mm * sheet.ppi.pixels_per_mm()));
  const std::int64_t columns = std::max<std::int64_t>(1, sheet.width / common.cell), lines = std::max<std::int64_t>(1, sheet.height / common.cell);
  // The bounding box of what both show, then its cells.
  std::int64_t l = columns, t = lines, r = -1, bottom = -1;
  double a_x = 0, a_y = 0, b_x = 0, b_y = 0, a_n = 0, b_n = 0;
  image::Plane both(columns, lines, 0);
  // Far enough inside that the feather never meets a pass's edge, where the two overlap enough for that.
  for (double inset = feather_px + 8; inset > -1; inset -= feather_px + 8) {
    a_x = a_y = b_x = b_y = a_n = b_n = 0;
    for (std::int64_t j = 0; j < lines; ++j)
      for (std::int64_t i = 0; i < columns; ++i) {
        const Tile cell{i * common.cell, j * common.cell, common.cell, common.cell};
        const bool in_a = a.shows(cell, inset) == Shows::all, in_b = b.shows(cell, inset) == Shows::all;
        if (in_a) a_x += static_cast<double>(i), a_y += static_cast<double>(j), ++a_n;
        if (in_b) b_x += static_cast<double>(i), b_y += static_cast<double>(j), ++b_n;
        both.row(j)[i] = in_a && in_b ? 1 : 0;
        if (in_a && in_b) l = std::min(l, i), r = std::max(r, i), t = std::min(t, j), bottom = std::max(bottom, j);
      }
    if (r >= 0) break;
  }
  if (r < 0) return seam;
  common.x = l * common.cell;
  common.y = t * common.cell;
  common.inside = image::Plane(r - l + 1, bottom - t + 1);
  for (std::int64_t j = t; j <= bottom; ++j) std::copy(both.row(j) + l, both.row(j) + r + 1, common.inside.row(j - t));
  seam.axis_ = lap != nullptr ? lap->seam.axis : (common.inside.width <= common.inside.height ? plan::Axis::x : plan::Axis::y);
  const bool x_axis = seam.axis_ == plan::Axis::x;
  seam.a_before_ = x_axis ? a_x / a_n <= b_x / b_n : a_y / a_n <= b_y / b_n;

  Workspace work;
  common.a = common.b = image::Plane(common.inside.width, common.inside.height);
  if (auto s = sample(a, open, common, common.a, work); !s) return fail(s.error());
  if (auto s = sample(b, open, common, common.b, work); !s) return fail(s.error());

  const std::int64_t across = x_axis ? common.inside.width : common.inside.height, along = x_axis ? common.inside.height : common.inside.width;
  double wanted = static_cast<double>(across) / 2;
  if (lap != nullptr) {
    const double px = (lap->seam.at.mm() - (x_axis ? sheet.origin.x : sheet.origin.y)) * sheet.ppi.pixels_per_mm();
    wanted = (px - static_cast<double>(x_axis ? common.x : common.y)) / static_cast<double>(common.cell) - 0.5;
  }
  const image::Plane cost = costs(common, seam.axis_, wanted);
  constexpr float blocked = 1e6F;
  const auto cost_at = [&](std::int64_t s, std::int64_t k) {
    const std::int64_t i = x_axis ? s : k, j = x_axis ? k : s;
    return common.inside.row(j)[i] > 0 ? cost.row(j)[i] : blocked;
  };
  image::Plane total(across, along);
  std::vector<std::int8_t> from(static_cast<std::size_t>(across * along));
  for (std::int64_t k = 0; k < along; ++k)
    for (std::int64_t s = 0; s < across; ++s) {
      float best = k == 0 ? 0 : total.row(k - 1)[s];
      std::int8_t step = 0;
      for (const std::int64_t d : {-1, 1}) {
        if (k == 0 || s + d < 0 || s + d >= across) continue;
        const float v = total.row(k - 1)[s + d] + 0.4F * std::min(cost_at(s, k), 1.0F);  // the longer way costs more
        if (v < best) best = v, step = static_cast<std::int8_t>(d);
      }
      total.row(k)[s] = best + cost_at(s, k);
      from[static_cast<std::size_t>(k * across + s)] = step;
    }
  std::int64_t s = std::min_element(total.row(along - 1), total.row(along - 1) + across) - total.row(along - 1);
  seam.at_.resize(static_cast<std::size_t>(along));
  for (std::int64_t k = along - 1; k >= 0; --k) {
    seam.at_[static_cast<std::size_t>(k)] =
        static_cast<double>(x_axis ? common.x : common.y) + (static_cast<double>(s) + 0.5) * static_cast<double>(common.cell);
    s += from[static_cast<std::size_t>(k * across + s)];
  }
  seam.step_ = static_cast<double>(common.cell);
  seam.first_ = static_cast<double>(x_axis ? common.y : common.x) + seam.step_ / 2;
  return seam;
}

double Seam::at(double along) const {
  const double k = std::clamp((along - first_) / step_, 0.0, static_cast<double>(at_.size() - 1));
  const auto i = static_cast<std::size_t>(k);
  if (i + 1 >= at_.size()) return at_.back();
  return at_[i] + (k - static_cast<double>(i)) * (at_[i + 1] - at_[i]);
}

float Seam::share_of_a(double x, double y) const {
  const double d = axis_ == plan::Axis::x ? x - at(y) : y - at(x);
  const double u = std::clamp(0.5 + d / feather_, 0.0, 1.0);
  const double after = u * u * (3 - 2 * u);
  return static_cast<float>(a_before_ ? 1 - after : after);
}

int Seam::side(const Tile& tile) const {
  const bool x_axis = axis_ == plan::Axis::x;
  const auto along0 = static_cast<double>(x_axis ? tile.y : tile.x), along1 = along0 + static_cast<double>(x_axis ? tile.height : tile.width);
  const auto across0 = static_cast<double>(x_axis ? tile.x : tile.y), across1 = across0 + static_cast<double>(x_axis ? tile.width : tile.height);
  double least = std::min(at(along0), at(along1)), most = std::max(at(along0), at(along1));
  for (double v = along0; v < along1; v += step_ / 2) least = std::min(least, at(v)), most = std::max(most, at(v));
  least -= step_ / 2 + feather_ / 2, most += step_ / 2 + feather_ / 2;
  if (across1 <= least) return a_before_ ? 1 : 0;
  if (across0 >= most) return a_before_ ? 0 : 1;
  return -1;
}

}  // namespace lapwright::join
