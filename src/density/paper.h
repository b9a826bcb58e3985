// The printing paper's curve and the sRGB encoding: the last two steps from density to a positive (trade.md 4.5, 8 to 11).
//
// Invariants: print() rises with h from dmin to dmax; light() and encode() rise from 0 to 1.
// Units: densities; light and code values 0..1. Thread: values. Errors: none.
#pragma once

#include <algorithm>
#include <cmath>

#include "profile/profile.h"

namespace lapwright::density {

class PaperCurve {
 public:
  explicit PaperCurve(const profile::StockProfile::Paper& paper)
      : dmin_(paper.dmin), dmax_(paper.dmax), slope_(paper.slope), k_(4 * paper.slope / (paper.dmax - paper.dmin)), knee_(paper.knee) {}
  /// Print density for a log exposure over the curve's middle.
  double print(double h) const {
    if (knee_ <= 0) return dmin_ + (dmax_ - dmin_) / (1 + std::exp(-k_ * h));
    const double straight = (dmin_ + dmax_) / 2 + slope_ * h;
    return dmax_ - bent(dmax_ - dmin_ - bent(straight - dmin_));
  }
  /// The log exposure over the middle that prints as `density` (between dmin and dmax).
  double exposure_for(double density) const {
    if (knee_ <= 0) return -std::log((dmax_ - dmin_) / (density - dmin_) - 1) / k_;
    const double straight = dmin_ + unbent(dmax_ - dmin_ - unbent(dmax_ - density));
    return (straight - (dmin_ + dmax_) / 2) / slope_;
  }
  /// The film base prints near black, so that least light is used: at 0.9 of the paper's blackest (READ trade.md 4.5 step 8); on a
  /// straight slope at L* 7, which is as black to the eye and leaves the pictures lighter.
  double base_exposure() const { return exposure_for(knee_ > 0 ? density_of(7 / 903.3) : 0.9 * dmax_); }
  /// The print density that reflects so much light.
  double density_of(double light) const {
    const double black = std::pow(10.0, -dmax_);
    return -std::log10(black + light * (std::pow(10.0, -dmin_) - black));
  }
  /// Reflected light of a print density, 0 at dmax, 1 at dmin.
  double light(double density) const {
    const double black = std::pow(10.0, -dmax_);
    return std::clamp((std::pow(10.0, -density) - black) / (std::pow(10.0, -dmin_) - black), 0.0, 1.0);
  }

 private:
  /// 0 far below 0, `d` far above, over a bend of the knee's width.
  double bent(double d) const { return d > 30 * knee_ ? d : knee_ * std::log1p(std::exp(d / knee_)); }
  double unbent(double d) const { return d > 30 * knee_ ? d : knee_ * std::log(std::expm1(std::max(d / knee_, 1e-12))); }
  double dmin_, dmax_, slope_, k_, knee_;
};

/// The film's own bend at its base undone, so that shadows lie apart as they did in the scene. Rises from `-toe` at the base;
/// far above the toe it changes nothing.
class StraightToe {
 public:
  explicit StraightToe(double toe) : toe_(toe) {}
  double operator()(double density) const {
    if (toe_ <= 0) return density;
    const double floor = -toe_, soft = 0.3 * toe_;
    if (density > 30 * toe_) return density;
    if (density <= 0) return floor + density;  // thinner than the base is no film: blacker than it
    const double straight = density < 1e-4 * toe_ ? -9 * toe_ : toe_ * std::log(std::expm1(density / toe_));
    const double over = (straight - floor) / soft;
    return floor + (over > 30 ? straight - floor : soft * std::log1p(std::exp(over)));
  }

 private:
  double toe_;
};

/// IEC 61966-2-1.
inline double srgb_encode(double v) { return v <= 0.0031308 ? 12.92 * v : 1.055 * std::pow(v, 1 / 2.4) - 0.055; }
inline double srgb_decode(double s) { return s <= 0.04045 ? s / 12.92 : std::pow((s + 0.055) / 1.055, 2.4); }

}  // namespace lapwright::density
