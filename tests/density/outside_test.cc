#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>

#include "core/files.h"
#include "density/density.h"

namespace lapwright::density {
namespace {

namespace fs = std::filesystem;

struct Outside : testing::Test {
  fs::path folder = fs::temp_directory_path() / ("outside-" + std::to_string(::getpid()) + testing::UnitTest::GetInstance()->current_test_info()->name());
  void SetUp() override {
    fs::create_directories(folder);
    std::ofstream(folder / "sheet one.tif") << "sheet";
    std::ofstream(folder / "sheet.yaml") << "card";
  }
  void TearDown() override { fs::remove_all(folder); }
  Result<core::Finished> run(const std::vector<std::string>& arguments) {
    return run_outside_stage(arguments, folder / "sheet one.tif", folder / "sheet.yaml", folder / "proof.tif");
  }
};

TEST_F(Outside, FillsItsArgumentsInWithoutAShell) {
  const auto r = run({"cp", "{sheet}", "{proof}"});
  ASSERT_TRUE(r) << r.error().text;
  EXPECT_EQ(*core::read_file(folder / "proof.tif"), "sheet");
  ASSERT_TRUE(run({"cp", "{card}", "{proof}"}));
  EXPECT_EQ(*core::read_file(folder / "proof.tif"), "card");
  EXPECT_EQ(std::distance(fs::directory_iterator(folder), {}), 3);  // nothing is left beside
  const auto told = run({"sh", "-c", "cp \"$1\" \"$2\"; echo all well", "sh", "{sheet}", "{proof}"});
  ASSERT_TRUE(told) << told.error().text;
  EXPECT_EQ(told->exit_code, 0);
  EXPECT_EQ(told->last_lines, "all well\n");
}

TEST_F(Outside, TellsCodeAndLastLines) {
  const auto r = run({"sh", "-c", "echo first; echo the reason >&2; exit 7"});
  ASSERT_FALSE(r);
  EXPECT_EQ(r.error().fault, Fault::bad_profile);
  EXPECT_NE(r.error().text.find("code 7"), std::string::npos) << r.error().text;
  EXPECT_NE(r.error().text.find("first | the reason"), std::string::npos) << r.error().text;
  EXPECT_FALSE(fs::exists(folder / "proof.tif"));
}

TEST_F(Outside, RefusesWhatLeavesNothingOrCannotStart) {
  const auto nothing = run({"true"});
  ASSERT_FALSE(nothing);
  EXPECT_EQ(nothing.error().fault, Fault::io);
  EXPECT_FALSE(run({(folder / "not there").string()}));
  EXPECT_FALSE(run({}));
}

}  // namespace
}  // namespace lapwright::density
