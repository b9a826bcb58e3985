// Time as the station sees it: UTC for records, a steady count for durations.
//
// Units: seconds (double) for durations. Thread: any. Errors: none.
#pragma once

#include <chrono>
#include <string>

namespace lapwright::core {

/// RFC 3339 in UTC with milliseconds: 2026-01-31T09:12:44.120Z.
std::string rfc3339(std::chrono::system_clock::time_point t);
inline std::string rfc3339_now() { return rfc3339(std::chrono::system_clock::now()); }

/// Seconds since it was made or last restarted.
class Stopwatch {
 public:
  double seconds() const {
    return std::chrono::duration<double>(std::chrono::steady_clock::now() - start_).count();
  }
  void restart() { start_ = std::chrono::steady_clock::now(); }

 private:
  std::chrono::steady_clock::time_point start_ = std::chrono::steady_clock::now();
};

}  // namespace lapwright::core
