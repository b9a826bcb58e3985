// Infrared over the visible picture of the same lay: places known from the scene. That dyes let
// infrared through and silver and dust do not is common practice, no source.
#include "lap/same_lay.h"

#include <gtest/gtest.h>

#include "lap/lap_scene.h"

namespace lapwright::lap::test {
namespace {

support::Scene infrared_of(unsigned seed) {
  support::SceneOptions o = seeded(seed);
  o.infrared = true;
  return {support::sleeve_135_7x5(), o};
}

struct Case {
  int ppi;
  double off_x, off_y, scale_y;  // mm, parts
  unsigned seed;
};
class SameLayOf : public ::testing::TestWithParam<Case> {};

TEST_P(SameLayOf, InfraredIsFoundToAFractionOfAPixel) {
  const Case& c = GetParam();
  const support::Scene scene(support::sleeve_135_7x5(), seeded(c.seed));
  PassSpec spec{.ppi = c.ppi, .x = 10, .y = 8, .width = 50, .height = 45};
  const MadePass a = make(spec);
  spec.off_x = c.off_x, spec.off_y = c.off_y, spec.scale_y = c.scale_y;
  const MadePass b = make(spec);
  const auto visible = picture(scene, a, faults(c.seed));
  const auto infrared = picture(infrared_of(c.seed), b, faults(c.seed + 1));
  image::MemorySource sa(visible, {c.ppi}), sb(infrared, {c.ppi});
  const auto found = same_lay(sa, sb);
  ASSERT_TRUE(found) << found.error().text;
  ASSERT_TRUE(*found);
  double worst = 0;
  for (int j = 0; j <= 10; ++j)
    for (int i = 0; i <= 10; ++i) {
      const Spot<PassSpace> p{static_cast<double>(a.width) * i / 10,
                              static_cast<double>(a.height) * j / 10};
      const auto truth = b.truth(a.where(p)), is = (*found)->a_to_b(p);
      worst = std::max(worst, std::hypot(truth.x - is.x, truth.y - is.y));
    }
  std::printf("[ same ] %d ppi: worst %.3f px, residual %.3f px, %d places\n", c.ppi, worst,
              (*found)->residual_px, (*found)->places);
  EXPECT_LT(worst, 0.3);
  EXPECT_GE((*found)->places, 12);
}

INSTANTIATE_TEST_SUITE_P(Beds, SameLayOf,
                         ::testing::Values(Case{300, 0.02, -0.03, 0, 3},
                                           Case{300, 0.3, 0.2, 3e-4, 4},
                                           Case{600, -0.1, 0.15, 2e-4, 5}));

TEST(SameLay, NothingIsSaidOfAnotherPictureOrOfAnEmptyWindow) {
  const support::Scene scene(support::sleeve_135_7x5(), seeded(6));
  PassSpec spec{.ppi = 300, .x = 10, .y = 8, .width = 50, .height = 45};
  const MadePass a = make(spec);
  const auto visible = picture(scene, a, faults(1));
  spec.off_x = 5, spec.off_y = -6;
  const auto moved = picture(infrared_of(6), make(spec), faults(2));
  image::Rgb16 empty = visible;
  std::fill_n(empty.row(0), empty.width() * empty.height() * 3, std::uint16_t{60000});
  image::MemorySource sa(visible, {300});
  for (const image::Rgb16* other : {&moved, &std::as_const(empty)}) {
    image::MemorySource sb(*other, {300});
    const auto found = same_lay(sa, sb);
    ASSERT_TRUE(found) << found.error().text;
    EXPECT_FALSE(*found);
  }
}

}  // namespace
}  // namespace lapwright::lap::test
