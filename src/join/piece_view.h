// One piece seen from the sheet: which of its pixels a part of the sheet needs, and those brought
// into place.
//
// Invariants: an exact piece (whole pixels, quarter turn) of unit light is copied, never computed;
//   any other is resampled along its own rows and then across them, which for turns of any size is
//   the two-dimensional kernel at the very same place.
// Units: sheet pixels, pass pixels. Thread: calls lock the picture; buffers belong to the caller.
// Errors: those of the picture.
#pragma once

#include <array>
#include <cstdint>
#include <mutex>
#include <vector>

#include "join/join.h"
#include "join/map_grid.h"

namespace lapwright::join {

/// A part of the sheet.
struct Tile {
  std::int64_t x = 0, y = 0, width = 0, height = 0;
};

/// Buffers of one thread, reused from tile to tile.
struct Workspace {
  MapGrid grid;
  std::vector<std::uint16_t> samples, turned;
  std::vector<float> line, columns, places;
};

enum class Shows { nothing, part, all };

class PieceView {
 public:
  PieceView(const Piece& piece, const SheetGeometry& sheet);
  PieceView(PieceView&&) = delete;

  Spot<PassSpace> place(double sheet_x, double sheet_y) const;
  Shows shows(const Tile& tile, double inset = 0) const;
  bool shows_at(double sheet_x, double sheet_y) const;
  /// What of the sheet the piece could show.
  Tile footprint() const;
  /// Pixels keep their values: nothing is computed.
  bool untouched() const { return exact_ && unit_light_; }
  bool exact() const { return exact_; }
  int number() const { return piece_.number; }
  /// The pass's rows are the sheet's rows, read in either direction.
  bool by_rows() const { return !swapped_; }
  /// The light's factor for a pass row.
  std::array<double, 3> light(double pass_row) const;

  /// The tile's pixels, light applied; beyond the pass its edge is repeated. `stride`: samples from
  /// row to row.
  Result<> bring(const Tile& tile, std::uint16_t* out, std::int64_t stride, Workspace& work) const;
  /// Means over cells of `cell` pixels each way that the tile holds, row by row:
  /// nearest pixels, light applied, three floats each.
  Result<> means(const Tile& tile, std::int64_t cell, std::vector<float>& out,
                 Workspace& work) const;

 private:
  struct Block {
    std::int64_t x = 0, y = 0, width = 0, height = 0;
  };
  Result<> read(const Block& block, std::uint16_t* out) const;
  Result<> copy(const Tile& tile, std::uint16_t* out, std::int64_t stride, Workspace& work) const;
  Result<> copy_turned(const Tile& tile, std::uint16_t* out, std::int64_t stride,
                       Workspace& work) const;
  Result<> resample(const Tile& tile, std::uint16_t* out, std::int64_t stride,
                    Workspace& work) const;
  void resample_part(const Block& block, const Block& part, std::uint16_t* out, std::int64_t stride,
                     Workspace& work) const;

  Piece piece_;
  SheetGeometry sheet_;
  Affine<SheetSpace, SleeveSpace> to_sleeve_;
  Affine<SheetSpace, PassSpace> to_pass_;  // without the curves
  Bend bend_;
  std::int64_t step_u_ = 1, step_v_ = 1;  // from node to node
  bool exact_ = false, unit_light_ = true, swapped_ = false;
  mutable std::mutex reading_;
};

}  // namespace lapwright::join
