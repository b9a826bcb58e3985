// How much brighter or darker one pass's light was than the other's, from what both show.
//
// Units: factors on linear samples, density over a pass's height. Thread: pure. Errors: none.
#pragma once

#include "lap/lap.h"
#include "lap/sites.h"

namespace lapwright::lap {

struct LightFound {
  Light light;                      // what b must be multiplied by to agree with a
  std::array<double, 3> percent{};  // b against a in the middle of the lap
  int cells = 0;
};

LightFound compare_light(const Overview& a, const Overview& b, const PassWarp& a_to_b);

}  // namespace lapwright::lap
