#include "profile/card.h"

#include <gtest/gtest.h>
#include <unistd.h>

#include <cerrno>
#include <filesystem>

#include "core/files.h"

namespace lapwright::profile {
namespace {

Card sample() {
  Card c;
  c.file = "sheet.tif";
  c.sha256 = std::string(64, 'a');
  c.roll = "2026-03 Hafen: Ärmel #2";
  c.sleeve = "135-7x5";
  c.stock = "c41-daylight-400";
  c.ppi = {2400};
  c.width = {19200};
  c.height = {24000};
  c.origin_mm = {7.123456789012345, -0.1};
  c.mm_per_pixel = 25.4 / 2400;
  Card::Pass p;
  p.pass = 1;
  p.file = "pass-1.tif";
  p.sha256 = std::string(64, '0');
  p.device = "practice:0";
  p.started = "2026-01-31T09:12:44.120Z";
  p.finished = "2026-01-31T09:16:21.000Z";
  p.options = {{"source", "Transparency Unit"},
               {"gamma", "1.0"},
               {"gamma", "1.0"},
               {"note", "a \"quoted\"\nline: yes # no"},
               {"empty", ""},
               {"tilde", "~"},
               {"list", "[1, 2"},
               {"back\\slash", "c:\\x\ty"},
               {"yes", "null"},
               {"dash", "- x"}};
  p.sleeve_to_pass = {94.48818897637796, 1e-7, -2.5e-5, 94.4, -3.25, 1.0 / 3};
  c.passes = {p, p};
  c.passes[1].pass = 2;
  c.passes[1].options.clear();
  c.passes[0].infrared = Card::Infrared{"pass-1-infrared.tif", std::string(64, 'b'),
                                        std::array<double, 6>{1, 0, 0, 1.0001, -0.75, 2.25}, 0.125};
  c.infrared = Card::Infrared{"frame-07-infrared.tif", std::string(64, 'c'), {}, 0};
  c.laps = {{1, 2, 0.21, 48.02, 0.98, {0.1, -0.2, 0.3}}};
  c.open_light =
      Card::Reading{{60000, 60001.5, 59999}, {{1000}, {2345}, {30001}, {4000}}, "empty pocket"};
  c.base = Card::Reading{{28718, 14065, 11433}, {{-1}, {0}, {100}, {1}}, "rebate"};
  c.evenness = Card::Evenness{{{{0.001, -0.02, 0, 1e-5, 0.25, -0.125}, {0, 0, 0, 0, 0, 0}, {-0.01, 0.5, 0.25, 0, 0, 1.0 / 3}}}};
  c.flare = {35.5, 34.25, 31};
  c.balance = Card::Balance{{{{{0, 0}, {0.4, 0.45}}, {{0, 0}, {1, 1}}, {{0, 0}, {0.125, 0.05}, {1.1, 1.0}}}}};
  c.lettering = Card::Lettering{66.5, 37.25, 67.125};
  c.positive = Card::Positive{{12, -3.5, 0, 40}, true, true, false};
  return c;
}

TEST(Card, ReadsBackWhatItWrote) {
  const Card c = sample();
  const std::string text = write_card(c);
  const auto r = read_card(text, "sheet.yaml");
  ASSERT_TRUE(r) << r.error().text << "\n" << text;
  EXPECT_EQ(write_card(*r), text);
  EXPECT_EQ(r->roll, c.roll);
  EXPECT_EQ(r->origin_mm.x, c.origin_mm.x);
  EXPECT_EQ(r->mm_per_pixel, c.mm_per_pixel);
  ASSERT_EQ(r->passes.size(), 2u);
  EXPECT_EQ(r->passes[0].options, c.passes[0].options);
  EXPECT_EQ(r->passes[0].sleeve_to_pass, c.passes[0].sleeve_to_pass);
  ASSERT_TRUE(r->passes[0].infrared && r->infrared);
  EXPECT_FALSE(r->passes[1].infrared);
  EXPECT_EQ(r->passes[0].infrared->to_infrared, c.passes[0].infrared->to_infrared);
  EXPECT_EQ(r->passes[0].infrared->residual_px, 0.125);
  EXPECT_EQ(r->infrared->file, "frame-07-infrared.tif");
  EXPECT_FALSE(r->infrared->to_infrared);
  ASSERT_EQ(r->laps.size(), 1u);
  EXPECT_EQ(r->laps[0].light_percent, c.laps[0].light_percent);
  ASSERT_TRUE(r->base && r->open_light);
  EXPECT_EQ(r->base->where, c.base->where);
  EXPECT_EQ(r->base->counts, c.base->counts);
  EXPECT_EQ(r->open_light->where, c.open_light->where);
  ASSERT_TRUE(r->evenness && r->flare && r->balance && r->lettering);
  EXPECT_EQ(r->evenness->terms, c.evenness->terms);
  EXPECT_EQ(*r->flare, *c.flare);
  EXPECT_EQ(r->balance->curve, c.balance->curve);
  EXPECT_EQ(r->lettering->hue_degrees, 67.125);
}

// Base densities 0.32 / 0.63 / 0.72 of clear 60000 at these counts: CALC from READ(S30),
// trade.md 4.6.
TEST(Card, SaysTheBaseDensityForPeople) {
  Card c = sample();
  c.open_light->counts = {60000, 60000, 60000};
  EXPECT_NE(write_card(c).find("density over the open light 0.32 0.63 0.72"), std::string::npos)
      << write_card(c);
}

TEST(Card, WithoutReadingsAndPasses) {
  Card c = sample();
  c.passes.clear(), c.laps.clear(), c.open_light.reset(), c.base.reset();
  const auto r = read_card(write_card(c), "sheet.yaml");
  ASSERT_TRUE(r) << r.error().text;
  EXPECT_FALSE(r->open_light || r->base);
  EXPECT_TRUE(r->passes.empty() && r->laps.empty());
}

TEST(Card, WritesOddTextSoThatItCanBeRead) {
  Card c = sample();
  c.passes[0].options = {{"odd", "a\xff\x01z"}};
  const auto r = read_card(write_card(c), "sheet.yaml");
  ASSERT_TRUE(r) << r.error().text;
  EXPECT_EQ(r->passes[0].options[0].second, "a\xef\xbf\xbd\xef\xbf\xbdz");
}

TEST(Card, BrokenCardsAreRefusedWithLineAndKey) {
  const std::string text = write_card(sample());
  const auto broken = [&](const std::string& from, const std::string& to) {
    std::string t = text;
    const auto at = t.find(from);
    EXPECT_NE(at, std::string::npos) << from;
    t.replace(at, from.size(), to);
    const auto r = read_card(t, "sheet.yaml");
    EXPECT_FALSE(r) << from;
    if (r) return std::string();
    EXPECT_EQ(r.error().fault, Fault::bad_data);
    return r.error().text;
  };
  EXPECT_EQ(broken("ppi: 2400", "ppi: 0").substr(0, 18), "sheet.yaml:7: ppi:");
  EXPECT_EQ(broken("ppi: 2400", "pip: 2400").substr(0, 31), "sheet.yaml:7: pip: unknown key;");
  EXPECT_EQ(broken("sha256: aaaa", "sha256: zzzz").substr(0, 21), "sheet.yaml:3: sha256:");
  EXPECT_NE(broken("0.1, -0.2, 0.3", "0.1, -0.2").find("laps.light_percent"), std::string::npos);
  EXPECT_NE(broken("0.21", "nan").find("residual_px"), std::string::npos);
}

TEST(Card, EveryFailureOfTheDiskLeavesTheOldCardOrTheNewOne) {
  const auto folder =
      std::filesystem::temp_directory_path() / ("card-test-" + std::to_string(::getpid()));
  std::filesystem::create_directories(folder);
  const auto file = folder / "sheet.yaml";
  Card older = sample();
  older.roll = "older";
  ASSERT_TRUE(core::write_file(file, write_card(older)));
  const std::string fresh = write_card(sample());
  bool finished = false;
  int n = 1;
  for (; n < 200 && !finished; ++n) {
    core::fail_nth_call(n, EIO);
    const auto wrote = core::write_file(file, fresh);
    finished = core::calls_made() < n;
    core::fail_nth_call(0, 0);
    const auto text = core::read_file(file);
    ASSERT_TRUE(text) << n;
    const auto card = read_card(*text, "sheet.yaml");
    ASSERT_TRUE(card) << "call " << n << ": " << card.error().text;
    if (wrote) {
      EXPECT_EQ(*text, fresh);
    }
    int others = 0;
    for (const auto& e : std::filesystem::directory_iterator(folder)) others += e.path() != file;
    EXPECT_EQ(others, 0) << "call " << n << " left something behind";
  }
  EXPECT_TRUE(finished);
  EXPECT_GT(n, 4);
  std::filesystem::remove_all(folder);
}

}  // namespace
}  // namespace lapwright::profile
