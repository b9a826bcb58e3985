// What a pass file says of itself, and under which names files of a job lie.
#include "station/pass_note.h"

#include <gtest/gtest.h>
#include <unistd.h>

#include <nlohmann/json.hpp>

#include "raw/tiff.h"
#include "station/assignment.h"

namespace lapwright::station {
namespace {

namespace fs = std::filesystem;

class PassNoteTest : public testing::Test {
 protected:
  void SetUp() override {
    folder_ = fs::temp_directory_path() / ("lapwright-note-" + std::to_string(::getpid()));
    fs::create_directories(folder_);
  }
  void TearDown() override { fs::remove_all(folder_); }
  fs::path write(const std::string& note) {
    const fs::path file = folder_ / "pass-1.tif";
    auto writer = raw::Writer::create(file, 5, 4, Ppi{300}, {});
    EXPECT_TRUE(writer);
    const std::vector<std::uint16_t> rows(5 * 4 * 3, 77);
    EXPECT_TRUE((*writer)->write(rows.data(), 4));
    EXPECT_TRUE((*writer)->finish(note));
    return file;
  }
  fs::path folder_;
};

TEST_F(PassNoteTest, IsReadBackFromTheFile) {
  const Json capture = {{"device", "net:h\xc3\xa4user"}, {"window", {{"x", 0.1}}}, {"ppi", 2400}};
  const auto read = read_pass_note(write(pass_note({"roll 7", 41, 2, "abc", capture})));
  ASSERT_TRUE(read);
  EXPECT_EQ(read->roll, "roll 7");
  EXPECT_EQ(read->job, 41);
  EXPECT_EQ(read->pass, 2);
  EXPECT_EQ(read->plan, "abc");
  EXPECT_EQ(read->capture, capture);
}

TEST_F(PassNoteTest, WhatSaysNothingOfTheKindOrIsNotWholeGivesNothing) {
  EXPECT_FALSE(read_pass_note(folder_ / "absent.tif"));
  EXPECT_FALSE(read_pass_note(write("")));
  EXPECT_FALSE(read_pass_note(write("pass note: {\"roll\": 3}")));
  EXPECT_FALSE(read_pass_note(write("pass note: {\"roll\": \"r\", \"job\": [1]")));
  EXPECT_FALSE(read_pass_note(write(pass_note({"r", 1, 1, "p", Json::array()}))));
  const fs::path whole = write(pass_note({"r", 1, 1, "p", Json::object()}));
  ASSERT_TRUE(read_pass_note(whole));
  fs::resize_file(whole, 100);
  EXPECT_FALSE(read_pass_note(whole));
}

TEST(Names, NothingThatTheLedgerNamesIsOverwritten) {
  Setting setting;
  setting.archive = "/a";
  Assignment a;
  a.job.roll.name = "r", a.job.id = 41, a.plan.ppi = Ppi{2400};
  EXPECT_EQ(a.pass_file(setting, 2), "/a/rolls/r/proof/pass-2.tif");
  a.job.kind = ledger::JobKind::full;
  EXPECT_EQ(a.pass_file(setting, 2), "/a/rolls/r/full/pass-41-2.tif");
  EXPECT_EQ(a.frame_stem(setting, "7"), "/a/rolls/r/full/frame-07");
  EXPECT_EQ(a.frame_stem(setting, "12A"), "/a/rolls/r/full/frame-12A");
  EXPECT_EQ(a.frame_stem(setting, "7A"), "/a/rolls/r/full/frame-07A");
  EXPECT_EQ(a.frame_stem(setting, "0"), "/a/rolls/r/full/frame-00");
  EXPECT_EQ(a.frame_stem(setting, "00"), "/a/rolls/r/full/frame-000");
  EXPECT_EQ(a.frame_stem(setting, "X"), "/a/rolls/r/full/frame-0X");
  a.job.named = {"rolls/r/full/frame-07.tif", "rolls/r/full/frame-08.yaml"};
  EXPECT_EQ(a.frame_stem(setting, "7"), "/a/rolls/r/full/frame-07-2400");
  EXPECT_EQ(a.frame_stem(setting, "8"), "/a/rolls/r/full/frame-08-2400");
  EXPECT_EQ(a.frame_stem(setting, "9"), "/a/rolls/r/full/frame-09");
  a.job.named.insert("rolls/r/full/frame-07-2400.tif");
  EXPECT_EQ(a.frame_stem(setting, "7"), "/a/rolls/r/full/frame-07-2400-41");
}

}  // namespace
}  // namespace lapwright::station
