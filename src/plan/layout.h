// How passes tile an area of the sleeve: rows of passes (or columns), each pass with its own turn.
//
// Invariants: every layout given back covers the area with laps of at least Needs::lap, each cell inside its turn's reach; none
//   tiled in rows or columns has fewer passes.
// Units: micrometres. Thread: values. Errors: none; an area that cannot be covered gives no layouts.
#pragma once

#include <vector>

#include "plan/chain.h"

namespace lapwright::plan {

struct Box {
  Span x, y;
};

struct Layout {
  struct Cell {
    int reach = 0;  // index into the reaches
    Box shown;      // what the pass shows, laps included
    Box own;        // what the sheet takes from it: bounded by the seams
  };
  struct Seam {
    int a = 0, b = 0;  // indices into cells
    Axis axis = Axis::x;
    Um at = 0;
    Through through = Through::frame;
  };
  std::vector<Cell> cells;
  std::vector<Seam> seams;
  int through_frames() const;
};

/// All layouts that tie for fewest passes and then for fewest seams through frames, each with as much picture (up to
/// needs.enough) in its laps and then its laps as wide as they go; laid with different sets of turns, or split along different axes.
std::vector<Layout> layouts(const Box& area, const std::vector<Reach>& reaches, const profile::SleeveProfile& sleeve,
                            Needs needs);
/// How few passes do, whatever their seams; nullopt when the area cannot be covered.
std::optional<int> fewest_passes(const Box& area, const std::vector<Reach>& reaches, Needs needs);

}  // namespace lapwright::plan
