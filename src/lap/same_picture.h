// Whether two captures of one frame show the same picture, where exactly, and which is sharper.
//
// The pictures are compared at 150 ppi without what changes slowly over them (light, flare), by
// normalised cross-correlation over small shifts; sharpness at the coarser one's own resolution, in
// the places that show most structure. Invariants: nothing is said of a picture without structure
// (`told`). Units: sleeve millimetres, density. Thread: pure. Errors: those of reading.
#pragma once

#include <array>

#include "core/geometry.h"
#include "core/result.h"
#include "image/rgb.h"

namespace lapwright::lap {

struct SamePicture {
  bool told = false;        // the first shows enough structure to tell by
  double correlation = 0;   // at the best place, -1..1
  double mirrored = 0;      // the same for the first seen from its other side
  Spot<SleeveSpace> off{};  // where the second shows it, from where it was said to
  double sharpness = 0;     // gradients of the second over those of the first; 0: not told
  std::array<double, 3> light{1, 1, 1};  // counts of the second over those of the first

  static constexpr double enough = 0.6;
  bool same() const { return told && correlation >= enough && correlation > mirrored; }
};

struct Capture {
  image::RowSource* picture = nullptr;
  Affine<SleeveSpace, PassSpace> lies;
};

/// `corners` of the frame, clockwise from the top left; looked for up to `most_mm` beside.
/// `sharpness` costs a little reading at full resolution.
Result<SamePicture> same_picture(const Capture& first, const Capture& second,
                                 const std::array<Spot<SleeveSpace>, 4>& corners, double most_mm,
                                 bool sharpness);

}  // namespace lapwright::lap
