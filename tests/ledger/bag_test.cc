// Copies of rolls in a second place: bags by RFC 8493, checked by coreutils' sha256sum.
#include "ledger/bag.h"

#include <algorithm>
#include <cerrno>

#include "core/process.h"
#include "ledger/archive_fixture.h"

namespace lapwright::ledger {
namespace {

namespace fs = std::filesystem;

class BagTest : public ArchiveTest {
 protected:
  void SetUp() override {
    ArchiveTest::SetUp();
    place_ = archive_.string() + "-copies";
    fs::remove_all(place_);
  }
  void TearDown() override {
    fs::remove_all(place_);
    ArchiveTest::TearDown();
  }
  static std::string text(const fs::path& file) { return core::read_file(file).value_or("(none)"); }
  static std::map<std::string, std::string> troubles(const std::vector<AuditLine>& lines) {
    std::map<std::string, std::string> out;
    for (const auto& l : lines) out[l.path] = l.trouble;
    return out;
  }
  std::map<std::string, std::string> checked(const std::string& roll) {
    const auto found = check_bag(place_, roll);
    EXPECT_TRUE(found) << (found ? "" : found.error().text);
    return found ? troubles(*found) : std::map<std::string, std::string>{{"?", "?"}};
  }
  /// RFC 8493 section 3: complete and valid, told by coreutils.
  void valid(const std::string& roll) {
    for (const char* manifest : {"manifest-sha256.txt", "tagmanifest-sha256.txt"}) {
      const auto r = core::run({"/bin/sh", "-c", "cd \"$0\" && exec sha256sum --strict -c \"$1\"", (place_ / roll).string(), manifest}, 20);
      EXPECT_TRUE(r && r->exit_code == 0) << manifest << (r ? r->last_lines : "");
    }
    const auto r = core::run({"/bin/sh", "-c", "cd \"$0\" && [ $(find data -type f | wc -l) = $(wc -l < manifest-sha256.txt) ]", (place_ / roll).string()}, 20);
    EXPECT_TRUE(r && r->exit_code == 0) << "payload files that the manifest does not name";
    EXPECT_EQ(text(place_ / roll / "bagit.txt"), "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n");
  }
  fs::path place_;
};

TEST_F(BagTest, ARollIsCopiedOnceAndIsThenSafe) {
  Ledger l = open();
  proofed(l, "roll 1", {"1"});
  EXPECT_TRUE(l.state("roll 1")->unsafe());
  const auto first = l.copy_roll("roll 1", place_);
  ASSERT_TRUE(first) << first.error().text;
  EXPECT_TRUE(first->whole());
  EXPECT_EQ(first->copied, 4);
  valid("roll 1");
  EXPECT_EQ(text(place_ / "roll 1/data/proof/pass-1.tif"), "one of roll 1");
  EXPECT_NE(text(place_ / "roll 1/bag-info.txt").find("\nPayload-Oxum: 43.4\n"), std::string::npos) << text(place_ / "roll 1/bag-info.txt");
  EXPECT_FALSE(l.state("roll 1")->unsafe());
  EXPECT_EQ(checked("roll 1"), (std::map<std::string, std::string>{}));

  const auto before = fs::last_write_time(place_ / "roll 1/tagmanifest-sha256.txt");
  const auto again = l.copy_roll("roll 1", place_);
  ASSERT_TRUE(again && again->whole());
  EXPECT_EQ(again->copied, 0);
  EXPECT_EQ(fs::last_write_time(place_ / "roll 1/tagmanifest-sha256.txt"), before);

  // Marks go along as they are now, and again when they have changed.
  for (const char* marks : {"{}", "{\"items\": []}"}) {
    put("roll 1", "marks.json", marks);
    const auto with = l.copy_roll("roll 1", place_);
    ASSERT_TRUE(with && with->whole());
    EXPECT_EQ(with->copied, 1);
    EXPECT_EQ(text(place_ / "roll 1/data/marks.json"), marks);
    valid("roll 1");
  }

  // A frame more: unsafe until it is copied too.
  ASSERT_TRUE(l.want("roll 1", {"1"}, {2400}));
  const Job job = **l.next_job({});
  ASSERT_TRUE(l.full_done(job.id, {put("roll 1", "full/frame-01.tif", "frame")}, {"1"}, {2400}));
  EXPECT_TRUE(l.state("roll 1")->unsafe());
  EXPECT_EQ(l.state("roll 1")->copies.size(), 1U);
  const auto more = l.copy_roll("roll 1", place_);
  ASSERT_TRUE(more && more->whole());
  EXPECT_EQ(more->copied, 1);
  valid("roll 1");
  EXPECT_FALSE(l.state("roll 1")->unsafe());
  Ledger later = open();  // as another process reads it
  EXPECT_FALSE(later.state("roll 1")->unsafe());
}

TEST_F(BagTest, WhatIsNotWhatItWasIsToldAndNotCopied) {
  Ledger l = open();
  proofed(l, "r", {"1"});
  std::ofstream(archive_ / "rolls/r/proof/pass-1.tif") << "0ne of r";
  fs::remove(archive_ / "rolls/r/proof/pass-2.tif");
  const auto bag = l.copy_roll("r", place_);
  ASSERT_TRUE(bag) << bag.error().text;
  EXPECT_FALSE(bag->whole());
  EXPECT_EQ(troubles(bag->troubles), (std::map<std::string, std::string>{{"rolls/r/proof/pass-1.tif", "changed"}, {"rolls/r/proof/pass-2.tif", "missing"}}));
  EXPECT_FALSE(fs::exists(place_ / "r/data/proof/pass-1.tif"));
  EXPECT_TRUE(l.state("r")->unsafe());
  valid("r");  // what could be copied
}

TEST_F(BagTest, ACheckFindsEveryChangeInTheSecondPlace) {
  Ledger l = open();
  proofed(l, "r", {"1"});
  ASSERT_TRUE(l.copy_roll("r", place_));
  std::ofstream(place_ / "r/data/proof/pass-1.tif") << "0ne of r";
  fs::remove(place_ / "r/data/proof/sheet.tif");
  std::ofstream(place_ / "r/data/mine.txt") << "mine";
  std::ofstream(place_ / "r/bag-info.txt", std::ios::app) << "Contact-Name: someone\n";
  EXPECT_EQ(checked("r"), (std::map<std::string, std::string>{{"r/data/proof/pass-1.tif", "changed"},
                                                              {"r/data/proof/sheet.tif", "missing"},
                                                              {"r/data/mine.txt", "not in the manifest"},
                                                              {"r/bag-info.txt", "changed"}}));
  const auto none = check_bag(place_, "elsewhere");
  ASSERT_FALSE(none);
  EXPECT_EQ(none.error().fault, Fault::no_input);
}

TEST_F(BagTest, ASecondPlaceIsNotTheArchiveNorSomebodysFolder) {
  Ledger l = open();
  proofed(l, "r", {"1"});
  for (const fs::path& inside : {archive_, archive_ / "rolls", archive_ / "copies"}) {
    const auto bag = l.copy_roll("r", inside);
    ASSERT_FALSE(bag);
    EXPECT_EQ(bag.error().fault, Fault::usage) << bag.error().text;
  }
  fs::create_directories(place_ / "r");
  std::ofstream(place_ / "r/letter.txt") << "dear";
  const auto bag = l.copy_roll("r", place_);
  ASSERT_FALSE(bag);
  EXPECT_EQ(bag.error().fault, Fault::cannot_create);
  EXPECT_EQ(text(place_ / "r/letter.txt"), "dear");
}

TEST_F(BagTest, WhicheverCallFailsTheNextCopyIsWhole) {
  Ledger l = open();
  proofed(l, "r", {"1"});
  int failed = 0;
  for (std::int64_t n = 1;; ++n) {
    fs::remove_all(place_);
    core::fail_nth_call(n, EIO);
    const auto bag = l.copy_roll("r", place_);
    const bool fired = core::calls_made() >= n;
    core::fail_nth_call(0, 0);
    if (!fired) break;
    if (!bag || !bag->whole()) ++failed;
    if (bag && bag->whole()) valid("r");  // never said to be whole when it is not
    const auto again = l.copy_roll("r", place_);
    ASSERT_TRUE(again && again->whole()) << n << (again ? "" : again.error().text);
    valid("r");
    ASSERT_EQ(checked("r"), (std::map<std::string, std::string>{})) << n;
    ASSERT_LT(n, 1000);
  }
  EXPECT_GT(failed, 40);
}

}  // namespace
}  // namespace lapwright::ledger
