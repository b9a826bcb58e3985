// One piece seen from the sheet: which of its pixels a part of the sheet needs, and those brought into place.
//
// Invariants: places between grid nodes (every 16 px) are interpolated; a carriage curve of 10 um at 5 mm then errs by less
//   than 0.01 px at 2400 ppi. An exact piece (whole pixels, quarter turn, unit light) is copied, never computed.
// Units: sheet pixels, pass pixels. Thread: calls lock the picture; buffers belong to the caller. Errors: those of the picture.
#pragma once

#include <array>
#include <cstdint>
#include <mutex>
#include <vector>

#include "join/join.h"

namespace lapwright::join {

/// A part of the sheet.
struct Tile { std::int64_t x = 0, y = 0, width = 0, height = 0; };

/// Buffers of one thread, reused from tile to tile.
struct Workspace {
  std::vector<std::uint16_t> samples;
  std::vector<float> block, xs, ys;
  std::vector<Spot<PassSpace>> nodes;
};

enum class Shows { nothing, part, all };

class PieceView {
 public:
  PieceView(const Piece& piece, const SheetGeometry& sheet);
  PieceView(PieceView&&) = delete;

  Spot<PassSpace> place(double sheet_x, double sheet_y) const;
  Shows shows(const Tile& tile, double inset = 0) const;
  bool shows_at(double sheet_x, double sheet_y, double inset = 0) const;
  bool exact() const { return exact_; }
  bool unit_light() const { return unit_light_; }
  /// The light's factor for a pass row.
  std::array<double, 3> light(double pass_row) const;

  /// Copies the tile's pixels (exact pieces with unit light that show all of it); `stride` in samples.
  Result<> copy(const Tile& tile, std::uint16_t* out, std::int64_t stride, Workspace& work) const;
  /// The tile as four floats a pixel, light applied; beyond the pass its edge is repeated.
  Result<> bring(const Tile& tile, float* out, Workspace& work) const;
  /// columns x lines places spread evenly over the tile, nearest pixels, light applied, three floats each.
  Result<> glance(const Tile& tile, std::int64_t columns, std::int64_t lines, std::vector<float>& out, Workspace& work) const;

 private:
  struct Block { std::int64_t x = 0, y = 0, width = 0, height = 0; };
  Result<> read(const Block& block, std::uint16_t* out) const;
  Result<> load_block(const Block& block, Workspace& work) const;

  Piece piece_;
  Affine<SheetSpace, SleeveSpace> to_sleeve_;
  Affine<SheetSpace, PassSpace> to_pass_;  // without the curves
  bool exact_ = false, unit_light_ = true;
  mutable std::mutex reading_;
};

}  // namespace lapwright::join
