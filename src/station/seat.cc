#include "station/seat.h"

#include <fcntl.h>
#include <poll.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <chrono>
#include <cstdlib>
#include <cstring>
#include <mutex>
#include <optional>
#include <thread>
#include <utility>
#include <vector>

#include "station/events.h"
#include "station/recent.h"

namespace lapwright::station {
namespace {

namespace fs = std::filesystem;

class Fd {
 public:
  explicit Fd(int fd = -1) : fd_(fd) {}
  Fd(Fd&& o) noexcept : fd_(std::exchange(o.fd_, -1)) {}
  Fd& operator=(Fd&& o) noexcept {
    std::swap(fd_, o.fd_);
    return *this;
  }
  ~Fd() {
    if (fd_ >= 0) ::close(fd_);
  }
  explicit operator bool() const { return fd_ >= 0; }
  int get() const { return fd_; }
  int release() { return std::exchange(fd_, -1); }

 private:
  int fd_;
};

/// Where the socket may lie, the best place first.
std::vector<fs::path> folders() {
  std::vector<fs::path> out;
  const auto absolute = [](const char* name) -> fs::path {
    const char* value = std::getenv(name);
    return value && value[0] == '/' ? fs::path(value) : fs::path();
  };
  if (const fs::path runtime = absolute("XDG_RUNTIME_DIR"); !runtime.empty()) out.push_back(runtime / "lapwright");
  fs::path state = absolute("XDG_STATE_HOME");
  if (const fs::path home = absolute("HOME"); state.empty() && !home.empty()) state = home / ".local" / "state";
  if (!state.empty()) out.push_back(state / "lapwright" / "run");
  return out;
}

/// The folder, when it is this user's alone.
Result<Fd> open_folder(const fs::path& folder) {
  const auto wrong = [&](const std::string& what) { return fail(Fault::cannot_create, folder.string() + ": " + what); };
  Fd fd(::open(folder.c_str(), O_DIRECTORY | O_NOFOLLOW | O_CLOEXEC));
  if (!fd) return wrong(std::string("cannot be opened: ") + std::strerror(errno));
  struct stat s {};
  if (::fstat(fd.get(), &s) != 0 || s.st_uid != ::geteuid() || (s.st_mode & 077) != 0)
    return wrong("must belong to you and be closed to all others (mode 0700)");
  return fd;
}

Result<Fd> make_folder(const fs::path& folder) {
  std::error_code trouble;
  fs::create_directories(folder.parent_path(), trouble);
  if (::mkdir(folder.c_str(), 0700) != 0 && errno != EEXIST)
    return fail(Fault::cannot_create, folder.string() + ": cannot be made: " + std::strerror(errno));
  return open_folder(folder);
}

std::string name_of(const fs::path& archive) {
  struct stat s {};
  if (::stat(archive.c_str(), &s) != 0) return {};
  char name[80];
  std::snprintf(name, sizeof name, "seat-%llx-%llx", static_cast<unsigned long long>(s.st_dev), static_cast<unsigned long long>(s.st_ino));
  return name;
}

/// By way of the open folder: short enough for a socket's address, and the folder that was looked at.
sockaddr_un address(const Fd& folder, const std::string& name) {
  sockaddr_un a{};
  a.sun_family = AF_UNIX;
  std::snprintf(a.sun_path, sizeof a.sun_path, "/proc/self/fd/%d/%s", folder.get(), name.c_str());
  return a;
}

bool same_user(int fd) {
  ucred who{};
  socklen_t bytes = sizeof who;
  return ::getsockopt(fd, SOL_SOCKET, SO_PEERCRED, &who, &bytes) == 0 && who.uid == ::geteuid();
}

struct Listener {
  Fd fd;
  std::string out, in;
  bool lost = false;
};

}  // namespace

struct Seat::Room {
  std::mutex lock;
  Recent recent;  // under the lock, as are the listeners' queues
  std::vector<Listener> listeners;
  bool closing = false;

  Fd wake{::eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK)}, folder, door;
  std::string name;
  std::function<void(Heard)> heard;
  std::optional<std::chrono::steady_clock::time_point> pressed;
  bool full = false;  // out of descriptors: not accepted again at once
  std::thread thread;

  void ring() const {
    const std::uint64_t one = 1;
    (void)!::write(wake.get(), &one, sizeof one);
  }

  Result<> open_door(const fs::path& archive) {
    name = name_of(archive);
    if (name.empty()) return fail(Fault::cannot_create, archive.string() + ": cannot be looked at: " + std::strerror(errno));
    std::optional<Error> why;
    for (const fs::path& place : folders()) {
      auto made = make_folder(place);
      if (!made) {
        if (!why) why = made.error();
        continue;
      }
      folder = std::move(*made);
      ::unlinkat(folder.get(), name.c_str(), 0);  // a dead station's: the archive is ours
      Fd fd(::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0));
      const sockaddr_un at = address(folder, name);
      if (fd && ::bind(fd.get(), reinterpret_cast<const sockaddr*>(&at), sizeof at) == 0 &&
          ::fchmodat(folder.get(), name.c_str(), 0600, 0) == 0 && ::listen(fd.get(), 8) == 0) {
        door = std::move(fd);
        return {};
      }
      if (!why) why = Error{Fault::cannot_create, (place / name).string() + ": cannot be listened on: " + std::strerror(errno)};
      ::unlinkat(folder.get(), name.c_str(), 0);
    }
    return fail(why.value_or(Error{Fault::cannot_create, "neither XDG_RUNTIME_DIR nor HOME names a folder for the page's way to this station"}));
  }

  void serve() {
    std::vector<pollfd> polls;
    for (;;) {
      {
        const std::lock_guard guard(lock);
        if (closing) return;
        std::erase_if(listeners, [](const Listener& l) { return l.lost; });
        polls.assign({{wake.get(), POLLIN, 0}, {full ? -1 : door.get(), POLLIN, 0}});
        for (const Listener& l : listeners)
          polls.push_back({l.fd.get(), static_cast<short>(l.out.empty() ? POLLIN : POLLIN | POLLOUT), 0});
      }
      const int ready = ::poll(polls.data(), polls.size(), full ? 200 : -1);
      full = false;
      if (ready < 0 && errno != EINTR) return;
      if (ready <= 0) continue;
      std::uint64_t rung;
      if (polls[0].revents) (void)!::read(wake.get(), &rung, sizeof rung);
      std::vector<Heard> words;
      {
        const std::lock_guard guard(lock);
        for (std::size_t i = 0; i + 2 < polls.size(); ++i) {
          if (polls[i + 2].revents & (POLLIN | POLLERR | POLLHUP)) read(listeners[i], words);
          if (!listeners[i].lost && (polls[i + 2].revents & POLLOUT)) write(listeners[i]);
        }
        if (polls[1].revents) admit();
      }
      for (Heard& word : words) heard(std::move(word));
    }
  }

  void admit() {
    Fd fd(::accept4(door.get(), nullptr, nullptr, SOCK_CLOEXEC | SOCK_NONBLOCK));
    if (!fd) {
      full = errno != EAGAIN && errno != EINTR && errno != ECONNABORTED;
      return;
    }
    if (listeners.size() >= most_listeners || !same_user(fd.get())) return;
    Listener l{.fd = std::move(fd), .out = {}, .in = {}};
    for (const Json& e : recent.events()) l.out += line_of(e);
    listeners.push_back(std::move(l));
  }

  static void write(Listener& l) {
    const ssize_t n = ::send(l.fd.get(), l.out.data(), l.out.size(), MSG_NOSIGNAL);
    if (n >= 0) l.out.erase(0, static_cast<std::size_t>(n));
    else if (errno != EAGAIN && errno != EINTR) l.lost = true;
  }

  void read(Listener& l, std::vector<Heard>& words) {
    char data[256];
    const ssize_t n = ::recv(l.fd.get(), data, sizeof data, 0);
    if (n < 0 && (errno == EAGAIN || errno == EINTR)) return;
    if (n <= 0) {
      l.lost = true;
      return;
    }
    for (ssize_t i = 0; i < n && !l.lost; ++i) {
      if (data[i] != '\n') {
        l.in += data[i];
        l.lost = l.in.size() > longest_word;
        continue;
      }
      if (l.in == "key") {
        const auto now = std::chrono::steady_clock::now();
        if (!pressed || now - *pressed >= std::chrono::milliseconds(150)) words.push_back({});
        pressed = now;
      } else if (l.in == "cancel") {
        words.push_back({.word = "cancel"});
      } else {
        l.lost = true;
      }
      l.in.clear();
    }
  }
};

Seat::Seat() : room_(std::make_unique<Room>()) {}

Seat::~Seat() {
  if (!room_->thread.joinable()) return;
  {
    const std::lock_guard guard(room_->lock);
    room_->closing = true;
  }
  room_->ring();
  room_->thread.join();
  // What ended it is often the last thing told: as much of it as goes without waiting.
  for (Listener& l : room_->listeners)
    if (!l.lost && !l.out.empty()) Room::write(l);
  ::unlinkat(room_->folder.get(), room_->name.c_str(), 0);
}

Result<> Seat::open(const fs::path& archive, std::function<void(Heard)> heard) {
  if (auto r = room_->open_door(archive); !r) return r;
  room_->heard = std::move(heard);
  room_->thread = std::thread([room = room_.get()] { room->serve(); });
  return {};
}

void Seat::tell(const Json& event) {
  const std::lock_guard guard(room_->lock);
  room_->recent.take(event);
  if (room_->listeners.empty()) return;
  const std::string line = line_of(event);
  for (Listener& l : room_->listeners) {
    if (l.lost) continue;
    if (l.out.size() + line.size() > most_behind) l.lost = true;
    else l.out += line;
  }
  room_->ring();
}

Result<int> take_seat(const fs::path& archive) {
  const std::string name = name_of(archive);
  for (const fs::path& place : folders()) {
    if (name.empty()) break;
    auto folder = open_folder(place);
    if (!folder) continue;
    Fd fd(::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0));
    const sockaddr_un at = address(*folder, name);
    if (fd && ::connect(fd.get(), reinterpret_cast<const sockaddr*>(&at), sizeof at) == 0 && same_user(fd.get())) return fd.release();
  }
  return fail(Fault::no_input, "no station is at work on " + archive.string());
}

}  // namespace lapwright::station
