// A small bump told from the wobble of two carriages.
#include "lap/cells.h"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <random>

namespace lapwright::lap {
namespace {

constexpr double mm = 25.4 / 150, cell_mm = 12 * mm;

/// Cells of a lap of 24 by 200 mm, as found under a rigid map: both carriages wobble by 60 um over
/// 40 mm along b's rows (registration.md), each cell errs a little, and from `row_mm` on the sleeve
/// lies `bump_mm` farther.
Cells lap_with(double row_mm, double bump_mm, double way) {
  std::mt19937 random(5);
  std::normal_distribution<double> error(0, 0.02);
  Cells out;
  for (int row = 0; row * cell_mm < 200; ++row)
    for (int column = 0; column * cell_mm < 24; ++column) {
      Cell c;
      c.column = column, c.row = row;
      c.a = c.b = middle_of({row, column});
      const double at = c.b.y * mm, wave = 2 * std::numbers::pi * at / 40,
                   bump = at > row_mm ? bump_mm : 0;
      c.off_x = (error(random) + bump * std::cos(way)) / mm;
      c.off_y =
          (error(random) + bump * std::sin(way) + 0.06 * (std::sin(wave) + std::sin(wave + 1))) /
          mm;
      c.stiff_x = c.stiff_y = 0.2, c.seen = Seen::agrees;
      out.add(c);
    }
  return out;
}

TEST(JumpAt, FindsWhereASmallBumpWas) {
  for (const double at : {12.0, 60.0, 133.0, 190.0})
    for (const double way : {0.0, 0.8, 2.2, 4.0}) {
      const auto row = jump_at(lap_with(at, 0.3, way), mm);
      ASSERT_TRUE(row) << at << " mm, way " << way;
      EXPECT_NEAR(*row * mm, at, 3);
    }
}

TEST(JumpAt, TakesNoWobbleForOne) {
  EXPECT_FALSE(jump_at(lap_with(1e9, 0, 0), mm));
  EXPECT_FALSE(jump_at(lap_with(60, 0.03, 0.8), mm));
  EXPECT_FALSE(jump_at(Cells{}, mm));
}

}  // namespace
}  // namespace lapwright::lap
