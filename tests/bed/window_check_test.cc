// The first look at an empty window, on generated pictures whose truth is known: a sensor that
// counts photons (Poisson: the variance is the mean), elements of slightly different gain, a lamp
// that flickers, light that falls off; then what drivers and beds do to it.
#include "bed/window_check.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <functional>
#include <random>

#include "bed/bench.h"

namespace lapwright::bed {
namespace {

using ::testing::Each;
using ::testing::HasSubstr;

constexpr int ppi = 75, width = 600, height = 500;
constexpr double electrons =
    30000;  // at full scale; from memory: line sensors hold some ten thousand

struct Scene {
  double open = 0.8, falloff = 0.25;  // level in the middle; lost in the corners
  double read_noise = 20;             // electrons
  int dark_left = 0, dark_top = 0;    // columns and rows that the light does not reach
  std::function<std::uint16_t(double)> digitise = [](double code) {
    return static_cast<std::uint16_t>(std::lround(code));
  };
};

Format format() {
  return {width, height, window_mm(2, 3, width * 25.4 / ppi, height * 25.4 / ppi), {ppi}};
}

WindowFigures figures(const Scene& s, unsigned seed = 1) {
  std::mt19937 random(seed);
  std::normal_distribution<double> normal;
  std::vector<double> gain(width * 3);
  for (double& g : gain) g = 1 + 0.01 * normal(random);
  WindowCheck check;
  EXPECT_TRUE(check.begin(format()));
  std::vector<std::uint16_t> row(width * 3);
  for (int y = 0; y < height; ++y) {
    const double flicker = 1 + 0.003 * normal(random);
    for (int x = 0; x < width; ++x)
      for (int c = 0; c < 3; ++c) {
        const double u = 2.0 * x / width - 1, v = 2.0 * y / height - 1;
        const bool dark = x < s.dark_left || y < s.dark_top;
        const double level =
            (dark ? 0.01 : s.open * (1 - s.falloff * (u * u + v * v) / 2)) * (c == 1   ? 1
                                                                              : c == 0 ? 0.9
                                                                                       : 0.8);
        const auto at = static_cast<std::size_t>(x * 3 + c);
        const double mean = level * flicker * gain[at] * electrons;
        const double got = mean + normal(random) * std::sqrt(mean + s.read_noise * s.read_noise);
        row[at] = s.digitise(std::clamp(got / electrons, 0.0, 1.0) * 65535);
      }
    EXPECT_TRUE(check.rows(row.data(), 1));
  }
  const auto f = check.figures();
  EXPECT_TRUE(f) << f.error().text;
  return f ? *f : WindowFigures{};
}
std::string bad(const WindowFigures& f) {
  std::string all;
  for (const Finding& finding : findings(f, format().window))
    if (!finding.good) all += finding.say + "\n";
  return all;
}

TEST(WindowCheck, OfAGoodBedFindsNothingWrong) {
  const WindowFigures f = figures({});
  EXPECT_EQ(bad(f), "");
  // CALC: the median of open * (1 - falloff * (u^2 + v^2) / 2) over the square is 0.8 * (1 - 0.25 *
  // 0.318), its darkest twelfth in the corner 0.8 * (1 - 0.25 * 0.84), its brightest 0.8.
  EXPECT_NEAR(f.level[1], 0.736, 0.005);
  EXPECT_NEAR(f.level[2], 0.736 * 0.8, 0.005);
  EXPECT_NEAR(f.evenness[1], 0.79, 0.01);
  EXPECT_THAT(f.bits, Each(16));
  EXPECT_EQ(f.shape, Shape::linear) << f.noise_exponent << " +- " << f.noise_exponent_error;
  EXPECT_NEAR(f.noise_exponent, 1, 0.2);
}

TEST(WindowCheck, TellsALightThatIsOffOrDim) {
  Scene off{.open = 0.003};
  EXPECT_THAT(bad(figures(off)), HasSubstr("off"));
  EXPECT_EQ(findings(figures(off), format().window).size(), 1U);
  EXPECT_THAT(bad(figures({.open = 0.2})), HasSubstr("dim"));
}

TEST(WindowCheck, TellsClippingWhereverTheScaleEnds) {
  EXPECT_THAT(bad(figures({.open = 1.1})), HasSubstr("clipped: red"));
  // A converter of 14 bits in the high end of the box, and one that ends early.
  const auto high = [](double code) {
    return static_cast<std::uint16_t>(static_cast<int>(code) & ~3);
  };
  EXPECT_THAT(bad(figures({.open = 1.1, .digitise = high})), HasSubstr("clipped"));
  const auto early = [](double code) {
    return static_cast<std::uint16_t>(std::min(code, 45000.0));
  };
  EXPECT_THAT(bad(figures({.open = 0.8, .digitise = early})), HasSubstr("clipped"));
  EXPECT_THAT(figures({.open = 0.9}).clipped, Each(0));
}

TEST(WindowCheck, CountsTheBitsThatCarryAnything) {
  const auto empty = [](int bits) {
    return [bits](double code) {
      return static_cast<std::uint16_t>(static_cast<int>(code) >> (16 - bits) << (16 - bits));
    };
  };
  const auto repeated = [](int bits) {
    return [bits](double code) {
      const int v = static_cast<int>(code) >> (16 - bits);
      return static_cast<std::uint16_t>(v << (16 - bits) | v >> (2 * bits - 16));
    };
  };
  for (const int bits : {8, 10, 12, 14}) {
    const WindowFigures e = figures({.digitise = empty(bits)}),
                        r = figures({.digitise = repeated(bits)});
    EXPECT_THAT(e.bits, Each(bits));
    EXPECT_THAT(r.bits, Each(bits));
    EXPECT_EQ(bad(e).find("too few for film") != std::string::npos, bits < 12) << bits << bad(e);
    if (bits == 14) {
      EXPECT_EQ(e.shape, Shape::linear);
    }
    EXPECT_NE(e.shape, Shape::curved) << bits;
  }
}

TEST(WindowCheck, TellsACurveFromAStraightScale) {
  for (unsigned seed = 1; seed <= 3; ++seed) {
    for (const double gamma : {1.8, 2.2}) {
      const auto curve = [gamma](double code) {
        return static_cast<std::uint16_t>(std::lround(65535 * std::pow(code / 65535, 1 / gamma)));
      };
      const WindowFigures f = figures({.digitise = curve}, seed);
      EXPECT_EQ(f.shape, Shape::curved)
          << gamma << ": " << f.noise_exponent << " +- " << f.noise_exponent_error;
      EXPECT_NEAR(f.noise_exponent, 2 - gamma, 0.35);  // Poisson, see the head of window_check.cc
      EXPECT_THAT(bad(f), HasSubstr("not linear"));
    }
    EXPECT_EQ(figures({}, seed).shape, Shape::linear);
  }
}

TEST(WindowCheck, DoesNotGuess) {
  // No range of levels: no slope.
  const WindowFigures flat = figures({.falloff = 0});
  EXPECT_EQ(flat.shape, Shape::unknown)
      << flat.noise_exponent << " +- " << flat.noise_exponent_error;
  // No noise and one value: no bits either.
  const WindowFigures solid = figures({.digitise = [](double) { return std::uint16_t{40000}; }});
  EXPECT_THAT(solid.bits, Each(0));
  EXPECT_EQ(solid.shape, Shape::unknown);
}

TEST(WindowCheck, FindsWhereTheLightEnds) {
  const WindowFigures f = figures({.dark_left = 45, .dark_top = 30});
  EXPECT_NEAR(f.lit.x.mm(), 2 + 45 * 25.4 / ppi, 0.4);
  EXPECT_NEAR(f.lit.y.mm(), 3 + 30 * 25.4 / ppi, 0.4);
  EXPECT_NEAR(f.lit.width.mm(), (width - 45) * 25.4 / ppi, 0.4);
  EXPECT_THAT(bad(f), HasSubstr("make it the bed profile's window"));
  EXPECT_GT(f.evenness[1], 0.75);  // the dark is not unevenness
  EXPECT_THAT(bad(figures({.falloff = 0.6})), HasSubstr("evenness"));
}

TEST(WindowCheck, RefusesWhatIsNoPicture) {
  WindowCheck check;
  EXPECT_FALSE(check.begin({3, 10, window_mm(0, 0, 1, 1), {75}}));
  ASSERT_TRUE(check.begin(format()));
  EXPECT_FALSE(check.figures());
}

}  // namespace
}  // namespace lapwright::bed
