#include "review/attendant.h"

#include <fcntl.h>
#include <poll.h>
#include <termios.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <chrono>
#include <cstdlib>
#include <thread>
#include <utility>

#include "core/clock.h"
#include "review/qr.h"

namespace lapwright::review {
namespace {

constexpr double deaf_seconds = 0.7;  // after a question came up

}  // namespace

struct Attendant::Impl {
  Impl(Tablets& t, How h) : tablets(t), how(std::move(h)) {
    if (::pipe2(wake, O_CLOEXEC) != 0) wake[0] = wake[1] = -1;
    keys = ::isatty(0) == 1 && ::isatty(2) == 1;
    screen = ::isatty(2) == 1;
    thread = std::thread([this] { serve(); });
  }
  ~Impl() {
    ended = true;
    if (wake[1] >= 0) (void)!::write(wake[1], "x", 1);
    thread.join();
    if (taken) ::tcsetattr(0, TCSANOW, &before);
    for (const int fd : wake)
      if (fd >= 0) ::close(fd);
  }

  void serve() {
    show_code();
    while (!ended) {
      const bool mine = keys && how.open() && take_terminal();
      pollfd from[2] = {{wake[0], POLLIN, 0}, {mine ? 0 : -1, POLLIN, 0}};
      ::poll(from, 2, 200);
      if (ended) return;
      if (how.open() && (watch.seconds() >= how.seconds || std::chrono::system_clock::now() >= until))
        how.over();
      if (mine && from[1].revents != 0) hear();
      ask();
    }
  }

  /// Keys one at a time and unseen; false while another program has the terminal.
  bool take_terminal() {
    const pid_t owner = ::tcgetpgrp(0);  // -1: it is nobody's terminal in particular
    if (owner >= 0 && owner != ::getpgrp()) return false;
    termios now{};
    if (::tcgetattr(0, &now) != 0) return false;
    if ((now.c_lflag & ICANON) == 0) return true;
    if (!taken) before = now;
    taken = true;
    now.c_lflag &= ~static_cast<tcflag_t>(ICANON | ECHO);
    return ::tcsetattr(0, TCSANOW, &now) == 0;
  }

  void hear() {
    char typed[64];
    const ssize_t n = ::read(0, typed, sizeof typed);
    if (n <= 0) {
      keys = false;
      return;
    }
    for (ssize_t i = 0; i < n; ++i) {
      const char c = typed[i];
      if (c == 'c' || c == 'C') {
        tablets.new_code();
        show_code();
      }
      const bool yes = c == '\n' || c == '\r' || c == 'y' || c == 'Y', no = c == 'n' || c == 'N';
      if (!yes && !no) continue;
      // Struck as the question came up, it was meant for something else.
      if (!asked.empty() && since.seconds() < deaf_seconds) continue;
      if (asked.empty()) {
        how.say("No tablet asks to be let in.");
        continue;
      }
      const std::string id = std::exchange(asked, {});
      if (!tablets.decide(id, yes, "by key")) how.say("Tablet " + id + " does not ask any more.");
      return;  // the next question wants its own key
    }
  }

  /// One question at a time; the first that came is the first that is asked.
  void ask() {
    const auto asking = tablets.asking();
    if (std::any_of(asking.begin(), asking.end(), [&](const auto& a) { return a.id == asked; }))
      return;
    asked.clear();
    if (asking.empty()) return;
    const auto& first = asking.front();
    const std::string who = "Tablet " + first.id + ", " + first.address + ", asks to be let in";
    if (keys) {
      ::tcflush(0, TCIFLUSH);
      how.say("\a" + who + ". It shows the same name? Enter or y admits it, n refuses it.");
    } else {
      how.say(who + ": the operator's page admits or refuses it.");
    }
    asked = first.id;
    since.restart();
  }

  void show_code() {
    if (!screen) {
      how.say("The code for pairing stands on the operator's page, under Tablets.");
      return;
    }
    const auto code = tablets.code();
    if (!code) return;
    const char* plain = std::getenv("NO_COLOR");
    how.say(qr_blocks(how.url + "#/pair/" + code->text, !plain || !*plain) + how.url +
            "   code " + code->text + "   for five minutes and one tablet" +
            (keys ? "; c: a new code" : ""));
  }

  Tablets& tablets;
  How how;
  int wake[2] = {-1, -1};
  bool keys = false, screen = false, taken = false;
  termios before{};
  std::string asked;  // the tablet that the question on the screen is about
  core::Stopwatch watch, since;
  std::chrono::system_clock::time_point until =
      std::chrono::system_clock::now() +
      std::chrono::milliseconds(static_cast<std::int64_t>(how.seconds * 1000));
  std::atomic<bool> ended = false;
  std::thread thread;
};

Attendant::Attendant(Tablets& tablets, How how)
    : impl_(std::make_unique<Impl>(tablets, std::move(how))) {}
Attendant::~Attendant() = default;

}  // namespace lapwright::review
