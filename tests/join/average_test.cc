// Captures averaged: noise goes down as the square root of their number says, detail stays.
#include "join/average.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <list>
#include <random>

namespace lapwright::join {
namespace {

constexpr std::int64_t width = 260, height = 220;
constexpr double pi = 3.14159265358979323846;

double scene(double x, double y, int c) {
  return 20000 + 6000 * std::sin(2 * pi * x / 7.3 + c) * std::cos(2 * pi * y / 9.1) + 4000 * std::sin(2 * pi * (x + y) / 31);
}

image::Rgb16 captured(double dx, double dy, double noise, unsigned seed) {
  image::Rgb16 out(width, height);
  std::mt19937 random(seed);
  std::normal_distribution<double> gauss(0, noise);
  for (std::int64_t y = 0; y < height; ++y)
    for (std::int64_t x = 0; x < width; ++x)
      for (int c = 0; c < 3; ++c)
        out.row(y)[x * 3 + c] = static_cast<std::uint16_t>(scene(static_cast<double>(x) - dx, static_cast<double>(y) - dy, c) + (noise > 0 ? gauss(random) : 0) + 0.5);
  return out;
}

class Kept : public image::RowSink {
 public:
  Result<> write(const std::uint16_t* rows, std::int64_t count) override {
    samples.insert(samples.end(), rows, rows + count * width * 3);
    return {};
  }
  std::vector<std::uint16_t> samples;
};

double error(const std::vector<std::uint16_t>& samples) {
  double sum = 0, n = 0;
  for (std::int64_t y = 12; y < height - 12; ++y)
    for (std::int64_t x = 12; x < width - 12; ++x)
      for (int c = 0; c < 3; ++c) {
        const double d = samples[static_cast<std::size_t>((y * width + x) * 3 + c)] - scene(static_cast<double>(x), static_cast<double>(y), c);
        sum += d * d, n += 1;
      }
  return std::sqrt(sum / n);
}

TEST(Average, NoiseGoesDownByTheSquareRootAndDetailStays) {
  for (const double noise : {0.0, 400.0}) {
    std::list<image::Rgb16> pictures{captured(0, 0, noise, 1)};
    std::list<image::MemorySource> sources;
    sources.emplace_back(pictures.back(), Ppi{2400});
    std::vector<Again> others;
    const double shifts[][2] = {{0.4, -1.3}, {2.6, 0.5}, {-3.2, 1.7}};
    for (const auto& s : shifts) {
      pictures.push_back(captured(s[0], s[1], noise, static_cast<unsigned>(pictures.size()) + 1));
      sources.emplace_back(pictures.back(), Ppi{2400});
      lap::Placement lies;
      const double k = 2400 / 25.4;
      lies.affine = {k, 0, 0, k, s[0], s[1]};
      others.push_back({&sources.back(), lies});
    }
    Kept alone, kept;
    const std::atomic<bool> stop{false};
    ASSERT_TRUE(average(sources.front(), {}, alone, stop));
    ASSERT_TRUE(average(sources.front(), others, kept, stop));
    ASSERT_EQ(kept.samples.size(), static_cast<std::size_t>(width * height * 3));
    const double before = error(alone.samples), after = error(kept.samples);
    std::printf("[ average ] noise %.0f: one %.1f, four %.1f counts from the truth\n", noise, before, after);
    if (noise == 0) {
      EXPECT_LT(after, 12);  // of 6000: 0.2 %
    } else {
      EXPECT_NEAR(before, noise, 8);
      EXPECT_LT(after, noise * 0.53);  // a half, and what resampling leaves of noise is less than all
    }
  }
}

// A carriage that wobbles otherwise than the time before: the placement's curves are followed, wherever the sleeve lies.
TEST(Average, CurvesAreFollowed) {
  const auto wobble = [](double row) { return 1.5 * std::sin(row / 40); };
  image::Rgb16 other(width, height);
  for (std::int64_t y = 0; y < height; ++y)
    for (std::int64_t x = 0; x < width; ++x)
      for (int c = 0; c < 3; ++c) other.row(y)[x * 3 + c] = static_cast<std::uint16_t>(scene(static_cast<double>(x), static_cast<double>(y) - wobble(static_cast<double>(y)), c) + 0.5);
  const auto base = captured(0, 0, 0, 1);
  image::MemorySource first(base, Ppi{2400}), second(other, Ppi{2400});
  const double k = 2400 / 25.4, t = 0.3;
  const Affine<SleeveSpace, PassSpace> lay{k * std::cos(t), k * std::sin(t), -k * std::sin(t), k * std::cos(t), 40, -70};
  lap::Placement placed;
  placed.affine = lay;
  placed.dy.first_row = -20, placed.dy.knot_rows = 10;
  // Coefficients of a cubic B-spline that passes near enough through so slow a curve: its own values, sharpened once.
  for (int i = -1; i < 30; ++i) {
    const double row = -20 + 10.0 * i;
    placed.dy.coefficients.push_back(wobble(row) - (wobble(row - 10) - 2 * wobble(row) + wobble(row + 10)) / 6);
  }
  Kept kept;
  const std::atomic<bool> stop{false};
  ASSERT_TRUE(average(first, {{&second, on_first(placed, lay, Ppi{2400})}}, kept, stop));
  EXPECT_LT(error(kept.samples), 40);  // without the curve some 2000
}

TEST(Average, StopsWhenToldTo) {
  const auto picture = captured(0, 0, 0, 1);
  image::MemorySource source(picture, Ppi{2400});
  Kept kept;
  const std::atomic<bool> stop{true};
  const auto r = average(source, {}, kept, stop);
  ASSERT_FALSE(r);
  EXPECT_EQ(r.error().fault, Fault::cancelled);
}

}  // namespace
}  // namespace lapwright::join
