// Storage that gives out while the station works: what the person is told, the exit code, and that
// nothing told to be done is lost. The station and its ledger are the real ones; the bed is not.
#include <gtest/gtest.h>
#include <sqlite3.h>
#include <unistd.h>

#include <atomic>
#include <cerrno>
#include <fstream>
#include <functional>
#include <nlohmann/json.hpp>
#include <sstream>
#include <thread>

#include "core/files.h"
#include "core/process.h"
#include "station/pass_note.h"
#include "station/station.h"
#include "support/film_scene.h"

namespace lapwright::station {
namespace {

namespace fs = std::filesystem;

/// Gives grey rows; `before` and `between` are called before the first row and after half of them.
class GreyBed : public bed::Bed {
 public:
  Result<std::vector<bed::Device>> list() override { return std::vector<bed::Device>{}; }
  Result<bed::Capability> probe(const std::string&) override { return bed::Capability{}; }
  Result<bool> wait_for_button(const std::string&, const std::atomic<bool>&) override {
    return fail(Fault::unavailable, "no button");
  }
  Result<bed::Captured> capture(const bed::Request& request, bed::Receiver& receiver,
                                const std::atomic<bool>&) override {
    ++captures;
    if (before) before();
    bed::Captured c;
    c.format = {to_pixels(request.window.width, request.ppi).value,
                to_pixels(request.window.height, request.ppi).value, request.window, request.ppi};
    if (auto r = receiver.begin(c.format); !r) return fail(r.error());
    const std::vector<std::uint16_t> row(static_cast<std::size_t>(c.format.width) * 3, 30000);
    for (std::int64_t y = 0; y < c.format.height; ++y) {
      if (y == c.format.height / 2 && between) between();
      if (auto r = receiver.rows(row.data(), 1); !r) return fail(r.error());
    }
    if (after) after();
    return c;
  }
  std::atomic<int> captures{0};
  std::function<void()> before, between, after;
};

class StorageTest : public testing::Test {
 protected:
  void SetUp() override {
    root_ = fs::temp_directory_path() / ("lapwright-storage-" + std::to_string(::getpid()));
    fs::remove_all(root_);
    fs::create_directories(root_);
    setting_.archive = root_ / "archive";
    setting_.shelf = profile::Shelf({fs::path(SOURCE_DIR) / "profiles"});
    setting_.bed.name = "wide";
    setting_.bed.window = {{0}, {0}, {203200}, {254000}};
    setting_.bed.overhang = {{300000}, {300000}, {300000}, {300000}};
    setting_.bed.ppi = {Ppi{75}};
    setting_.proof_ppi = Ppi{75};
    setting_.device = "grey";
  }
  void TearDown() override {
    core::fail_nth_call(0, 0);
    fs::remove_all(root_);
  }

  void add_roll() {
    auto l = ledger::Ledger::open(setting_.archive);
    ASSERT_TRUE(l);
    ASSERT_TRUE(l->add_roll({"r", "135-7x5", "c41-daylight-400", "", "", ""}));
  }

  struct Ran {
    int code = -1;
    std::string error;
    std::vector<Json> events;
    std::vector<Json> of(const std::string& kind) const {
      std::vector<Json> out;
      for (const Json& e : events)
        if (e["event"] == kind) out.push_back(e);
      return out;
    }
  };
  /// The key is pressed again and again; `stop` is said when the events so far are enough.
  Ran station(std::unique_ptr<GreyBed> bed, const std::function<bool(const Ran&)>& enough) {
    const std::string events = (root_ / "events").string();
    fs::remove(events);
    int line[2];
    EXPECT_EQ(::pipe(line), 0);
    const int stdin_before = ::dup(0);
    ::dup2(line[0], 0);
    Ran ran;
    std::atomic<bool> over{false};
    std::thread player([&] {
      for (int i = 0; i < 600 && !over; ++i) {
        std::this_thread::sleep_for(std::chrono::milliseconds(30));
        const std::string say = enough(read(events)) ? "stop\n" : "\n";
        (void)!::write(line[1], say.data(), say.size());
      }
    });
    auto code = run(setting_, std::move(bed), {.key = "stdin", .events = events, .look = false});
    over = true;
    player.join();
    ::dup2(stdin_before, 0);
    for (const int fd : {stdin_before, line[0], line[1]}) ::close(fd);
    ran = read(events);
    ran.code = code ? *code : -2;
    ran.error = code ? "" : code.error().text;
    return ran;
  }
  static Ran read(const std::string& file) {
    Ran ran;
    std::ifstream in(file);
    for (std::string text; std::getline(in, text);)
      if (auto json = core::parse_json(text, file)) ran.events.push_back(*json);
    return ran;
  }
  /// The ledger opens, is swept, and finds every file as it was told.
  void all_is_well() {
    auto l = ledger::Ledger::open(setting_.archive);
    ASSERT_TRUE(l) << l.error().text;
    ASSERT_TRUE(l->sweep(read_pass_note));
    const auto audited = l->audit();
    ASSERT_TRUE(audited);
    EXPECT_TRUE(audited->empty()) << audited->front().path << " " << audited->front().trouble;
    const auto job = l->next_job({});
    ASSERT_TRUE(job && *job);
    EXPECT_EQ((*job)->roll.name, "r") << "the job goes on";
  }

  fs::path root_;
  Setting setting_;
};

std::uint64_t on_disk(const fs::path& folder) {
  std::uint64_t bytes = 0;
  for (const auto& e : fs::directory_iterator(folder)) bytes += fs::file_size(e.path());
  return bytes;
}

TEST_F(StorageTest, TheRoomOfAPassIsReservedBeforeTheLampStarts) {
  Assignment a;
  a.job.roll.name = "r";
  a.job.kind = ledger::JobKind::full;
  a.sleeve = support::sleeve_135_7x5();
  auto plan = plan::make_plan(a.sleeve, setting_.bed, Ppi{75});
  ASSERT_TRUE(plan);
  a.plan = *plan;
  GreyBed bed;
  std::uint64_t reserved = 0;
  bed.before = [&] { reserved = on_disk(a.folder(setting_)); };
  Progress progress;
  std::optional<lap::Report> early;
  const std::atomic<bool> stop{false};
  const auto kept = capture(setting_, bed, a, 1, progress, stop, early);
  ASSERT_TRUE(kept) << kept.error().text;
  EXPECT_GE(reserved, static_cast<std::uint64_t>(a.pass(1).bytes));
  EXPECT_EQ(on_disk(a.folder(setting_)), kept->file.bytes);
  // Every call up to the start may find the disk full: the lamp stays off.
  bool refused = false;
  bed.captures = 0;
  for (int n = 1; n < 20 && !refused; ++n) {
    core::fail_nth_call(n, ENOSPC);
    const auto full = capture(setting_, bed, a, 2, progress, stop, early);
    core::fail_nth_call(0, 0);
    ASSERT_FALSE(full);
    refused = full.error().text.find("cannot be reserved") != std::string::npos;
    EXPECT_EQ(full.error().fault, Fault::cannot_create) << full.error().text;
    EXPECT_NE(full.error().text.find("; free some space on this disk"), std::string::npos);
    EXPECT_EQ(bed.captures, 0);
    EXPECT_EQ(on_disk(a.folder(setting_)), kept->file.bytes);
  }
  EXPECT_TRUE(refused);
}

TEST_F(StorageTest, ADiskThatFillsUpDuringAPassCostsThatPassOnly) {
  add_roll();
  auto bed = std::make_unique<GreyBed>();
  GreyBed& grey = *bed;
  grey.between = [&] { core::fail_nth_call(grey.captures == 1 ? 1 : 0, ENOSPC); };
  const Ran ran = station(std::move(bed), [](const Ran& r) { return !r.of("captured").empty(); });
  EXPECT_EQ(ran.code, 0) << ran.error;
  const auto faults = ran.of("fault");
  ASSERT_EQ(faults.size(), 1u);
  EXPECT_EQ(faults[0]["code"], 74);
  EXPECT_EQ(faults[0]["fatal"], false);
  const std::string say = faults[0]["say"];
  EXPECT_NE(say.find("pass-1.tif: cannot be written: No space left on device; free some space"),
            std::string::npos)
      << say;
  ASSERT_FALSE(ran.of("captured").empty());
  EXPECT_EQ(ran.of("captured")[0]["pass"], 1) << "the same pass, once there is room";
  all_is_well();
}

// From the end of the picture to the end of its record: the pass is made again, or the station ends
// and says why.
TEST_F(StorageTest, WhicheverCallFailsWhenAPassIsWholeThePassIsToldAndNothingElseIsLost) {
  int again = 0, ended = 0, dropped = 0;
  for (int n = 1; n <= 24; ++n) {
    fs::remove_all(setting_.archive);
    add_roll();
    auto bed = std::make_unique<GreyBed>();
    GreyBed& grey = *bed;
    grey.after = [&] { core::fail_nth_call(grey.captures == 1 ? n : 0, EIO); };
    const Ran ran = station(std::move(bed), [](const Ran& r) { return !r.of("captured").empty(); });
    core::fail_nth_call(0, 0);
    for (const Json& f : ran.of("fault")) {
      const std::string say = f["say"];
      EXPECT_EQ(f["code"], 74) << n;
      EXPECT_NE(say.find("; the disk fails: see to it"), std::string::npos) << n << ": " << say;
      EXPECT_EQ(say.find('\n'), std::string::npos);
      EXPECT_EQ(ran.code, f["fatal"] == true ? 74 : 0) << n << ": " << say;
      (f["fatal"] == true ? ended : again) += 1;
      dropped += say.find("dropped") != std::string::npos ? 1 : 0;
    }
    EXPECT_EQ(ran.code == 0, !ran.of("captured").empty()) << n;
    all_is_well();
  }
  EXPECT_GE(again, 5) << "cut, writes, fsync, close, rename, folder";
  EXPECT_GE(ended, 5) << "the manifest's";
  EXPECT_GE(dropped, 3) << "fsync, rename, folder";
}

TEST_F(StorageTest, AnArchiveThatVanishesDuringAPassEndsTheStationWithItsName) {
  add_roll();
  auto bed = std::make_unique<GreyBed>();
  const fs::path away = root_ / "away";
  GreyBed& grey = *bed;
  grey.between = [&] { fs::rename(setting_.archive, away); };
  const Ran ran = station(std::move(bed), [](const Ran&) { return false; });
  EXPECT_EQ(ran.code, 74) << ran.error;
  EXPECT_FALSE(fs::exists(setting_.archive)) << "no second archive is begun in its place";
  EXPECT_TRUE(ran.of("captured").empty());
  const auto faults = ran.of("fault");
  ASSERT_EQ(faults.size(), 2u);
  EXPECT_NE(faults[0]["say"].get<std::string>().find("bring it back"), std::string::npos);
  EXPECT_EQ(faults[1]["fatal"], true);
  EXPECT_NE(faults[1]["say"].get<std::string>().find("vanished or was moved"), std::string::npos);
  fs::rename(away, setting_.archive);
  all_is_well();
}

/// The program itself in a name space of its own, where a small disk can be mounted at /mnt.
struct Told {
  int code = -1;
  std::string text;
};
Told on_a_small_disk(const std::string& script) {
  const std::string all =
      "export LAPWRIGHT_ARCHIVE=/mnt/archive XDG_CONFIG_HOME=/mnt/config "
      "LAPWRIGHT_PROFILES=" SOURCE_DIR "/profiles; L=" LAPWRIGHT_PROGRAM
      "; add() { $L roll add $1 --sleeve 135-7x5 --stock c41-daylight-400; }; "
      "mount -t tmpfs -o size=1m none /mnt || exit 99; ";
  const auto r = core::run({"unshare", "-rm", "sh", "-c", all + script}, 60);
  return r ? Told{r->exit_code, r->last_lines} : Told{-1, r.error().text};
}

/// Where neither root nor users' own name spaces are allowed there is no small disk to be had.
class SmallDisk : public ::testing::Test {
 protected:
  void SetUp() override {
    if (on_a_small_disk("true").code != 0) GTEST_SKIP() << "`unshare -rm` is not allowed here";
  }
};

// unshare: util-linux; mount: tmpfs of the kernel.
TEST_F(SmallDisk, AFullDiskIsSaidInOneLineAndNothingIsLost) {
  const Told full =
      on_a_small_disk("add first && dd if=/dev/zero of=/mnt/filler bs=4k 2>/dev/null; add second");
  EXPECT_EQ(full.code, 74) << full.text;
  EXPECT_NE(full.text.find("the disk is full; nothing was recorded; free some space"),
            std::string::npos)
      << full.text;
  const Told after = on_a_small_disk(
      "add first && dd if=/dev/zero of=/mnt/filler bs=4k 2>/dev/null; add second; rm /mnt/filler;"
      " add third && $L ledger audit && $L roll list");
  EXPECT_EQ(after.code, 0) << after.text;
  EXPECT_NE(after.text.find("first"), std::string::npos) << after.text;
  EXPECT_NE(after.text.find("third"), std::string::npos) << after.text;
}

TEST_F(SmallDisk, AReadOnlyArchiveIsSaidInOneLine) {
  const Told made =
      on_a_small_disk("add first && mount -o remount,ro /mnt && { add second; echo code $?; }");
  EXPECT_NE(made.text.find("code 73"), std::string::npos) << made.text;
  EXPECT_NE(made.text.find("on a disk that is writable"), std::string::npos) << made.text;
}

TEST_F(SmallDisk, AReadOnlyArchiveCanBeLookedAt) {
  const Told made = on_a_small_disk(
      "add first && add second && mount -o remount,ro /mnt && $L ledger audit && $L ledger && "
      "$L roll list && $L ledger due && $L ledger export -; echo code $?; "
      "ls -d ${TMPDIR:-/tmp}/lapwright-ledger-* 2>/dev/null");
  EXPECT_EQ(made.text.find("lapwright-ledger-"), std::string::npos) << made.text;
  EXPECT_NE(made.text.find("code 0"), std::string::npos) << made.text;
  EXPECT_NE(made.text.find("second"), std::string::npos) << made.text;
}

TEST_F(SmallDisk, AnArchiveOnAReadOnlyDiskCannotBeMade) {
  const Told made = on_a_small_disk("mount -o remount,ro /mnt; add first");
  EXPECT_EQ(made.code, 73) << made.text;
  EXPECT_NE(made.text.find("; this disk can only be read: make it writable or name another"),
            std::string::npos)
      << made.text;
}

TEST_F(StorageTest, ALedgerThatAnotherProgramHoldsIsTryAgain) {
  add_roll();
  sqlite3* other = nullptr;
  ASSERT_EQ(sqlite3_open((setting_.archive / "ledger.sqlite").c_str(), &other), SQLITE_OK);
  ASSERT_EQ(sqlite3_exec(other, "BEGIN IMMEDIATE", nullptr, nullptr, nullptr), SQLITE_OK);
  const auto r = core::run({"env", "LAPWRIGHT_ARCHIVE=" + setting_.archive.string(),
                            LAPWRIGHT_PROGRAM, "want", "r", "--frames", "7"},
                           60);
  sqlite3_close(other);
  ASSERT_TRUE(r);
  EXPECT_EQ(r->exit_code, 75) << r->last_lines;
  EXPECT_NE(r->last_lines.find("another program is writing to the ledger; try again in a moment"),
            std::string::npos)
      << r->last_lines;
  EXPECT_EQ(std::count(r->last_lines.begin(), r->last_lines.end(), '\n'), 1) << r->last_lines;
}

}  // namespace
}  // namespace lapwright::station
