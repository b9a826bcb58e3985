// What a person sees of a flatbed, and the profile drafted from it: read back by the project's own
// loader, and once through the whole program on libsane's `test` backend.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/wait.h>

#include <array>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "bed/bed.h"
#include "cli/bed_draft.h"
#include "core/json.h"
#include "profile/profile.h"

namespace lapwright {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

bed::Capability capability() {
  bed::Capability c;
  c.device = {"fake:one", "Vendor & Sons", "Model (2) [x] {3} 'A' ^\\$|*+?.", "flatbed scanner"};
  c.sources = {"Flatbed", "TPU"};
  c.film_source = "TPU";
  c.window = Rect<BedSpace>{{1204}, {3300}, {203199}, {254009}};
  c.depths = {8, 16};
  c.resolutions = {10, 300, 600, 2400, 4800, 30000};
  c.settings = {{"source", "TPU", "Flatbed", "light through the film", true}};
  return c;
}

TEST(BedDraft, IsReadBackAndMatchesItsDevice) {
  const bed::Capability known = capability();
  const auto text = cli::bed_draft(known, "my-bed", "my-bed.yaml");
  ASSERT_TRUE(text) << text.error().text;
  const auto read = profile::parse_bed(*text, "my-bed.yaml");
  ASSERT_TRUE(read) << read.error().text;
  EXPECT_EQ(read->name, "my-bed");
  // Hundredths of a millimetre, never outside what the device says.
  EXPECT_EQ(read->window.x.value, 1200);
  EXPECT_EQ(read->window.width.value, 203190);
  EXPECT_EQ(read->window.height.value, 254000);
  EXPECT_EQ(read->overhang.right.value, 0);
  ASSERT_EQ(read->ppi.size(), 4U);  // those that a profile can hold
  EXPECT_EQ(read->ppi.back().value, 4800);
  EXPECT_TRUE(read->options.empty());
  ASSERT_TRUE(read->match);
  EXPECT_TRUE(bed::matches(read->match->vendor, read->match->model, known.device));
  EXPECT_FALSE(bed::matches(read->match->vendor, read->match->model,
                            {"fake:two", "Vendor & Sons", "Model 2 x 'A'", ""}));
  for (const char* words : {"MEASURE", "overhang", "ruler", "source = TPU: light through the film"})
    EXPECT_THAT(*text, HasSubstr(words));
}

TEST(BedDraft, OfADeviceThatSaysOddThings) {
  bed::Capability known = capability();
  known.device = {"net:host:x\n# y", "", "", ""};
  known.film_source.clear();
  known.lacks = {"a light for film: none\nbed: other"};
  auto text = cli::bed_draft(known, "b", "b.yaml");
  ASSERT_TRUE(text) << text.error().text;
  auto read = profile::parse_bed(*text, "b.yaml");
  ASSERT_TRUE(read) << read.error().text;
  EXPECT_EQ(read->name, "b");
  EXPECT_FALSE(read->match);
  EXPECT_THAT(*text, HasSubstr("# NOT TO BE HAD: a light for film: none?bed: other\n"));

  known.device = {"x", std::string("V\xffo\x01r", 5), std::string(400, '('), ""};
  text = cli::bed_draft(known, "b", "b.yaml");
  ASSERT_TRUE(text) << text.error().text;
  read = profile::parse_bed(*text, "b.yaml");
  ASSERT_TRUE(read) << read.error().text;
  EXPECT_TRUE(bed::matches(read->match->vendor, read->match->model, known.device));
}

TEST(BedDraft, SaysWhatAProfileNeedsAndTheDeviceDoesNotGive) {
  const auto refused = [](bed::Capability known, const std::string& name) {
    const auto text = cli::bed_draft(known, name, "b.yaml");
    EXPECT_FALSE(text);
    return text ? std::string() : text.error().text;
  };
  bed::Capability known = capability();
  known.window.reset();
  EXPECT_THAT(refused(known, "b"), HasSubstr("no area"));
  known = capability();
  known.resolutions = {10};
  EXPECT_THAT(refused(known, "b"), HasSubstr("no resolution"));
  // What the loader would refuse is refused before it is written.
  known = capability();
  known.window = Rect<BedSpace>{{0}, {0}, {4000}, {4000}};
  EXPECT_THAT(refused(known, "b"), HasSubstr("window.width"));
  EXPECT_THAT(refused(capability(), "two words"), HasSubstr("bed"));
}

class BedsCommand : public ::testing::Test {
 protected:
  void SetUp() override {
    char name[] = "/tmp/beds-command-XXXXXX";
    folder = ::mkdtemp(name);
    std::ofstream(folder / "dll.conf") << "test\n";
    std::ofstream(folder / "test.conf") << "";
  }
  void TearDown() override { std::filesystem::remove_all(folder); }
  int run(const std::string& arguments) {
    const std::string command = "cd " + folder.string() +
                                " && XDG_CONFIG_HOME=/nonexistent HOME=" + folder.string() +
                                " SANE_CONFIG_DIR=" + folder.string() +
                                " " LAPWRIGHT_PROGRAM " beds " + arguments + " 2>err";
    out.clear();
    FILE* pipe = ::popen(command.c_str(), "r");
    std::array<char, 4096> part{};
    while (const auto n = std::fread(part.data(), 1, part.size(), pipe)) out.append(part.data(), n);
    const int status = ::pclose(pipe);
    std::stringstream text;
    text << std::ifstream(folder / "err").rdbuf();
    err = text.str();
    return WEXITSTATUS(status);
  }
  std::filesystem::path folder;
  std::string out, err;
};

TEST_F(BedsCommand, ProbeTellsSettingsWithReasonsAndWhatIsLacking) {
  ASSERT_EQ(run("--probe test:0"), 0) << err;
  EXPECT_THAT(out, HasSubstr("depth = 16  (the most bits a sample, up to 16; was 8)"));
  EXPECT_THAT(out, HasSubstr("not to be had   a light for film"));
  EXPECT_THAT(out, HasSubstr("test-picture = Solid black  (text: Solid black"));
  EXPECT_THAT(out, Not(HasSubstr("test:1")));
  ASSERT_EQ(run("--probe test:0 --json"), 0) << err;
  auto j = core::parse_json(out, "output");
  ASSERT_TRUE(j) << out;
  const Json& bed = j->at("beds").at(0);
  EXPECT_EQ(bed.at("device"), "test:0");
  EXPECT_EQ(bed.at("lacks").size(), 1U);
  bool depth = false;
  for (const Json& s : bed.at("settings")) {
    EXPECT_NE(s.at("why"), "");
    EXPECT_EQ(s.at("kept"), true);
    depth |= s.at("option") == "depth" && s.at("value") == "16" && s.at("was") == "8";
  }
  EXPECT_TRUE(depth);
  // SANE field notes 2.1: 57 options, of which number 0 is their count and the rest has groups.
  EXPECT_GT(bed.at("options").size(), 40U);
  ASSERT_EQ(run("--probe --json"), 0) << err;
  EXPECT_EQ(core::parse_json(out, "output")->at("beds").size(), 2U);
  ASSERT_EQ(run("--json"), 0) << err;
  EXPECT_FALSE(core::parse_json(out, "output")->at("beds").at(0).contains("settings"));
  EXPECT_EQ(run("--probe nowhere:bed"), 69);
}

TEST_F(BedsCommand, ChecksNoWindowWhereThereIsNoFilmLight) {
  EXPECT_EQ(run("--check test:0"), 65);
  EXPECT_THAT(err, HasSubstr("no film light"));
  EXPECT_EQ(run("--check"), 64);
  EXPECT_EQ(run("--check test:0 --probe"), 64);
}

TEST_F(BedsCommand, WritesAProfileThatLoadsAndNeverOverAnother) {
  ASSERT_EQ(run("--device test:0 --write-profile drafts/glass.yaml"), 0) << err;
  std::stringstream text;
  text << std::ifstream(folder / "drafts/glass.yaml").rdbuf();
  const auto read = profile::parse_bed(text.str(), "glass.yaml");
  ASSERT_TRUE(read) << read.error().text;
  EXPECT_EQ(read->name, "glass");
  EXPECT_EQ(read->window.width.value, 200000);  // SANE field notes 2.1: 0..200 mm
  EXPECT_EQ(run("--device test:0 --write-profile drafts/glass.yaml"), 73);
  EXPECT_THAT(err, HasSubstr("exists"));
  EXPECT_EQ(run("--write-profile other.yaml"), 64);  // two devices answer
  EXPECT_THAT(err, HasSubstr("test:0, test:1"));
  EXPECT_EQ(run("--device test:0 --write-profile other.json"), 64);
  EXPECT_EQ(run("--device test:0 --json --write-profile other.yaml"), 0);
  EXPECT_EQ(core::parse_json(out, "output")->at("bed"), "other");
}

}  // namespace
}  // namespace lapwright
