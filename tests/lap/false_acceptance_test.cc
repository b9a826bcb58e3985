// Many random laps, with everything that could fool: how often a wrong join is accepted, and how often a right one is.
#include <gtest/gtest.h>

#include <cstdio>
#include <cstdlib>
#include <optional>
#include <set>

#include "lap/master.h"

namespace lapwright::lap::test {
namespace {

enum Kind { plain, burst, blank, holes_only, lettering_only, other_sleeve, not_moved, half_turn, quarter_turn, mirrored, too_far, kinds };
constexpr const char* names[kinds] = {"plain", "burst", "blank", "perforations only", "lettering only", "other sleeve", "not moved", "turned 180", "turned 90", "mirrored", "40 mm too far"};

std::set<int> all_frames() {
  std::set<int> all;
  for (int i = 0; i < 12; ++i) all.insert(i);
  return all;
}

Master master(Kind kind, unsigned seed) {
  support::SceneOptions o = seeded(seed);
  o.burst = kind == burst;
  if (kind == blank || kind == holes_only || kind == lettering_only) o.blank_frames = all_frames();
  o.lettering = kind != blank && kind != holes_only;
  o.perforations = kind != blank;
  return Master(support::Scene(small_sleeve(), o), 150);
}

// LAPWRIGHT_LAPS=10000 runs as many; the count of the everyday run keeps it quick.
TEST(FalseAcceptance, NoWrongJoinIsAccepted) {
  const char* asked = std::getenv("LAPWRIGHT_LAPS");
  const int laps = asked ? std::atoi(asked) : 310;
  std::mt19937 random(20240607);
  const auto uniform = [&](double l, double h) { return std::uniform_real_distribution<double>(l, h)(random); };
  int tried[kinds] = {}, accepted[kinds] = {}, wrong[kinds] = {}, as_named[kinds] = {};
  double seconds[kinds] = {};
  int of_sure = 0, sure_right = 0;
  double slowest = 0;
  const int each = std::max(1, laps / kinds);
  std::optional<Master> film;
  Kind drawn_as = plain;
  for (int kind = 0; kind < kinds; ++kind) {
    const int scenes = asked ? std::max(1, each / 30) : 1;
    for (int scene = 0; scene < scenes; ++scene) {
      const Kind k = static_cast<Kind>(kind);
      // The mistakes of the hand are made with the film of `plain`.
      const Kind drawn = k == burst || k == blank || k == holes_only || k == lettering_only ? k : plain;
      if (!film || drawn != drawn_as || scene > 0) film.emplace(master(drawn, static_cast<unsigned>(100 + scene * 37 + drawn)));
      drawn_as = drawn;
      std::optional<Master> another;
      if (k == other_sleeve) another.emplace(master(k, static_cast<unsigned>(5000 + scene)));
      for (int i = 0; i < each / scenes + (scene == 0 ? each % scenes : 0); ++i) {
        PassSpec a, b;
        const bool beside = i % 2 == 0;
        const double lap = uniform(13, 26);
        a = {.x = beside ? uniform(5, 50) : uniform(5, 50), .y = beside ? uniform(5, 70) : uniform(5, 50), .width = beside ? 52.0 : 80.0, .height = beside ? 80.0 : 52.0};
        b = a;
        (beside ? b.x : b.y) += 52 - lap;
        if (i % 3 == 0) b.quarter = 2;
        b.off_x = uniform(-6, 6), b.off_y = uniform(-6, 6), b.turn = uniform(-2.5, 2.5);
        a.wobble_mm = b.wobble_mm = 0.06, b.wobble_phase = uniform(0, 6);
        if (k == not_moved) b.quarter = 0, b.off_x += beside ? 52 - lap : 0, b.off_y += beside ? 0 : 52 - lap;
        if (k == half_turn) b.mistaken_quarter = 2;
        if (k == quarter_turn) b.mistaken_quarter = i % 2 ? 1 : 3;
        if (k == mirrored) b.mirrored = true;
        if (k == too_far) (beside ? b.off_x : b.off_y) += b.quarter ? 40 : -40;
        Error e;
        const auto r = check_captures(*film, a, another ? *another : *film, b, static_cast<unsigned>(kind * 1000 + scene * 50 + i), &e);
        ASSERT_TRUE(r) << r.error().text;
        ++tried[kind], seconds[kind] += r->seconds;
        slowest = std::max(slowest, r->seconds);
        const bool right = k != other_sleeve && e.points > 0 && e.worst * 25.4 / 150 < 0.5;
        const Finding named[kinds] = {Finding::good, Finding::good, Finding::cannot_tell, Finding::cannot_tell, Finding::cannot_tell, Finding::other_sleeve, Finding::not_moved,
                                      Finding::turned, Finding::turned, Finding::mirrored, Finding::too_little};
        as_named[kind] += r->finding == named[kind];
        if (std::getenv("LAPWRIGHT_LAPS_ALL")) std::printf("[ laps ] %s: finding %d worst %.2f px %.1f mm; %s | %s\n", names[k], static_cast<int>(r->finding), e.worst, r->overlap_mm, r->why.c_str(), r->say.c_str());
        if (r->ok || r->located) {
          accepted[kind] += r->ok;
          if (!right) {
            ++wrong[kind];
            std::printf("[ laps ] WRONG %s %d: worst %.2f px, sure %.4f, %s\n", names[kind], i, e.worst, r->confidence, r->why.c_str());
          }
        }
        if (r->ok && r->confidence >= 0.99) ++of_sure, sure_right += right;
      }
    }
  }
  int all_wrong = 0, all = 0;
  for (int k = 0; k < kinds; ++k) {
    std::printf("[ laps ] %-18s tried %4d  accepted %4d  wrong %d  finding as named %4d  %.2f s each\n", names[k], tried[k], accepted[k], wrong[k], as_named[k],
                seconds[k] / tried[k]);
    all_wrong += wrong[k], all += tried[k];
  }
  std::printf("[ laps ] %d laps, %d wrong accepted; of %d said 99 %% sure %d right; slowest check %.2f s\n", all, all_wrong, of_sure, sure_right, slowest);
  EXPECT_GE(all, 300);
  EXPECT_EQ(all_wrong, 0);
  EXPECT_EQ(of_sure, sure_right);
  EXPECT_GE(accepted[plain], tried[plain] * 9 / 10);
  EXPECT_EQ(accepted[blank], 0);
  EXPECT_EQ(accepted[other_sleeve], 0);
}

}  // namespace
}  // namespace lapwright::lap::test
