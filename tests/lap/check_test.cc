// Laps of known truth: how near the placement comes, and what is said about each mistake.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstdio>

#include "lap/lap_scene.h"

namespace lapwright::lap::test {
namespace {

using testing::HasSubstr;

struct Shot {
  MadePass pass;
  image::Rgb16 picture;
};
Shot shoot(const support::Scene& scene, const PassSpec& spec, const support::Faults& f) {
  Shot s{make(spec), {}};
  s.picture = picture(scene, s.pass, f);
  return s;
}

Report check_pair(const Shot& a, const Shot& b, const support::Scene& scene,
                  const Options& options = {}) {
  image::MemorySource sa(a.picture, Ppi{a.pass.ppi}), sb(b.picture, Ppi{b.pass.ppi});
  const Input ia{&sa, a.pass.planned, 1}, ib{&sb, b.pass.planned, 2};
  auto r = check(ia, {ia.planned, {}, {}}, ib, scene.sleeve(), options);
  EXPECT_TRUE(r) << (r ? "" : r.error().text);
  return r ? *r : Report{};
}

void print(const char* what, const Report& r, const Error* e = nullptr) {
  std::printf("[ lap ] %-34s finding %d sure %.4f overlap %.1f mm residual %.3f px patches %d",
              what, static_cast<int>(r.finding), r.confidence, r.overlap_mm, r.residual_px,
              r.patches);
  if (e) std::printf("; error RMS %.3f px worst %.3f px", e->rms, e->worst);
  std::printf("; %.2f s\n         why: %s\n         say: %s\n", r.seconds, r.why.c_str(),
              r.say.c_str());
}

// The bed model of the tests: +-60 um of wobble over 40 mm, 2e-4 of scale, 0.5 degrees, 2 % of
// light.
PassSpec bed(PassSpec s, bool second) {
  s.wobble_mm = 0.06, s.wobble_phase = second ? 1.9 : 0.4;
  if (second) s.off_x = 3.1, s.off_y = -2.4, s.turn = 0.5, s.scale_y = 2e-4;
  return s;
}

struct Accuracy {
  const char* name;
  int ppi;
  bool film_120;
  PassSpec a, b;
};
[[maybe_unused]] void PrintTo(const Accuracy& c, std::ostream* os) { *os << c.name; }

class AccuracyTest : public testing::TestWithParam<Accuracy> {};

TEST_P(AccuracyTest, WithinATenthOfAPixel) {
  const Accuracy& c = GetParam();
  const support::Scene scene(c.film_120 ? support::sleeve_120_3x4() : support::sleeve_135_7x5(),
                             seeded(5));
  PassSpec sa = bed(c.a, false), sb = bed(c.b, true);
  sa.ppi = sb.ppi = c.ppi;
  support::Faults fa = faults(11), fb = faults(12);
  fb.gain = {1.02, 0.98, 1.015};
  const Shot a = shoot(scene, sa, fa), b = shoot(scene, sb, fb);
  const Report r = check_pair(a, b, scene);
  const Error e = error_in_lap(r, a.pass, b.pass);
  print(c.name, r, &e);
  ASSERT_TRUE(r.ok) << r.why;
  EXPECT_EQ(r.finding, Finding::good);
  EXPECT_LE(e.rms, 0.1);
  EXPECT_LE(e.worst, 0.4);
  EXPECT_GT(e.points, 50);
  EXPECT_GE(r.confidence, 0.99);
  EXPECT_NEAR(r.turn_degrees, 0.5, 0.03);
  for (std::size_t k = 0; k < 3; ++k) {
    EXPECT_NEAR(r.light_percent[k], (fb.gain[k] - 1) * 100, 0.5);
    EXPECT_NEAR(r.light.gain[k] * std::pow(10.0, r.light.drift[k] / 2), 1 / fb.gain[k], 0.005);
  }
}

INSTANTIATE_TEST_SUITE_P(
    Lap, AccuracyTest,
    testing::Values(Accuracy{"along the carriage, 300 ppi",
                             300,
                             false,
                             {.x = 10, .y = 20, .width = 45, .height = 80},
                             {.x = 33, .y = 20, .width = 45, .height = 80}},
                    Accuracy{"across the carriage, 300 ppi",
                             300,
                             false,
                             {.x = 10, .y = 20, .width = 80, .height = 42},
                             {.x = 10, .y = 40, .width = 80, .height = 42}},
                    Accuracy{"second turned 180, 300 ppi",
                             300,
                             false,
                             {.x = 10, .y = 20, .width = 80, .height = 42},
                             {.x = 10, .y = 40, .width = 80, .height = 42, .quarter = 2}},
                    Accuracy{"second turned 90, 300 ppi",
                             300,
                             false,
                             {.x = 10, .y = 20, .width = 50, .height = 60},
                             {.x = 34, .y = 20, .width = 50, .height = 60, .quarter = 1}},
                    Accuracy{"both turned 270, 300 ppi",
                             300,
                             false,
                             {.x = 10, .y = 20, .width = 45, .height = 70, .quarter = 3},
                             {.x = 33, .y = 20, .width = 45, .height = 70, .quarter = 3}},
                    Accuracy{"120, 300 ppi",
                             300,
                             true,
                             {.x = 10, .y = 20, .width = 50, .height = 70},
                             {.x = 36, .y = 20, .width = 50, .height = 70}},
                    Accuracy{"600 ppi",
                             600,
                             false,
                             {.x = 10, .y = 20, .width = 30, .height = 40},
                             {.x = 23, .y = 20, .width = 30, .height = 40}},
                    Accuracy{"150 ppi",
                             150,
                             false,
                             {.x = 10, .y = 20, .width = 70, .height = 110},
                             {.x = 55, .y = 20, .width = 70, .height = 110}}));

// A rebate as black as slides have it, beside the open light of the holes: what is seen between two pixels of both is neither.
TEST(Slides, AreKnownByTheirPicturesWhateverLiesBesideTheHoles) {
  support::SceneOptions o = seeded(41);
  o.process = profile::Process::slide;
  o.empty_strips = {2, 3, 4, 5, 6};
  const support::Scene scene(support::sleeve_135_7x5(), o);
  const PassSpec first = {.ppi = 150, .x = 0, .y = 0, .width = 180, .height = 110};
  const Shot a = shoot(scene, bed(first, false), faults(3));
  for (const double turn : {0.32, -0.25, -0.53}) {
    PassSpec second = bed({.ppi = 150, .x = 36, .y = 0, .width = 180, .height = 110, .quarter = 2}, true);
    second.turn = turn;
    const Shot b = shoot(scene, second, faults(4));
    const Report r = check_pair(a, b, scene);
    EXPECT_TRUE(r.ok) << turn << ": " << r.why;
    EXPECT_LE(error_in_lap(r, a.pass, b.pass).rms, 0.1) << turn;
  }
}

}  // namespace
}  // namespace lapwright::lap::test
