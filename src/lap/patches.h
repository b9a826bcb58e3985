// Sub-pixel displacements of many small patches, each with its own covariance.
//
// Both patches are smoothed alike, b is read through a cubic B-spline (prefiltered, so that it
// interpolates), gain and offset of
//   each patch are free, and what only one pass shows (dust) weighs little. Step: efficient
//   second-order minimisation, the mean of both gradients (Malis 2004). Units: pixels of the level
//   that the planes belong to. Thread: pure; measure() uses two threads.
// Errors: none; a patch that does not fit is left out.
#pragma once

#include <vector>

#include "lap/coarse.h"

namespace lapwright::lap {

/// Inverse covariance of a displacement, per square pixel.
struct Information {
  double xx = 1, xy = 0, yy = 1;
  double squared(double dx, double dy) const {
    return xx * dx * dx + 2 * xy * dx * dy + yy * dy * dy;
  }
  static Information of_sigma(double s) { return {1 / (s * s), 0, 1 / (s * s)}; }
};

struct Match {
  Spot<PassSpace> a, b;
  Information info{};
  int strip = -1;       // of the sleeve, 0-based; -1 where that is not known
  double weight = 1;    // after a robust fit: 0 left out
  bool coarse = false;  // from the overview: fills in where full resolution shows too little, and
                        // is no measure of the fit
};

/// One place to measure: boxes to cut from a and b, and the map expected between them.
struct Site {
  Box a, b;
  PassMap expected;
  int strip = -1;
};

std::vector<Match> measure(const std::vector<Site>& sites, const std::vector<image::Plane>& a,
                           const std::vector<image::Plane>& b);

}  // namespace lapwright::lap
