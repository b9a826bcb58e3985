// The event stream (contract.md): one JSON object a line, flushed at once.
//
// Invariants: every line has `at` and `event`; a reader that goes away ends the stream, never the
// station. Units: as contract.md. Thread: any (locked). Errors: cannot_create when the file cannot
// be opened.
#pragma once

#include <memory>
#include <mutex>
#include <string>

#include "core/json.h"
#include "core/result.h"

namespace lapwright::station {

class EventStream {
 public:
  /// "" : nowhere; "-" : standard output; else a file (appended to) or a named pipe.
  static Result<std::unique_ptr<EventStream>> open(const std::string& where);
  ~EventStream();
  void emit(const std::string& event, const Json& members);
  bool on_standard_output() const { return fd_ == 1; }

 private:
  std::mutex lock_;
  int fd_ = -1;
};

}  // namespace lapwright::station
