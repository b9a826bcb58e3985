// Which frames a piece of film holds: one chain of pictures fitted to everything seen along it.
//
// Invariants: frames rise along the strip; never a frame without film. Light that no frame explains costs more than a frame
//   that overlaps its neighbour, film without light inside a frame costs little: so what is exposed is covered by as few frames
//   of the camera's width as can be, and what is not is counted where an advance says that a frame was there.
// Units: run millimetres. Thread: pure. Errors: none.
#pragma once

#include <vector>

#include "frames/strip_view.h"

namespace lapwright::frames {

struct Format {
  double width = 0, advance = 0;  // along the strip
  double width_spread = 0;        // how far a camera's gate may differ
  double advance_spread = 0;      // how far one advance may differ from the next
  double most_gap = 0;            // the widest gap that a camera leaves
  bool measured = false;          // `width` is what this roll's camera makes, not what is usual
};

struct Found {
  double start = 0, end = 0;
  double left = 0, right = 0;  // evidence of each edge, 0..1
  double plain = 0;            // share of the edge's length that anybody sees, of the edge that shows less
  double on_film = 0;          // share of the frame that is film
  double content = 0;          // how far it leaves the base
  double room = 1e9;           // to the nearer neighbour; negative where they overlap
  bool by_model = false;       // no edge of its own
};

/// A piece of film along the strip.
struct Extent { double first = 0, last = 0; };
/// The pieces in a pocket, from its start.
std::vector<Extent> film_pieces(const StripView& view);

std::vector<Found> fit_chain(const StripView& view, const Extent& piece, const Format& format);

}  // namespace lapwright::frames
