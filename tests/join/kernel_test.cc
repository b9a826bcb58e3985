#include "join/kernel.h"

#include <gtest/gtest.h>

#include <cmath>
#include <complex>
#include <numbers>
#include <vector>

namespace lapwright::join {
namespace {

using std::numbers::pi;

/// RMS over all phases of the error of a unit wave of frequency f (cycles a pixel), against the wave itself (analytic).
double error_of_wave(double f) {
  double sum = 0;
  for (int phase = 0; phase <= phases; ++phase) {
    std::complex<double> response = 0;
    for (std::size_t i = 0; i < taps; ++i)
      response += static_cast<double>(kernel(phase)[i]) * std::polar(1.0, 2 * pi * f * (static_cast<double>(i) - taps_before));
    sum += std::norm(response - std::polar(1.0, 2 * pi * f * phase / phases));
  }
  return std::sqrt(sum / (phases + 1));
}

TEST(Kernel, WavesUpToSevenTenthsOfNyquistErrByHalfAPercentAtMost) {
  for (double f = 0; f <= 0.35 + 1e-9; f += 0.005) EXPECT_LT(error_of_wave(f), 0.005) << f * 2 << " Nyquist";
  for (double f = 0.35; f <= 0.5; f += 0.01) EXPECT_LT(error_of_wave(f), 1.1) << f;  // bounded beyond
}

TEST(Kernel, ConstantLightStaysAndPhaseZeroCopies) {
  for (int phase = 0; phase <= phases; ++phase) {
    double sum = 0;
    for (const float w : kernel(phase)) sum += static_cast<double>(w);
    EXPECT_NEAR(sum, 1, 1e-6);
    for (std::size_t i = 0; i < taps; ++i)  // a mirror image at the opposite phase
      EXPECT_NEAR(kernel(phase)[i], kernel(phases - phase)[taps - 1 - i], 1e-6);
  }
  for (std::size_t i = 0; i < taps; ++i) EXPECT_EQ(kernel(0)[i], i == 4 ? 1.0F : 0.0F);
}

double zone_plate(double x, double y) {
  // Instantaneous frequency r / 200 * 0.35 cycles a pixel: 0.7 Nyquist at a radius of 200.
  return 30000 + 20000 * std::cos(pi * 0.35 / 200 * (x * x + y * y));
}

TEST(ResampleRow, ZonePlateTurnedAndShiftedIsTheAnalyticOne) {
  constexpr std::int64_t size = 320;
  std::vector<float> block(size * size * 4);
  for (std::int64_t y = 0; y < size; ++y)
    for (std::int64_t x = 0; x < size; ++x)
      for (int c = 0; c < 3; ++c)
        block[static_cast<std::size_t>((y * size + x) * 4 + c)] = static_cast<float>(zone_plate(static_cast<double>(x) - 160, static_cast<double>(y) - 160));
  std::vector<float> xs(250), ys(250), out(1000);
  double sum = 0, n = 0;
  const double turn = 0.3 * pi / 180;
  for (int j = 0; j < 250; ++j) {
    for (int i = 0; i < 250; ++i) {
      const double x = i - 125 + 0.371, y = j - 125 - 0.237;
      xs[static_cast<std::size_t>(i)] = static_cast<float>(160 + x * std::cos(turn) - y * std::sin(turn));
      ys[static_cast<std::size_t>(i)] = static_cast<float>(160 + x * std::sin(turn) + y * std::cos(turn));
    }
    resample_row(block.data(), size, xs.data(), ys.data(), 250, out.data());
    for (int i = 0; i < 250; ++i) {
      const double x = static_cast<double>(xs[static_cast<std::size_t>(i)]) - 160, y = static_cast<double>(ys[static_cast<std::size_t>(i)]) - 160;
      if (std::hypot(x, y) > 125 * 1.4) continue;
      const double d = static_cast<double>(out[static_cast<std::size_t>(i) * 4 + 1]) - zone_plate(x, y);
      sum += d * d, ++n;
    }
  }
  const double rms = std::sqrt(sum / n) / (20000 / std::numbers::sqrt2);  // of the wave's own RMS
  RecordProperty("rms_percent", std::to_string(rms * 100));
  EXPECT_LT(rms, 0.005);
}

}  // namespace
}  // namespace lapwright::join
