// A pass that was whole on disk when the station was killed before its event: kept, not captured
// again.
#include "ledger/archive_fixture.h"

namespace lapwright::ledger {
namespace {

namespace fs = std::filesystem;
using Gone = std::vector<std::string>;

class RecoverTest : public ArchiveTest {
 protected:
  void SetUp() override {
    ArchiveTest::SetUp();
    Ledger l = open();
    ASSERT_TRUE(l.add_roll({"r", "s", "k", "", "", ""}));
    job_ = (**l.next_job({})).id;
    ASSERT_TRUE(l.job_planned(job_, plan_));
    ASSERT_TRUE(l.pass_captured(job_, 1, put("r", "proof/pass-1.tif", "one"), {{"device", "d"}}));
  }
  /// As the station's: the pass file's own note, here the same whatever the file holds.
  Swept sweep(const PassNote& note, const std::string& file = "pass-2.tif") {
    Ledger l = open();
    auto swept = l.sweep([&](const fs::path& p) {
      return p.filename() == file ? std::optional<PassNote>(note) : std::nullopt;
    });
    EXPECT_TRUE(swept) << (swept ? "" : swept.error().text);
    const auto audited = l.audit();
    EXPECT_TRUE(audited && audited->empty());
    return swept ? *swept : Swept{};
  }
  PassNote note() const { return {"r", job_, 2, plan_mark(plan_), {{"device", "e"}}}; }
  std::vector<Job::Captured> captured() { return (**open().next_job({})).captured; }

  const Json plan_ = {{"passes", 2}, {"ppi", 2400.5}};
  std::int64_t job_ = 0;
};

TEST_F(RecoverTest, AWholePassThatItsOpenJobWantsIsRecorded) {
  const File two = put("r", "proof/pass-2.tif", "two");
  put("r", "proof/pass-3.tif", "no note in it");
  const Swept swept = sweep(note());
  EXPECT_EQ(swept.gone, Gone{"rolls/r/proof/pass-3.tif"});
  ASSERT_EQ(swept.recovered.size(), 1u);
  EXPECT_EQ(swept.recovered[0].pass, 2);
  const auto kept = captured();
  ASSERT_EQ(kept.size(), 2u);
  EXPECT_EQ(kept[1].file, two);
  EXPECT_EQ(kept[1].capture["device"], "e");
  EXPECT_TRUE(sweep(note()).recovered.empty()) << "named now";
}

TEST_F(RecoverTest, APassThatWasRefusedDoesNotComeBack) {
  const File two = put("r", "proof/pass-2.tif", "two");
  ASSERT_TRUE(open().pass_captured(job_, 2, two, {}));
  ASSERT_TRUE(open().pass_refused(job_, 2, "moved"));  // killed before its file was deleted
  EXPECT_EQ(sweep(note()).gone, Gone{"rolls/r/proof/pass-2.tif"});
  EXPECT_EQ(captured().size(), 1u);
  put("r", "proof/pass-2.tif", "two, made again");
  EXPECT_EQ(sweep(note()).recovered.size(), 1u);
}

TEST_F(RecoverTest, OnlyForTheSameRollJobAndPlanAndNotForAPassThatIsThere) {
  const auto refused = [&](const PassNote& n, const std::string& what) {
    put("r", "proof/pass-2.tif", "two");
    EXPECT_EQ(sweep(n).gone, Gone{"rolls/r/proof/pass-2.tif"}) << what;
    EXPECT_EQ(captured().size(), 1u) << what;
  };
  PassNote n = note();
  n.roll = "q", refused(n, "another roll's");
  n = note(), n.job += 5, refused(n, "another job's");
  n = note(), n.plan = plan_mark({{"passes", 3}}), refused(n, "another plan's");
  n = note(), n.pass = 1, refused(n, "a pass that is kept");
  const auto manifest = archive_ / "rolls/r/manifest-sha256.txt";
  const std::string before = *core::read_file(manifest);
  ASSERT_TRUE(core::write_file(manifest, before + std::string(64, 'a') + "  proof/pass-2.tif\n"));
  refused(note(), "its manifest promises other bytes");
  EXPECT_EQ(*core::read_file(manifest), before);
}

TEST_F(RecoverTest, APassOfAnEarlierPlanDoesNotComeBackWithThePlan) {
  ASSERT_TRUE(open().pass_captured(job_, 2, put("r", "proof/pass-2.tif", "two"), {}));
  ASSERT_TRUE(open().job_planned(job_, {{"passes", 3}}));
  ASSERT_TRUE(open().job_planned(job_, plan_));
  const Swept swept = sweep(note());
  EXPECT_TRUE(swept.recovered.empty());
  EXPECT_EQ(swept.gone.size(), 2u);
}

TEST_F(RecoverTest, APassWhoseFileIsGoneIsNoLongerNamedOnceItIsMadeAgain) {
  fs::rename(archive_ / "rolls/r", archive_ / "moved");
  EXPECT_TRUE(captured().empty());
  ASSERT_TRUE(open().sweep());
  EXPECT_FALSE(fs::exists(archive_ / "rolls/r"));
  fs::rename(archive_ / "moved", archive_ / "rolls/r");
  ASSERT_TRUE(open().sweep());
  EXPECT_EQ(captured().size(), 1u) << "it was only moved";
  fs::remove(archive_ / "rolls/r/proof/pass-1.tif");
  EXPECT_FALSE(open().audit()->empty());
  ASSERT_TRUE(open().about_to_capture(job_, 2));
  EXPECT_EQ(open().state("r")->files.size(), 1u);
  ASSERT_TRUE(open().about_to_capture(job_, 1));
  EXPECT_TRUE(open().state("r")->files.empty());
  EXPECT_TRUE(open().audit()->empty());
}

}  // namespace
}  // namespace lapwright::ledger
