// A pass reduced to what the lap check looks at, read in one sweep of rows.
//
// Invariants: no more than a few rows of the pass are held at once; the film mask leaves out clear
// film, perforations,
//   gutters and what lies beside them. Units: overview pixels (each `factor` pass pixels), density
//   over the pass's brightest light. Thread: one RowSource in one thread. Errors: those of the
//   RowSource.
#pragma once

#include <array>
#include <vector>

#include "core/result.h"
#include "image/rgb.h"

namespace lapwright::lap {

/// Below it, what is shown is no film: a pocket is 0.065, the thinnest base 0.28 (READ trade.md 2
/// and 4.3).
constexpr float clear_density = 0.17F;

struct Overview {
  std::int64_t factor = 1;
  double mm_per_pixel = 1;
  std::array<image::Plane, 3> channel;  // density
  image::Plane density;                 // mean of the channels
  image::Plane smooth;                  // the same, mean of 3 x 3
  image::Plane film;                    // 1 where film without holes is shown, else 0
  std::array<double, 3> open{};         // counts of the brightest light
};

Result<Overview> overview(image::RowSource& source, double ppi);

/// The overview's mean density, averaged again over `by` x `by` where film is shown.
struct Thumb {
  image::Plane value;  // mean along the strip taken off, 0 off the film
  image::Plane film;
  double mm_per_pixel = 1;
};
Thumb thumb(const Overview& from, std::int64_t by, bool strips_along_x);

/// Density of a transmission over open light, a little light added so that deep shadow's noise
/// stays small.
float density_of(double transmission);

struct Box {
  std::int64_t x = 0, y = 0, width = 0, height = 0;
};

}  // namespace lapwright::lap
