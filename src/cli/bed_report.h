// What is known of a flatbed, for people and for programs.
//
// Thread: the main thread. Errors: a device that cannot be read is shown with the reason.
#pragma once

#include <string>
#include <vector>

#include "bed/bed.h"
#include "core/json.h"
#include "core/result.h"

namespace lapwright::cli {

/// `whole`: with every setting and its reason, and all options as they stand (--probe).
struct BedReport {
  bed::Device device;
  const Result<bed::Capability>& known;
  std::vector<std::string> profiles;  // that match
  bool whole = false;
};

Json json_of(const BedReport& report);
void print_report(const BedReport& report);

}  // namespace lapwright::cli
