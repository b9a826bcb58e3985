#include <gtest/gtest.h>
#include <unistd.h>

#include <fstream>
#include <set>

#include "core/files.h"
#include "profile/profile.h"

namespace lapwright::profile {
namespace {

namespace fs = std::filesystem;

Shelf shipped() { return Shelf({fs::path(SOURCE_DIR) / "profiles"}); }

TEST(Shipped, EveryProfileLoadsAndIsCalledAsItsFile) {
  const Shelf shelf = shipped();
  EXPECT_GE(shelf.names("beds").size(), 7u);
  EXPECT_GE(shelf.names("sleeves").size(), 12u);
  EXPECT_GE(shelf.names("stocks").size(), 7u);
  for (const auto& n : shelf.names("beds")) {
    const auto p = shelf.bed(n);
    EXPECT_TRUE(p) << (p ? "" : p.error().text);
  }
  for (const auto& n : shelf.names("sleeves")) {
    const auto p = shelf.sleeve(n);
    EXPECT_TRUE(p) << (p ? "" : p.error().text);
  }
  for (const auto& n : shelf.names("stocks")) {
    const auto p = shelf.stock(n);
    EXPECT_TRUE(p) << (p ? "" : p.error().text);
  }
  EXPECT_TRUE(shelf.beds());
}

// Film blocks, CALC in trade.md 2 (length x rows times pitch; ours ends at the last film's edge, so
// the last pitch is not full).
TEST(Shipped, FilmBlocksAreThoseOfTheTrade) {
  struct Row {
    const char* name;
    double length, across;  // across: rows x pitch as the table has it
  };
  for (const Row& r :
       {Row{"135-7x5", 190, 7 * 36.2}, Row{"135-6x6", 228, 217}, Row{"135-10x4", 152, 10 * 36.0},
        Row{"135-5x6", 228, 5 * 37.0}, Row{"135-7x6", 228, 7 * 36.0}, Row{"120-3x4", 244, 3 * 65.0},
        Row{"120-4x3", 183, 252}, Row{"120-4x4", 184, 252}, Row{"120-3x3", 222, 3 * 65.0},
        Row{"120-4x2", 184, 252}, Row{"sheet-4x5-2x2", 2 * 104.0, 2 * 130.0}}) {
    const auto s = shipped().sleeve(r.name);
    ASSERT_TRUE(s) << s.error().text;
    EXPECT_NEAR(s->block().width.mm(), r.length, 0.001) << r.name;
    EXPECT_NEAR((s->block().height - s->film_width() + s->strips.pitch).mm(), r.across, 0.5)
        << r.name;
  }
}

// Counts of trade.md 1.2 (READ S10: 6x4.5 15-16, 6x6 12, 6x7 10, 6x9 8 a roll of 120): a page holds
// the roll, or the roll less one for 6x7.
TEST(Shipped, PagesHoldTheirRolls) {
  const auto pictures = [](const char* name) {
    const auto s = shipped().sleeve(name);
    return s ? s->strips.count * s->strips.frames : 0;
  };
  EXPECT_EQ(pictures("135-7x5"), 35);  // READ S31: 35 frames only
  EXPECT_EQ(pictures("135-6x6"), 36);
  EXPECT_EQ(pictures("120-3x4"), 12);
  EXPECT_EQ(pictures("120-4x3"), 12);  // READ S32: a 2 1/4 inch sheet holds twelve
  EXPECT_EQ(pictures("120-4x4"), 16);
  EXPECT_EQ(pictures("120-4x2"), 8);
}

// READ(S20), READ(S21), READ(S42): the windows in trade.md 0 and 3.1.
TEST(Shipped, WindowsAreThoseRead) {
  const auto window = [](const char* name) {
    const auto b = shipped().bed(name);
    EXPECT_TRUE(b) << (b ? "" : b.error().text);
    return b ? std::pair(b->window.width.value, b->window.height.value)
             : std::pair<std::int64_t, std::int64_t>();
  };
  EXPECT_EQ(window("a4-window-8x10"), std::pair(203200L, 254000L));
  EXPECT_EQ(window("a4-window-68.6x237"), std::pair(68600L, 237000L));
  EXPECT_EQ(window("a4-window-35x230"), std::pair(35000L, 230000L));
  EXPECT_EQ(window("a4-window-70x230"), std::pair(70000L, 230000L));
  EXPECT_EQ(window("a4-window-75x230"), std::pair(75000L, 230000L));
  EXPECT_EQ(window("a3-window-290x420"), std::pair(290000L, 420000L));
}

// trade.md 4.6: gains 1.174419 / 1 / 0.961905, offsets 0.010930 / 0 / 0.120095, base 0.32 / 0.63 /
// 0.72 (CALC from READ S30).
TEST(Shipped, TheNegativeStockIsTheControlStrip) {
  const auto s = shipped().stock("c41-daylight-400");
  ASSERT_TRUE(s) << s.error().text;
  EXPECT_NEAR(s->gain.red, 1.174419, 0.0005);
  EXPECT_NEAR(s->gain.blue, 0.961905, 0.0005);
  EXPECT_NEAR(s->offset.red, 0.010930, 0.0005);
  EXPECT_NEAR(s->offset.blue, 0.120095, 0.0005);
  ASSERT_TRUE(s->base);
  EXPECT_EQ(s->base->green, 0.63);
  EXPECT_EQ(s->process, Process::colour_negative);
  EXPECT_EQ(shipped().stock("slide-daylight")->process, Process::slide);
  EXPECT_EQ(shipped().stock("bw-silver")->process, Process::bw_negative);
}

TEST(FilmCaution, IsSilentOnlyWhereTheStockNamesTheNumber) {
  const fs::path root = fs::temp_directory_path() / ("film-caution-test-" + std::to_string(::getpid()));
  fs::create_directories(root / "stocks");
  const auto put = [&](const std::string& name, const std::string& numbers) {
    std::ofstream(root / "stocks" / (name + ".yaml")) << "stock: " << name << "\nabout: x\nprocess: slide\n" << numbers;
  };
  put("one", "film_numbers: [1271, 1272]\n"), put("two", "film_numbers: [80]\n"), put("plain", ""), put("broken", "film_numbers: [3]\n");
  const Shelf shelf({root});
  EXPECT_EQ(shelf.stocks_of_film(1272), std::vector<std::string>{"one"});
  const auto said = [&](const std::string& stock, int film) { return film_caution(shelf, *shelf.stock(stock), film); };
  EXPECT_EQ(said("one", 1271), "");
  EXPECT_NE(said("two", 1271).find("film number 1271, stock one; the roll is given as two"), std::string::npos) << said("two", 1271);
  EXPECT_NE(said("plain", 500).find("film number 500 on the film's edge is in no stock profile"), std::string::npos) << said("plain", 500);
  EXPECT_NE(said("plain", 500).find("film_numbers: [500]"), std::string::npos);
  EXPECT_NE(said("two", 500).find("film_numbers: [..., 500]"), std::string::npos);
  // An archive remembers what its earlier rolls were given as.
  EXPECT_EQ(film_caution(shelf, *shelf.stock("plain"), 500, {"plain", "plain"}), "");
  const auto other = film_caution(shelf, *shelf.stock("plain"), 500, {"plain", "two"});
  EXPECT_NE(other.find("was that of two in an earlier roll; this roll is given as plain"), std::string::npos) << other;
  fs::remove_all(root);
}

class Folders : public ::testing::Test {
 protected:
  void SetUp() override {
    root_ = fs::temp_directory_path() / ("shelf-test-" + std::to_string(::getpid()));
    fs::remove_all(root_);
    for (const char* f : {"one/sleeves", "two/sleeves"}) fs::create_directories(root_ / f);
  }
  void TearDown() override { fs::remove_all(root_); }
  void put(const std::string& path, const std::string& text) {
    std::ofstream(root_ / path) << text;
  }
  static std::string sleeve(const std::string& name, const std::string& about) {
    return "sleeve: " + name + "\nabout: " + about +
           "\npage: {width: 216, height: 279}\nfilm: 135\nframe: {width: 36, height: 24, advance: "
           "38}\n"
           "strips: {count: 1, frames: 5, first: {x: 18, y: 14}, pitch: 36, length: 190, run: "
           "right}\n";
  }
  fs::path root_;
};

TEST_F(Folders, FirstFolderFirstAndPathsAsTheyAre) {
  put("one/sleeves/a.yaml", sleeve("a", "mine"));
  put("two/sleeves/a.yaml", sleeve("a", "theirs"));
  put("two/sleeves/b.yaml", sleeve("b", "theirs"));
  put("loose.yaml", sleeve("whatever", "loose"));
  const Shelf shelf({root_ / "one", root_ / "absent", root_ / "two"});
  EXPECT_EQ(shelf.sleeve("a")->about, "mine");
  EXPECT_EQ(shelf.sleeve("b")->about, "theirs");
  EXPECT_EQ(shelf.sleeve((root_ / "loose.yaml").string())->name, "whatever");
  EXPECT_EQ(shelf.names("sleeves"), (std::vector<std::string>{"a", "b"}));
  const auto none = shelf.sleeve("c");
  ASSERT_FALSE(none);
  EXPECT_EQ(none.error().fault, Fault::no_input);
  EXPECT_EQ(none.error().text, "no sleeve profile is called 'c'; there are: a, b");
  EXPECT_EQ(shelf.sleeve((root_ / "gone.yaml").string()).error().fault, Fault::no_input);
  EXPECT_FALSE(shelf.sleeve(""));
  EXPECT_FALSE(shelf.sleeve(root_.string() + "/"));
}

TEST_F(Folders, AFileCalledOtherwiseThanItsProfileIsRefused) {
  put("one/sleeves/copy.yaml", sleeve("a", "copied and not renamed"));
  const auto r = Shelf({root_ / "one"}).sleeve("copy");
  ASSERT_FALSE(r);
  EXPECT_EQ(r.error().fault, Fault::bad_profile);
}

TEST_F(Folders, ConfigurationIsFoundThroughXdg) {
  fs::create_directories(root_ / "lapwright");
  ::setenv("XDG_CONFIG_HOME", root_.c_str(), 1);
  EXPECT_FALSE(load_config()->archive) << "no file: nothing configured";
  put("lapwright/config.yaml",
      "archive: films\nprofiles: [~/mine, /there]\nbed: b\nkey: stdin\nconvert: [tool, --in, "
      "'{sheet}', --out, '{proof}']\n");
  ::setenv("HOME", "/home/p", 1);
  const auto c = load_config();
  ASSERT_TRUE(c) << c.error().text;
  EXPECT_EQ(*c->archive, (root_ / "lapwright/films").string());
  EXPECT_EQ(c->profiles, (std::vector<std::string>{"/home/p/mine", "/there"}));
  EXPECT_EQ(c->convert.size(), 5u);
  put("lapwright/config.yaml", "# nothing yet\n");
  EXPECT_TRUE(load_config());
  put("lapwright/config.yaml", "archiv: x\n");
  EXPECT_EQ(load_config().error().fault, Fault::bad_profile);
  EXPECT_NE(load_config().error().text.find("config.yaml:1: archiv: unknown key"),
            std::string::npos);
  put("lapwright/config.yaml", "key: space\n");
  EXPECT_FALSE(load_config());
  put("lapwright/config.yaml", "convert: [tool, '{sheet}']\n");
  EXPECT_FALSE(load_config()) << "no {proof}";
  ::unsetenv("XDG_CONFIG_HOME");
}

}  // namespace
}  // namespace lapwright::profile
