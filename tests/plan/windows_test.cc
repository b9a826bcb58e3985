// Windows for frames of a sleeve that lies anyhow: nothing cut, merged where that is quicker, and what to do when one lies outside.
#include "plan/windows.h"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <random>

#include "plan/beds_and_sleeves.h"

namespace lapwright::plan::testing {
namespace {

Rect<BedSpace> at(double x, double y, double w = 36, double h = 24) { return {um(x), um(y), um(w), um(h)}; }

profile::BedProfile slow(double fixed, double line) {
  profile::BedProfile b = bed(203.2, 254, 90, 90, 400, 10);
  b.timing = profile::BedProfile::Timing{fixed, {{2400, line}}};
  return b;
}

TEST(Windows, NeighboursShareOneWhereThatIsQuicker) {
  const std::vector<Rect<BedSpace>> side_by_side{at(20, 50), at(58, 50), at(100, 200)};
  const auto w = windows_for(side_by_side, um(2), slow(25, 0.01), {2400});
  ASSERT_EQ(w.groups.size(), 2u);
  EXPECT_EQ(w.groups[0].areas, (std::vector<int>{0, 1}));
  EXPECT_EQ(w.groups[0].shown, (Rect<BedSpace>{um(18), um(48), um(78), um(28)}));
  EXPECT_EQ(w.groups[1].areas, (std::vector<int>{2}));
  // A carriage that needs long to start makes one pass of all, one that needs no time three; side by side costs no line more.
  EXPECT_EQ(windows_for(side_by_side, um(2), slow(1000, 0.001), {2400}).groups.size(), 1u);
  EXPECT_EQ(windows_for(side_by_side, um(2), slow(0, 1), {2400}).groups.size(), 2u);
}

TEST(Windows, TheMarginIsGivenUpAtTheEdgeTheFrameNever) {
  const auto w = windows_for({at(1, 60), at(-0.5, 100), at(170, 240)}, um(2), slow(25, 0.01), {2400});
  ASSERT_EQ(w.groups.size(), 1u);
  EXPECT_EQ(w.groups[0].shown.x, um(0));
  ASSERT_EQ(w.cut.size(), 2u);
  EXPECT_EQ(w.cut[0].area, 1);
  EXPECT_NEAR(w.cut[0].move_mm[0], 2.5, 1e-6);  // to the right until its margin is inside
  EXPECT_NEAR(w.cut[0].move_mm[1], 0, 1e-6);
  EXPECT_NEAR(w.cut[1].move_mm[0], -(170 + 36 + 2 - 203.2), 1e-6);
  EXPECT_NEAR(w.cut[1].move_mm[1], -(240 + 24 + 2 - 254), 1e-6);
  EXPECT_FALSE(w.cut[1].too_large);
  EXPECT_TRUE(windows_for({at(0, 0, 210, 60)}, um(2), slow(25, 0.01), {2400}).cut[0].too_large);
}

TEST(Windows, ABedsLimitsKeepWindowsApart) {
  auto b = slow(1000, 0.0001);
  b.limits.pixels_per_line = Pixels{8000};  // 84.7 mm at 2400
  const auto w = windows_for({at(20, 50), at(58, 50), at(100, 50)}, um(2), b, {2400});
  ASSERT_EQ(w.groups.size(), 2u);
  for (const auto& g : w.groups) EXPECT_LE(to_pixels(g.shown.width, {2400}).value, 8000);
}

TEST(Windows, APassHoldsWhatItMustShowUnderAnyTurn) {
  std::mt19937 random(4);
  const auto uniform = [&](double l, double h) { return std::uniform_real_distribution<double>(l, h)(random); };
  const auto b = slow(25, 0.01);
  const auto s = sleeve(216, 279, 18, 14, 7, 5);
  for (int n = 0; n < 400; ++n) {
    const double degrees = uniform(-180, 180), t = degrees * std::numbers::pi / 180, f = n % 2 ? -1 : 1;
    const Affine<SleeveSpace, BedSpace> m{f * std::cos(t), f * std::sin(t), -std::sin(t), std::cos(t), uniform(0, 100), uniform(0, 100)};
    const Lay lay = lay_of(m);
    EXPECT_EQ(lay.mirrored, f < 0);
    EXPECT_LE(std::abs(std::remainder(degrees - lay.turn, 360.0)), 45.0001);
    const Rect<BedSpace> shown = at(uniform(0, 160), uniform(0, 220), uniform(10, 40), uniform(10, 30));
    for (const int ppi : {300, 2400}) {
      const Pass p = pass_of(shown, lay, s, b, {ppi});
      const double pixel = 25.4 / ppi;
      EXPECT_LE(p.window.x.mm(), shown.x.mm() + pixel);
      EXPECT_LE(p.window.y.mm(), shown.y.mm() + pixel);
      EXPECT_GE(p.window.right().mm(), shown.right().mm() - pixel);
      EXPECT_GE(p.window.bottom().mm(), shown.bottom().mm() - pixel);
      EXPECT_TRUE(b.window.contains(p.window));
      EXPECT_EQ(p.window.bottom().value % 1000, 0);
      // It goes through its file and is the same pass.
      Plan plan{.sleeve = "s", .bed = "b", .ppi = {ppi}, .passes = {p}, .laps = {}, .totals = {1, p.bytes, 0, p.seconds}, .cautions = {}, .needed = p.covers};
      if (p.covers.empty()) continue;
      const auto back = from_json(to_json(plan), "plan");
      ASSERT_TRUE(back) << back.error().text;
      EXPECT_EQ(back->passes[0].window, p.window);
    }
  }
}

}  // namespace
}  // namespace lapwright::plan::testing
