// The seam: where it runs, what it leaves out, and whether it can be seen.
#include "join/seam.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <functional>
#include <random>

namespace lapwright::join {
namespace {

constexpr Ppi ppi{600};
const double k = ppi.pixels_per_mm();
const std::atomic<bool> never{false};
constexpr double open_counts = 56000;

struct Speck {
  double x = 0, y = 0, radius = 0.05;  // sleeve mm
};

/// A page of 60 x 40 mm whose density is known, in two passes that lap from x = 20 to x = 40.
struct Desk {
  explicit Desk(std::function<double(double, double)> d) : density(std::move(d)) {}
  std::function<double(double x, double y)> density;  // by sleeve mm
  double noise = 0.005;                               // of open light, RMS
  std::vector<Speck> dust_a, dust_b;
  double light_b = 1, turn_b = 0, off_b = 0;  // radians, px
  lap::Light corrected{};

  static constexpr std::int64_t left_a = 0, left_b = 20, wide = 40, high = 40;  // mm
  image::Rgb16 a{0, 0}, b{0, 0};
  lap::Placement place_a, place_b;

  image::Rgb16 draw(const lap::Placement& place, double light, const std::vector<Speck>& dust,
                    unsigned seed) const {
    image::Rgb16 out(std::llround(wide * k), std::llround(high * k));
    const auto back = place.affine.inverse();
    std::mt19937 numbers(seed);
    std::normal_distribution<double> shot(0, 1);
    for (std::int64_t y = 0; y < out.height(); ++y)
      for (std::int64_t x = 0; x < out.width(); ++x) {
        const auto s = back({static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5});
        double t = std::pow(10, -density(s.x, s.y));
        for (const Speck& d : dust)
          if (std::hypot(s.x - d.x, s.y - d.y) < d.radius) t *= 0.2;
        for (int c = 0; c < 3; ++c)
          out.row(y)[x * 3 + c] = static_cast<std::uint16_t>(std::clamp(
              open_counts * light * (t + noise * std::sqrt(t) * shot(numbers)), 0.0, 65535.0));
      }
    return out;
  }

  struct Joined {
    image::Rgb16 sheet{0, 0};
    SeamPath seam;
    double at(std::int64_t row) const {
      const auto i = std::clamp<std::int64_t>(
          std::llround((static_cast<double>(row) - seam.first) / seam.step), 0,
          std::ssize(seam.at) - 1);
      return seam.at[static_cast<std::size_t>(i)];
    }
  };
  Joined join_at(double planned_mm) {
    place_a.affine = {k, 0, 0, k, -left_a * k, 0};
    const double c = std::cos(turn_b), s = std::sin(turn_b);
    place_b.affine = {
        k * c, k * s, -k * s, k * c, -left_b * k * c + off_b, -left_b * k * s - off_b};
    a = draw(place_a, 1, dust_a, 1), b = draw(place_b, light_b, dust_b, 2);
    image::MemorySource sa(a, ppi), sb(b, ppi);
    plan::Lap lap;
    lap.a = 1, lap.b = 2;
    lap.seam = {plan::Axis::x, Micrometres::from_mm(planned_mm), plan::Through::gutter};
    const SheetGeometry g{{0, 0.5}, ppi, std::llround(59 * k), std::llround(39 * k)};
    Joined out;
    out.sheet = image::Rgb16(g.width, g.height);
    struct Sink : image::RowSink {
      image::Rgb16* picture;
      std::int64_t next = 0;
      Result<> write(const std::uint16_t* rows, std::int64_t count) override {
        std::copy(rows, rows + count * picture->width() * 3, picture->row(next));
        next += count;
        return {};
      }
    } sink;
    sink.picture = &out.sheet;
    const auto report =
        join({{&sa, place_a, {}, 1}, {&sb, place_b, corrected, 2}}, {lap}, g, sink, never);
    EXPECT_TRUE(report) << report.error().text;
    if (report && report->seams.size() == 1) out.seam = report->seams.front();
    EXPECT_FALSE(out.seam.at.empty());
    return out;
  }
};

/// Film of uneven density with a gutter that is not quite upright, 1.2 mm wide.
double gutter_at(double y) { return 31 + 0.02 * (y - 20); }
double film(double x, double y) {
  return 0.8 + 0.3 * std::sin(x * 2.1 + y * 0.7) + 0.2 * std::sin(y * 3.7 - x);
}
/// The film's edge as optics show it, 0.1 mm wide.
double film_with_gutter(double x, double y) {
  const double into = std::clamp((std::abs(x - gutter_at(y)) - 0.55) / 0.1, 0.0, 1.0);
  return 0.065 + into * into * (3 - 2 * into) * (film(x, y) - 0.065);
}

TEST(Seam, StaysInTheGutterThoughThePlanIsMillimetresOff) {
  Desk desk(film_with_gutter);
  const auto joined = desk.join_at(28);
  ASSERT_GT(joined.seam.at.size(), 300U);
  for (std::size_t i = 0; i < joined.seam.at.size(); ++i) {
    const double y = (joined.seam.first + static_cast<double>(i) * joined.seam.step) / k + 0.5;
    EXPECT_LT(std::abs(joined.seam.at[i] / k - gutter_at(y)), 0.6) << y;
  }
}

TEST(Seam, StaysInTheGutterWhateverDustLiesOnTheFilmBesideIt) {
  Desk desk(film_with_gutter);
  std::mt19937 numbers(5);
  for (auto* dust : {&desk.dust_a, &desk.dust_b})
    for (int i = 0; i < 60; ++i)
      dust->push_back({21 + 18 * static_cast<double>(numbers() % 1000) / 1000,
                       1 + 38 * static_cast<double>(numbers() % 1000) / 1000});
  const auto joined = desk.join_at(31);
  double outside = 0;
  for (std::size_t i = 0; i < joined.seam.at.size(); ++i) {
    const double y = (joined.seam.first + static_cast<double>(i) * joined.seam.step) / k + 0.5;
    outside += std::abs(joined.seam.at[i] / k - gutter_at(y)) < 0.65 ? 0 : 1;
  }
  EXPECT_LT(outside, 0.03 * static_cast<double>(joined.seam.at.size()));
}

/// Pixels of the sheet's lap far darker than the film beside them.
std::int64_t dark_pixels(const image::Rgb16& sheet) {
  std::int64_t dark = 0;
  for (std::int64_t y = 0; y < sheet.height(); ++y)
    for (auto x = std::llround(20 * k); x < std::llround(40 * k); ++x)
      dark += sheet.row(y)[x * 3 + 1] < 0.09 * open_counts ? 1 : 0;
  return dark;
}

TEST(Seam, DustThatOnlyOnePassShowsIsNotInTheSheet) {
  Desk clean([](double x, double y) { return 0.6 + 0.05 * std::sin(x * 1.3 + y * 0.4); });
  EXPECT_EQ(dark_pixels(clean.join_at(30).sheet), 0);
  Desk desk = clean;
  // On the side that a straight seam would take from the pass that shows it, so that each wants a
  // way round.
  for (int i = 0; i < 8; ++i)
    (i % 2 ? desk.dust_b : desk.dust_a)
        .push_back({30 + (i % 2 ? 1.0 : -1.0) * (0.1 + 0.15 * i), 4.5 + 4.3 * i, 0.03 + 0.02 * i});
  // A hair across the planned line.
  for (int i = 0; i < 40; ++i) desk.dust_b.push_back({29 + 0.05 * i, 2 + 0.02 * i, 0.04});
  const auto joined = desk.join_at(30);
  EXPECT_EQ(dark_pixels(joined.sheet), 0);
  // The dust is in the passes, so the count above could have found it.
  std::int64_t in_b = 0;
  for (std::int64_t y = 0; y < desk.b.height(); ++y)
    for (std::int64_t x = 0; x < std::llround(20 * k); ++x)
      in_b += desk.b.row(y)[x * 3 + 1] < 0.09 * open_counts ? 1 : 0;
  EXPECT_GT(in_b, 100);
}

struct Look {
  double gradient = 0,
         step = 0;  // 99.9th percentile of |difference| across; density from one side to the other
};

/// Along a path: how much neighbours differ within 6 px of it, and the mean step over 16 px (of
/// what the page itself does not have).
Look look(const Desk& desk, const Desk::Joined& j, double beside) {
  std::vector<double> gradients;
  double step = 0, n = 0;
  const auto d = [&](std::int64_t x, std::int64_t y) {
    return -std::log10(std::max<double>(1, j.sheet.row(y)[x * 3 + 1]) / open_counts);
  };
  const auto off = [&](std::int64_t x, std::int64_t y) {
    return d(x, y) - desk.density((static_cast<double>(x) + 0.5) / k,
                                  (static_cast<double>(y) + 0.5) / k + 0.5);
  };
  for (std::int64_t y = 0; y < j.sheet.height(); ++y) {
    const auto x = std::llround(j.at(y) + beside);
    for (std::int64_t i = -6; i < 6; ++i)
      gradients.push_back(std::abs(d(x + i + 1, y) - d(x + i, y)));
    for (std::int64_t i = 5; i < 13; ++i) step += off(x + i, y) - off(x - 1 - i, y), ++n;
  }
  const auto at = gradients.begin() +
                  static_cast<std::ptrdiff_t>(static_cast<double>(gradients.size()) * 0.999);
  std::nth_element(gradients.begin(), at, gradients.end());
  return {*at, step / n};
}

Desk noisy() {
  // Detail of many directions, 8 to 30 px long, on even film.
  Desk desk([](double x, double y) {
    double d = 0.6;
    for (int i = 0; i < 9; ++i) {
      const double t = i * 0.7 + 0.2, f = 5 + 1.3 * i;
      d += 0.02 * std::sin(f * (x * std::cos(t) + y * std::sin(t)) + i);
    }
    return d;
  });
  desk.light_b = 1.02, desk.corrected.gain = {1 / 1.02, 1 / 1.02, 1 / 1.02};
  desk.turn_b = 0.0025, desk.off_b = 3.37;
  return desk;
}

TEST(Seam, CannotBeToldFromTheRest) {
  Desk desk = noisy();
  const auto joined = desk.join_at(30);
  const Look at_seam = look(desk, joined, 0);
  std::vector<double> gradients, steps;
  for (double beside = -400; beside <= 400; beside += 40)
    if (std::abs(beside) >= 40) {
      const Look l = look(desk, joined, beside);
      gradients.push_back(l.gradient), steps.push_back(std::abs(l.step));
    }
  std::sort(gradients.begin(), gradients.end());
  std::sort(steps.begin(), steps.end());
  std::printf(
      "99.9th percentile of the gradient at the seam %.4f D, elsewhere %.4f to %.4f; step %.5f D, "
      "elsewhere up to %.5f\n",
      at_seam.gradient, gradients.front(), gradients.back(), at_seam.step, steps.back());
  EXPECT_LT(at_seam.gradient, 1.02 * gradients.back());
  EXPECT_GT(at_seam.gradient,
            0.85 * gradients.front());  // nor is it smoother: the feather is short
  EXPECT_LT(std::abs(at_seam.step), std::max(1.5 * steps.back(), 0.0005));
}

TEST(Seam, LightLeftUncorrectedOrAPassOutOfPlaceWouldBeSeen) {
  Desk lit = noisy();
  lit.corrected = {};
  EXPECT_GT(std::abs(look(lit, lit.join_at(30), 0).step), 0.005);  // 2 % are 0.0086 D
}

}  // namespace
}  // namespace lapwright::join
