// The operator at the terminal where `lapwright review` runs: shows the pairing code, asks whether a
// tablet may come in, and closes the port for tablets when its time is over.
//
// Invariants: a key answers the question that stands on the screen and no other: what was typed
//   before it, or within 0.7 s after it came up, is thrown away; nothing is read while the terminal
//   belongs to another program; a code is written to a terminal only, never into a file; the
//   terminal is given back as it was.
// Units: seconds. Thread: one of its own; `say` and `over` are called there. Errors: none; without a
// terminal the operator's page does all of it.
#pragma once

#include <functional>
#include <memory>
#include <string>

#include "review/tablets.h"

namespace lapwright::review {

class Attendant {
 public:
  struct How {
    std::string url;     // of the page for tablets
    double seconds = 0;  // until it is closed, also when the machine slept meanwhile
    std::function<void(const std::string& line)> say;
    std::function<void()> over;
    std::function<bool()> open;
  };
  Attendant(Tablets& tablets, How how);
  ~Attendant();

 private:
  struct Impl;
  std::unique_ptr<Impl> impl_;
};

}  // namespace lapwright::review
