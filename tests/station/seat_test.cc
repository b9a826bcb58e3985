// The seat at the bed against real sockets: what a newcomer is told, and that nobody who sits there can make the station wait.
#include "station/seat.h"

#include <gmock/gmock.h>
#include <poll.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <sys/wait.h>
#include <unistd.h>

#include <atomic>
#include <condition_variable>
#include <csignal>
#include <cstdlib>
#include <fstream>
#include <mutex>
#include <optional>
#include <thread>
#include <vector>

#include "core/clock.h"
#include "core/files.h"
#include "station/events.h"
#include "station/recent.h"

namespace lapwright::station {
namespace {

namespace fs = std::filesystem;
using ::testing::ElementsAre;

Json event(const std::string& kind, Json members = Json::object()) {
  Json e = {{"at", "2026-05-02T18:00:00.000Z"}, {"event", kind}};
  e.update(members);
  return e;
}

std::vector<std::string> kinds(const std::vector<Json>& events) {
  std::vector<std::string> out;
  for (const Json& e : events) out.push_back(e.at("event"));
  return out;
}

class Sitter {
 public:
  explicit Sitter(int fd) : fd_(fd) {}
  Sitter(Sitter&& o) noexcept : fd_(std::exchange(o.fd_, -1)), rest_(std::move(o.rest_)) {}
  ~Sitter() {
    if (fd_ >= 0) ::close(fd_);
  }
  bool say(const std::string& text) const { return ::send(fd_, text.data(), text.size(), MSG_NOSIGNAL) == static_cast<ssize_t>(text.size()); }
  /// The next `n` lines, or those that came before the end or within the time.
  std::vector<Json> lines(std::size_t n, double seconds = 10) {
    std::vector<Json> out;
    const core::Stopwatch watch;
    while (out.size() < n) {
      if (const auto end = rest_.find('\n'); end != std::string::npos) {
        out.push_back(Json::parse(rest_.substr(0, end)));
        rest_.erase(0, end + 1);
        continue;
      }
      if (!more(seconds - watch.seconds())) break;
    }
    return out;
  }
  /// Whether the other side has ended it, within the time.
  bool shown_out(double seconds = 10) {
    const core::Stopwatch watch;
    while (!ended_ && watch.seconds() < seconds) more(seconds - watch.seconds());
    return ended_;
  }

 private:
  bool more(double seconds) {
    pollfd p{fd_, POLLIN, 0};
    if (ended_ || seconds <= 0 || ::poll(&p, 1, static_cast<int>(seconds * 1000)) <= 0) return false;
    char data[65536];
    const ssize_t n = ::recv(fd_, data, sizeof data, 0);
    if (n > 0) rest_.append(data, static_cast<std::size_t>(n));
    ended_ = n == 0 || (n < 0 && errno != EAGAIN);
    return n > 0;
  }
  int fd_;
  std::string rest_;
  bool ended_ = false;
};

class SeatTest : public ::testing::Test {
 protected:
  void SetUp() override {
    auto folder = core::temporary_folder();
    ASSERT_TRUE(folder);
    top_ = *folder;
    archive_ = top_ / "archive";
    fs::create_directories(archive_);
    fs::create_directories(top_ / "run");
    ::setenv("XDG_RUNTIME_DIR", (top_ / "run").c_str(), 1);
    ::setenv("XDG_STATE_HOME", (top_ / "state").c_str(), 1);
  }
  void TearDown() override {
    ::unsetenv("XDG_RUNTIME_DIR");
    ::unsetenv("XDG_STATE_HOME");
    fs::remove_all(top_);
  }
  Result<> open(Seat& seat) {
    return seat.open(archive_, [this](Heard h) {
      const std::lock_guard guard(lock_);
      heard_.push_back(h.word);
      wake_.notify_all();
    });
  }
  Sitter sit() {
    auto fd = take_seat(archive_);
    EXPECT_TRUE(fd) << fd.error().text;
    return Sitter(fd ? *fd : -1);
  }
  std::vector<std::string> heard(std::size_t n) {
    std::unique_lock guard(lock_);
    wake_.wait_for(guard, std::chrono::seconds(5), [&] { return heard_.size() >= n; });
    return heard_;
  }
  fs::path socket_in(const fs::path& folder) {
    for (const auto& e : fs::directory_iterator(folder)) return e.path();
    return {};
  }

  fs::path top_, archive_;
  std::mutex lock_;
  std::condition_variable wake_;
  std::vector<std::string> heard_;
};

TEST_F(SeatTest, ANewcomerHearsWhatStillHoldsThenEveryEventAsItStandsInTheStream) {
  const fs::path file = top_ / "events.jsonl";
  auto stream = EventStream::open(file.string());
  ASSERT_TRUE(stream);
  Seat seat;
  (*stream)->also([&](const Json& e) { seat.tell(e); });
  (*stream)->emit("ready", {{"bed", "b"}});
  (*stream)->emit("place", {{"roll", "r"}, {"pass", 1}});
  (*stream)->emit("key", Json::object());
  (*stream)->emit("capture", {{"line", 1}});
  (*stream)->emit("capture", {{"line", 2}});
  ASSERT_TRUE(open(seat));
  Sitter sitter = sit();
  const auto before = sitter.lines(4);
  EXPECT_THAT(kinds(before), ElementsAre("ready", "place", "key", "capture"));
  EXPECT_EQ(before.at(3).at("line"), 2);
  (*stream)->emit("captured", {{"file", "\xff not UTF-8"}});
  const auto after = sitter.lines(1);
  std::ifstream in(file);
  std::vector<std::string> lines;
  for (std::string line; std::getline(in, line);) lines.push_back(line);
  ASSERT_EQ(lines.size(), 6u);
  EXPECT_EQ(after.at(0).dump(), Json::parse(lines.back()).dump());
}

TEST_F(SeatTest, TheKeyAndCancelAreHeardAndANervousKeyIsOne) {
  Seat seat;
  ASSERT_TRUE(open(seat));
  Sitter sitter = sit();
  ASSERT_TRUE(sitter.say("key\nkey\ncancel\n"));
  EXPECT_THAT(heard(2), ElementsAre("", "cancel"));
  std::this_thread::sleep_for(std::chrono::milliseconds(200));
  ASSERT_TRUE(sitter.say("ke"));
  ASSERT_TRUE(sitter.say("y\n"));
  EXPECT_THAT(heard(3), ElementsAre("", "cancel", ""));
}

TEST_F(SeatTest, WhoSaysAnythingElseIsShownOutAndTheOthersStay) {
  Seat seat;
  ASSERT_TRUE(open(seat));
  Sitter good = sit();
  for (const std::string& text : {std::string("stop\n"), std::string("\n"), std::string("KEY\n"), std::string("key \n"), std::string("GET / HTTP/1.1\r\n"),
                                  std::string("ke\0y\n", 5), std::string(longest_word + 1, 'k'), std::string(100000, '\xff')}) {
    Sitter bad = sit();
    (void)bad.say(text);
    EXPECT_TRUE(bad.shown_out()) << text.substr(0, 20);
  }
  seat.tell(event("ready"));
  EXPECT_THAT(kinds(good.lines(1)), ElementsAre("ready"));
  EXPECT_THAT(heard(0), ElementsAre()) << "nothing of it was a word";
}

TEST_F(SeatTest, AListenerThatDoesNotReadIsShownOutAndNobodyWaitsForIt) {
  Seat seat;
  ASSERT_TRUE(open(seat));
  seat.tell(event("ready"));
  Sitter slow = sit(), quick = sit();
  ASSERT_EQ(slow.lines(1).size() + quick.lines(1).size(), 2u);  // both are in
  constexpr std::size_t many = 2000, abreast = 30;  // of 4 kB each: less than a listener may be behind
  std::atomic<std::size_t> got{0};
  std::thread reader([&] {
    while (got < many && !quick.lines(1, 60).empty()) ++got;
  });
  const std::string filling(4000, 'x');
  double longest = 0;
  for (std::size_t i = 0; i < many; ++i) {
    const core::Stopwatch waited;
    while (i > got + abreast && waited.seconds() < 60) std::this_thread::sleep_for(std::chrono::milliseconds(1));
    const core::Stopwatch one;
    seat.tell(event("capture", {{"line", i}, {"filling", filling}}));
    longest = std::max(longest, one.seconds());
  }
  reader.join();
  EXPECT_LT(longest, 2);
  EXPECT_EQ(got, many) << "one that reads misses nothing";
  EXPECT_LT(slow.lines(many, 20).size(), many / 2);
  EXPECT_TRUE(slow.shown_out());
}

TEST_F(SeatTest, SixteenAndNoMoreAndAFreeSeatIsTakenAgain) {
  Seat seat;
  seat.tell(event("ready"));
  ASSERT_TRUE(open(seat));
  std::vector<Sitter> sitters;
  for (std::size_t i = 0; i < most_listeners; ++i) {
    sitters.push_back(sit());
    ASSERT_EQ(sitters.back().lines(1).size(), 1u) << i;
  }
  for (int i = 0; i < 50; ++i) {
    Sitter more = sit();
    EXPECT_TRUE(more.shown_out());
    EXPECT_TRUE(more.lines(1, 0.1).empty());
  }
  sitters.pop_back();
  bool in = false;
  for (int i = 0; i < 100 && !in; ++i) in = sit().lines(1, 0.1).size() == 1;
  EXPECT_TRUE(in);
}

TEST_F(SeatTest, AKilledStationsSocketIsNobodyAndIsReplaced) {
  const pid_t child = ::fork();
  if (child == 0) {
    Seat seat;
    const bool open = seat.open(archive_, [](Heard) {}).has_value();
    ::kill(::getpid(), open ? SIGKILL : SIGTERM);
  }
  int status = 0;
  ASSERT_EQ(::waitpid(child, &status, 0), child);
  ASSERT_EQ(WTERMSIG(status), SIGKILL);
  ASSERT_TRUE(fs::is_socket(socket_in(top_ / "run" / "lapwright")));
  const auto nobody = take_seat(archive_);
  ASSERT_FALSE(nobody);
  EXPECT_EQ(nobody.error().fault, Fault::no_input);
  {
    Seat seat;
    seat.tell(event("ready"));
    ASSERT_TRUE(open(seat));
    EXPECT_EQ(sit().lines(1).size(), 1u);
  }
  EXPECT_TRUE(fs::is_empty(top_ / "run" / "lapwright")) << "its socket goes with it";
  EXPECT_FALSE(take_seat(archive_));
}

TEST_F(SeatTest, OnlyThisUserFindsItAndIsLetIn) {
  Seat seat;
  ASSERT_TRUE(open(seat));
  const fs::path folder = top_ / "run" / "lapwright", socket = socket_in(folder);
  struct stat s {};
  ASSERT_EQ(::stat(folder.c_str(), &s), 0);
  EXPECT_EQ(s.st_mode & 0777, 0700u);
  ASSERT_EQ(::stat(socket.c_str(), &s), 0);
  EXPECT_EQ(s.st_mode & 0777, 0600u);
  if (::geteuid() != 0) GTEST_SKIP() << "another user can be tried by root only";
  // Even where the folder's and the socket's own rights let another user come as far as the door.
  for (const auto& [path, mode] : {std::pair{top_, 0711}, {top_ / "run", 0711}, {folder, 0711}, {socket, 0666}}) ASSERT_EQ(::chmod(path.c_str(), static_cast<mode_t>(mode)), 0);
  seat.tell(event("ready"));
  const pid_t child = ::fork();
  if (child == 0) {
    sockaddr_un at{};
    at.sun_family = AF_UNIX;
    std::snprintf(at.sun_path, sizeof at.sun_path, "%s", socket.c_str());
    const int fd = ::socket(AF_UNIX, SOCK_STREAM, 0);
    if (::setuid(65534) != 0 || ::connect(fd, reinterpret_cast<const sockaddr*>(&at), sizeof at) != 0) ::_exit(2);
    char byte;
    ::_exit(::recv(fd, &byte, 1, 0) == 0 ? 0 : 1);
  }
  int status = 0;
  ASSERT_EQ(::waitpid(child, &status, 0), child);
  EXPECT_EQ(WEXITSTATUS(status), 0) << "1: it was told something; 2: it did not come to the door";
}

TEST_F(SeatTest, AFolderThatOthersMayEnterIsNotUsed) {
  fs::create_directories(top_ / "run" / "lapwright");
  fs::permissions(top_ / "run" / "lapwright", fs::perms(0755));
  {
    Seat seat;
    ASSERT_TRUE(open(seat)) << "the state folder stands in";
    EXPECT_TRUE(fs::is_socket(socket_in(top_ / "state" / "lapwright" / "run")));
    EXPECT_TRUE(take_seat(archive_));
  }
  fs::permissions(top_ / "state" / "lapwright" / "run", fs::perms(0770));
  Seat seat;
  const auto refused = open(seat);
  ASSERT_FALSE(refused);
  EXPECT_EQ(refused.error().fault, Fault::cannot_create);
  EXPECT_THAT(refused.error().text, ::testing::HasSubstr("0700"));
  // A link in the folder's place is somebody's trick.
  fs::remove_all(top_ / "run" / "lapwright");
  fs::create_directory(top_ / "mine");
  fs::permissions(top_ / "mine", fs::perms(0700));
  fs::create_symlink(top_ / "mine", top_ / "run" / "lapwright");
  Seat another;
  EXPECT_FALSE(open(another));
  EXPECT_TRUE(fs::is_empty(top_ / "mine"));
}

TEST_F(SeatTest, WhateverPathLeadsToTheArchiveItIsTheSameSeat) {
  const fs::path deep = top_ / "run" / std::string(90, 'd') / std::string(90, 'e');  // longer than a socket's address may be
  fs::create_directories(deep);
  ::setenv("XDG_RUNTIME_DIR", deep.c_str(), 1);
  Seat seat;
  seat.tell(event("ready"));
  ASSERT_TRUE(open(seat));
  fs::create_symlink(archive_, top_ / "another way");
  for (const fs::path& path : {archive_, top_ / "another way", archive_ / "." / ".." / "archive"}) {
    const auto fd = take_seat(path);
    ASSERT_TRUE(fd) << path;
    EXPECT_EQ(Sitter(*fd).lines(1).size(), 1u);
  }
  fs::create_directories(top_ / "other archive");
  EXPECT_FALSE(take_seat(top_ / "other archive"));
  EXPECT_FALSE(take_seat(top_ / "none"));
}

TEST(Recent, WhatWasSaidOfTheTryBeforeStaysUntilTheNextKey) {
  Recent r;
  for (const char* kind : {"ready", "place", "key", "look", "again", "place"}) r.take(event(kind));
  EXPECT_THAT(kinds(r.events()), ElementsAre("ready", "look", "again", "place"));
  EXPECT_EQ(r.about(), "placing");
  r.take(event("key"));
  EXPECT_THAT(kinds(r.events()), ElementsAre("ready", "place", "key"));
  EXPECT_EQ(r.about(), "looking");
  for (const char* kind : {"look", "pass", "capture", "capture"}) r.take(event(kind));
  EXPECT_EQ(r.about(), "capturing");
  r.take(event("captured"));
  EXPECT_EQ(r.about(), "checking");
  EXPECT_THAT(kinds(r.events()), ElementsAre("ready", "place", "key", "look", "pass", "captured"));
}

TEST(Recent, ARollThatHasLeftTheBedIsKeptUntilItIsDoneOrHasFailed) {
  Recent r;
  for (const char* kind : {"ready", "place", "key", "captured"}) r.take(event(kind, {{"roll", "a"}}));
  r.take(event("handed_over", {{"roll", "a"}}));
  EXPECT_EQ(r.about(), "seeking");
  r.take(event("place", {{"roll", "b"}}));
  r.take(event("joined", {{"roll", "a"}}));
  EXPECT_EQ(r.about(), "placing") << "what goes on by itself does not change what the bed is about";
  EXPECT_THAT(kinds(r.events()), ElementsAre("ready", "handed_over", "place", "joined"));
  r.take(event("handed_over", {{"roll", "b"}}));
  r.take(event("done", {{"roll", "a"}}));
  EXPECT_THAT(kinds(r.events()), ElementsAre("ready", "handed_over", "done"));
  EXPECT_EQ(r.of("handed_over")->at("roll"), "b");
  r.take(event("fault", {{"roll", "b"}}));
  EXPECT_THAT(kinds(r.events()), ElementsAre("ready", "done", "fault"));
  r.take(event("ready"));
  EXPECT_THAT(kinds(r.events()), ElementsAre("ready"));
}

TEST(Recent, ItDoesNotGrowAndTakesNothingThatItDoesNotKnow) {
  Recent r;
  for (int i = 0; i < 300; ++i)
    for (const char* kind : {"place", "key", "look", "pass", "busy", "capture", "captured", "lap", "again", "fault", "waiting", "compared"}) r.take(event(kind));
  EXPECT_LT(r.events().size(), 12u);
  EXPECT_FALSE(r.take(event("something new")));
  EXPECT_FALSE(r.take(Json::array({1, 2})));
  EXPECT_FALSE(r.take(Json{{"event", 7}}));
  EXPECT_TRUE(r.take(Json{{"event", "look"}, {"roll", nullptr}}));
}

}  // namespace
}  // namespace lapwright::station
