// Where a second picture of the same lay sits on the first: infrared, for which the flatbed starts
// anew and focuses otherwise.
//
// The film's picture is hardly there in infrared, so edges of film and holes decide: overviews say
// which places show the same, full resolution where. Fitted: a shift and a scale for each axis.
// Units: pass pixels. Thread: blocking, two threads of its own. Errors: those of reading the
// pictures; "too little to tell" is a value.
#pragma once

#include <optional>

#include "lap/lap.h"

namespace lapwright::lap {

struct SameLay {
  Affine<PassSpace, PassSpace> a_to_b;  // a's pixel -> where b shows the same
  double residual_px = 0;               // RMS per axis of the places that agree
  int places = 0;
};

/// What lights the second: infrared, in which dyes are hardly there, or the same light as the
/// first.
enum class SecondLight { infrared, same };

/// Both of one size and resolution, but for some pixels. Nothing where fewer than 12 places agree
/// or they lie more than `most_mm` off.
Result<std::optional<SameLay>> same_lay(image::RowSource& a, image::RowSource& b,
                                        double most_mm = 1,
                                        SecondLight light = SecondLight::infrared);

}  // namespace lapwright::lap
