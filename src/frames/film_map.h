// A reduced picture in which film can be told from open light.
//
// Invariants: `open` holds the brightest clear area's counts; a pixel whose densest channel is under `threshold` is open.
//   RunSpace: millimetres along (x) and across (y) the strips, from the top left corner of the first strip as it should lie.
// Units: counts, densities over open light, millimetres. Thread: values. Errors: what reading gives.
#pragma once

#include <array>
#include <vector>

#include "image/rgb.h"
#include "profile/profile.h"

namespace lapwright::frames {

struct RunSpace {};

/// Sleeve millimetres to millimetres along and across the run, and so back by inverse().
Affine<SleeveSpace, RunSpace> to_run(const profile::SleeveProfile& sleeve);

struct FilmMap {
  image::Rgb16 picture;
  std::array<double, 3> open{};
  double threshold = 0;         // density that parts film from open light
  double mm_per_pixel = 0;      // of the reduced picture
  double film_share = 0;        // of all pixels
  std::vector<std::uint8_t> is_open;  // row after row
  Affine<PassSpace, RunSpace> to_run;  // continuous pixel position to run millimetres

  double density(const std::uint16_t* rgb) const;  // of the densest channel
};

/// Reads `source` once, reduced to about `ppi`. `to_mm` maps a source pixel position to run millimetres.
Result<FilmMap> map_film(image::RowSource& source, double ppi, double least_base, const Affine<PassSpace, RunSpace>& to_mm);

}  // namespace lapwright::frames
