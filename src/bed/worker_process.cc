#include "bed/worker_process.h"

#include <fcntl.h>
#include <signal.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cerrno>
#include <chrono>
#include <cstring>

#include "core/process.h"

namespace lapwright::bed {
namespace {

double now() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

/// Moved above the numbers that the worker will use, so that no move overwrites another.
int high(int fd) {
  const int moved = ::fcntl(fd, F_DUPFD_CLOEXEC, 10);
  ::close(fd);
  return moved;
}

}  // namespace

Result<std::unique_ptr<WorkerProcess>> WorkerProcess::start(const std::string& program,
                                                            std::int64_t queue_bytes,
                                                            double home_seconds) {
  // Requests go over a socket: a write to a worker that is gone must not raise SIGPIPE here.
  int request[2], reply[2];
  if (::socketpair(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0, request) != 0)
    return fail(Fault::unavailable, std::string("the bed worker cannot be started (") +
                                        std::strerror(errno) + "); start lapwright again");
  if (::pipe2(reply, O_CLOEXEC) != 0) {
    const int why = errno;
    ::close(request[0]), ::close(request[1]);
    return fail(Fault::unavailable, std::string("the bed worker cannot be started (") +
                                        std::strerror(why) + "); start lapwright again");
  }
  const int theirs_in = high(request[1]), theirs_out = high(reply[1]);
  ::fcntl(reply[0], F_SETPIPE_SZ, 1 << 20);
  // Drivers print as they like; standard output belongs to the command's own result.
  const auto pid = core::start({program, "bed-worker"}, {{2, 1}, {theirs_in, 3}, {theirs_out, 4}});
  ::close(theirs_in), ::close(theirs_out);
  if (!pid) {
    ::close(request[0]), ::close(reply[0]);
    return fail(pid.error().fault, "the bed worker: " + pid.error().text);
  }
  return std::unique_ptr<WorkerProcess>(
      new WorkerProcess(*pid, request[0], reply[0], queue_bytes, home_seconds));
}

WorkerProcess::WorkerProcess(pid_t pid, int request, int reply, std::int64_t queue_bytes,
                             double home_seconds)
    : pid_(pid),
      request_(request),
      reply_(reply),
      queue_bytes_(queue_bytes),
      home_seconds_(home_seconds),
      heard_(now()) {
  reader_ = std::thread([this] { read_replies(); });
}

WorkerProcess::~WorkerProcess() {
  discard();
  ::shutdown(request_, SHUT_RDWR);
  if (!exited(home_seconds_)) kill();
  while (!reaped_) exited(1);
  reader_.join();
  ::close(request_);
  ::close(reply_);
}

void WorkerProcess::say(const std::string& line) {
  std::string text = line + "\n";
  const char* at = text.data();
  for (std::size_t left = text.size(); left > 0;) {
    const ssize_t n = ::send(request_, at, left, MSG_NOSIGNAL);
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) return;
    at += n;
    left -= static_cast<std::size_t>(n);
  }
}

void WorkerProcess::read_replies() {
  Message m;
  while (read_message(reply_, m)) {
    std::unique_lock lock(mutex_);
    heard_ = now();
    room_.wait(lock, [&] { return discard_ || queued_ < queue_bytes_; });
    heard_ = now();
    if (discard_ && m.kind == MessageKind::rows) continue;
    queued_ += static_cast<std::int64_t>(m.body.size());
    queue_.push_back(std::move(m));
    came_.notify_one();
    m = {};
  }
  std::lock_guard lock(mutex_);
  closed_ = true;
  came_.notify_all();
}

std::optional<Message> WorkerProcess::next(double seconds) {
  std::unique_lock lock(mutex_);
  came_.wait_for(lock, std::chrono::duration<double>(seconds),
                 [&] { return !queue_.empty() || closed_; });
  if (queue_.empty()) return std::nullopt;
  Message m = std::move(queue_.front());
  queue_.pop_front();
  queued_ -= static_cast<std::int64_t>(m.body.size());
  room_.notify_one();
  return m;
}

bool WorkerProcess::silent() {
  std::lock_guard lock(mutex_);
  return closed_ && queue_.empty();
}

double WorkerProcess::idle_seconds() {
  std::lock_guard lock(mutex_);
  return queue_.empty() ? now() - heard_ : 0;
}

void WorkerProcess::discard() {
  std::lock_guard lock(mutex_);
  discard_ = true;
  room_.notify_all();
}

void WorkerProcess::kill() {
  if (reaped_) return;
  ::kill(-pid_, SIGKILL);
  ::kill(pid_, SIGKILL);
}

bool WorkerProcess::exited(double seconds) {
  if (reaped_) return true;
  for (const double until = now() + seconds;;) {
    int status = 0;
    const pid_t got = ::waitpid(pid_, &status, WNOHANG);
    if (got == pid_ || (got < 0 && errno == ECHILD)) {
      reaped_ = true;
      return true;
    }
    if (now() >= until) return false;
    std::this_thread::sleep_for(std::chrono::milliseconds(2));
  }
}

}  // namespace lapwright::bed
