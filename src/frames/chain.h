// Which frames a strip holds: one chain of pictures fitted to everything seen along it.
//
// Invariants: frames rise along the strip and never overlap by more than a camera's error; never a frame without film.
// Units: run millimetres. Thread: pure. Errors: none.
#pragma once

#include <vector>

#include "frames/strip_view.h"

namespace lapwright::frames {

struct Format {
  double width = 0, advance = 0;  // along the strip
  double width_spread = 0;        // how far a camera's gate may differ
  double advance_spread = 0;      // how far one advance may differ from the next
  int most = 0;                   // frames on the longest strip
};

struct Found {
  double start = 0, end = 0;
  double left = 0, right = 0;  // evidence of each edge, 0..1
  double on_film = 0;          // share of the frame that is film
  double content = 0;          // how far it leaves the base
  bool by_model = false;       // no edge of its own
};

/// The film along the strip: [first, last], empty when there is none.
struct Extent { double first = 0, last = 0; bool film = false; };
Extent film_extent(const StripView& view);

std::vector<Found> fit_chain(const StripView& view, const Extent& extent, const Format& format);

}  // namespace lapwright::frames
