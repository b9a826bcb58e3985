#include "station/key.h"

#include <fcntl.h>
#include <linux/input.h>
#include <poll.h>
#include <sys/eventfd.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

#include <atomic>
#include <cerrno>
#include <chrono>
#include <condition_variable>
#include <cstring>
#include <mutex>
#include <optional>
#include <thread>

namespace lapwright::station {

bool is_press(const void* bytes) {
  input_event e;
  std::memcpy(&e, bytes, sizeof e);
  return e.type == EV_KEY && e.value == 1;
}
std::size_t input_event_bytes() { return sizeof(input_event); }

namespace {

/// Reads a descriptor on a thread of its own until it ends or the source is destroyed.
class Listener : public KeySource {
 public:
  Listener(int fd, std::function<void(Heard)> heard)
      : fd_(fd), heard_(std::move(heard)), wake_(::eventfd(0, EFD_CLOEXEC)) {}
  ~Listener() override { stop(); }

 protected:
  void start() {
    thread_ = std::thread([this] { listen(); });
  }
  void stop() {
    if (!thread_.joinable()) return;
    const std::uint64_t one = 1;
    (void)!::write(wake_, &one, sizeof one);
    thread_.join();
    ::close(wake_);
  }
  virtual void take(const char* data, std::size_t n) = 0;
  virtual void at_end() {}
  void press() {
    const auto now = std::chrono::steady_clock::now();
    if (last_ && now - *last_ < std::chrono::milliseconds(150)) return;
    last_ = now;
    heard_({});
  }
  int fd_;
  std::function<void(Heard)> heard_;

 private:
  void listen() {
    char data[4096];
    for (;;) {
      pollfd p[2] = {{fd_, POLLIN, 0}, {wake_, POLLIN, 0}};
      if (::poll(p, 2, -1) < 0) {
        if (errno == EINTR) continue;
        break;
      }
      if (p[1].revents) return;
      const ssize_t n = ::read(fd_, data, sizeof data);
      if (n < 0 && (errno == EINTR || errno == EAGAIN)) continue;
      if (n <= 0) break;
      take(data, static_cast<std::size_t>(n));
    }
    at_end();
    heard_({.word = {}, .ended = true});
  }
  int wake_;
  std::optional<std::chrono::steady_clock::time_point> last_;
  std::thread thread_;
};

/// Every line is one press; a line that holds a word is a command. Lines are never merged: a script
/// may send two at once.
class Lines : public Listener {
 public:
  explicit Lines(std::function<void(Heard)> heard) : Listener(0, std::move(heard)) { start(); }
  ~Lines() override { stop(); }

 private:
  void take(const char* data, std::size_t n) override {
    for (std::size_t i = 0; i < n; ++i) {
      if (data[i] == '\n')
        say_line();
      else if (line_.size() < 200)
        line_ += data[i];
    }
  }
  void at_end() override {
    if (!line_.empty()) say_line();
  }
  void say_line() {
    const auto first = line_.find_first_not_of(" \t\r");
    const auto last = line_.find_last_not_of(" \t\r");
    heard_({.word = first == std::string::npos ? "" : line_.substr(first, last - first + 1),
            .ended = false});
    line_.clear();
  }
  std::string line_;
};

/// The space bar; a, s, c and q for again, skip, cancel and stop.
class Terminal : public Listener {
 public:
  explicit Terminal(std::function<void(Heard)> heard) : Listener(0, std::move(heard)) {
    ::tcgetattr(0, &before_);
    termios raw = before_;
    raw.c_lflag &= ~static_cast<tcflag_t>(ICANON | ECHO);
    ::tcsetattr(0, TCSANOW, &raw);
    start();
  }
  ~Terminal() override {
    stop();
    ::tcsetattr(0, TCSANOW, &before_);
  }

 private:
  void take(const char* data, std::size_t n) override {
    for (std::size_t i = 0; i < n; ++i) {
      if (data[i] == ' ' || data[i] == '\n') press();
      if (data[i] == 'a') heard_({"again"});
      if (data[i] == 's') heard_({"skip"});
      if (data[i] == 'c') heard_({"cancel"});
      if (data[i] == 'q') heard_({"stop"});
    }
  }
  termios before_{};
};

/// A keypad or pedal by its event device, held for the station alone so that its keys do not type
/// elsewhere.
class Pedal : public Listener {
 public:
  Pedal(int fd, std::function<void(Heard)> heard) : Listener(fd, std::move(heard)) {
    (void)::ioctl(fd_, EVIOCGRAB, 1);  // a recorded stream in a pipe cannot be held; that is fine
    start();
  }
  ~Pedal() override {
    stop();
    ::close(fd_);
  }

 private:
  void take(const char* data, std::size_t n) override {
    rest_.append(data, n);
    std::size_t at = 0;
    for (; rest_.size() - at >= sizeof(input_event); at += sizeof(input_event))
      if (is_press(rest_.data() + at)) press();
    rest_.erase(0, at);
  }
  std::string rest_;
};

/// The flatbed's own button, asked for only while a place waits: the device can do one thing at a
/// time.
class BedButton : public KeySource {
 public:
  BedButton(bed::Bed& bed, std::string device, std::function<void(Heard)> heard)
      : bed_(bed),
        device_(std::move(device)),
        heard_(std::move(heard)),
        thread_([this] { serve(); }) {}
  ~BedButton() override {
    {
      const std::lock_guard guard(lock_);
      closing_ = true;
      stop_ = true;
    }
    wake_.notify_all();
    thread_.join();
  }
  void arm(bool on) override {
    std::unique_lock guard(lock_);
    armed_ = on;
    stop_ = !on;
    wake_.notify_all();
    if (!on) wake_.wait(guard, [this] { return !asking_; });
  }

 private:
  void serve() {
    std::unique_lock guard(lock_);
    for (;;) {
      wake_.wait(guard, [this] { return closing_ || armed_; });
      if (closing_) return;
      asking_ = true;
      guard.unlock();
      auto pressed = bed_.wait_for_button(device_, stop_);
      guard.lock();
      asking_ = false;
      wake_.notify_all();
      if (!pressed) {
        // Told once, and asked again until the flatbed is back; without a button never again.
        const bool none = pressed.error().fault == Fault::usage;
        const bool told = said_ == pressed.error().text;
        said_ = pressed.error().text;
        guard.unlock();
        if (!told) heard_({.word = {}, .ended = none, .fault = pressed.error()});
        guard.lock();
        if (none) return;
        wake_.wait_for(guard, std::chrono::milliseconds(500), [this] { return closing_; });
      } else if (said_.clear(); *pressed) {
        armed_ = false;
        guard.unlock();
        heard_({});
        guard.lock();
      }
    }
  }

  bed::Bed& bed_;
  const std::string device_;
  const std::function<void(Heard)> heard_;
  std::mutex lock_;
  std::condition_variable wake_;
  std::atomic<bool> stop_{false};
  bool armed_ = false, asking_ = false, closing_ = false;
  std::string said_;  // the last fault
  std::thread thread_;
};

}  // namespace

Result<std::unique_ptr<KeySource>> make_key_source(const std::string& key, bed::Bed& bed,
                                                   const std::string& device,
                                                   std::function<void(Heard)> heard) {
  if (key == "page") return std::make_unique<KeySource>();  // seat.h hears it
  if (key == "stdin") return std::make_unique<Lines>(std::move(heard));
  if (key == "terminal") {
    if (!::isatty(0))
      return fail(Fault::usage,
                  "--key terminal needs a terminal on standard input; use --key stdin");
    return std::make_unique<Terminal>(std::move(heard));
  }
  if (key == "scanner") return std::make_unique<BedButton>(bed, device, std::move(heard));
  if (key.starts_with("evdev:")) {
    const std::string path = key.substr(6);
    const int fd = ::open(path.c_str(), O_RDONLY | O_CLOEXEC);
    if (fd < 0)
      return fail(Fault::no_input, "--key " + key + ": cannot be opened: " + std::strerror(errno));
    return std::make_unique<Pedal>(fd, std::move(heard));
  }
  return fail(Fault::usage,
              "--key " + key + ": no such key; right are terminal, stdin, page, scanner and evdev:PATH");
}

}  // namespace lapwright::station
