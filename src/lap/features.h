// What a picture shows, as few small facts that are found again however it lies: corners in the
// pictures, each with a direction and 256 comparisons of density around it.
//
// Corners by the smaller eigenvalue of the gradients' second moments (Shi and Tomasi, 1994);
// direction by the centroid of density in a disc (Rosin, 1999); comparisons of smoothed pairs
// turned into that direction (after Calonder et al., 2010, and Rublee et al., 2011).
// Invariants: where the film shows no clear structure there is none; one place is found from any
// turn; brightness and contrast do not matter. Units: millimetres of the picture (or of the sleeve
// once placed), radians from x to y. Thread: values, pure. Errors: none.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "core/geometry.h"
#include "lap/overview.h"

namespace lapwright::lap {

struct Feature {
  double x = 0, y = 0;  // mm
  float direction = 0;
  float strength = 0;
  std::array<std::uint64_t, 4> bits{};
};

/// Pictures are compared at this resolution, whatever they were captured at.
inline constexpr double features_ppi = 75;

/// Those of an overview at about features_ppi, strongest first, at most `most`, millimetres from
/// its first pixel's corner. `mirrored`: as if it lay wrong side up, seen through; the places stay.
std::vector<Feature> features_of(const Overview& picture, int most, bool mirrored = false);

/// How many of the 256 comparisons differ.
int differing(const Feature& a, const Feature& b);

}  // namespace lapwright::lap
