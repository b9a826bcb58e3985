// roll, want and ledger as a person or a script calls them: arguments in, text, JSON and exit code
// out.
#include <gtest/gtest.h>
#include <unistd.h>

#include <cstdlib>
#include <fstream>
#include <iostream>
#include <nlohmann/json.hpp>
#include <sstream>

#include "cli/main.h"
#include "core/files.h"
#include "core/json.h"
#include "ledger/ledger.h"

namespace lapwright::cli {
namespace {

namespace fs = std::filesystem;

struct Outcome {
  int code = -1;
  std::string out, err;
  Json json() const {
    const auto parsed = core::parse_json(out, "stdout");
    EXPECT_TRUE(parsed) << out;
    return parsed ? *parsed : Json();
  }
};

class ArchiveCommands : public ::testing::Test {
 protected:
  void SetUp() override {
    root_ = fs::temp_directory_path() /
            (std::string("cli-test-") +
             ::testing::UnitTest::GetInstance()->current_test_info()->name() +
             std::to_string(::getpid()));
    fs::remove_all(root_);
    fs::create_directories(root_);
    archive_ = root_ / "archive";
    ::setenv("LAPWRIGHT_ARCHIVE", archive_.c_str(), 1);
    ::setenv("XDG_CONFIG_HOME", (root_ / "config").c_str(), 1);
    ::setenv("LAPWRIGHT_PROFILES", (fs::path(SOURCE_DIR) / "profiles").c_str(), 1);
  }
  void TearDown() override { fs::remove_all(root_); }

  static Outcome call(std::vector<std::string> arguments) {
    arguments.insert(arguments.begin(), "lapwright");
    std::vector<char*> argv;
    for (std::string& a : arguments) argv.push_back(a.data());
    argv.push_back(nullptr);
    std::ostringstream out, err;
    auto* old_out = std::cout.rdbuf(out.rdbuf());
    auto* old_err = std::cerr.rdbuf(err.rdbuf());
    Outcome o;
    o.code = cli::main(static_cast<int>(arguments.size()), argv.data());
    std::cout.rdbuf(old_out);
    std::cerr.rdbuf(old_err);
    o.out = out.str();
    o.err = err.str();
    return o;
  }
  static Outcome add(const std::string& name) {
    return call({"roll", "add", name, "--sleeve", "135-7x5", "--stock", "c41-daylight-400",
                 "--shot", "2026-03-21"});
  }

  ledger::File put(const std::string& path, const std::string& text) {
    EXPECT_TRUE(core::write_file(archive_ / path, text));
    return {path, *core::sha256_of(archive_ / path), text.size()};
  }
  /// Does what a station would: roll `name` gets its proof with these frames, and frame "2" at
  /// full.
  void proof(const std::string& name) {
    auto l = ledger::Ledger::open(archive_);
    ASSERT_TRUE(l);
    const auto job = (*l->next_job({}))->id;
    Json list = Json::array();
    for (const char* f : {"1", "2", "3"}) list.push_back({{"frame", f}});
    ASSERT_TRUE(l->proof_done(job, {put("rolls/" + name + "/proof/sheet.tif", "sheet")},
                              {{"frames", list}}));
    ASSERT_TRUE(l->want(name, {"2"}, {0}));
    ASSERT_TRUE(l->full_done((*l->next_job({}))->id,
                             {put("rolls/" + name + "/full/frame-02.tif", "frame")}, {"2"},
                             {2400}));
    ASSERT_TRUE(l->write_manifest(name));
  }
  fs::path root_, archive_;
};

TEST_F(ArchiveCommands, RollAddListShow) {
  EXPECT_EQ(add("b").code, 0);
  EXPECT_EQ(add("a").code, 0);
  const Outcome twice = add("a");
  EXPECT_EQ(twice.code, 65);
  EXPECT_EQ(twice.out, "");
  EXPECT_EQ(std::count(twice.err.begin(), twice.err.end(), '\n'), 1);
  const Json list = call({"roll", "list", "--json"}).json();
  ASSERT_EQ(list["rolls"].size(), 2u);
  EXPECT_EQ(list["rolls"][0]["roll"], "b");
  EXPECT_EQ(list["rolls"][0]["shot"], "2026-03-21");
  EXPECT_EQ(list["rolls"][1]["proofed"], false);
  const Outcome people = call({"roll", "list"});
  EXPECT_EQ(people.out.substr(0, people.out.find('\n')),
            "ROLL  PROOF    SLEEVE   STOCK             SHOT        NOTE");
  EXPECT_EQ(call({"roll", "show", "a", "--json"}).json()["sleeve"], "135-7x5");
  EXPECT_NE(call({"roll", "show", "a"}).out.find("waiting"), std::string::npos);
  EXPECT_EQ(call({"roll", "show", "c"}).code, 66);
}

TEST_F(ArchiveCommands, RollAddRefusesWhatCannotBe) {
  const auto code = [](std::vector<std::string> more) {
    std::vector<std::string> all{"roll", "add"};
    all.insert(all.end(), more.begin(), more.end());
    return call(all).code;
  };
  EXPECT_EQ(code({"a/b", "--sleeve", "135-7x5", "--stock", "c41-daylight-400"}), 65);
  EXPECT_EQ(code({"a", "--sleeve", "none", "--stock", "c41-daylight-400"}), 66);
  EXPECT_EQ(code({"a", "--sleeve", "135-7x5", "--stock", "none"}), 66);
  EXPECT_EQ(code({"a", "--sleeve", "135-7x5"}), 64);
  for (const char* bad :
       {"2026-02-30", "yesterday", "2026-13", "26-01-01", "2026-1-1", "2026-01-011"}) {
    EXPECT_EQ(code({"a", "--sleeve", "135-7x5", "--stock", "c41-daylight-400", "--shot", bad}), 64)
        << bad;
  }
  EXPECT_FALSE(fs::exists(archive_)) << "nothing refused makes an archive";
  std::ofstream(root_ / "bad.yaml") << "sleeve: s\nabout: x\npage: {width: 1, height: 2}\n";
  const Outcome bad = call({"roll", "add", "a", "--sleeve", (root_ / "bad.yaml").string(),
                            "--stock", "c41-daylight-400"});
  EXPECT_EQ(bad.code, 78);
  EXPECT_NE(bad.err.find("bad.yaml:3: page.width: "), std::string::npos) << bad.err;
}

TEST_F(ArchiveCommands, AMistypedArchiveIsNotMade) {
  for (const std::vector<std::string>& c : {std::vector<std::string>{"ledger"},
                                            {"ledger", "due"},
                                            {"ledger", "audit"},
                                            {"roll", "list"},
                                            {"want", "r", "--frames", "1"}}) {
    EXPECT_EQ(call(c).code, 66) << c[0];
  }
  EXPECT_FALSE(fs::exists(archive_));
}

TEST_F(ArchiveCommands, LedgerTellsProofFullAndDue) {
  ASSERT_EQ(add("r1").code, 0);
  proof("r1");
  ASSERT_EQ(add("r2").code, 0);
  ASSERT_EQ(call({"want", "r1", "--frames", "1,2-3", "--ppi", "1200"}).code, 0);
  const Json all = call({"ledger", "--json"}).json();
  EXPECT_EQ(all["rolls"][0]["frames_found"], 3);
  EXPECT_EQ(all["rolls"][0]["at_full"], Json({"2"}));
  EXPECT_EQ(all["rolls"][0]["due"], Json({"1", "3"})) << "2 is there at more";
  const std::string people = call({"ledger"}).out;
  EXPECT_NE(people.find("1 of 3: 2"), std::string::npos) << people;
  EXPECT_NE(people.find("2 rolls, 1 waiting for a proof; 1 frame at full, 0 selects missing, 2 due"),
            std::string::npos)
      << people;
  EXPECT_NE(call({"ledger", "r1"}).out.find("rolls/r1/full/frame-02.tif"), std::string::npos);
  EXPECT_EQ(call({"ledger", "r1", "--json"}).json()["roll"], "r1");
  EXPECT_EQ(call({"ledger", "r3"}).code, 66);
  const Json due = call({"ledger", "due", "--json"}).json();
  EXPECT_EQ(due["proofs"][0]["roll"], "r2");
  EXPECT_EQ(due["full"][0]["frames"], Json({"1", "3"}));
  EXPECT_EQ(due["full"][0]["ppi"], 1200);
}

TEST_F(ArchiveCommands, WantNamesTheFramesThatExist) {
  ASSERT_EQ(add("r1").code, 0);
  proof("r1");
  const Outcome unknown = call({"want", "r1", "--frames", "1,9"});
  EXPECT_EQ(unknown.code, 65);
  EXPECT_NE(unknown.err.find("there are: 1, 2, 3"), std::string::npos) << unknown.err;
  EXPECT_EQ(call({"want", "r9", "--frames", "1"}).code, 66);
  EXPECT_EQ(call({"want", "r1", "--frames", "3-1"}).code, 64);
  EXPECT_EQ(call({"want", "r1", "--frames", "1", "--ppi", "0"}).code, 64);
  const Outcome there = call({"want", "r1", "--frames", "2"});
  EXPECT_EQ(there.code, 0);
  EXPECT_NE(there.err.find("already at full: 2"), std::string::npos) << there.err;
  EXPECT_EQ(call({"want", "r1", "--frames", "2", "--json"}).json()["already_at_full"], Json({"2"}));
  EXPECT_EQ(call({"want", "r1", "--frames", "all", "--json"}).json()["due"], Json({"1", "3"}));
}

TEST_F(ArchiveCommands, AuditEndsWithOneWhenSomethingIsWrong) {
  ASSERT_EQ(add("r1").code, 0);
  proof("r1");
  EXPECT_EQ(call({"ledger", "audit"}).code, 0);
  EXPECT_EQ(call({"ledger", "audit", "--json"}).json()["ok"], true);
  std::ofstream(archive_ / "rolls/r1/proof/sheet.tif") << "shee7";
  const Outcome wrong = call({"ledger", "audit", "--json"});
  EXPECT_EQ(wrong.code, 1);
  EXPECT_EQ(wrong.json()["troubles"][0]["path"], "rolls/r1/proof/sheet.tif");
  EXPECT_EQ(wrong.json()["troubles"][0]["trouble"], "changed");
  EXPECT_NE(call({"ledger", "audit"}).out.find("changed"), std::string::npos);
}

TEST_F(ArchiveCommands, ExportWritesAFileOrStandardOutput) {
  ASSERT_EQ(add("r1").code, 0);
  proof("r1");
  const std::string file = (root_ / "out.csv").string();
  EXPECT_EQ(call({"ledger", "export", file}).code, 0);
  const auto text = core::read_file(file);
  ASSERT_TRUE(text);
  EXPECT_EQ(call({"ledger", "export", "-"}).out, *text);
  EXPECT_NE(text->find(",2,2400,,\r\n"), std::string::npos) << *text;
  EXPECT_EQ(call({"ledger", "export", "/proc/no/such.csv"}).code, 73);
}

TEST_F(ArchiveCommands, EveryOneHasHelp) {
  for (const std::vector<std::string>& c : {std::vector<std::string>{"roll"},
                                            {"roll", "add"},
                                            {"want"},
                                            {"ledger"},
                                            {"ledger", "audit"},
                                            {"ledger", "export"}}) {
    std::vector<std::string> all = c;
    all.push_back("--help");
    const Outcome o = call(all);
    EXPECT_EQ(o.code, 0);
    EXPECT_GT(o.out.size(), 100u) << o.out;
  }
}

}  // namespace
}  // namespace lapwright::cli
