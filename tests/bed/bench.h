// A bed over a chosen SANE configuration, and receivers that remember.
//
// Thread: the test's. The configuration is the environment's, which workers inherit.
#pragma once

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "bed/bed.h"

namespace lapwright::bed {

/// A folder of its own with dll.conf (and test.conf), in the environment while it lives.
class SaneFolder {
 public:
  explicit SaneFolder(const std::string& backend, const std::string& faults = "",
                      const std::string& test_conf = "") {
    char name[] = "/tmp/bed-test-XXXXXX";
    folder_ = ::mkdtemp(name);
    std::ofstream(folder_ / "dll.conf") << backend << "\n";
    if (backend == "test") std::ofstream(folder_ / "test.conf") << test_conf;
    ::setenv("SANE_CONFIG_DIR", folder_.c_str(), 1);
    ::setenv("LD_LIBRARY_PATH", BED_FAKE_FOLDER, 1);
    ::setenv("HOME", folder_.c_str(), 1);
    ::setenv("LAPWRIGHT_FAKE", faults.c_str(), 1);
  }
  ~SaneFolder() {
    ::unsetenv("LAPWRIGHT_FAKE");
    std::error_code ignored;
    std::filesystem::remove_all(folder_, ignored);
  }
  const std::filesystem::path& path() const { return folder_; }

 private:
  std::filesystem::path folder_;
};

inline WorkerOptions quick_options() {
  WorkerOptions o;
  o.program = BED_WORKER;
  o.stall_seconds = 10;
  o.start_seconds = 20;
  o.obey_seconds = 1;
  return o;
}

/// Keeps the whole picture.
class Keeper : public Receiver {
 public:
  Result<> begin(const Format& f) override {
    format = f;
    ++begun;
    return {};
  }
  Result<> rows(const std::uint16_t* s, std::int64_t count) override {
    samples.insert(samples.end(), s, s + count * format.width * 3);
    row_count += count;
    return {};
  }
  std::uint16_t at(std::int64_t x, std::int64_t y, int c) const {
    return samples[static_cast<std::size_t>((y * format.width + x) * 3 + c)];
  }
  void busy() override { ++busy_count; }
  Format format;
  int begun = 0, busy_count = 0;
  std::int64_t row_count = 0;
  std::vector<std::uint16_t> samples;
};

inline Rect<BedSpace> window_mm(double x, double y, double w, double h) {
  return {Micrometres::from_mm(x), Micrometres::from_mm(y), Micrometres::from_mm(w),
          Micrometres::from_mm(h)};
}

}  // namespace lapwright::bed
