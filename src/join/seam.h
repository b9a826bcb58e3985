// Where one piece gives way to another: a least-cost path inside their common part.
//
// The path crosses the common part along one axis (x = at(y) or y = at(x)). It prefers clear light
// (gutters) over film, quiet places over detail, places where both pieces agree, and the plan's
// line; and every speck that only one piece shows is best left on the other's side.
// Units: sheet pixels. Thread: const after making (which takes two). Errors: those of the pictures.
#pragma once

#include <vector>

#include "join/piece_view.h"

namespace lapwright::join {

class Seam {
 public:
  /// `lap`: the plan's, or null. `open`: counts of open light a channel.
  static Result<Seam> find(const PieceView& a, const PieceView& b, const plan::Lap* lap,
                           const SheetGeometry& sheet, const std::array<double, 3>& open,
                           double feather_px);

  bool any() const { return !path_.at.empty(); }  // false: the two have no common part
  const SeamPath& path() const { return path_; }
  double at(double along) const;
  /// Share of `a` at a sheet position, 0 .. 1.
  float share_of_a(double x, double y) const;
  /// 1: all of the tile is a's side, 0: all is b's, -1: the seam runs through.
  int side(const Tile& tile) const;

 private:
  SeamPath path_;
  double feather_ = 8;
  bool a_before_ = true;
};

}  // namespace lapwright::join
