// The bed worker as the station holds it: started, asked, heard through a bounded queue, ended.
//
// Invariants: the queue holds at most `queue_bytes` and one message; when it is full the worker
// waits. When the object goes, the
//   process is gone and reaped, its descriptors closed. The process is ended by its id, with its
//   group, never by name.
// Units: bytes, seconds. Thread: one owner; a reader thread inside. Errors: unavailable when it
// cannot be started.
#pragma once

#include <sys/types.h>

#include <condition_variable>
#include <deque>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <thread>

#include "bed/wire.h"
#include "core/result.h"

namespace lapwright::bed {

class WorkerProcess {
 public:
  /// `home_seconds`: how long its driver may take to end by itself when the object goes.
  static Result<std::unique_ptr<WorkerProcess>> start(const std::string& program,
                                                      std::int64_t queue_bytes,
                                                      double home_seconds);
  ~WorkerProcess();
  WorkerProcess(const WorkerProcess&) = delete;
  WorkerProcess& operator=(const WorkerProcess&) = delete;

  /// Sends one line. Anything after the first asks to cancel.
  void say(const std::string& line);
  /// The next message, or none after `seconds`.
  std::optional<Message> next(double seconds);
  /// No more messages will come.
  bool silent();
  /// Seconds since the last message arrived (not: was taken).
  double idle_seconds();
  /// Drops what comes from now on, so that the worker is not held back while it ends.
  void discard();
  void kill();

 private:
  WorkerProcess(pid_t pid, int request, int reply, std::int64_t queue_bytes, double home_seconds);
  void read_replies();
  bool exited(double seconds);

  pid_t pid_;
  int request_, reply_;
  std::int64_t queue_bytes_, queued_ = 0;
  double home_seconds_;
  bool closed_ = false, discard_ = false, reaped_ = false;
  double heard_ = 0;
  std::mutex mutex_;
  std::condition_variable came_, room_;
  std::deque<Message> queue_;
  std::thread reader_;
};

}  // namespace lapwright::bed
