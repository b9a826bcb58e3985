#include "ledger/archive_fixture.h"

namespace lapwright::ledger {
namespace {

using Names = std::vector<std::string>;

class LedgerTest : public ArchiveTest {};

TEST_F(LedgerTest, RollNamesThatCannotBeFoldersAreRefused) {
  for (const char* good : {"2026-014", "roll 7", "a", "A_b.c-d"})
    EXPECT_TRUE(archive::check_roll_name(good)) << good;
  for (const char* bad : {"", ".", "..", ".hidden", "a/b", "a\\b", "a\nb", "\xc3\xa4", " a", "a ",
                          "-a", "a:b", "=1+1", "*"}) {
    const auto r = archive::check_roll_name(bad);
    ASSERT_FALSE(r) << bad;
    EXPECT_EQ(r.error().fault, Fault::bad_data);
    EXPECT_EQ(r.error().text.find('\n'), std::string::npos);
  }
  EXPECT_FALSE(archive::check_roll_name(std::string(101, 'a')));
}

TEST_F(LedgerTest, RollsKeepTheirOrderAndOneNameIsGivenOnce) {
  Ledger l = open();
  for (const char* name : {"c", "a", "b"})
    ASSERT_TRUE(l.add_roll({name, "135-7x5", "k", "2026-01", "a note", ""}));
  const auto again = l.add_roll({"a", "x", "y", "", "", ""});
  ASSERT_FALSE(again);
  EXPECT_EQ(again.error().fault, Fault::bad_data);
  const auto rolls = l.rolls();
  ASSERT_TRUE(rolls);
  ASSERT_EQ(rolls->size(), 3u);
  EXPECT_EQ((*rolls)[0].name, "c");
  EXPECT_EQ((*rolls)[1].name, "a");
  EXPECT_EQ((*rolls)[2].note, "a note");
  EXPECT_EQ((*rolls)[2].added.back(), 'Z');
  EXPECT_EQ(l.state("z").error().fault, Fault::no_input);
  EXPECT_NE(l.state("z").error().text.find("c, a, b"), std::string::npos);
}

TEST_F(LedgerTest, JobsComeUnfinishedFirstThenProofsThenWants) {
  Ledger l = open();
  proofed(l, "first", {"1", "2", "3"});
  ASSERT_TRUE(l.want("first", {"2"}, {2400}));
  ASSERT_TRUE(l.add_roll({"second", "s", "k", "", "", ""}));
  ASSERT_TRUE(l.add_roll({"third", "s", "k", "", "", ""}));
  auto job = l.next_job({});
  ASSERT_TRUE(job && *job);
  EXPECT_EQ((*job)->roll.name, "second");
  EXPECT_EQ((*job)->kind, JobKind::proof);
  const auto second = (*job)->id;
  job = l.next_job({second});
  EXPECT_EQ((*job)->roll.name, "third");
  const auto third = (*job)->id;
  ASSERT_TRUE(l.job_planned(third, {{"n", 1}}));
  EXPECT_EQ((*l.next_job({}))->roll.name, "third") << "a job begun is finished first";
  job = l.next_job({second, third});
  ASSERT_TRUE(job && *job);
  EXPECT_EQ((*job)->kind, JobKind::full);
  EXPECT_EQ((*job)->roll.name, "first");
  EXPECT_EQ((*job)->frames, Names{"2"});
  EXPECT_EQ((*job)->ppi.value, 2400);
  EXPECT_FALSE(*l.next_job({second, third, (*job)->id}));
}

TEST_F(LedgerTest, KilledAtAnyMomentItGoesOnAtThePassWhereItWas) {
  // After each event the ledger is closed without ceremony and opened again: what is derived must
  // be the same.
  std::int64_t id = 0;
  const auto next = [&] {
    auto job = open().next_job({});
    EXPECT_TRUE(job && *job);
    return **job;
  };
  ASSERT_TRUE(open().add_roll({"r", "s", "k", "", "", ""}));
  Job job = next();
  id = job.id;
  EXPECT_FALSE(job.plan);
  ASSERT_TRUE(open().job_planned(id, {{"v", 1}}));
  job = next();
  ASSERT_TRUE(job.plan);
  EXPECT_EQ((*job.plan)["v"], 1);
  const File one = put("r", "proof/pass-1.tif", "one");
  EXPECT_TRUE(next().captured.empty()) << "a file without its event is not a kept pass";
  ASSERT_TRUE(open().pass_captured(id, 1, one, {{"device", "d"}}));
  job = next();
  ASSERT_EQ(job.captured.size(), 1u);
  EXPECT_EQ(job.captured[0].file.sha256, one.sha256);
  EXPECT_EQ(job.captured[0].capture["device"], "d");
  ASSERT_TRUE(open().pass_captured(id, 2, put("r", "proof/pass-2.tif", "two"), {}));
  ASSERT_TRUE(open().lap_checked(id, {{"ok", false}}));
  ASSERT_EQ(next().captured.size(), 2u);
  ASSERT_TRUE(open().pass_refused(id, 2, "moved 40 mm too far"));
  ASSERT_EQ(next().captured.size(), 1u);
  ASSERT_TRUE(open().pass_captured(id, 2, put("r", "proof/pass-2.tif", "two again"), {}));
  ASSERT_EQ(next().captured.size(), 2u);
  std::filesystem::resize_file(archive_ / "rolls/r/proof/pass-1.tif", 1);
  job = next();
  ASSERT_EQ(job.captured.size(), 1u) << "a pass whose file is not whole is made again";
  EXPECT_EQ(job.captured[0].pass, 2);
  ASSERT_TRUE(open().pass_captured(id, 1, put("r", "proof/pass-1.tif", "one more"), {}));
  ASSERT_TRUE(open().job_planned(id, {{"v", 3}}, 1));
  job = next();
  ASSERT_EQ(job.captured.size(), 1u) << "the new plan has the first pass as it was";
  EXPECT_EQ(job.captured[0].pass, 1);
  ASSERT_TRUE(open().job_planned(id, {{"v", 2}}));
  job = next();
  EXPECT_TRUE(job.captured.empty()) << "another plan, other passes";
  EXPECT_EQ((*job.plan)["v"], 2);
  ASSERT_TRUE(open().pass_captured(id, 1, put("r", "proof/pass-1.tif", "one new"), {}));
  ASSERT_TRUE(open().proof_done(id, {put("r", "proof/sheet.tif", "s")}, frames({"1", "2"})));
  EXPECT_FALSE(*open().next_job({}));
  const auto state = open().state("r");
  ASSERT_TRUE(state);
  EXPECT_TRUE(state->proofed);
  EXPECT_EQ(state->frames_found, 2);
  ASSERT_EQ(state->files.size(), 2u) << "the kept pass and the sheet";
}

TEST_F(LedgerTest, WantsAreMergedAndWhatIsThereIsNotDue) {
  Ledger l = open();
  proofed(l, "r", {"1", "2", "3", "10", "12A"});
  ASSERT_TRUE(l.want("r", {"2", "10"}, {2400}));
  ASSERT_TRUE(l.want("r", {"10", "1"}, {2400}));
  auto due = l.due();
  ASSERT_TRUE(due);
  ASSERT_EQ(due->size(), 1u);
  EXPECT_EQ((*due)[0].frames, (Names{"2", "10", "1"}));
  EXPECT_EQ(l.state("r")->due, (Names{"1", "2", "10"})) << "sorted by number";
  const Job job = **l.next_job({});
  ASSERT_TRUE(l.job_planned(job.id, {{"x", 1}}));
  ASSERT_TRUE(l.want("r", {"3"}, {2400})) << "the plan is made: a job of its own";
  EXPECT_EQ(l.due()->size(), 2u);
  ASSERT_TRUE(l.pass_captured(job.id, 1, put("r", "full/pass-1.tif", "p"), {}));
  ASSERT_TRUE(l.full_done(
      job.id, {put("r", "full/frame-02.tif", "f2"), put("r", "full/frame-10.tif", "f10")},
      {"2", "10"}, {2400}));
  auto state = l.state("r");
  EXPECT_EQ(state->at_full, (Names{"2", "10"}));
  EXPECT_EQ(state->due, (Names{"1", "3"})) << "1 was asked for and not made";
  for (const File& f : state->files) EXPECT_NE(f.path, "rolls/r/full/pass-1.tif");
  ASSERT_TRUE(l.want("r", {"2"}, {1200})) << "there at 2400 already";
  EXPECT_EQ(l.state("r")->due, (Names{"1", "3"}));
  ASSERT_TRUE(l.want("r", {"2"}, {0})) << "there, at the station's choice";
  EXPECT_EQ(l.state("r")->due, (Names{"1", "3"}));
  ASSERT_TRUE(l.want("r", {"2"}, {4800}));
  EXPECT_EQ(l.state("r")->due, (Names{"1", "2", "3"}));
  const auto unknown = l.want("r", {"1", "99"}, {2400});
  ASSERT_FALSE(unknown);
  EXPECT_EQ(unknown.error().fault, Fault::bad_data);
  EXPECT_EQ(unknown.error().text,
            "roll r has no frame 99; on its proof there are: 1, 2, 3, 10, 12A");
  EXPECT_EQ(l.want("nobody", {"1"}, {0}).error().fault, Fault::no_input);
  EXPECT_EQ(l.want("r", {}, {0}).error().fault, Fault::bad_data);
}

TEST_F(LedgerTest, AHigherResolutionTakesTheLowerOnesPlace) {
  Ledger l = open();
  proofed(l, "r", {"1", "2", "3"});
  ASSERT_TRUE(l.want("r", {"1", "2"}, {1200}));
  ASSERT_TRUE(l.want("r", {"2"}, {4800}));
  auto due = l.due();
  ASSERT_EQ(due->size(), 2u);
  EXPECT_EQ((*due)[0].frames, Names{"1"});
  EXPECT_EQ((*due)[1].frames, Names{"2"});
  ASSERT_TRUE(l.want("r", {"all"}, {4800}));
  due = l.due();
  ASSERT_EQ(due->size(), 1u);
  EXPECT_EQ((*due)[0].frames, Names{"all"});
  EXPECT_EQ(l.state("r")->due, (Names{"1", "2", "3"}));
  ASSERT_TRUE(l.want("r", {"3"}, {2400})) << "all of them are asked for already";
  ASSERT_EQ(l.due()->size(), 1u);
  const Job job = **l.next_job({});
  ASSERT_TRUE(l.full_done(job.id, {put("r", "full/frame-01.tif", "1")}, {"1", "2", "3"}, {4800}));
  EXPECT_TRUE(l.due()->empty());
  EXPECT_FALSE(*l.next_job({}));
  ASSERT_TRUE(l.want("r", {"all"}, {2400}));
  EXPECT_TRUE(l.due()->empty()) << "every frame is there at more";
}

TEST_F(LedgerTest, AllOfThemMeansThoseThatAreNotThereAtThatResolution) {
  Ledger l = open();
  proofed(l, "r", {"1", "2", "3"});
  ASSERT_TRUE(l.want("r", {"2"}, {2400}));
  ASSERT_TRUE(
      l.full_done((**l.next_job({})).id, {put("r", "full/frame-02.tif", "2")}, {"2"}, {2400}));
  ASSERT_TRUE(l.want("r", {"all"}, {2400}));
  Job job = **l.next_job({});
  EXPECT_EQ(job.frames, (Names{"1", "3"}));
  ASSERT_TRUE(l.full_done(job.id, {put("r", "full/frame-01.tif", "1")}, {"1", "3"}, {2400}));
  EXPECT_FALSE(*l.next_job({}));
  ASSERT_TRUE(l.want("r", {"all"}, {4800}));
  EXPECT_EQ((**l.next_job({})).frames, Names{"all"}) << "none is there at 4800";
}

TEST_F(LedgerTest, WantsBeforeTheProofWaitForIt) {
  Ledger l = open();
  ASSERT_TRUE(l.add_roll({"r", "s", "k", "", "", ""}));
  ASSERT_TRUE(l.want("r", {"7", "12A", "00"}, {0}));
  EXPECT_EQ(l.want("r", {"seven"}, {0}).error().fault, Fault::bad_data);
  const Job job = **l.next_job({});
  EXPECT_EQ(job.kind, JobKind::proof);
  EXPECT_FALSE(*l.next_job({job.id}));
}

TEST_F(LedgerTest, NothingIsNamedThatIsNotWhollyOnDisk) {
  Ledger l = open();
  ASSERT_TRUE(l.add_roll({"r", "s", "k", "", "", ""}));
  const auto id = (**l.next_job({})).id;
  const File good = put("r", "proof/pass-1.tif", "data");
  const auto refused = [&](File f) {
    const auto r = l.pass_captured(id, 1, f, {});
    EXPECT_FALSE(r) << f.path;
    if (!r) {
      EXPECT_EQ(r.error().fault, Fault::bad_data);
    }
  };
  File f = good;
  f.bytes = 5, refused(f);
  f = good, f.path = "rolls/r/proof/absent.tif", refused(f);
  f = good, f.path = "rolls/r/../r/proof/pass-1.tif", refused(f);
  f = good, f.path = (archive_ / good.path).string(), refused(f);
  f = good, f.path = "rolls/rr/proof/pass-1.tif", refused(f);
  f = good, f.sha256 = "abc", refused(f);
  EXPECT_FALSE(l.proof_done(id, {good, f}, frames({}))) << "one bad file refuses the whole commit";
  EXPECT_FALSE(l.state("r")->proofed);
  EXPECT_TRUE(l.pass_captured(id, 1, good, {}));
  EXPECT_EQ(l.pass_captured(id + 100, 1, good, {}).error().fault, Fault::bad_data);
  EXPECT_EQ(l.full_done(id, {}, {"1"}, {1200}).error().fault, Fault::bad_data);
}

TEST_F(LedgerTest, AnInfraredPictureIsNamedWithItsPassAndGoesWithIt) {
  Ledger l = open();
  ASSERT_TRUE(l.add_roll({"r", "s", "k", "", "", ""}));
  const auto id = (**l.next_job({})).id;
  const File visible = put("r", "proof/pass-1.tif", "data"),
             infrared = put("r", "proof/pass-1-infrared.tif", "other");
  const auto capture = [](const File& f) -> Json {
    return {{"infrared", {{"file", {{"path", f.path}, {"sha256", f.sha256}, {"bytes", f.bytes}}}}}};
  };
  File absent = infrared;
  absent.path = "rolls/r/proof/absent.tif";
  EXPECT_FALSE(l.pass_captured(id, 1, visible, capture(absent)));
  ASSERT_TRUE(l.pass_captured(id, 1, visible, capture(infrared)));
  EXPECT_EQ(l.state("r")->files.size(), 2u);
  EXPECT_TRUE(l.audit()->empty());
  std::filesystem::remove(archive_ / infrared.path);
  const auto lines = *l.audit();
  ASSERT_EQ(lines.size(), 1u);
  EXPECT_EQ(lines[0].path, infrared.path);
  EXPECT_EQ(lines[0].trouble, "missing");
  ASSERT_TRUE(l.pass_refused(id, 1, "again"));
  EXPECT_TRUE(l.state("r")->files.empty());
}

TEST_F(LedgerTest, NotesAreKeptAndChangeNothing) {
  Ledger l = open();
  ASSERT_TRUE(l.add_roll({"r", "s", "k", "", "", ""}));
  EXPECT_TRUE(l.note("station.recovered", {{"why", "a byte that is not UTF-8: \xff"}}));
  EXPECT_FALSE(l.note("pass.captured", {{"pass", 1}}));
  EXPECT_EQ(l.states()->size(), 1u);
}

TEST_F(LedgerTest, TwoProcessesSeeEachOthersEvents) {
  Ledger a = open(), b = open();
  ASSERT_TRUE(a.add_roll({"r", "s", "k", "", "", ""}));
  EXPECT_EQ(b.rolls()->size(), 1u);
  EXPECT_FALSE(b.add_roll({"r", "s", "k", "", "", ""}));
  ASSERT_TRUE(b.add_roll({"q", "s", "k", "", "", ""}));
  EXPECT_EQ(a.rolls()->size(), 2u);
}

}  // namespace
}  // namespace lapwright::ledger
