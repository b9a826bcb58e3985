#include <map>
#include <set>

#include "ledger/archive_fixture.h"
#include "profile/card.h"

namespace lapwright::ledger {
namespace {

class RebuildTest : public ArchiveTest {
 protected:
  std::string card(const std::string& roll, const File& picture, int ppi,
                   const std::vector<File>& passes) {
    profile::Card c;
    c.file = std::filesystem::path(picture.path).filename().string();
    c.sha256 = picture.sha256;
    c.roll = roll, c.sleeve = "135-7x5", c.stock = "c41-daylight-400";
    c.ppi = {ppi};
    c.width = Pixels{100}, c.height = Pixels{80};
    c.mm_per_pixel = 25.4 / ppi;
    int number = 0;
    for (const File& f : passes) {
      profile::Card::Pass p;
      p.pass = ++number;
      p.file = std::filesystem::path(f.path).filename().string();
      p.sha256 = f.sha256, p.device = "x";
      p.started = "2026-01-02T03:04:05.000Z", p.finished = "2026-01-02T03:05:05.000Z";
      c.passes.push_back(p);
    }
    return profile::write_card(c);
  }
  /// As the station leaves a finished proof and one frame of it at full; the manifest only when
  /// asked for.
  void finished(Ledger& l, const std::string& roll, bool manifest) {
    ASSERT_TRUE(l.add_roll({roll, "135-7x5", "c41-daylight-400", "", "", ""}));
    const Job job = **l.next_job({});
    const File one = put(roll, "proof/pass-1.tif", "one of " + roll);
    const File two = put(roll, "proof/pass-2.tif", "two of " + roll);
    ASSERT_TRUE(l.job_planned(job.id, {{"passes", 2}}));
    ASSERT_TRUE(l.pass_captured(job.id, 1, one, {}));
    ASSERT_TRUE(l.pass_captured(job.id, 2, two, {}));
    const File sheet = put(roll, "proof/sheet.tif", "sheet of " + roll);
    const Json found = frames({"1", "7"});
    ASSERT_TRUE(l.proof_done(
        job.id,
        {sheet, put(roll, "proof/sheet.yaml", card(roll, sheet, 1200, {one, two})),
         put(roll, "proof/proof.jpg", "jpg"), put(roll, "proof/frames.json", found.dump()),
         put(roll, "proof/plan.json", R"({"passes": 2})")},
        found));
    ASSERT_TRUE(l.want(roll, {"7"}, {2400}));
    const Job full = **l.next_job({});
    const File frame = put(roll, "full/frame-07.tif", "seven of " + roll);
    ASSERT_TRUE(l.full_done(full.id,
                            {frame, put(roll, "full/frame-07.yaml", card(roll, frame, 2400, {}))},
                            {"7"}, {2400}));
    if (!manifest) std::filesystem::remove(archive_ / "rolls" / roll / "manifest-sha256.txt");
  }
  static std::map<std::string, std::string> sums(const RollState& s) {
    std::map<std::string, std::string> out;
    for (const File& f : s.files) out[f.path] = f.sha256 + " " + std::to_string(f.bytes);
    return out;
  }
};

TEST_F(RebuildTest, FromFoldersAloneEveryFinishedFileIsNamedAgain) {
  std::map<std::string, std::string> before;
  {
    Ledger l = open();
    finished(l, "with manifest", true);
    finished(l, "without", false);
    const auto states = l.states();
    ASSERT_TRUE(states);
    for (const auto& s : *states) before.merge(sums(s));
  }
  std::filesystem::remove(archive_ / "ledger.sqlite");
  std::filesystem::remove(archive_ / "ledger-copy.sqlite");
  const auto made = Ledger::rebuild(archive_);
  ASSERT_TRUE(made) << made.error().text;
  EXPECT_EQ(made->rolls, 2);
  EXPECT_EQ(made->proofs, 2);
  EXPECT_EQ(made->frames, 2);
  EXPECT_EQ(made->kept_as, "");
  EXPECT_TRUE(made->left.empty()) << made->left[0].path << ": " << made->left[0].why;
  Ledger l = open();
  std::map<std::string, std::string> after;
  const auto states = l.states();
  ASSERT_TRUE(states);
  for (const auto& s : *states) {
    after.merge(sums(s));
    EXPECT_TRUE(s.proofed);
    EXPECT_EQ(s.frames_found, 2);
    EXPECT_EQ(s.at_full, std::vector<std::string>{"7"});
    EXPECT_EQ(s.roll.stock, "c41-daylight-400");
  }
  EXPECT_EQ(after, before);
  EXPECT_TRUE(l.audit()->empty());
}

TEST_F(RebuildTest, ABetterFrameLiesBesideTheFirst) {
  {
    Ledger l = open();
    finished(l, "r", false);
    ASSERT_TRUE(l.want("r", {"7"}, {4800}));
    const Job job = **l.next_job({});
    EXPECT_EQ(job.named.count("rolls/r/full/frame-07.tif"), 1u);
    const File frame = put("r", "full/frame-07-4800.tif", "seven, better");
    ASSERT_TRUE(l.full_done(
        job.id, {frame, put("r", "full/frame-07-4800.yaml", card("r", frame, 4800, {}))}, {"7"},
        {4800}));
  }
  ASSERT_TRUE(Ledger::rebuild(archive_));
  Ledger l = open();
  EXPECT_EQ(l.state("r")->at_full, std::vector<std::string>{"7"});
  EXPECT_EQ(sums(*l.state("r")).count("rolls/r/full/frame-07.tif"), 1u);
  EXPECT_EQ(sums(*l.state("r")).count("rolls/r/full/frame-07-4800.tif"), 1u);
  ASSERT_TRUE(l.want("r", {"7"}, {4800}));
  EXPECT_TRUE(l.due()->empty()) << "there at 4800";
  ASSERT_TRUE(l.want("r", {"7"}, {4801}));
  EXPECT_FALSE(l.due()->empty());
}

TEST_F(RebuildTest, TheLedgerBeforeIsKeptAndReadable) {
  {
    Ledger l = open();
    finished(l, "r", true);
    ASSERT_TRUE(l.add_roll({"waiting", "s", "k", "", "", ""}));
  }
  const auto made = Ledger::rebuild(archive_);
  ASSERT_TRUE(made) << made.error().text;
  ASSERT_NE(made->kept_as, "");
  EXPECT_EQ(open().rolls()->size(), 1u) << "a roll without a folder stands in no card";
  std::filesystem::rename(archive_ / made->kept_as, archive_ / "ledger.sqlite");
  EXPECT_EQ(open().rolls()->size(), 2u);
}

TEST_F(RebuildTest, AFileThatIsNotWhatWasPromisedStaysFoundOut) {
  {
    Ledger l = open();
    finished(l, "r", true);
    finished(l, "torn", false);
  }
  std::ofstream(archive_ / "rolls/r/proof/proof.jpg") << "JPG";
  std::ofstream(archive_ / "rolls/torn/full/frame-07.tif") << "not that frame";
  std::filesystem::remove(archive_ / "rolls/r/proof/pass-2.tif");
  const auto made = Ledger::rebuild(archive_);
  ASSERT_TRUE(made) << made.error().text;
  EXPECT_EQ(made->frames, 1);
  std::map<std::string, std::string> found;
  const auto audited = open().audit();
  ASSERT_TRUE(audited);
  for (const auto& line : *audited) found[line.path] = line.trouble;
  EXPECT_EQ(found["rolls/r/proof/proof.jpg"], "changed");
  EXPECT_EQ(found["rolls/torn/full/frame-07.tif"], "not in the ledger");
  std::set<std::string> left;
  for (const auto& x : made->left) left.insert(x.path);
  EXPECT_TRUE(left.count("rolls/r/proof/pass-2.tif"));
  EXPECT_TRUE(left.count("rolls/torn/full/frame-07.tif"));
}

TEST_F(RebuildTest, WithoutAnArchiveNothingIsMade) {
  const auto made = Ledger::rebuild(archive_);
  ASSERT_FALSE(made);
  EXPECT_EQ(made.error().fault, Fault::no_input);
  EXPECT_FALSE(std::filesystem::exists(archive_));
}

}  // namespace
}  // namespace lapwright::ledger
