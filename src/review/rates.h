// How often somebody may do something: so much at once, and so much a second after that.
//
// Invariants: pure but for what it remembers, which is bounded; those that it cannot remember share
//   one measure. Units: seconds. Thread: one. Errors: none.
#pragma once

#include <map>
#include <string>

namespace lapwright::review {

class Rates {
 public:
  static constexpr std::size_t most_known = 2048;

  Rates(double at_once, double a_second) : at_once_(at_once), a_second_(a_second) {}
  /// 0: it is spent. Else the seconds after which it could be.
  double spend(const std::string& who, double now, double cost = 1);

 private:
  struct Left {
    double amount = 0, at = 0;
  };
  double at_once_, a_second_;
  std::map<std::string, Left> left_;
};

}  // namespace lapwright::review
