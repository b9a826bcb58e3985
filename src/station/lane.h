// A thread that does one thing after another: the bed's, the storage's, the computing's.
//
// Invariants: tasks run in the order posted; the destructor lets the running task end and drops the
// rest. Thread: post from any. Errors: none; a task reports by itself.
#pragma once

#include <condition_variable>
#include <deque>
#include <functional>
#include <future>
#include <mutex>
#include <thread>

namespace lapwright::station {

class Lane {
 public:
  Lane() : thread_([this] { serve(); }) {}
  ~Lane() {
    {
      const std::lock_guard guard(lock_);
      closing_ = true;
    }
    wake_.notify_all();
    thread_.join();
  }
  Lane(const Lane&) = delete;
  Lane& operator=(const Lane&) = delete;
  void post(std::function<void()> task) {
    {
      const std::lock_guard guard(lock_);
      tasks_.push_back(std::move(task));
    }
    wake_.notify_one();
  }
  /// Waits until everything posted so far is done.
  void finish() {
    std::promise<void> done;
    post([&done] { done.set_value(); });
    done.get_future().wait();
  }

 private:
  void serve() {
    for (;;) {
      std::function<void()> task;
      {
        std::unique_lock guard(lock_);
        wake_.wait(guard, [this] { return closing_ || !tasks_.empty(); });
        if (closing_) return;
        task = std::move(tasks_.front());
        tasks_.pop_front();
      }
      task();
    }
  }

  std::mutex lock_;
  std::condition_variable wake_;
  std::deque<std::function<void()>> tasks_;
  bool closing_ = false;
  std::thread thread_;  // last: it uses all of the above
};

}  // namespace lapwright::station
