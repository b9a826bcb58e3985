// Runs a program from a list of arguments, never through a shell.
//
// Invariants: the program leads a process group of its own, with the standard signals, and holds no
// descriptors but those named.
// Units: seconds. Thread: any; run() blocks its caller. Errors: unavailable when it cannot be
// started; io when it ran past its time.
#pragma once

#include <sys/types.h>

#include <string>
#include <utility>
#include <vector>

#include "core/result.h"

namespace lapwright::core {

struct Finished {
  int exit_code = 0;       // 128 + signal when it was killed
  std::string last_lines;  // up to 4 KiB of its output's end (stdout and stderr)
};
/// Runs it to its end.
Result<Finished> run(const std::vector<std::string>& arguments, double most_seconds);

/// Starts it; standard input is empty. `descriptors` (ours, theirs) are set in this order, theirs
/// upwards from 1.
Result<pid_t> start(const std::vector<std::string>& arguments,
                    const std::vector<std::pair<int, int>>& descriptors);

}  // namespace lapwright::core
