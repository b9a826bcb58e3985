#include "join/kernel.h"

#include <gtest/gtest.h>

#include <cmath>
#include <complex>
#include <numbers>
#include <random>
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

struct Line {
  std::vector<std::uint16_t> samples;
  std::vector<float> floats, at;
};

/// Samples of all sizes, and places of all phases among them.
Line random_line() {
  std::mt19937 numbers(3);
  Line l;
  for (int i = 0; i < 300 * 3 + 1; ++i) l.samples.push_back(static_cast<std::uint16_t>(i % 17 ? numbers() : 65535));
  l.floats.resize(300 * 4);
  for (int i = 0; i < 280; ++i) l.at.push_back(4 + static_cast<float>(i) + static_cast<float>(numbers() % 10000) / 10001.0F);
  return l;
}

TEST(ResampleLine, VectorsGiveWhatPlainNumbersGive) {
  Line l = random_line();
  const std::array<float, 3> factor{1.02F, 1, 0.97F};
  std::vector<float> plain(l.floats.size());
  widen(l.samples.data(), 300, factor, l.floats.data());
  scalar::widen(l.samples.data(), 300, factor, plain.data());
  for (std::size_t i = 0; i < plain.size(); ++i)
    if (i % 4 != 3) {
      ASSERT_EQ(l.floats[i], plain[i]) << i;
    }
  const auto n = static_cast<std::int64_t>(l.at.size());
  std::vector<float> a(l.at.size() * 4), b(l.at.size() * 4);
  std::vector<std::uint16_t> c(l.at.size() * 3 + 1), d(l.at.size() * 3 + 1);
  resample_line(l.floats.data(), l.at.data(), n, a.data(), 4);
  scalar::resample_line(l.floats.data(), l.at.data(), n, b.data(), 4);
  resample_line(l.floats.data(), l.at.data(), n, c.data(), 3);
  scalar::resample_line(l.floats.data(), l.at.data(), n, d.data(), 3);
  bool low = false, high = false;
  for (std::size_t i = 0; i < l.at.size(); ++i)
    for (std::size_t k = 0; k < 3; ++k) {
      ASSERT_NEAR(a[i * 4 + k], b[i * 4 + k], 0.1) << i;  // of 65535: the order of the sum alone differs
      ASSERT_NEAR(c[i * 3 + k], d[i * 3 + k], 1) << i;
      low = low || (c[i * 3 + k] == 0 && a[i * 4 + k] < -1), high = high || (c[i * 3 + k] == 65535 && a[i * 4 + k] > 65536);
    }
  EXPECT_TRUE(low && high);  // what overshoots was among them, and stays within 16 bits
}

}  // namespace
}  // namespace lapwright::join
