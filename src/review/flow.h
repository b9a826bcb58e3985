// A reply that goes on: text that is sent as it comes, until one side ends it.
//
// Invariants: whoever pushes never waits; a flow whose reader is `most` bytes behind ends, and keeps nothing of what was not sent.
// Units: bytes. Thread: any. Errors: none.
#pragma once

#include <functional>
#include <mutex>
#include <string>
#include <utility>

namespace lapwright::review {

class Flow {
 public:
  explicit Flow(std::size_t most = 256 << 10) : most_(most) {}

  void push(const std::string& text) {
    std::function<void()> wake;
    {
      const std::lock_guard guard(lock_);
      if (ended_) return;
      if (waiting_.size() + text.size() > most_) ended_ = true, waiting_.clear();
      else waiting_ += text;
      wake = wake_;
    }
    if (wake) wake();
  }
  void end() {
    std::function<void()> wake;
    {
      const std::lock_guard guard(lock_);
      ended_ = true;
      wake = wake_;
    }
    if (wake) wake();
  }

  // ---- the server's side
  /// Called after every push and at the end, on the pusher's thread.
  void on_push(std::function<void()> wake) {
    const std::lock_guard guard(lock_);
    wake_ = std::move(wake);
  }
  std::string take() {
    const std::lock_guard guard(lock_);
    return std::exchange(waiting_, {});
  }
  /// And nothing is left to be taken.
  bool ended() {
    const std::lock_guard guard(lock_);
    return ended_ && waiting_.empty();
  }

 private:
  const std::size_t most_;
  std::mutex lock_;
  std::string waiting_;
  bool ended_ = false;
  std::function<void()> wake_;
};

}  // namespace lapwright::review
