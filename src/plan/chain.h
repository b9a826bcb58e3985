// Covers one axis with pieces that overlap: the fewest passes, then the cheapest seams, then laps that show enough picture to
// be checked by, then the widest laps.
//
// A piece is the interval that one pass (or one row of passes) shows; where it may lie is its item's reach. Because an interval
// is coverable exactly when it lies inside the reach and is not too long, the best continuation of a chain depends only on
// how far it has come: one number a state, and the search is exact over the micrometre without trying positions.
// Units: micrometres. Thread: values. Errors: none; "cannot be covered" is nullopt.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "plan/reach.h"

namespace lapwright::plan {

/// Where a seam on one axis would run through no frame.
struct Marks {
  std::vector<Span> gutters;  // between strips; no film at all
  std::vector<Span> gaps;     // film, but no frame: between frames, or rebate along a strip
  std::vector<Span> frames;   // picture
  static Marks of(const profile::SleeveProfile& sleeve, Axis axis);
  struct Choice {
    Um at = 0;
    Through through = Through::frame;
  };
  /// The best seam within `room`: a gutter, else a gap, else anywhere; the one nearest to the middle.
  Choice choose(Span room) const;
  /// How much of `lap` is picture.
  Um picture(Span lap) const;
  /// The furthest start of a lap up to `end` that holds this much picture.
  std::optional<Um> start_with(Um picture, Um end) const;
};

struct Item {
  Um lo = 0, hi = 0, longest = 0;
  int passes = 1;          // how many passes a piece of this kind takes
  std::int64_t cost = 0;   // of the seams inside it
  int id = 0;
};

struct Chain {
  struct Piece {
    int item = 0;  // index into the items
    Span shown;
  };
  std::vector<Piece> pieces;
  int passes = 0;
  std::int64_t cost = 0;  // seam_cost of every seam, summed
  Um lap = 0;             // the smallest one
};

constexpr std::int64_t frame_seam = 1'000'000;  // one of these outweighs every other preference between seams
constexpr int most_passes = 200;
constexpr Um enough_picture = 8'000;            // in a lap; from here on an even spread is worth more

struct Needs {
  Um lap = 0;     // smallest
  Um inset = 0;   // how far a seam stays from the lap's ends
  Um picture = 0; // smallest in any lap
  Um enough = 0;  // picture in a lap that counts when laps are widened; 0: only their width does
};

std::optional<Chain> cover(Span all, const std::vector<Item>& items, const Marks& marks, Needs needs);
/// The same count and seams; the least picture in any lap as much as the reach gives, up to needs.enough, and then the
/// smallest lap as large.
Chain widen(Span all, const std::vector<Item>& items, const Marks& marks, Needs needs, Chain chain);

}  // namespace lapwright::plan
