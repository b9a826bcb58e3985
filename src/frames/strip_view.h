// One strip, straightened: what stands out of the base, column by column along the run.
//
// Invariants: position k of a profile is centred on from + (k + 0.5) * step; columns without film or outside the picture
//   have film 0 and stand out by 0.
// Units: run millimetres along the strip, millimetres from the film's first edge across it. Thread: pure. Errors: none.
#pragma once

#include <vector>

#include "frames/comb.h"

namespace lapwright::frames {

/// Where a strip lies: its first edge passes through (pivot_along, edge) with this slope.
struct StripLine {
  double pivot_along = 0, edge = 0, slope = 0, width = 0;
  Spot<RunSpace> at(double along, double across) const {
    return {along - across * slope, edge + (along - pivot_along) * slope + across};
  }
};

/// What stands out of the base in each of `bands` equal parts of the pictures' height, column by column.
struct StripView {
  double from = 0, step = 0;
  std::size_t bands = 0;
  std::vector<double> film;   // share of the column's rebate, or of its pictures' height where that is more, that is film
  std::vector<float> any;     // 0..1, column after column: how far a band leaves the base, any small exposure counts
  std::vector<float> linear;  // the same in proportion to light, for where an edge lies
  double noise = 0;           // of `any` where nothing is exposed
  std::size_t columns() const { return film.size(); }
  double place(double column) const { return from + column * step; }   // continuous column
  double column(double along) const { return (along - from) / step; }
};

/// `rebate`: how much film lies beside the pictures on either side.
StripView straighten(const FilmMap& map, const StripLine& line, double from, double to, double rebate, bool slide);

/// The same across the strip, averaged between two places along it: position 0 is 1.5 mm outside the film's first edge.
std::vector<double> cross_profile(const FilmMap& map, const StripLine& line, double along_from, double along_to, double rebate,
                                  bool slide, double step);
inline constexpr double cross_margin = 1.5;

/// Where a profile rises from nothing to half of what follows, near `at` (continuous index); direction +1: the picture lies
/// above. Negative when it does not.
double half_rise(const std::vector<double>& profile, double at, double reach, int direction, double inner_from, double inner_to);

}  // namespace lapwright::frames
