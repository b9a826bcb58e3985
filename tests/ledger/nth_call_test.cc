// The n-th call fails, for every n until none fires: the calls of core/files, and those of SQLite
// (its own seam for system calls, sqlite3_vfs.xSetSystemCall; it has none for fsync).
#include <fcntl.h>
#include <sqlite3.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <fstream>
#include <functional>
#include <map>

#include "ledger/archive_fixture.h"

namespace lapwright::ledger {
namespace {

long sqlite_calls = 0, sqlite_fails_at = 0;
int sqlite_errno = EIO;
bool fires() {
  if (sqlite_fails_at == 0 || ++sqlite_calls != sqlite_fails_at) return false;
  errno = sqlite_errno;
  return true;
}
ssize_t failing_read(int fd, void* to, size_t n) { return fires() ? -1 : ::read(fd, to, n); }
ssize_t failing_pread(int fd, void* to, size_t n, off_t at) {
  return fires() ? -1 : ::pread(fd, to, n, at);
}
ssize_t failing_write(int fd, const void* from, size_t n) {
  return fires() ? -1 : ::write(fd, from, n);
}
ssize_t failing_pwrite(int fd, const void* from, size_t n, off_t at) {
  return fires() ? -1 : ::pwrite(fd, from, n, at);
}
int failing_ftruncate(int fd, off_t n) { return fires() ? -1 : ::ftruncate(fd, n); }
int failing_open(const char* path, int flags, int mode) {
  return fires() ? -1 : ::open(path, flags, mode);
}

class NthCallTest : public ArchiveTest {
 protected:
  static void set(bool failing) {
    sqlite3_vfs* vfs = sqlite3_vfs_find(nullptr);
    const std::array<std::pair<const char*, sqlite3_syscall_ptr>, 8> calls{{
        {"read", reinterpret_cast<sqlite3_syscall_ptr>(failing_read)},
        {"pread", reinterpret_cast<sqlite3_syscall_ptr>(failing_pread)},
        {"pread64", reinterpret_cast<sqlite3_syscall_ptr>(failing_pread)},
        {"write", reinterpret_cast<sqlite3_syscall_ptr>(failing_write)},
        {"pwrite", reinterpret_cast<sqlite3_syscall_ptr>(failing_pwrite)},
        {"pwrite64", reinterpret_cast<sqlite3_syscall_ptr>(failing_pwrite)},
        {"ftruncate", reinterpret_cast<sqlite3_syscall_ptr>(failing_ftruncate)},
        {"open", reinterpret_cast<sqlite3_syscall_ptr>(failing_open)},
    }};
    for (const auto& [name, call] : calls)
      (void)vfs->xSetSystemCall(vfs, name, failing ? call : nullptr);
  }
  void SetUp() override {
    ArchiveTest::SetUp();
    // Some hundred archives, each flushed often: in memory where that can be had.
    if (std::filesystem::is_directory("/dev/shm"))
      archive_ = std::filesystem::path("/dev/shm") / archive_.filename();
  }
  void TearDown() override {
    set(false);
    core::fail_nth_call(0, 0);
    ArchiveTest::TearDown();
  }

  /// A roll from its adding to its manifest; stops at the first failure. What was promised, by
  /// path.
  std::map<std::string, std::string> work(bool& added, bool& all) {
    std::map<std::string, std::string> promised;
    added = all = false;
    auto l = Ledger::open(archive_);
    if (!l || !l->sweep()) return promised;
    if (!l->add_roll({"r", "s", "k", "", "", ""})) return promised;
    added = true;
    const auto job = l->next_job({});
    if (!job || !*job || !l->job_planned((*job)->id, {{"passes", 1}})) return promised;
    const auto make = [&](const std::string& name) {
      const std::string path = "rolls/r/proof/" + name;
      File f{path, "", name.size()};
      core::Sha256 sum;
      sum.add(name.data(), name.size());
      f.sha256 = sum.hex();
      if (!core::write_file(archive_ / path, name)) f.path.clear();
      return f;
    };
    const File pass = make("pass-1.tif");
    if (pass.path.empty() || !l->pass_captured((*job)->id, 1, pass, {})) return promised;
    promised[pass.path] = pass.sha256;
    const File sheet = make("sheet.tif");
    if (sheet.path.empty() || !l->proof_done((*job)->id, {sheet}, frames({"1"}))) return promised;
    promised[sheet.path] = sheet.sha256;
    all = l->write_manifest("r").has_value();
    return promised;
  }

  /// `attempt` for n = 1, 2, ... with its n-th call failing, until all of them were made to; then
  /// `look` at what is left, with nothing failing. How many failed.
  static long each_call_fails(bool of_sqlite, const std::function<void()>& attempt,
                              const std::function<void(long)>& look) {
    constexpr std::array numbers{ENOSPC, EIO, EROFS};
    set(of_sqlite);
    long fired = 0;
    for (long n = 1; n < 1000; ++n) {
      const int number = of_sqlite && n % 3 == 2 ? EIO : numbers[static_cast<std::size_t>(n) % 3];
      if (of_sqlite)
        sqlite_calls = 0, sqlite_fails_at = n, sqlite_errno = number;
      else
        core::fail_nth_call(n, number);
      attempt();
      const bool fires = (of_sqlite ? sqlite_calls : core::calls_made()) >= n;
      sqlite_fails_at = 0;
      core::fail_nth_call(0, 0);
      look(n);
      if (!fires) return fired;
      ++fired;
    }
    ADD_FAILURE() << "1000 calls are not all";
    return fired;
  }

  void holds(const std::map<std::string, std::string>& promised, bool added, long n) {
    auto l = Ledger::open(archive_);
    ASSERT_TRUE(l) << n << ": " << l.error().text;
    ASSERT_TRUE(l->sweep()) << n;
    const auto audited = l->audit();
    ASSERT_TRUE(audited) << n;
    EXPECT_TRUE(audited->empty()) << n << ": " << audited->front().path << " "
                                  << audited->front().trouble;
    const auto state = l->state("r");
    EXPECT_TRUE(state || !added) << n << ": a roll that was said to be added is gone";
    std::map<std::string, std::string> named;
    if (state) {
      for (const File& f : state->files) named[f.path] = f.sha256;
    }
    for (const auto& [path, sum] : promised)
      EXPECT_EQ(named[path], sum) << n << ": a promised file is no longer named";
  }
};

TEST_F(NthCallTest, NothingPromisedIsLost) {
  for (const bool of_sqlite : {false, true}) {
    bool all = false, added = false;
    std::map<std::string, std::string> promised;
    const long fired = each_call_fails(
        of_sqlite,
        [&] {
          std::filesystem::remove_all(archive_);
          promised = work(added, all);
        },
        [&](long n) { holds(promised, added, n); });
    EXPECT_TRUE(all);
    EXPECT_GT(fired, 20);
    std::printf("%ld calls of %s were made to fail, one in each run\n", fired,
                of_sqlite ? "SQLite" : "core/files");
  }
}

TEST_F(NthCallTest, NothingIsLostWhileADamagedLedgerIsRestored) {
  bool all = false, added = false;
  const auto promised = work(added, all);
  ASSERT_TRUE(all);
  const std::filesystem::path sound = archive_.string() + "-sound";
  std::filesystem::rename(archive_, sound);
  for (const bool gone : {false, true})
    for (const bool of_sqlite : {false, true}) {
      bool restored = false;
      const long fired = each_call_fails(
          of_sqlite,
          [&] {
            std::filesystem::remove_all(archive_);
            std::filesystem::copy(sound, archive_, std::filesystem::copy_options::recursive);
            const auto ledger = archive_ / "ledger.sqlite";
            if (gone)
              std::filesystem::remove(ledger);
            else
              std::ofstream(ledger, std::ios::binary) << std::string(8192, '\xa5');
            auto l = Ledger::open(archive_);
            restored = l && !l->restored().empty();
          },
          [&](long n) { holds(promised, added, n); });
      EXPECT_TRUE(restored);  // the last time, when nothing failed
      EXPECT_GT(fired, 5);
      std::printf("%ld calls of %s were made to fail while a ledger that is %s was restored\n", fired,
                  of_sqlite ? "SQLite" : "core/files", gone ? "gone" : "damaged");
    }
  std::filesystem::remove_all(sound);
}

}  // namespace
}  // namespace lapwright::ledger
