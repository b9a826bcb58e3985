// A proof made anew takes the place of the one before: at any time one whole proof is named.
#include <sys/wait.h>
#include <unistd.h>

#include <cerrno>

#include "ledger/archive_fixture.h"

namespace lapwright::ledger {
namespace {

class AnewTest : public ArchiveTest {
 protected:
  static constexpr const char* names[] = {"proof.tif", "proof.jpg", "sheet.yaml"};

  void SetUp() override {
    ArchiveTest::SetUp();
    if (std::filesystem::is_directory("/dev/shm"))
      archive_ = std::filesystem::path("/dev/shm") / archive_.filename();
  }
  void TearDown() override {
    core::fail_nth_call(0, 0);
    core::watch_calls({});
    ArchiveTest::TearDown();
  }

  void proof(Ledger& l) {
    ASSERT_TRUE(l.add_roll({"r", "135-7x5", "c41-daylight-400", "", "", ""}));
    const auto job = l.next_job({});
    ASSERT_TRUE(job && *job);
    std::vector<File> files{put("r", "proof/frames.json", "{}")};
    for (const char* n : names) files.push_back(put("r", std::string("proof/") + n, std::string("old ") + n));
    ASSERT_TRUE(l.proof_done((*job)->id, files, frames({"1"})));
  }
  std::vector<File> anew() {
    std::vector<File> files;
    for (const char* n : names) files.push_back(put("r", std::string("proof/anew/") + n, std::string("a new ") + n));
    return files;
  }
  /// One whole proof is named and on the disk, under one set of names, the old or the new.
  void holds(Ledger& l, const std::string& when) {
    const auto state = l.state("r");
    ASSERT_TRUE(state) << when;
    std::size_t old_ones = 0, new_ones = 0;
    for (const File& f : state->files) {
      const auto sum = core::sha256_of(archive_ / f.path);
      ASSERT_TRUE(sum) << when << ": " << f.path;
      EXPECT_EQ(*sum, f.sha256) << when << ": " << f.path;
      const auto text = core::read_file(archive_ / f.path);
      old_ones += text && text->starts_with("old "), new_ones += text && text->starts_with("a new ");
    }
    EXPECT_TRUE((old_ones == 3 && new_ones == 0) || (old_ones == 0 && new_ones == 3)) << when << ": " << old_ones << " old, " << new_ones << " new";
    // Whoever takes the proof by its name alone finds one at any time.
    for (const char* n : names) EXPECT_TRUE(std::filesystem::exists(archive_ / "rolls/r/proof" / n)) << when << ": " << n;
  }
};

TEST_F(AnewTest, TakesThePlacesOfTheFilesBefore) {
  auto l = open();
  ASSERT_NO_FATAL_FAILURE(proof(l));
  const auto held = ProofHold::of(archive_, "r");
  ASSERT_TRUE(held);
  EXPECT_TRUE(ProofHold::taken(archive_, "r"));
  const auto done = l.proof_remade("r", anew(), {{"why", "a test"}});
  ASSERT_TRUE(done) << done.error().text;
  holds(l, "made anew");
  EXPECT_EQ(*core::read_file(archive_ / "rolls/r/proof/proof.jpg"), "a new proof.jpg");
  EXPECT_FALSE(std::filesystem::exists(archive_ / "rolls/r/proof/anew"));
  EXPECT_TRUE(l.audit()->empty());
  EXPECT_EQ(l.state("r")->frames_found, 1);
  // A reader that comes later has the same books.
  auto other = open();
  holds(other, "read again");
}

TEST_F(AnewTest, EachCallFails) {
  for (long n = 1;; ++n) {
    std::filesystem::remove_all(archive_);
    {
      auto l = open();
      ASSERT_NO_FATAL_FAILURE(proof(l));
      const auto files = anew();
      const auto held = ProofHold::of(archive_, "r");
      core::fail_nth_call(n, n % 2 ? EIO : ENOSPC);
      (void)l.proof_remade("r", files, {});
      const bool fired = core::calls_made() >= n;
      core::fail_nth_call(0, 0);
      holds(l, "call " + std::to_string(n));
      if (!fired) {
        EXPECT_GT(n, 15);
        return;
      }
    }
    // The next start finishes it or forgets it.
    auto l = open();
    ASSERT_TRUE(l.sweep()) << n;
    holds(l, "after call " + std::to_string(n) + " and a start");
    EXPECT_TRUE(l.audit()->empty()) << n << ": " << l.audit()->front().path << " " << l.audit()->front().trouble;
    EXPECT_FALSE(std::filesystem::exists(archive_ / "rolls/r/proof/anew/proof.tif")) << n;
  }
}

TEST_F(AnewTest, KilledAfterEachCall) {
  for (int n = 1;; ++n) {
    std::filesystem::remove_all(archive_);
    {
      auto l = open();
      ASSERT_NO_FATAL_FAILURE(proof(l));
      (void)anew();
    }
    const pid_t child = ::fork();
    if (child == 0) {
      auto l = open();
      std::vector<File> files;
      for (const char* name : names) {
        const std::string path = std::string("rolls/r/proof/anew/") + name;
        files.push_back({path, *core::sha256_of(archive_ / path), std::filesystem::file_size(archive_ / path)});
      }
      const auto held = ProofHold::of(archive_, "r");
      int calls = 0;
      core::watch_calls([&](const core::DiskCall&) {
        if (++calls == n) ::_exit(7);
      });
      ::_exit(held && l.proof_remade("r", files, {}) ? 0 : 1);
    }
    int status = 0;
    ASSERT_EQ(::waitpid(child, &status, 0), child);
    ASSERT_TRUE(WIFEXITED(status));
    if (WEXITSTATUS(status) == 0) {
      EXPECT_GT(n, 15);
      return;
    }
    ASSERT_EQ(WEXITSTATUS(status), 7);
    {
      auto l = open();  // as a reader finds it
      holds(l, "killed after call " + std::to_string(n));
    }
    auto l = open();
    ASSERT_TRUE(l.settle()) << n;
    holds(l, "killed after call " + std::to_string(n) + ", settled");
    ASSERT_TRUE(l.sweep()) << n;
    EXPECT_TRUE(l.audit()->empty()) << n << ": " << l.audit()->front().path << " " << l.audit()->front().trouble;
  }
}

TEST_F(AnewTest, IsRefusedWhereItCannotBe) {
  auto l = open();
  ASSERT_TRUE(l.add_roll({"r", "s", "k", "", "", ""}));
  EXPECT_EQ(ProofHold::of(archive_, "r").error().fault, Fault::no_input);
  EXPECT_EQ(l.proof_remade("r", {put("r", "proof/anew/proof.tif", "x")}, {}).error().fault, Fault::bad_data);
  EXPECT_EQ(l.proof_remade("r", {put("r", "proof/proof.tif", "x")}, {}).error().fault, Fault::internal);
  EXPECT_EQ(l.proof_remade("none", {put("r", "proof/anew/proof.tif", "x")}, {}).error().fault, Fault::no_input);
  const auto held = ProofHold::of(archive_, "r");
  ASSERT_TRUE(held);
  EXPECT_EQ(ProofHold::of(archive_, "r").error().fault, Fault::try_again);
}

TEST_F(AnewTest, AStationThatStartsLeavesWhatIsBeingMade) {
  auto l = open();
  ASSERT_NO_FATAL_FAILURE(proof(l));
  const auto files = anew();
  const auto held = ProofHold::of(archive_, "r");
  auto station = open();
  ASSERT_TRUE(station.sweep());
  EXPECT_TRUE(station.audit()->empty());
  ASSERT_TRUE(l.proof_remade("r", files, {}));
  holds(l, "beside a station");
}

}  // namespace
}  // namespace lapwright::ledger
