// How far from its true place a resampled pixel is taken, for placements that bend as beds do.
#include "join/map_grid.h"

#include <gtest/gtest.h>

#include <cmath>
#include <numbers>
#include <random>

#include "support/film_scene.h"

namespace lapwright::join {
namespace {

using std::numbers::pi;

/// A wave along the carriage as cubic B-spline coefficients, knots 0.6 mm apart.
lap::Curve wave(double um, double period_mm, double ppi, double height_mm) {
  lap::Curve c;
  const double k = ppi / 25.4;
  c.knot_rows = 0.6 * k;
  c.first_row = -3 * c.knot_rows;
  for (double mm = -4 * 0.6; mm < height_mm + 4 * 0.6; mm += 0.6)
    c.coefficients.push_back(um / 1000 * k * std::sin(2 * pi * mm / period_mm));
  return c;
}

struct Worst {
  double x = 0, y = 0;
};

/// The grid's places against the placement's own, over tiles all over a pass of 60 mm.
Worst worst_of(const lap::Placement& p, double ppi, bool swapped) {
  const double mm = 25.4 / ppi, to_row = swapped ? p.affine.b : p.affine.d;
  const Bend bend(p);
  const auto at = [&](double x, double y) {
    const Spot<PassSpace> s = p({x * mm, y * mm});
    return Spot<PassSpace>{s.x - 0.5, s.y - 0.5};
  };
  const std::int64_t step_v =
      node_spacing(bend, to_row * mm, (swapped ? p.followed.x : p.followed.y) * mm);
  const std::int64_t step_u = node_spacing(bend, (swapped ? p.affine.d : p.affine.b) * mm,
                                           (swapped ? p.followed.y : p.followed.x) * mm);
  Worst worst;
  std::mt19937 numbers(1);
  MapGrid grid;
  const auto across = static_cast<std::int64_t>(50 * ppi / 25.4);
  for (int tile = 0; tile < 60; ++tile) {
    const double u0 = static_cast<double>(numbers() % static_cast<unsigned>(across)),
                 v0 = static_cast<double>(numbers() % static_cast<unsigned>(across));
    const auto place = [&](double u, double v) {
      return swapped ? at(v0 + v, u0 + u) : at(u0 + u, v0 + v);
    };
    grid.make(200, 256, step_u, step_v, place);
    for (int k = 0; k < 200; ++k) {
      const std::int64_t u = numbers() % 200, v = numbers() % 256;
      const Spot<PassSpace> truth = place(static_cast<double>(u), static_cast<double>(v));
      float y = 0, x = 0;
      const double row = std::floor(truth.y), column = std::floor(truth.x);
      grid.ys(u, v, 1, row, &y);
      grid.xs(row + static_cast<double>(y), u, 0, 1, 256, column, &x);
      worst.x = std::max(worst.x, std::abs(static_cast<double>(x) + column - truth.x));
      worst.y = std::max(worst.y, std::abs(static_cast<double>(y) + row - truth.y));
    }
  }
  return worst;
}

TEST(MapGrid, FollowsWobbleAndGearsToAFractionOfAPixel) {
  // CALC registration.md: 60 um with a 40 mm period; gear errors of 10 um at 5 mm and 3 um at 1.6
  // mm.
  double worst = 0;
  for (const double ppi : {300.0, 600.0, 1200.0, 2400.0, 4800.0})
    for (const auto& [um, period] : {std::pair{60.0, 40.0}, {10.0, 5.0}, {3.0, 1.6}})
      for (const bool followed : {false, true})
        for (int quarters = 0; quarters < 4; ++quarters) {
          lap::Placement p;
          const double k = ppi / 25.4, turn = quarters * pi / 2 + 0.15 * pi / 180;
          p.affine = {std::cos(turn) * k,
                      std::sin(turn) * k,
                      -std::sin(turn) * k,
                      std::cos(turn) * k * (1 + 2e-4),
                      0,
                      0};
          // The middle of what is tried lies in the middle of the curves, within whose ends all of
          // it stays.
          p.affine.e = 50 * k - 25 * (p.affine.a + p.affine.c),
          p.affine.f = 50 * k - 25 * (p.affine.b + p.affine.d);
          const lap::Curve curve = wave(um, period, ppi, 100);
          lap::Curve half = curve;
          for (double& c : half.coefficients) c *= 0.5;
          if (followed) {
            p.followed = {p.affine.d, -p.affine.b, 50 * k - 25 * (p.affine.d - p.affine.b), half,
                          curve};
          } else {
            p.dx = half, p.dy = curve;
          }
          const Worst w = worst_of(p, ppi, quarters % 2 != 0);
          EXPECT_LT(std::max(w.x, w.y), most_error_px)
              << ppi << " ppi, " << um << " um at " << period << " mm, turn " << quarters
              << ", followed " << followed;
          worst = std::max({worst, w.x, w.y});
        }
  RecordProperty("worst_px", std::to_string(worst));
  std::printf("worst place of a resampled pixel: %.4f px off\n", worst);
  EXPECT_GT(worst, 1e-4);  // the curves were there
}

TEST(MapGrid, NodesTooFarApartWouldShow) {
  lap::Placement p;
  const double k = 2400 / 25.4;
  p.affine = {k, 0, 0, k, 0, 0};
  p.dy = wave(10, 5, 2400, 100);
  MapGrid grid;
  grid.make(64, 256, 64, 64, [&](double, double v) { return Spot<PassSpace>{0, p({0, v / k}).y}; });
  double worst = 0;
  for (int v = 0; v < 256; ++v) {
    float y = 0;
    grid.ys(0, v, 1, v, &y);
    worst = std::max(worst, std::abs(static_cast<double>(y) + v - p({0, v / k}).y));
  }
  EXPECT_GT(worst, 2 * most_error_px);
}

}  // namespace
}  // namespace lapwright::join
