// Whether two passes show the same under a map, in cells of two millimetres: pictures, lettering
// and edges of film alike.
//
// Blocks (agreement.h) find a place; cells prove it, since a false place, a strip that slid or a
// sleeve that moved leaves cells that are not found where the map says. Invariants: only cells with
// clear structure count, each once. Units: overview pixels; tolerances in millimetres. Thread:
// pure. Errors: none.
#pragma once

#include <functional>
#include <optional>
#include <set>
#include <vector>

#include "lap/coarse.h"
#include "lap/overview.h"

namespace lapwright::lap {

enum class Seen { agrees, displaced, lost };

struct Cell {
  int column = 0, row = 0;  // of a's grid
  Spot<PassSpace> a, b;     // its middle, and where the map says that is in b
  Seen seen = Seen::lost;
  double off_x = 0, off_y = 0;       // a's pixels: where it is found from where it should be
  double stiff_x = 0, stiff_y = 0;   // how sharply that is known; 0: not at all
  float density_a = 0, thinner = 0;  // mean density in a, and by how much less b's is
  float sharper = 1;                 // gradient energy of b over that of a
};

struct Cells {
  std::vector<Cell> seen;
  int agreeing = 0;
  void add(const Cell& c) { seen.push_back(c), agreeing += c.seen == Seen::agrees ? 1 : 0; }
  int all() const { return static_cast<int>(seen.size()); }
  int bad() const { return all() - agreeing; }
  double fraction() const { return seen.empty() ? 0 : agreeing / static_cast<double>(seen.size()); }
};

using CellSet = std::set<std::pair<int, int>>;  // rows and columns
using Warp = std::function<Spot<PassSpace>(Spot<PassSpace>)>;

/// `a_to_b` must be right to `tolerance_mm` where a cell agrees. `film_only`: what
/// lies at edges of strips and holes does not count. `only`: the cells to look at.
Cells compare_cells(const Overview& a, const Overview& b, const Warp& a_to_b, double tolerance_mm,
                    bool film_only, const CellSet* only = nullptr);

/// How well cells fit where the map says, and at best elsewhere within 4 mm, all by one shift: mean
/// correlations.
struct Shifted {
  static constexpr std::int64_t reach = 24;  // overview pixels
  double here = -1, best = -1;
  double x = 0, y = 0;  // b's pixels, where it is best beside
};
Shifted shifted(const Overview& a, const Overview& b, const PassMap& a_to_b, const Cells& cells);

/// Of a's grid: all of its cells, row by row, and the middle of one in a's pixels.
std::vector<std::pair<int, int>> every_cell(const Overview& a);
Spot<PassSpace> middle_of(const std::pair<int, int>& cell);
CellSet set_of(const Cells& cells, bool agreeing);

/// Where agreement ends or begins at a row of b, as it does when the sleeve moves while a pass is
/// captured.
struct Break {
  double row = 0;
  bool kept_before = true;  // agreement is before the row
  Cells kept;
};
std::optional<Break> break_at(const Cells& cells);

/// The row of b where cells under a rigid map jump from one place to another, by more than
/// carriages wobble over so few rows: a bump by less than what makes cells disagree.
std::optional<double> jump_at(const Cells& cells, double mm_per_pixel);

}  // namespace lapwright::lap
