// One rebate of a strip at full resolution, straightened: what is printed on it, over its own base.
//
// Invariants: dark is 0 where nothing is printed and larger where it is, whatever the process;
// outside the sheet it is 0. At most
//   about 600 ppi whatever the sheet's resolution; only the rebate's rows are read, a few at a
//   time.
// Units: run millimetres along the strip, millimetres from the film's first edge across it. Thread:
// pure. Errors: what reading gives.
#pragma once

#include "frames/strip_view.h"

namespace lapwright::frames {

struct Rebate {
  double from = 0, across_from = 0, step = 0;  // the first sample begins here
  image::Plane dark;                           // a column along the strip, a row across it
  double place(double column) const { return from + column * step; }  // continuous column
};

/// The rebate between `from` and `to` along the strip: of the film's first edge, or the other one.
Result<Rebate> read_rebate(image::RowSource& sheet, const Affine<RunSpace, PassSpace>& to_pixels,
                           const StripLine& line, bool other_edge, double from, double to,
                           bool slide);

}  // namespace lapwright::frames
