// One patch against an exact pattern: sums of waves, sampled where each pass's pixels lie.
#include "lap/patches.h"

#include <gtest/gtest.h>

#include <cmath>

namespace lapwright::lap {
namespace {

double pattern(double x, double y) {
  return 1 + 0.2 * std::sin(0.61 * x + 0.2 * y) + 0.15 * std::sin(0.17 * x - 0.53 * y + 1) +
         0.1 * std::sin(0.9 * x + 0.8 * y + 2);
}

/// A patch as b would show it: p = map(a's place); `box` in b's pixels.
image::Plane shown(const Box& box, const PassMap& map) {
  const auto back = map.inverse();
  image::Plane out(box.width, box.height);
  for (std::int64_t y = 0; y < box.height; ++y)
    for (std::int64_t x = 0; x < box.width; ++x) {
      const auto a =
          back({static_cast<double>(box.x + x) + 0.5, static_cast<double>(box.y + y) + 0.5});
      out.row(y)[x] = static_cast<float>(pattern(a.x, a.y));
    }
  return out;
}

/// However b lies (eight ways, a little turned and larger), the patch is found to 0.01 px.
TEST(PatchesTest, FindAPatchWhicheverWayTheOtherPassLies) {
  const double turn = 0.01, scale = 1.002;
  for (int quarter = 0; quarter < 4; ++quarter)
    for (const bool mirrored : {false, true})
      for (const double off : {0.0, 0.4, -1.3}) {
        const double t = quarter * std::acos(-1.0) / 2 + turn, c = scale * std::cos(t),
                     s = scale * std::sin(t), k = mirrored ? -1 : 1;
        const PassMap truth{k * c, k * s, -s, c, 500.3, 700.8};
        Site site;
        site.a = {100, 200, 48, 24};
        site.expected = truth;
        site.expected.e += off, site.expected.f -= 0.7 * off;
        const auto middle = site.expected({124, 212});
        site.b = {static_cast<std::int64_t>(middle.x) - 38,
                  static_cast<std::int64_t>(middle.y) - 38, 76, 76};
        const auto found = measure({site}, {shown(site.a, PassMap{})}, {shown(site.b, truth)});
        const std::string which = std::to_string(quarter) + " quarter turns" +
                                  (mirrored ? ", mirrored" : "") + ", expected " +
                                  std::to_string(off) + " px off";
        ASSERT_EQ(found.size(), 1U) << which;
        const auto want = truth(found[0].a);
        EXPECT_NEAR(found[0].b.x, want.x, 0.01) << which;
        EXPECT_NEAR(found[0].b.y, want.y, 0.01) << which;
      }
}

}  // namespace
}  // namespace lapwright::lap
