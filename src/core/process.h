// Runs a program from a list of arguments, never through a shell.
//
// Units: seconds. Thread: blocks its caller. Errors: unavailable when it cannot be started; io when
// it ran past its time.
#pragma once

#include <string>
#include <vector>

#include "core/result.h"

namespace lapwright::core {

struct Finished {
  int exit_code = 0;       // 128 + signal when it was killed
  std::string last_lines;  // up to 4 KiB of its output's end (stdout and stderr)
};
Result<Finished> run(const std::vector<std::string>& arguments, double most_seconds);

}  // namespace lapwright::core
