// Where neutral things of any lightness lie among a sheet's net densities: the axis along which a
// film's channels agree.
//
// Every picture holds some grey; colours stray from it to all sides. So the axis is the ridge of
// the cloud of all pictures together, kept near what the stock says by as much as the pictures
// leave open. At the film base it is fixed: nothing is exposed there in any channel. Units: net
// densities. Thread: pure. Errors: none; too little film gives `sure` 0.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "density/plateau.h"
#include "profile/profile.h"

namespace lapwright::density {

struct Tint {
  std::array<float, 3> net{};
  float weight = 0;
};
/// The tints of one picture, each of them once, however much of the picture it fills.
using Palette = std::vector<Tint>;

/// The stock's crosstalk taken out of net densities, where it names any.
std::array<double, 3> unmixed(const std::array<double, 3>& net, const profile::StockProfile& stock);

/// The flat pixels of `area` on an overview that is evened out, unmixed. Counts of the film base,
/// flare in both.
Palette palette(const Overview& overview, const PixelRect<SheetSpace>& area,
                const std::array<double, 3>& base, const std::array<double, 3>& flare,
                const profile::StockProfile& stock);

struct NeutralAxis {
  std::array<profile::StockProfile::Curve, 3>
      curve;                 // net density to the green density of the same neutral
  double sure = 0;           // 0..1
  double halves_differ = 0;  // D: between the axes of the even and the odd pictures, where seen
  double from = 0, to = 0;   // green net densities that neutrals were seen at
  int pictures = 0;
};

struct NeutralOptions {
  double free =
      1;  // how far the axis may lie from the stock's: 0.04 D, 0.03 D more a density, times this
  bool halves =
      true;  // whether to ask how well two halves of the pictures agree (three times the work)
};

/// `known`: net densities of places that a person or a step wedge says are neutral.
NeutralAxis neutral_axis(const std::vector<Palette>& pictures, const profile::StockProfile& stock,
                         const std::vector<std::array<double, 3>>& known = {},
                         const NeutralOptions& options = {});

}  // namespace lapwright::density
