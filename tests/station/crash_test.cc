// A roll's life at the station, from its adding to a better frame at full, cut off at every change
// of the disk: by a loss of power (disk_model.h) and by the n-th call that fails. What was told to
// be done is there, what the ledger names is whole, and nothing else is left.
#include <gtest/gtest.h>
#include <unistd.h>

#include <cerrno>
#include <fstream>
#include <functional>
#include <nlohmann/json.hpp>

#include "disk_model.h"
#include "raw/tiff.h"
#include "station/assignment.h"
#include "station/pass_note.h"
#include "watched_sqlite.h"

namespace lapwright::station {
namespace {

namespace fs = std::filesystem;
using ledger::File;
using ledger::Job;
using ledger::Ledger;

/// The steps as the station takes them, on pictures of some pixels.
class Life {
 public:
  explicit Life(const fs::path& archive) { s_.archive = archive; }

  static constexpr int steps = 17;
  Result<> step(int n) {
    switch (n) {
      case 0:
        return start();
      case 1:
        return ledger_->add_roll({"r", "135-7x5", "k", "", "", ""});
      case 2:
        return plan(2);
      case 3:
        return pass(1, 11);
      case 4:
        return pass(2, 22);
      case 5:
        return refuse(2);
      case 6:
        return pass(2, 23);
      case 7:
        return proof();
      case 8:
        return ledger_->want("r", {"7", "12A"}, {300});
      case 9:
        return plan(1);
      case 10:
        return pass(1, 31);
      case 11:
        return full({"7", "12A"}, 300);
      case 12:
        ledger_.reset();
        return {};  // SQLite takes its log into the database
      case 13:
        return start();
      case 14:
        return ledger_->want("r", {"all"}, {600});
      case 15:
        return plan(1);
      default:
        return full({"7", "12A"}, 600);
    }
  }

  /// Everything that a person or the next start is told.
  static std::string told(Ledger& l) {
    const auto states = l.states();
    EXPECT_TRUE(states);
    std::string out;
    for (const auto& st : *states) {
      out += st.roll.name + (st.proofed ? " proofed" : "") + " full";
      for (const auto& f : st.at_full) out += " " + f;
      out += " due";
      for (const auto& f : st.due) out += " " + f;
      for (const File& f : st.files) out += "\n" + f.path + " " + f.sha256;
    }
    const auto job = l.next_job({});
    EXPECT_TRUE(job);
    if (job && *job) {
      out += "\njob " + std::to_string((*job)->id) + " at " + std::to_string((*job)->ppi.value);
      out += (*job)->plan ? " " + (*job)->plan->dump() : "";
      for (const auto& f : (*job)->frames) out += " " + f;
      for (const auto& c : (*job)->captured)
        out += "\npass " + std::to_string(c.pass) + " " + c.file.sha256 + " " + c.capture.dump();
    }
    return out;
  }
  std::string told() { return ledger_ ? told(*ledger_) : ""; }

 private:
  Result<> start() {
    auto opened = Ledger::open(s_.archive);
    if (!opened) return fail(opened.error());
    ledger_ = std::make_unique<Ledger>(std::move(*opened));
    auto swept = ledger_->sweep(read_pass_note);
    if (!swept) return fail(swept.error());
    return {};
  }
  Result<> seek() {
    auto job = ledger_->next_job({});
    if (!job || !*job) return fail(job ? Error{Fault::internal, "no job"} : job.error());
    a_.job = **job;
    return {};
  }
  Result<> plan(int passes) {
    if (auto r = seek(); !r) return r;
    const Json plan = {{"passes", passes}, {"ppi", a_.job.ppi.value}};
    a_.plan.ppi = a_.job.ppi, a_.plan_mark = ledger::plan_mark(plan);
    return ledger_->job_planned(a_.job.id, plan);
  }
  Result<File> picture(const fs::path& file, int value, const std::string& note) {
    raw::Tags tags;
    tags.date_time = "2026:01:02 03:04:05";
    auto writer = raw::Writer::create(file, 40, 30, Ppi{300}, tags);
    if (!writer) return fail(writer.error());
    const std::vector<std::uint16_t> rows(40 * 15 * 3, static_cast<std::uint16_t>(value));
    for (int half = 0; half < 2; ++half)
      if (auto r = (*writer)->write(rows.data(), 15); !r) return fail(r.error());
    auto w = (*writer)->finish(note);
    if (!w) return fail(w.error());
    return File{w->path.lexically_relative(s_.archive).string(), w->sha256, w->bytes};
  }
  Result<File> text(const fs::path& file, const std::string& what) {
    if (auto r = core::write_file(file, what); !r) return fail(r.error());
    core::Sha256 sum;
    sum.add(what.data(), what.size());
    return File{file.lexically_relative(s_.archive).string(), sum.hex(), what.size()};
  }
  Result<> pass(int number, int value) {
    if (auto r = seek(); !r) return r;
    const Json capture = {{"device", "d"}, {"value", value}};
    auto file = picture(a_.pass_file(s_, number), value,
                        pass_note({"r", a_.job.id, number, a_.plan_mark, capture}));
    if (!file) return fail(file.error());
    return ledger_->pass_captured(a_.job.id, number, *file, capture);
  }
  Result<> refuse(int number) {
    if (auto r = ledger_->pass_refused(a_.job.id, number, "moved"); !r) return r;
    return core::remove_file(a_.pass_file(s_, number));
  }
  Result<> proof() {
    const fs::path folder = a_.folder(s_);
    auto sheet = picture(folder / "sheet.tif", 9, "");
    if (!sheet) return fail(sheet.error());
    auto plan = text(folder / "plan.json", "{}");
    if (!plan) return fail(plan.error());
    return ledger_->proof_done(a_.job.id, {*sheet, *plan},
                               {{"frames", {{{"frame", "7"}}, {{"frame", "12A"}}}}});
  }
  Result<> full(const std::vector<std::string>& frames, int ppi) {
    if (auto r = seek(); !r) return r;
    std::vector<File> files;
    for (const std::string& frame : frames) {
      const std::string stem = a_.frame_stem(s_, frame).string();
      auto tif = picture(stem + ".tif", ppi, "");
      if (!tif) return fail(tif.error());
      auto card = text(stem + ".yaml", "card of " + frame);
      if (!card) return fail(card.error());
      files.push_back(*tif), files.push_back(*card);
    }
    if (auto r = ledger_->full_done(a_.job.id, files, frames, Ppi{ppi}); !r) return r;
    for (const auto& c : a_.job.captured)
      if (auto r = core::remove_file(s_.archive / c.file.path); !r) return r;
    return {};
  }

  Setting s_;
  Assignment a_;
  std::unique_ptr<Ledger> ledger_;
};

class CrashTest : public testing::Test {
 protected:
  void SetUp() override {
    const fs::path memory = "/dev/shm";
    root_ = (fs::is_directory(memory) ? memory : fs::temp_directory_path()) /
            ("lapwright-crash-" + std::to_string(::getpid()));
    fs::remove_all(root_);
    fs::create_directories(root_);
  }
  void TearDown() override {
    core::watch_calls({});
    core::fail_nth_call(0, 0);
    fs::remove_all(root_);
  }

  /// What is told after each step of an undisturbed life; [0] before the first, [steps] at the end.
  std::vector<std::string> undisturbed() {
    std::vector<std::string> out{""};
    Life life(root_ / "calm" / "archive");
    for (int n = 0; n < Life::steps; ++n) {
      const auto r = life.step(n);
      EXPECT_TRUE(r) << n << ": " << (r ? "" : r.error().text);
      out.push_back(n == 12 ? out.back() : life.told());
    }
    return out;
  }
  /// Opened as the station does at its start: all is well, and as it was before step `n` (unless it
  /// is `done`) or after.
  static std::string trouble(const fs::path& archive, const std::vector<std::string>& told, int n,
                             bool done = false, bool damaged = false) {
    auto l = Ledger::open(archive);
    if (!l) return "not opened: " + l.error().text;
    if (!l->restored().empty() && !damaged) return "the ledger was not sound: " + l->restored();
    const auto before = l->audit();
    if (!before) return "not audited before the sweep: " + before.error().text;
    for (const auto& line : *before)
      if (line.trouble != "not in the ledger") return "unswept: " + line.path + " " + line.trouble;
    const auto swept = l->sweep(read_pass_note);
    if (!swept) return "not swept: " + swept.error().text;
    const auto audited = l->audit();
    if (!audited) return "not audited: " + audited.error().text;
    for (const auto& line : *audited) return line.path + " " + line.trouble;
    for (const auto& e : fs::recursive_directory_iterator(archive / "rolls"))
      if (e.path().extension() == ".part") return e.path().string() + " stays";
    const std::string now = Life::told(*l);
    const auto i = static_cast<std::size_t>(n);
    if ((now == told[i] && !done) || now == told[i + 1]) return "";
    return "told:\n" + now + "\nwould be right:\n" + told[i] + "\nor\n" + told[i + 1];
  }

  fs::path root_;
};

/// Cuts the power at every change of the disk below root/lived, several times each.
class PowerCuts {
 public:
  /// What is wrong with the archive that a cut left; `named`: the last change gave a pass its name.
  using Look = std::function<std::string(const fs::path& archive, bool named)>;
  PowerCuts(const fs::path& root, Look look)
      : lived_(root / "lived"), cut_(root / "cut"), look_(std::move(look)), disk_(lived_) {
    fs::create_directories(lived_);
    core::watch_calls([this](const core::DiskCall& c) { seen(c); });
    sqlite_.watch([this](const core::DiskCall& c) { seen(c); });
  }
  ~PowerCuts() { core::watch_calls({}); }

  fs::path archive() const { return lived_ / "archive"; }
  /// Bytes that nobody wrote.
  void scribble(const fs::path& file, const std::string& bytes) {
    std::ofstream(file, std::ios::binary) << bytes;
    disk_.take({core::DiskCall::Kind::cut, file});
    disk_.take({core::DiskCall::Kind::write, file, {}, 0, bytes});
    disk_.take({core::DiskCall::Kind::flush, file});
  }

  bool cutting = true;
  long changes = 0, cuts = 0;
  std::string trouble;  // the first

 private:
  void seen(const core::DiskCall& c) {
    if (looking_ || !c.path.string().starts_with(lived_.string())) return;
    disk_.take(c);
    if (!cutting) return;
    ++changes;
    looking_ = true;  // what the cuts leave is opened with the same code
    for (int round = 0; round < 6 && trouble.empty(); ++round) {
      disk_.crash(cut_,
                  round == 0   ? DiskModel::Luck::all_kept
                  : round == 1 ? DiskModel::Luck::all_lost
                               : DiskModel::Luck::dice,
                  dice_);
      ++cuts;
      const bool named = c.kind == core::DiskCall::Kind::rename &&
                         c.to.filename().string().starts_with("pass-") && round == 0;
      if (const std::string t = look_(cut_ / "archive", named); !t.empty())
        trouble = "change " + std::to_string(changes) + " (" + c.path.string() + "), round " +
                  std::to_string(round) + ": " + t;
    }
    looking_ = false;
  }

  fs::path lived_, cut_;
  Look look_;
  DiskModel disk_;
  WatchedSqlite sqlite_;
  std::mt19937 dice_{20260517};
  bool looking_ = false;
};

TEST_F(CrashTest, APowerCutAtAnyMomentLosesNothingThatWasTold) {
  const auto told = undisturbed();
  int step = 0;
  // From its name on, a pass that is wholly there is kept.
  PowerCuts power(root_, [&](const fs::path& archive, bool named) {
    return trouble(archive, told, step, named);
  });
  {
    Life life(power.archive());
    for (; step < Life::steps && power.trouble.empty(); ++step) {
      const auto r = life.step(step);
      ASSERT_TRUE(r) << step << ": " << r.error().text;
    }
    power.cutting = false;
  }
  EXPECT_EQ(power.trouble, "") << "in step " << step - 1;
  EXPECT_GT(power.changes, 300);
  std::printf("%ld changes of the disk, %ld power cuts\n", power.changes, power.cuts);
}

TEST_F(CrashTest, APowerCutWhileADamagedLedgerIsRestoredLosesNothing) {
  const auto told = undisturbed();
  constexpr int closed = 12;
  PowerCuts power(root_, [&](const fs::path& archive, bool) {
    return trouble(archive, told, closed, false, true);
  });
  power.cutting = false;
  Life life(power.archive());
  for (int n = 0; n <= closed; ++n) ASSERT_TRUE(life.step(n)) << n;
  power.scribble(power.archive() / "ledger.sqlite", std::string(5000, '?'));
  power.cutting = true;
  const auto r = life.step(closed + 1);
  power.cutting = false;
  ASSERT_TRUE(r) << r.error().text;
  EXPECT_EQ(life.told(), told[closed + 2]);
  EXPECT_EQ(power.trouble, "");
  EXPECT_GT(power.changes, 20);
  std::printf("%ld changes of the disk, %ld power cuts\n", power.changes, power.cuts);
}

/// Lives until something fails; the step in which it did, or `steps`.
int live(const fs::path& archive) {
  Life life(archive);
  for (int n = 0; n < Life::steps; ++n)
    if (!life.step(n)) return n;
  return Life::steps;
}

TEST_F(CrashTest, WhicheverCallOfCoreFilesFailsNothingThatWasToldIsLost) {
  const auto told = undisturbed();
  constexpr int numbers[] = {ENOSPC, EIO, EROFS};
  long n = 0;
  for (bool fired = true; fired; ++n) {
    const fs::path archive = root_ / "lived" / "archive";
    fs::remove_all(archive);
    core::fail_nth_call(n + 1, numbers[n % 3]);
    const int step = live(archive);
    fired = core::calls_made() > n;
    core::fail_nth_call(0, 0);
    ASSERT_TRUE(fired || step == Life::steps);
    ASSERT_EQ(trouble(archive, told, std::min(step, Life::steps - 1)), "")
        << "call " << n + 1 << " failed, in step " << step;
  }
  EXPECT_GT(n, 150);
  std::printf("%ld calls of core/files were made to fail\n", n - 1);
}

TEST_F(CrashTest, WhicheverCallOfSqliteFailsFsyncAmongThemNothingThatWasToldIsLost) {
  const auto told = undisturbed();
  WatchedSqlite sqlite;
  long n = 0;
  for (bool fired = true; fired; ++n) {
    const fs::path archive = root_ / "lived" / "archive";
    fs::remove_all(archive);
    sqlite.fail_nth(n + 1);
    const int step = live(archive);
    fired = sqlite.calls() > n;
    sqlite.fail_nth(0);
    ASSERT_TRUE(fired || step == Life::steps);
    ASSERT_EQ(trouble(archive, told, std::min(step, Life::steps - 1)), "")
        << "call " << n + 1 << " failed, in step " << step;
  }
  EXPECT_GT(n, 100);
  std::printf("%ld calls of SQLite were made to fail\n", n - 1);
}

}  // namespace
}  // namespace lapwright::station
