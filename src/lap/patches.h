// Sub-pixel displacements of many small patches, each with its own uncertainty.
//
// Efficient second-order least squares, gain and offset of each patch free. Units: pixels of the level that the planes
//   belong to. Thread: pure. Errors: none; a patch that does not fit is left out.
#pragma once

#include <functional>
#include <vector>

#include "lap/coarse.h"

namespace lapwright::lap {

struct Match {
  Spot<PassSpace> a, b;
  double sigma = 1;      // pixels of b
  double weight = 1;     // after a robust fit: 0 left out
  bool coarse = false;   // from the overview: fills in where full resolution shows too little, and is no measure of the fit
};

/// One place to measure: boxes to cut from a and b, and the map expected between them.
struct Site {
  Box a, b;
  PassMap expected;
};

using PassWarp = std::function<Spot<PassSpace>(Spot<PassSpace>)>;

/// Places with the best texture in the common area, about `count` of them; row spacing of a about `row_mm`.
/// `scale_a`, `scale_b`: pixels of the level to measure at per overview pixel.
std::vector<Site> choose_sites(const Overview& a, const Overview& b, const PassWarp& a_to_b, double scale_a, double scale_b, std::int64_t side,
                               std::int64_t margin, double row_mm, int count);

std::vector<Match> measure(const std::vector<Site>& sites, const std::vector<image::Plane>& a, const std::vector<image::Plane>& b);

/// Cuts the sites' boxes out of planes in memory.
std::vector<image::Plane> cut(const image::Plane& from, const std::vector<Box>& boxes);

}  // namespace lapwright::lap
