// Several captures of the same lay averaged into one: for dense film, whose shadows are mostly noise.
//
// Invariants: the first is copied, the others are brought onto it, resampled once; rows are
// streamed. Units: pixels. Thread: blocks its caller. Errors: those of the pictures and of the
// sink, cancelled.
#pragma once

#include <atomic>
#include <vector>

#include "image/rgb.h"
#include "lap/lap.h"

namespace lapwright::join {

struct Again {
  image::RowSource* picture = nullptr;
  /// Where it shows what the first's pixel (x, y) shows: at (x, y) * mm_per_pixel of this placement.
  lap::Placement lies;
};
/// The same from places that both have on the sleeve, the first's straight.
lap::Placement on_first(const lap::Placement& other, const Affine<SleeveSpace, PassSpace>& first, Ppi ppi);

/// The mean of `first` and `others`, in the first's pixels.
Result<> average(image::RowSource& first, const std::vector<Again>& others, image::RowSink& sink,
                 const std::atomic<bool>& stop);

}  // namespace lapwright::join
