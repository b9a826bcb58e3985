// What light leaves on film: exposure to density, per channel, with toe and shoulder.
//
// Masked colour negative: base 0.32/0.63/0.72 and channel contrasts 0.851 : 1 : 1.040 about a gamma of 0.6
// (READ trade.md 4.3); the layers' speeds differ so that the trade's gains and offsets make greys grey.
// Units: exposure relative to a scene in which mid grey is 0.18; density over clear. Thread: const after making. Errors: none.
#pragma once

#include <array>
#include <vector>

#include "description.h"

namespace lapwright::flatbed {

using Light = std::array<float, 3>;      // linear red, green, blue
using Densities = std::array<float, 3>;

class Film {
 public:
  explicit Film(Process process);
  Densities at(const Light& exposure) const;
  Densities base() const { return at({0, 0, 0}); }

 private:
  Process process_;
  std::array<std::vector<float>, 3> curve_;  // density by log10 exposure, -4 .. +3
};

/// 10^-d, by table; d from 0 to 8, negative is taken as 0.
class Transmission {
 public:
  Transmission();
  float operator()(float density) const {
    const float at = density * 2048.0F;
    if (!(at > 0)) return 1.0F;
    const auto i = static_cast<std::size_t>(at);
    return i < table_.size() ? table_[i] : 0.0F;
  }

 private:
  std::vector<float> table_;
};

}  // namespace lapwright::flatbed
