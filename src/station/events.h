// The event stream (contract.md): one JSON object a line, flushed at once.
//
// Invariants: every line has `at` and `event`; a reader that goes away ends the stream, never the
// station. Units: as contract.md. Thread: any (locked). Errors: cannot_create when the file cannot
// be opened.
#pragma once

#include <functional>
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
  /// Whoever else is to hear every event, with its `at` and `event`; called under the stream's lock.
  void also(std::function<void(const Json& event)> heard) { also_ = std::move(heard); }
  void emit(const std::string& event, const Json& members);
  bool on_standard_output() const { return fd_ == 1; }

 private:
  std::mutex lock_;
  int fd_ = -1;
  std::function<void(const Json& event)> also_;
};
/// An event as it stands in the stream, with its newline.
std::string line_of(const Json& event);

}  // namespace lapwright::station
