// A piece brought to the sheet, against patterns that are known everywhere.
#include "join/piece_view.h"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>

namespace lapwright::join {
namespace {

using std::numbers::pi;

constexpr std::int64_t size = 360;
constexpr Ppi ppi{254};  // ten pixels a millimetre

/// Instantaneous frequency r / 180 * 0.35 cycles a pixel: 0.7 Nyquist at a radius of 180 px.
double zone_plate(double x, double y) {
  return 30000 + 20000 * std::cos(pi * 0.35 / 180 * (x * x + y * y));
}

TEST(PieceView, ZonePlateTurnedAndShiftedIsTheAnalyticOne) {
  image::Rgb16 picture(size, size);
  const double middle = size / 2;
  for (std::int64_t y = 0; y < size; ++y)
    for (std::int64_t x = 0; x < size * 3; ++x)
      picture.row(y)[x] = static_cast<std::uint16_t>(std::lround(zone_plate(
          static_cast<double>(x / 3) + 0.5 - middle, static_cast<double>(y) + 0.5 - middle)));
  image::MemorySource source(picture, ppi);
  double worst = 0;
  for (int quarters = 0; quarters < 4; ++quarters)
    for (const double degrees : {0.05, 0.3, -1.5})
      for (const double mirrored : {1.0, -1.0}) {
        const double turn = quarters * pi / 2 + degrees * pi / 180;
        lap::Placement place;
        place.affine = {mirrored * 10 * std::cos(turn),
                        10 * std::sin(turn),
                        mirrored * -10 * std::sin(turn),
                        10 * std::cos(turn),
                        middle + 0.371,
                        middle - 0.237};
        const SheetGeometry sheet{{-12.5, -12.5}, ppi, 250, 250};
        const PieceView view({&source, place, {}, 1}, sheet);
        ASSERT_FALSE(view.exact());
        std::vector<std::uint16_t> out(250 * 250 * 3);
        Workspace work;
        ASSERT_TRUE(view.bring({0, 0, 250, 250}, out.data(), 750, work));
        double sum = 0, n = 0;
        for (int y = 0; y < 250; ++y)
          for (int x = 0; x < 250; ++x) {
            const Spot<PassSpace> p = view.place(x + 0.5, y + 0.5);
            if (std::hypot(p.x - middle, p.y - middle) > 172) continue;
            const double d =
                static_cast<double>(out[static_cast<std::size_t>((y * 250 + x) * 3 + 1)]) -
                zone_plate(p.x - middle, p.y - middle);
            sum += d * d, ++n;
          }
        const double rms =
            std::sqrt(sum / n) / (20000 / std::numbers::sqrt2);  // of the wave's own RMS
        EXPECT_LT(rms, 0.005) << quarters << " quarters and " << degrees << " degrees, "
                              << mirrored;
        worst = std::max(worst, rms);
      }
  std::printf("zone plate up to 0.7 Nyquist: %.3f %% RMS\n", worst * 100);
}

}  // namespace
}  // namespace lapwright::join
