// What the person asked for, on the positive: a positive value does what its name says to the picture one sees.
//
// Invariants: 0 is the identity; black stays black and white stays white; every curve rises.
// Units: -100..100. brightness 100 makes mid grey (18 %) one stop lighter; warmth 100 lifts red and lowers blue by a third of a
//   stop there; tint 100 lowers green by a third of a stop (magenta), -100 lifts it (green); contrast 100 doubles the slope at
//   mid grey, -100 halves it.
// Thread: values. Errors: none.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <cstddef>
#include <cstdint>

#include "density/paper.h"
#include "profile/profile.h"

namespace lapwright::density {

class TrimCurve {
 public:
  explicit TrimCurve(const profile::Trim& trim) : slope_(std::pow(2.0, trim.contrast / 100)) {
    const double all = trim.brightness / 100, third = 1.0 / 300;
    const double stops[3] = {all + trim.warmth * third, all - trim.tint * third, all - trim.warmth * third};
    for (std::size_t c = 0; c < 3; ++c) power_[c] = std::log(grey_ * std::pow(2.0, stops[c])) / std::log(grey_);
  }
  /// sRGB code value (0..1) for linear light (0..1) of channel 0, 1, 2.
  double encode(double light, std::size_t channel) const {
    const double lit = power_[channel] == 1 ? light : std::pow(light, power_[channel]);
    const double code = srgb_encode(lit);
    if (slope_ == 1 || code <= 0 || code >= 1) return std::clamp(code, 0.0, 1.0);
    static const double middle = srgb_encode(grey_);
    const double odds = std::pow((1 - code) / code * middle / (1 - middle), slope_) * (1 - middle) / middle;
    return 1 / (1 + odds);
  }

 private:
  static constexpr double grey_ = 0.18;
  double slope_;
  double power_[3]{1, 1, 1};
};

/// From a positive as it is without any trim to the same with one, as if it had been converted with it: sRGB codes of 16 bits.
/// `neutral`: black-and-white, which has no colour to be trimmed.
class Retrim {
 public:
  Retrim(const profile::Trim& trim, bool neutral) {
    const TrimCurve curve(neutral ? without_colour(trim) : trim);
    for (std::size_t c = 0; c < 3; ++c) {
      for (std::size_t i = 0; i <= steps_; ++i)
        table_[c][i] = static_cast<float>(65535 * curve.encode(srgb_decode(std::min(1.0, static_cast<double>(i * step_) / 65535)), c));
    }
  }
  std::uint16_t operator()(std::uint16_t code, std::size_t channel) const {
    const std::size_t i = code / step_;
    const float part = static_cast<float>(code % step_) / step_, *at = table_[channel].data() + i;
    return static_cast<std::uint16_t>(at[0] + (at[1] - at[0]) * part + 0.5F);
  }
  static profile::Trim without_colour(profile::Trim trim) {
    trim.warmth = trim.tint = 0;
    return trim;
  }

 private:
  static constexpr std::size_t step_ = 16, steps_ = 65536 / step_;
  std::array<std::array<float, steps_ + 1>, 3> table_{};
};

}  // namespace lapwright::density
