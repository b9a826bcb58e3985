// The driver that carries out the transition table's commands: the loop, the lanes, the key, the
// event stream.
//
// Control flow: the loop thread takes events and never blocks; the bed lane captures and looks; the
// storage lane owns the
//   ledger; the computing lane checks laps, joins and converts. A job at the bed and jobs in the
//   background go on side by side.
// Units: seconds, ppi. Thread: run() blocks its caller until the station ends. Errors: what cannot
// be mended by waiting.
#pragma once

#include <memory>
#include <string>

#include "bed/bed.h"
#include "core/result.h"
#include "station/assignment.h"

namespace lapwright::station {

struct Options {
  std::string key = "terminal";
  std::string events;  // "", "-" or a file
  bool once = false;
  bool look = true;  // a quick look where it saves time
};

/// Runs the station. Returns the exit code of a clean end.
Result<int> run(Setting setting, std::unique_ptr<bed::Bed> bed, const Options& options);

}  // namespace lapwright::station
