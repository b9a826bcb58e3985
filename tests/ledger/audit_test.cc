#include <signal.h>
#include <sys/stat.h>
#include <sys/wait.h>

#include <algorithm>
#include <chrono>
#include <map>

#include "core/process.h"
#include "ledger/archive_fixture.h"

namespace lapwright::ledger {
namespace {

class AuditTest : public ArchiveTest {
 protected:
  static std::map<std::string, std::string> found(Ledger& l) {
    std::map<std::string, std::string> out;
    const auto lines = l.audit();
    EXPECT_TRUE(lines) << (lines ? "" : lines.error().text);
    if (lines) {
      for (const AuditLine& line : *lines) out[line.path] = line.trouble;
    }
    return out;
  }
  void scribble(const std::string& path, const std::string& text) {
    std::filesystem::create_directories((archive_ / path).parent_path());
    std::ofstream(archive_ / path, std::ios::binary) << text;
  }
  using Found = std::map<std::string, std::string>;
};

TEST_F(AuditTest, TellsMissingChangedAndForeignFiles) {
  Ledger l = open();
  proofed(l, "roll 1", {"1"});
  EXPECT_EQ(found(l), Found{});
  scribble("rolls/roll 1/proof/pass-1.tif", "one of roll 2");  // as long as before
  std::filesystem::remove(archive_ / "rolls/roll 1/proof/pass-2.tif");
  scribble("rolls/roll 1/notes.txt", "mine");
  scribble("rolls/elsewhere/x", "y");
  scribble("rolls/roll 1/proof/.pass-3.tif.part", "being written");
  std::filesystem::remove(archive_ / "rolls/roll 1/proof/sheet.tif");
  std::filesystem::create_symlink("/etc/hostname", archive_ / "rolls/roll 1/proof/sheet.tif");
  EXPECT_EQ(found(l), (Found{{"rolls/roll 1/proof/pass-1.tif", "changed"},
                             {"rolls/roll 1/proof/pass-2.tif", "missing"},
                             {"rolls/roll 1/proof/sheet.tif", "changed"},
                             {"rolls/roll 1/notes.txt", "not in the ledger"},
                             {"rolls/elsewhere/x", "not in the ledger"}}));
}

TEST_F(AuditTest, TellsAManifestThatIsGoneOrSaysSomethingElse) {
  Ledger l = open();
  proofed(l, "r", {"1"});
  scribble("rolls/r/manifest-sha256.txt", "");
  EXPECT_EQ(found(l), (Found{{"rolls/r/manifest-sha256.txt", "changed"}}));
  std::filesystem::remove(archive_ / "rolls/r/manifest-sha256.txt");
  EXPECT_EQ(found(l), (Found{{"rolls/r/manifest-sha256.txt", "missing"}}));
}

// coreutils' sha256sum reads the manifest as RFC 8493 section 2.1.3 has it: HEX, blanks, path
// relative to the folder.
TEST_F(AuditTest, Sha256sumChecksTheManifest) {
  Ledger l = open();
  proofed(l, "roll 1", {"1", "2"});
  ASSERT_TRUE(l.want("roll 1", {"1"}, {2400}));
  const Job job = **l.next_job({});
  ASSERT_TRUE(l.pass_captured(job.id, 1, put("roll 1", "full/pass-1.tif", "pass"), {}));
  ASSERT_TRUE(l.full_done(
      job.id,
      {put("roll 1", "full/frame-01.tif", "frame"), put("roll 1", "full/frame-01.yaml", "card")},
      {"1"}, {2400}));
  ASSERT_TRUE(l.write_manifest("roll 1"));
  const std::string folder = (archive_ / "rolls/roll 1").string();
  const auto check = [&] {
    const auto r = core::run(
        {"/bin/sh", "-c", "cd \"$0\" && exec sha256sum --strict -c manifest-sha256.txt", folder},
        20);
    EXPECT_TRUE(r);
    return r ? *r : core::Finished{99, ""};
  };
  auto r = check();
  EXPECT_EQ(r.exit_code, 0) << r.last_lines;
  for (const char* name : {"proof/pass-1.tif: OK", "proof/pass-2.tif: OK", "proof/sheet.tif: OK",
                           "full/frame-01.tif: OK", "full/frame-01.yaml: OK"}) {
    EXPECT_NE(r.last_lines.find(name), std::string::npos) << r.last_lines;
  }
  EXPECT_EQ(std::count(r.last_lines.begin(), r.last_lines.end(), '\n'), 6);
  EXPECT_EQ(r.last_lines.find("full/pass"), std::string::npos) << "no longer named";
  scribble("rolls/roll 1/full/frame-01.tif", "fr4me");
  EXPECT_NE(check().exit_code, 0);
}

TEST_F(AuditTest, AnyChangedByteIsFound) {
  Ledger l = open();
  proofed(l, "r", {"1"});
  ASSERT_TRUE(l.want("r", {"1"}, {2400}));
  std::string text(3'000'001, 'x');
  const File frame = put("r", "full/frame-01.tif", text);
  ASSERT_TRUE(l.full_done((**l.next_job({})).id, {frame}, {"1"}, {2400}));
  ASSERT_EQ(found(l), Found{});
  for (const std::size_t at : {0ul, 1ul, 4096ul, 1048575ul, 1048576ul, 2999999ul, 3000000ul}) {
    text[at] = 'y';
    scribble(frame.path, text);
    EXPECT_EQ(found(l), (Found{{frame.path, "changed"}})) << at;
    text[at] = 'x';
  }
  scribble(frame.path, text);
  EXPECT_EQ(found(l), Found{});
}

TEST_F(AuditTest, AFileThatCannotBeReadIsSaidSoAndTheOthersAreLookedAtAllTheSame) {
  Ledger l = open();
  proofed(l, "r", {"1"});
  scribble("rolls/r/notes.txt", "mine");
  ASSERT_EQ(::chmod((archive_ / "rolls/r/proof/pass-2.tif").c_str(), 0), 0);
  ASSERT_EQ(::chmod((archive_ / "rolls/r/manifest-sha256.txt").c_str(), 0), 0);
  const uid_t us = ::geteuid();
  constexpr uid_t nobody = 65534;  // root may read everything
  ASSERT_TRUE(us != 0 || ::seteuid(nobody) == 0);
  const Found now = found(l);
  ASSERT_TRUE(us != 0 || ::seteuid(us) == 0);
  EXPECT_EQ(now, (Found{{"rolls/r/proof/pass-2.tif", "unreadable"},
                        {"rolls/r/manifest-sha256.txt", "unreadable"},
                        {"rolls/r/notes.txt", "not in the ledger"}}));
}

TEST_F(AuditTest, WhatAStationIsMakingNowIsLeftToIt) {
  auto station = std::make_unique<Ledger>(open());
  proofed(*station, "done", {"1"});
  ASSERT_TRUE(station->add_roll({"r", "s", "k", "", "", ""}));
  ASSERT_TRUE(station->sweep());
  ASSERT_TRUE(station->job_planned((**station->next_job({})).id, {{"passes", 2}}));
  scribble("rolls/r/proof/sheet.tif", "whole, and not yet told");
  scribble("rolls/r/full/frame-01.tif", "no job is at full");
  scribble("rolls/done/proof/extra.tif", "no job of this roll is open");
  Ledger l = open();
  Found always{{"rolls/r/full/frame-01.tif", "not in the ledger"},
               {"rolls/done/proof/extra.tif", "not in the ledger"}};
  EXPECT_EQ(found(l), always);
  station.reset();
  always["rolls/r/proof/sheet.tif"] = "not in the ledger";
  EXPECT_EQ(found(l), always) << "no station works: a leftover";
}

// A station captures, refuses and finishes as fast as it can: an audit beside it finds no trouble.
TEST_F(AuditTest, BesideAWorkingStationNothingIsFoundThatIsNotThere) {
  { open(); }
  int ready[2];
  ASSERT_EQ(::pipe(ready), 0);
  const pid_t child = ::fork();
  if (child == 0) {
    Ledger station = open();
    if (!station.sweep()) ::_exit(1);
    for (int round = 0;; ++round) {
      const std::string roll = "r" + std::to_string(round);
      if (!station.add_roll({roll, "s", "k", "", "", ""})) ::_exit(2);
      const auto id = (**station.next_job({})).id;
      if (!station.job_planned(id, {{"passes", 1}})) ::_exit(3);
      for (int again = 0; again < 3; ++again) {
        const File pass = put(roll, "proof/pass-1.tif", "one " + std::to_string(again));
        if (!station.pass_captured(id, 1, pass, {})) ::_exit(4);
        if (again == 2) break;
        if (!station.pass_refused(id, 1, "moved")) ::_exit(5);
        std::filesystem::remove(archive_ / pass.path);
      }
      if (!station.proof_done(id, {put(roll, "proof/sheet.tif", "sheet")}, frames({"1"})))
        ::_exit(6);
      (void)!::write(ready[1], "x", 1);
    }
  }
  char c = 0;
  ASSERT_EQ(::read(ready[0], &c, 1), 1);
  int audits = 0;
  for (const auto until = std::chrono::steady_clock::now() + std::chrono::seconds(3);
       std::chrono::steady_clock::now() < until; ++audits) {
    if (const Found now = found(*std::make_unique<Ledger>(open())); !now.empty()) {
      EXPECT_EQ(now, Found{}) << audits;
      break;
    }
  }
  EXPECT_GT(audits, 10);
  int status = 0;
  EXPECT_EQ(::waitpid(child, &status, WNOHANG), 0) << "it worked all the time";
  ::kill(child, SIGKILL);
  ::waitpid(child, &status, 0);
  ::close(ready[0]), ::close(ready[1]);
}

// The order in which a fact comes to the disk: file, manifest, ledger; and back: ledger, manifest.
TEST_F(AuditTest, TheManifestIsWrittenBeforeTheLedgerAndGoesAfterIt) {
  Ledger l = open();
  ASSERT_TRUE(l.add_roll({"r", "s", "k", "", "", ""}));
  const Job job = **l.next_job({});
  const auto file = archive_ / "rolls/r/manifest-sha256.txt";
  std::string seen;  // at each change of the manifest: does it name the pass, does the ledger
  core::watch_calls([&](const core::DiskCall& c) {
    if (c.path != file && c.to != file) return;
    Ledger other = open();
    const auto text = core::read_file(file);
    seen += text && text->find("proof/pass-1.tif") != std::string::npos ? "m" : "-";
    seen += other.state("r")->files.empty() ? "- " : "l ";
  });
  const File pass = put("r", "proof/pass-1.tif", "one");
  ASSERT_TRUE(l.pass_captured(job.id, 1, pass, {}));
  EXPECT_EQ(seen, "m- ");
  EXPECT_EQ(*core::read_file(file), pass.sha256 + "  proof/pass-1.tif\n");
  seen.clear();
  ASSERT_TRUE(l.pass_refused(job.id, 1, "moved"));
  EXPECT_EQ(seen, "-- ");
  EXPECT_FALSE(std::filesystem::exists(file)) << "nothing is named any more";
  seen.clear();
  ASSERT_TRUE(l.pass_captured(job.id, 1, pass, {}));
  ASSERT_TRUE(l.job_planned(job.id, {{"passes", 3}}));
  EXPECT_EQ(seen, "m- -- ") << "another plan, other passes";
  core::watch_calls({});
}

TEST_F(AuditTest, AManifestAheadOfTheLedgerIsNoTroubleOfItsOwnAndIsMended) {
  Ledger l = open();
  proofed(l, "r", {"1"});
  const auto file = archive_ / "rolls/r/manifest-sha256.txt";
  const std::string before = *core::read_file(file);
  const File frame = put("r", "full/frame-01.tif", "frame");
  scribble("rolls/r/manifest-sha256.txt", frame.sha256 + "  full/frame-01.tif\n" + before);
  EXPECT_EQ(found(l), (Found{{"rolls/r/full/frame-01.tif", "not in the ledger"}}));
  ASSERT_TRUE(l.sweep());
  EXPECT_EQ(found(l), Found{});
  EXPECT_EQ(*core::read_file(file), before);
  scribble("rolls/r/manifest-sha256.txt", frame.sha256 + "  full/frame-01.tif\n" + before);
  EXPECT_EQ(found(l), (Found{{"rolls/r/manifest-sha256.txt", "changed"}})) << "no such file";
}

TEST_F(AuditTest, SweepTakesLeftoversAndNothingElse) {
  {
    Ledger l = open();
    proofed(l, "r", {"1"});
    ASSERT_TRUE(l.add_roll({"next", "s", "k", "", "", ""}));
  }
  scribble("rolls/r/notes.txt", "a person's own file");
  scribble("rolls/elsewhere/proof/x.tif", "not ours");
  scribble("rolls/next/proof/pass-1.tif", "whole, but the ledger was not told");
  scribble("rolls/next/proof/.pass-2.tif.part", "half");
  scribble("rolls/r/full/frame-01.tif", "leftover");
  std::filesystem::remove(archive_ / "rolls/r/manifest-sha256.txt");
  {
    Ledger l = open();
    const auto gone = l.sweep();
    ASSERT_TRUE(gone) << gone.error().text;
    std::vector<std::string> sorted = gone->gone;
    std::sort(sorted.begin(), sorted.end());
    EXPECT_EQ(sorted, (std::vector<std::string>{"rolls/next/proof/.pass-2.tif.part",
                                                "rolls/next/proof/pass-1.tif",
                                                "rolls/r/full/frame-01.tif"}));
    EXPECT_EQ(found(l), (Found{{"rolls/r/notes.txt", "not in the ledger"},
                               {"rolls/elsewhere/proof/x.tif", "not in the ledger"}}))
        << "and the manifest was written again";
    Ledger other = open();
    const auto second = other.sweep();
    ASSERT_FALSE(second) << "a second station would delete what the first is writing";
    EXPECT_EQ(second.error().fault, Fault::try_again);
    EXPECT_TRUE(l.sweep()->gone.empty());
  }
  EXPECT_TRUE(open().sweep()) << "the claim ends with the station";
}

TEST_F(AuditTest, EveryFailureOfTheDiskLeavesTheOldManifestOrTheNewOne) {
  Ledger l = open();
  proofed(l, "r", {"1"});
  const auto file = archive_ / "rolls/r/manifest-sha256.txt";
  const std::string older = *core::read_file(file);
  ASSERT_TRUE(l.want("r", {"1"}, {0}));
  const Job job = **l.next_job({});
  ASSERT_TRUE(l.full_done(job.id, {put("r", "full/frame-01.tif", "frame")}, {"1"}, {2400}));
  bool finished = false;
  int failures = 0;
  for (int n = 1; n < 200 && !finished; ++n) {
    ASSERT_TRUE(core::write_file(file, older));
    core::fail_nth_call(n, ENOSPC);
    const auto wrote = l.write_manifest("r");
    finished = core::calls_made() < n;
    core::fail_nth_call(0, 0);
    failures += wrote ? 0 : 1;
    const auto text = core::read_file(file);
    ASSERT_TRUE(text) << n;
    EXPECT_TRUE(*text == older || text->find("full/frame-01.tif") != std::string::npos) << n;
    if (wrote) {
      EXPECT_NE(*text, older);
    }
    for (const auto& e : std::filesystem::directory_iterator(archive_ / "rolls/r")) {
      EXPECT_FALSE(e.path().filename().string().ends_with(".part")) << n;
    }
  }
  EXPECT_TRUE(finished);
  EXPECT_GT(failures, 3);
}

TEST_F(AuditTest, WhatIsChosenWhatIsMissingOfItAndTheLastAuditStandInTheLedger) {
  Ledger l = open();
  proofed(l, "r", {"1", "2", "10"});
  proofed(l, "other", {"1"});
  for (const char* frame : {"10", "2", "1"}) ASSERT_TRUE(l.verdict("r", frame, "select"));
  ASSERT_TRUE(l.verdict("r", "1", "kill"));
  EXPECT_FALSE(l.verdict("r", "3", "select")) << "there is no such frame";
  EXPECT_EQ(l.state("r")->selects(), (std::vector<std::string>{"2", "10"}));
  EXPECT_EQ(l.state("r")->missing(), (std::vector<std::string>{"2", "10"}));
  EXPECT_FALSE(l.state("r")->audited);
  ASSERT_TRUE(l.want("r", {"2"}, {1200}));
  ASSERT_TRUE(l.full_done((**l.next_job({})).id, {put("r", "full/frame-02.tif", "2")}, {"2"}, {2400}));
  ASSERT_TRUE(l.verdict("r", "1", ""));
  EXPECT_EQ(l.state("r")->missing(), std::vector<std::string>{"10"});
  EXPECT_EQ(l.state("r")->verdicts, (std::map<std::string, std::string>{{"2", "select"}, {"10", "select"}}));

  std::filesystem::remove(archive_ / "rolls/r/full/frame-02.tif");
  ASSERT_TRUE(l.add_roll({"waiting", "s", "k", "", "", ""}));
  const auto lines = *l.audit();
  ASSERT_EQ(lines.size(), 1u);
  ASSERT_TRUE(l.audited(lines));
  const Ledger again = std::move(l);
  Ledger fresh = open();
  EXPECT_EQ(fresh.state("r")->audited->troubles, 1);
  EXPECT_EQ(fresh.state("other")->audited->troubles, 0);
  EXPECT_FALSE(fresh.state("other")->audited->at.empty());
  EXPECT_FALSE(fresh.state("waiting")->audited) << "it has no file";
  EXPECT_FALSE(fresh.note("audit.done", {})) << "the name of a fact is no note's";
}

// Cells that a spreadsheet would run are quoted: OWASP "CSV injection"; the rest is RFC 4180.
TEST_F(AuditTest, CsvQuotesFormulas) {
  Ledger l = open();
  ASSERT_TRUE(l.add_roll({"plain", "s", "k", "2026-01-02", "=HYPERLINK(\"http://x\",\"y\")", ""}));
  ASSERT_TRUE(l.add_roll({"two", "s", "k", "", "-1, \"two\"\nlines", ""}));
  ASSERT_TRUE(l.add_roll({"three", "+s", "@k", "", "fine", ""}));
  const auto csv = l.export_csv();
  ASSERT_TRUE(csv);
  EXPECT_NE(csv->find(",\"'=HYPERLINK(\"\"http://x\"\",\"\"y\"\")\","), std::string::npos) << *csv;
  EXPECT_NE(csv->find(",\"'-1, \"\"two\"\"\nlines\","), std::string::npos) << *csv;
  EXPECT_NE(csv->find("three,\"'+s\",\"'@k\",,fine,"), std::string::npos) << *csv;
  EXPECT_EQ(csv->substr(0, csv->find("\r\n")),
            "roll,sleeve,stock,shot,note,added,proofed,frame,full_ppi,due,verdict");
}

TEST_F(AuditTest, CsvHasOneLineAFrame) {
  Ledger l = open();
  proofed(l, "r", {"1", "2", "10"});
  ASSERT_TRUE(l.want("r", {"1", "2"}, {1200}));
  const Job job = **l.next_job({});
  ASSERT_TRUE(l.full_done(job.id, {put("r", "full/frame-02.tif", "2")}, {"2"}, {2400}));
  ASSERT_TRUE(l.verdict("r", "2", "alt"));
  const std::string csv = *l.export_csv();
  EXPECT_NE(csv.find(",1,,yes,\r\n"), std::string::npos) << csv;
  EXPECT_NE(csv.find(",2,2400,,alt\r\n"), std::string::npos) << csv;
  EXPECT_NE(csv.find(",10,,,\r\n"), std::string::npos) << csv;
}

}  // namespace
}  // namespace lapwright::ledger
