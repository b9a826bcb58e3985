// Where the pixels of a tile lie in a pass: placed exactly at nodes, in between by straight lines.
//
// A tile is seen along the pass's own axes: u runs along the pass's rows and v across them, so that
// resampling can go along rows first and then across. The nodes stand as close as the placement's
// curves bend: both coordinates err by less than `most_error_px` (tests/join/map_grid_test.cc).
// Units: tile pixels, pass pixels counted from the centre of the pass's first pixel. Thread: const
// after making. Errors: none.
#pragma once

#include <algorithm>
#include <cstdint>
#include <vector>

#include "core/geometry.h"
#include "lap/lap.h"

namespace lapwright::join {

constexpr double most_error_px = 0.005;

/// How a placement bends: bounds of its curves' size and second derivative, in pass pixels.
struct Bend {
  double own = 0, followed = 0;  // second derivative, by own rows and by those followed
  double reach = 0;              // most that the curves move a pixel
  explicit Bend(const lap::Placement& placement);
};

/// Pixels from node to node so that straight lines between them err little; a power of two up to
/// 64. `rows`, `followed_rows`: rows a tile pixel in that direction.
std::int64_t node_spacing(const Bend& bend, double rows, double followed_rows);

class MapGrid {
 public:
  /// `place(u, v)`: the pass position of the tile's pixel (u, v).
  template <class Place>
  void make(std::int64_t width, std::int64_t height, std::int64_t step_u, std::int64_t step_v,
            const Place& place) {
    step_u_ = step_u, step_v_ = step_v;
    before_ = (margin + step_v - 1) / step_v;
    columns_ = (width - 1) / step_u + 2, lines_ = (height - 1) / step_v + 2 + 2 * before_;
    nodes_.resize(static_cast<std::size_t>(columns_ * lines_));
    for (std::int64_t i = 0; i < columns_; ++i)
      for (std::int64_t j = 0; j < lines_; ++j)
        nodes_[static_cast<std::size_t>(i * lines_ + j)] =
            place(static_cast<double>(i * step_u), static_cast<double>((j - before_) * step_v));
  }

  struct Bounds {
    double left = 1e300, top = 1e300, right = -1e300, bottom = -1e300;
    void add(Spot<PassSpace> p) {
      left = std::min(left, p.x), right = std::max(right, p.x);
      top = std::min(top, p.y), bottom = std::max(bottom, p.y);
    }
  };
  /// Of the nodes around a part of the tile.
  Bounds bounds(std::int64_t u, std::int64_t v, std::int64_t width, std::int64_t height) const;
  /// Of all nodes, those of the margin too.
  Bounds bounds() const;

  /// The pass's y of pixels (u, v), (u, v + 1), ... less `origin`.
  void ys(std::int64_t u, std::int64_t v, std::int64_t n, double origin, float* out) const;
  /// The pass's x of the places (u, .), (u + 1, .), ... that lie in pass row `row`, less `origin`.
  /// They are looked for around the lines [v, v + height).
  void xs(double row, std::int64_t u, std::int64_t v, std::int64_t n, std::int64_t height,
          double origin, float* out) const;

 private:
  double x_in_row(std::int64_t column, double row, std::int64_t first, std::int64_t last) const;
  const Spot<PassSpace>* column(std::int64_t i) const { return nodes_.data() + i * lines_; }

  /// Lines known above and below the tile, for the rows that the kernel needs beyond it.
  static constexpr std::int64_t margin = 8;

  std::int64_t step_u_ = 1, step_v_ = 1, columns_ = 0, lines_ = 0, before_ = 0;
  std::vector<Spot<PassSpace>> nodes_;  // column by column
};

}  // namespace lapwright::join
