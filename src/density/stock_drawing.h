// A stock's curve for people: what each density over the film base prints as.
//
// Units: net densities; sRGB codes of 255. Thread: pure. Errors: none.
#pragma once

#include <array>
#include <string>
#include <vector>

#include "profile/profile.h"

namespace lapwright::density {

struct Tone255 {
  double net = 0;
  std::array<double, 3> code{};
};
/// The same net density in every channel, from the base upwards; of a slide, density over open
/// light.
std::vector<Tone255> tones(const profile::StockProfile& stock, double step = 0.1,
                           double most = 1.6);
std::string stock_svg(const profile::StockProfile& stock);

}  // namespace lapwright::density
