#include "lap/say.h"

#include <cmath>
#include <cstdio>

namespace lapwright::lap {

std::string mm(double value) {
  char text[32];
  std::snprintf(text, sizeof text, std::abs(value) >= 10 ? "%.0f" : "%.1f", value);
  return text;
}

std::string way(std::array<double, 2> bed_mm) {
  const auto part = [](double v, const char* negative, const char* positive) {
    return std::abs(v) < 0.5 ? std::string()
                             : mm(std::abs(v)) + " mm " + (v < 0 ? negative : positive);
  };
  const std::string x = part(bed_mm[0], "to the left", "to the right"),
                    y = part(bed_mm[1], "towards the hinge", "towards you");
  return x.empty() ? y : y.empty() ? x : x + " and " + y;
}

}  // namespace lapwright::lap
