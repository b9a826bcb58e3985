#include "core/clock.h"

#include <cstdio>
#include <ctime>

namespace lapwright::core {

std::string rfc3339(std::chrono::system_clock::time_point t) {
  const auto ms =
      std::chrono::time_point_cast<std::chrono::milliseconds>(t).time_since_epoch().count();
  const std::time_t s = static_cast<std::time_t>(ms / 1000);
  std::tm utc{};
  gmtime_r(&s, &utc);
  char text[40];
  const auto n = std::strftime(text, sizeof text, "%Y-%m-%dT%H:%M:%S", &utc);
  std::snprintf(text + n, sizeof text - n, ".%03dZ", static_cast<int>(ms % 1000));
  return text;
}

}  // namespace lapwright::core
