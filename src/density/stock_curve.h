// A channel's net density to the density in which all channels of a stock agree (D' of trade.md 4.5
// step 7).
//
// Invariants: rises; with gain g and offset k it is g d - k, with points a monotone cubic through
// them that goes on straight. Units: densities. Thread: values. Errors: none.
#pragma once

#include <vector>

#include "profile/profile.h"

namespace lapwright::density {

inline double channel_of(const profile::Channels& c, std::size_t i) {
  return i == 0 ? c.red : i == 1 ? c.green : c.blue;
}

class StockCurve {
 public:
  StockCurve(double gain, double offset) : StockCurve({{0, -offset}, {1, gain - offset}}) {}
  /// Two points or more.
  explicit StockCurve(const profile::StockProfile::Curve& points);
  static StockCurve of(const profile::StockProfile& stock, std::size_t channel) {
    return stock.curve
               ? StockCurve((*stock.curve)[channel])
               : StockCurve(channel_of(stock.gain, channel), channel_of(stock.offset, channel));
  }
  double operator()(double net) const;

 private:
  struct Knot {
    double at, value, slope;
  };
  std::vector<Knot> knots_;
};

}  // namespace lapwright::density
