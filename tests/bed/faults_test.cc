// What can go wrong with a device or its driver ends in one sentence, in time, with nothing left
// behind. The faults are those of the SANE field notes, section 1.4 (T1-T24, tried on
// libsane 1.2.1).
#include <dirent.h>
#include <gtest/gtest.h>
#include <sane/sane.h>
#include <sys/resource.h>
#include <sys/wait.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <set>
#include <thread>

#include "bed/bench.h"
#include "core/clock.h"

namespace lapwright::bed {
namespace {

constexpr const char* device = "fake:depth-list";
Request request() {
  return {.device = device, .window = window_mm(2, 3, 50, 40), .ppi = {300}, .options = {}};
}

struct Outcome {
  Result<Captured> result;
  Keeper keeper;
  double seconds;
};
Outcome capture(const std::string& faults, WorkerOptions options = quick_options(),
                double stop_after = -1, Request r = request()) {
  SaneFolder sane("fake", faults);
  auto bed = make_sane_bed(options);
  Keeper keeper;
  std::atomic<bool> stop = false;
  core::Stopwatch watch;
  std::thread stopper;
  if (stop_after >= 0)
    stopper = std::thread([&] {
      std::this_thread::sleep_for(std::chrono::duration<double>(stop_after));
      stop = true;
    });
  auto result = bed->capture(r, keeper, stop);
  const double seconds = watch.seconds();
  if (stopper.joinable()) stopper.join();
  return {std::move(result), std::move(keeper), seconds};
}
void expect_fault(const Outcome& o, Fault kind, const std::string& words) {
  ASSERT_FALSE(o.result);
  EXPECT_EQ(static_cast<int>(o.result.error().fault), static_cast<int>(kind))
      << o.result.error().text;
  EXPECT_NE(o.result.error().text.find(words), std::string::npos) << o.result.error().text;
  EXPECT_EQ(o.result.error().text.find('\n'), std::string::npos);
}
bool no_children() { return ::waitpid(-1, nullptr, WNOHANG) == -1 && errno == ECHILD; }
int open_descriptors() {
  int n = 0;
  DIR* folder = ::opendir("/proc/self/fd");
  while (::readdir(folder)) ++n;
  ::closedir(folder);
  return n;
}

TEST(Reads, OfAnyLengthGiveTheSamePicture) {
  Request r = request();
  r.window = window_mm(2, 3, 20, 10);
  const Outcome whole = capture("", quick_options(), -1, r);
  ASSERT_TRUE(whole.result) << whole.result.error().text;
  for (const char* faults : {"short=7", "short=1001,zero", "zero"}) {
    const Outcome o = capture(faults, quick_options(), -1, r);
    ASSERT_TRUE(o.result) << o.result.error().text;
    EXPECT_EQ(o.keeper.samples, whole.keeper.samples) << faults;
  }
}

TEST(Faults, EarlyAndLateEnds) {
  expect_fault(capture("eof=100"), Fault::io, "100 of");
  expect_fault(capture("eof=0"), Fault::io, "0 of");
  expect_fault(capture("more"), Fault::io, "more than");
}

TEST(Faults, EveryStatusAtStartAndInReadingIsOneSentence) {
  // The standard's statuses and what they mean for the person: SANE Standard 1.0x, "Status type";
  // field notes 1.4, last line.
  const std::pair<int, Fault> table[] = {{SANE_STATUS_UNSUPPORTED, Fault::unavailable},
                                         {SANE_STATUS_CANCELLED, Fault::cancelled},
                                         {SANE_STATUS_INVAL, Fault::unavailable},
                                         {SANE_STATUS_EOF, Fault::io},
                                         {SANE_STATUS_JAMMED, Fault::unavailable},
                                         {SANE_STATUS_NO_DOCS, Fault::unavailable},
                                         {SANE_STATUS_COVER_OPEN, Fault::try_again},
                                         {SANE_STATUS_IO_ERROR, Fault::io},
                                         {SANE_STATUS_NO_MEM, Fault::unavailable},
                                         {SANE_STATUS_ACCESS_DENIED, Fault::unavailable},
                                         {1213486160, Fault::io}};
  for (const auto& [status, fault] : table) {
    expect_fault(capture("status=" + std::to_string(status)), fault, "starting the pass: ");
    if (status != SANE_STATUS_EOF)
      expect_fault(capture("read-status=" + std::to_string(status)), fault,
                   "reading the picture: ");
    expect_fault(capture("open-status=" + std::to_string(status)), fault, "opening fake:");
  }
}

TEST(Faults, BusyIsTriedAgainUntilItsTime) {
  const Outcome o = capture("busy=3");
  ASSERT_TRUE(o.result) << o.result.error().text;
  EXPECT_EQ(o.keeper.busy_count, 1);
  WorkerOptions short_time = quick_options();
  short_time.start_seconds = 1.5;
  expect_fault(capture("busy=1000", short_time), Fault::try_again, "busy");
}

TEST(Faults, ADriverThatDiesIsOneSentence) {
  expect_fault(capture("die=0"), Fault::io, "ended unexpectedly during the pass");
  expect_fault(capture("die=200"), Fault::io, "ended unexpectedly during the pass");
  EXPECT_TRUE(no_children());
}

TEST(Faults, AStallIsEndedByTheWatchdog) {
  WorkerOptions options = quick_options();
  options.stall_seconds = 1;
  options.start_seconds = 2;
  const Outcome o = capture("hang=100", options);
  expect_fault(o, Fault::io, "gave no row");
  // stall_seconds (start_seconds where no row came yet), then obey_seconds.
  EXPECT_LT(o.seconds, 5);
  EXPECT_TRUE(no_children());
}

TEST(Faults, AStartThatHangsIsEnded) {
  WorkerOptions options = quick_options();
  options.start_seconds = 1;
  const Outcome o = capture("hang-start", options);
  expect_fault(o, Fault::io, "did not start within 1 s");
  EXPECT_LT(o.seconds, 6);
}

TEST(Stop, IsObeyedSoonAndLeavesNothing) {
  // 5 ms a row: some seconds of scanning.
  const Outcome o = capture("slow=5", quick_options(), 0.6);
  expect_fault(o, Fault::cancelled, "stopped");
  EXPECT_LT(o.seconds, 0.6 + 0.25);
  EXPECT_GT(o.seconds, 0.55);
  EXPECT_TRUE(no_children());
}

TEST(Stop, DuringWarmUpToo) {
  const Outcome o = capture("busy=1000", quick_options(), 0.3);
  expect_fault(o, Fault::cancelled, "stopped");
  EXPECT_LT(o.seconds, 0.6);
}

class Refusing : public Keeper {
 public:
  Result<> rows(const std::uint16_t* s, std::int64_t count) override {
    if (row_count > 50) return fail(Fault::cannot_create, "the disk is full");
    return Keeper::rows(s, count);
  }
};
TEST(Stop, AReceiverThatFailsEndsThePass) {
  SaneFolder sane("fake", "slow=1");
  auto bed = make_sane_bed(quick_options());
  Refusing receiver;
  std::atomic<bool> stop = false;
  auto r = bed->capture(request(), receiver, stop);
  ASSERT_FALSE(r);
  EXPECT_EQ(r.error().text, "the disk is full");
  EXPECT_TRUE(no_children());
}

class Slow : public Keeper {
 public:
  Result<> rows(const std::uint16_t* s, std::int64_t count) override {
    std::this_thread::sleep_for(std::chrono::milliseconds(20));
    return Keeper::rows(s, count);
  }
};
TEST(Queue, HoldsTheWorkerBackWithoutLosingRows) {
  SaneFolder sane("fake");
  WorkerOptions options = quick_options();
  options.queue_bytes = 1 << 16;  // one message
  options.stall_seconds = 1;
  auto bed = make_sane_bed(options);
  Slow receiver;
  std::atomic<bool> stop = false;
  auto r = bed->capture(
      {.device = device, .window = window_mm(0, 0, 60, 100), .ppi = {600}, .options = {}}, receiver,
      stop);
  ASSERT_TRUE(r) << r.error().text;
  for (std::int64_t y = 0; y < r->format.height; ++y)
    ASSERT_EQ(receiver.at(0, y, 1), std::lround((static_cast<double>(y) + 0.5) * 25.4 / 600 * 200));
}

int threads() {
  return static_cast<int>(
      std::distance(std::filesystem::directory_iterator("/proc/self/task"), {}));
}
std::set<std::string> shared_memory() {
  std::set<std::string> names;
  for (const auto& entry : std::filesystem::directory_iterator("/dev/shm"))
    names.insert(entry.path().filename());
  return names;
}
/// What is there now and was not `before`, and stays: other programs come and go.
std::set<std::string> left_in_shared_memory(const std::set<std::string>& before) {
  std::set<std::string> left;
  for (const auto& name : shared_memory())
    if (!before.contains(name)) left.insert(name);
  for (int i = 0; i < 600 && !left.empty(); ++i) {
    std::this_thread::sleep_for(std::chrono::milliseconds(100));
    const auto now = shared_memory();
    std::erase_if(left, [&](const std::string& name) { return !now.contains(name); });
  }
  return left;
}

TEST(Cycles, FiveHundredWithFaultsLeaveNothingBehind) {
  // Every way that a pass can end, in turn.
  const char* const ends[] = {
      "",      "eof=3", "more", "status=9",    "busy=1", "read-status=9", "open-status=11",
      "die=0", "die=2", "zero", "hang-cancel", "hang=2", "set-status=9"};
  WorkerOptions options = quick_options();
  options.stall_seconds = 0.2, options.start_seconds = 0.4;
  options.obey_seconds = options.farewell_seconds = options.home_seconds = 0.1;
  SaneFolder sane("fake");
  auto bed = make_sane_bed(options);
  int whole = 0;
  const auto once = [&](int n) {
    const std::string faults = ends[static_cast<std::size_t>(n) % std::size(ends)];
    ::setenv("LAPWRIGHT_FAKE", faults.c_str(), 1);
    Keeper keeper;
    // Now and then the person stops the pass.
    const std::atomic<bool> stop = n % 5 == 4;
    whole += bed->capture({.device = "fake:list-gamma",
                           .window = window_mm(0, 0, 10, 5),
                           .ppi = {300},
                           .options = {}},
                          keeper, stop)
                 .has_value();
  };
  once(0);
  const int descriptors = open_descriptors(), threads_before = threads();
  const auto shared = shared_memory();
  for (int i = 0; i < 500; ++i) once(i);
  EXPECT_EQ(open_descriptors(), descriptors);
  EXPECT_EQ(threads(), threads_before);
  EXPECT_EQ(left_in_shared_memory(shared), std::set<std::string>{});
  EXPECT_TRUE(no_children());
  // Four of the thirteen ends give a whole pass: none, busy once, reads of nothing, a cancel that
  // hangs.
  EXPECT_GT(whole, 60);
  std::printf("%d of 501 passes were whole\n", whole);
}

TEST(Names, AFlatbedThatIsListedUnderAnotherNameIsFound) {
  SaneFolder sane("fake");
  auto bed = make_sane_bed(quick_options());
  ASSERT_TRUE(bed->list());
  // Switched off and on: a USB device is listed with another number.
  ::setenv("LAPWRIGHT_FAKE", "renamed", 1);
  Keeper keeper;
  const std::atomic<bool> stop = false;
  const auto r = bed->capture(request(), keeper, stop);
  ASSERT_TRUE(r) << r.error().text;
  EXPECT_EQ(keeper.at(0, 0, 2), 65535);
  EXPECT_EQ(r->device, "fake:depth-list-again");
  // Nobody knows what a name that was never listed stood for.
  const auto unknown = make_sane_bed(quick_options())->capture(request(), keeper, stop);
  ASSERT_FALSE(unknown);
  EXPECT_EQ(static_cast<int>(unknown.error().fault), static_cast<int>(Fault::unavailable));
}

TEST(Patience, MustBeANumber) {
  for (const char* wrong : {"", "long", "2x", "0", "1000", "nan"}) {
    ::setenv("LAPWRIGHT_BED_PATIENCE", wrong, 1);
    const auto all = make_sane_bed(quick_options())->list();
    ::unsetenv("LAPWRIGHT_BED_PATIENCE");
    ASSERT_FALSE(all) << wrong;
    EXPECT_EQ(static_cast<int>(all.error().fault), static_cast<int>(Fault::usage));
    EXPECT_NE(all.error().text.find("a number from 0.01 to 100"), std::string::npos);
  }
}

TEST(Settings, AConnectionThatFailsIsNoRefusal) {
  Request r = request();
  r.device = "fake:list-gamma";
  for (const int status : {SANE_STATUS_IO_ERROR, SANE_STATUS_DEVICE_BUSY, SANE_STATUS_CANCELLED}) {
    const Outcome o = capture("set-status=" + std::to_string(status), quick_options(), -1, r);
    ASSERT_FALSE(o.result) << "captured with a curve";
    EXPECT_NE(o.result.error().text.find("setting option gamma-correction: "), std::string::npos);
  }
  // What was set is read back, or the pass is not made.
  const Outcome o = capture("get-status=" + std::to_string(SANE_STATUS_IO_ERROR));
  ASSERT_FALSE(o.result) << "captured with a depth that nobody read";
  EXPECT_NE(o.result.error().text.find("reading option depth: "), std::string::npos);
}

/// A worker of another making: says what the test wants, and waits for its end.
class Nonsense {
 public:
  explicit Nonsense(const std::string& body) {
    std::ofstream out(path_, std::ios::trunc);
    out << "#!/usr/bin/env python3\nimport os, struct\nbody = " << body
        << "\nos.write(4, struct.pack('=II', 1, len(body)) + body)\nos.read(3, 1 << 20)\n";
    out.close();
    std::filesystem::permissions(path_, std::filesystem::perms::owner_all);
  }
  ~Nonsense() { std::filesystem::remove(path_); }
  std::string path() const { return path_; }

 private:
  std::string path_ = "/tmp/lapwright-nonsense-" + std::to_string(::getpid());
};

TEST(Nonsense, FromAWorkerIsOneFault) {
  SaneFolder sane("fake");
  for (const char* body :
       {"b'hello'", "b'[]'", "b'{}'", R"(b'{"event": 5}')", R"(b'{"event": "error"}')",
        R"(b'{"event": "error", "fault": 99, "text": 7}')", R"(b'{"event": "started"}')",
        R"(b'{"event": "started", "width": "wide", "height": [], "window": 3}')",
        R"(b'{"event": "end", "rows": null}')", R"(b'{"event": "done", "got": 3}')",
        R"(b'{"event": "done", "devices": {"a": 1}}')",
        R"(b'{"event": "done", "pressed": "no"}')"}) {
    const Nonsense worker(body);
    WorkerOptions options = quick_options();
    options.program = worker.path();
    options.look_seconds = options.start_seconds = options.obey_seconds = 0.5;
    auto bed = make_sane_bed(options);
    Keeper keeper;
    const std::atomic<bool> stop = false;
    const auto told = [&](const auto& r) {
      ASSERT_FALSE(r) << body;
      EXPECT_EQ(r.error().text.find('\n'), std::string::npos) << r.error().text;
    };
    told(bed->list());
    told(bed->probe("x"));
    told(bed->capture(request(), keeper, stop));
    if (std::string(body).find("pressed") != std::string::npos)
      told(bed->wait_for_button("x", stop));
  }
  EXPECT_TRUE(no_children());
}

TEST(Button, IsHeardAndStopped) {
  for (const char* name : {"fake:depth-list", "fake:mode-depth", "fake:tables-range"}) {
    SaneFolder sane("fake", "press=0.8");
    auto bed = make_sane_bed(quick_options());
    std::atomic<bool> stop = false;
    auto pressed = bed->wait_for_button(name, stop);
    ASSERT_TRUE(pressed) << pressed.error().text;
    EXPECT_TRUE(*pressed);
  }
  {
    SaneFolder sane("fake");
    auto bed = make_sane_bed(quick_options());
    std::atomic<bool> stop = false;
    std::thread stopper([&] {
      std::this_thread::sleep_for(std::chrono::milliseconds(300));
      stop = true;
    });
    core::Stopwatch watch;
    auto pressed = bed->wait_for_button("fake:depth-list", stop);
    stopper.join();
    ASSERT_TRUE(pressed) << pressed.error().text;
    EXPECT_FALSE(*pressed);
    EXPECT_LT(watch.seconds(), 1.0);
  }
  SaneFolder sane("fake");
  auto bed = make_sane_bed(quick_options());
  std::atomic<bool> stop = false;
  auto none = bed->wait_for_button("fake:odd-names", stop);
  ASSERT_FALSE(none);
  EXPECT_EQ(static_cast<int>(none.error().fault), static_cast<int>(Fault::usage));
}

TEST(Listing, ShowsEveryDeviceOnce) {
  SaneFolder sane("fake");
  auto bed = make_sane_bed(quick_options());
  auto all = bed->list();
  ASSERT_TRUE(all) << all.error().text;
  std::set<std::string> names;
  for (const Device& d : *all) names.insert(d.name);
  EXPECT_EQ(names.size(), all->size());
  EXPECT_EQ(names.size(), 27u);  // the table of the fake backend
}

TEST(Listing, OfAProgramThatIsNotThere) {
  SaneFolder sane("fake");
  WorkerOptions options;
  options.program = "/nonexistent/lapwright";
  auto all = make_sane_bed(options)->list();
  ASSERT_FALSE(all);
  EXPECT_EQ(static_cast<int>(all.error().fault), static_cast<int>(Fault::unavailable));
}

TEST(Matching, IsOverTheWholeTextInExtendedExpressions) {
  const Device d{"x:1", "Maker", "Flat 10", "flatbed scanner"};
  EXPECT_TRUE(matches(".*", ".*", d));
  EXPECT_TRUE(matches("Maker|Other", "Flat [0-9]+", d));
  EXPECT_FALSE(matches("Maker", "Flat 1", d));
  EXPECT_FALSE(matches("(", ".*", d));
}

}  // namespace
}  // namespace lapwright::bed
