// Laps show picture to be checked by: against every placement of the same passes on a grid, with marks of the test's own.
#include <gtest/gtest.h>

#include <algorithm>
#include <cstdio>
#include <functional>
#include <random>

#include "plan/beds_and_sleeves.h"
#include "plan/plan.h"

namespace lapwright::plan {
namespace {

using testing::bed;
using testing::sleeve;
using testing::um;

constexpr double enough = 8;  // mm; beyond it picture no longer counts

struct Band {
  double lo = 0, hi = 0;
};
Band along(const Rect<SleeveSpace>& r, Axis axis) {
  return axis == Axis::x ? Band{r.x.mm(), r.right().mm()} : Band{r.y.mm(), r.bottom().mm()};
}

/// What one axis of a sleeve shows, from the profile's own frames and strips.
struct Film {
  std::vector<Band> frames, strips;
  Film(const profile::SleeveProfile& s, Axis axis) {
    const bool across = (s.strips.run == profile::Run::right) == (axis == Axis::y);
    if (across)
      for (int i = 0; i < s.strips.count; ++i) frames.push_back(along(s.frame_area(i, 0), axis)), strips.push_back(along(s.strip(i), axis));
    else
      for (int j = 0; j < s.strips.frames; ++j) frames.push_back(along(s.frame_area(0, j), axis));
    if (!across) strips.push_back(along(s.strip(0), axis));
  }
  double picture(Band lap) const {
    double sum = 0;
    for (const Band& f : frames) sum += std::max(0.0, std::min(f.hi, lap.hi) - std::max(f.lo, lap.lo));
    return sum;
  }
  /// 0 for a seam that can run between strips, 1 between frames, else 1000 for through a frame.
  int cost(Band room) const {
    if (room.hi < room.lo) return 1'000'000;
    for (std::size_t i = 1; i < strips.size(); ++i)
      if (std::max(room.lo, strips[i - 1].hi) <= std::min(room.hi, strips[i].lo)) return 0;
    for (const Band& f : frames)
      if (room.lo > f.lo && room.hi < f.hi) return 1000;
    return 1;
  }
};

/// The most picture that the poorest lap can have when `n` passes of `length` follow each other from `whole.lo` to its end,
/// started on every multiple of `step`, with seams that cost no more than `cost`; negative when they do not cover it.
double best_by_grid(const Film& film, Band whole, int n, double length, double lap, double inset, int cost, double step = 1) {
  double best = -1;
  const std::function<void(int, double, int, double)> next = [&](int left, double start, int spent, double least) {
    if (left == 1) {
      if (start + length >= whole.hi) best = std::max(best, least);
      return;
    }
    const double end = start + length;
    for (double s = end - lap; s > start && s + (left - 1) * (length - lap) + lap >= whole.hi; s -= step) {
      const int c = spent + film.cost({s + inset, end - inset});
      const double p = std::min(least, film.picture({s, end}));
      if (c <= cost && p > best) next(left - 1, s, c, p);
    }
  };
  next(n, whole.lo, 0, enough);
  return best;
}

struct Compared {
  double planned = 0, grid = 0;
  int passes = 0, frame_seams = 0;
};

/// Compares a plan that is a single row or column of passes, all turned alike and nowhere held back by the overhang.
std::optional<Compared> compare(const Plan& plan, const profile::SleeveProfile& s, const profile::BedProfile& b, const Options& o,
                                double step = 1) {
  if (plan.laps.empty() || plan.laps.size() + 1 != plan.passes.size()) return {};
  const Axis axis = plan.laps[0].seam.axis;
  const int turn = plan.passes[0].lay.turn;
  for (const Lap& l : plan.laps)
    if (l.seam.axis != axis) return {};
  for (const Pass& p : plan.passes)
    if (p.lay.turn != turn) return {};
  const Film film(s, axis);
  Compared c{.planned = enough, .passes = plan.totals.passes};
  int cost = 0;
  for (const Lap& l : plan.laps) {
    c.planned = std::min(c.planned, film.picture(along(l.area, axis)));
    c.frame_seams += l.seam.through == Through::frame;
    cost += l.seam.through == Through::frame ? 1000 : l.seam.through == Through::gap ? 1 : 0;
  }
  const bool sensor = (turn % 180 == 0) == (axis == Axis::x);
  const double side = sensor ? b.window.width.mm() : std::floor(b.window.height.mm());
  const double pixel = plan.ppi.mm_per_pixel();
  c.grid = best_by_grid(film, along(plan.needed, axis), c.passes, std::floor(side / pixel) * pixel, o.smallest_lap.mm(),
                        o.placement_tolerance.mm(), cost, step);
  return c;
}

class SixStripsOnANarrowWindow : public ::testing::TestWithParam<profile::Run> {};
INSTANTIATE_TEST_SUITE_P(LapPicture, SixStripsOnANarrowWindow, ::testing::Values(profile::Run::right, profile::Run::down));

TEST_P(SixStripsOnANarrowWindow, EveryLapShowsPicture) {
  // Evenly spread, a lap that runs along the strips between passes 2 and 3 would lie between the frames of two strips and show
  // nothing: 14.4 mm from frame to frame.
  auto s = sleeve(258, 262, 22, 20, 6, 6, 38.4, 228);
  s.strips.run = GetParam();
  auto b = bed(68.6, 237, 250, 250, 300, 60);
  b.window.x = um(73.4), b.window.y = um(30.2);
  const auto plan = make_plan(s, b, {300});
  ASSERT_TRUE(plan) << plan.error().text;
  EXPECT_EQ(plan->totals.passes, 4);
  ASSERT_EQ(plan->laps.size(), 3U);
  const char* const names[] = {"gutter", "gap", "frame"};
  for (const Lap& l : plan->laps) {
    const Band lap = along(l.area, l.seam.axis);
    const Film film(s, l.seam.axis);
    std::printf("lap %d-%d: %.2f..%.2f, %.2f mm, picture %.2f mm, seam at %.2f (%s)\n", l.a, l.b, lap.lo, lap.hi, lap.hi - lap.lo,
                film.picture(lap), l.seam.at.mm(), names[static_cast<int>(l.seam.through)]);
    EXPECT_GE(lap.hi - lap.lo, 12 - 2 * plan->ppi.mm_per_pixel());
    EXPECT_GT(film.picture(lap), 4.5);
  }
  const auto c = compare(*plan, s, b, {});
  ASSERT_TRUE(c);
  std::printf("poorest lap: %.2f mm planned, %.2f mm on the grid\n", c->planned, c->grid);
  ASSERT_GE(c->grid, 0);
  EXPECT_GE(c->planned, c->grid - 2 * plan->ppi.mm_per_pixel());
}

TEST(LapPicture, NoPlacementOnTheGridShowsMore) {
  std::mt19937 random(35);
  const auto any = [&](double lo, double hi) { return std::uniform_real_distribution<double>(lo, hi)(random); };
  int compared = 0, short_of_enough = 0, kept_gutter = 0;
  for (int round = 0; round < 400; ++round) {
    const int count = std::uniform_int_distribution<int>(2, 7)(random), frames = std::uniform_int_distribution<int>(2, 6)(random);
    const double pitch = any(35.5, 42), length = 38.0 * frames + any(0, 4);
    const auto s = sleeve(length + 20, pitch * count + 20, 10, 8, count, frames, pitch, length);
    const auto b = bed(any(60, 140), any(150, 320), 1000, 1000, 1000, 1000);
    const auto plan = make_plan(s, b, {300});
    ASSERT_TRUE(plan) << plan.error().text;
    if (plan->totals.passes > 4) continue;
    const auto c = compare(*plan, s, b, {});
    if (!c || c->grid < 0) continue;
    ++compared;
    short_of_enough += c->planned < enough - 0.2;
    kept_gutter += c->frame_seams == 0;
    EXPECT_GE(c->planned, c->grid - 2 * plan->ppi.mm_per_pixel()) << "round " << round << ", " << c->passes << " passes";
  }
  std::printf("compared %d plans, %d short of enough, %d without a seam through a frame\n", compared, short_of_enough, kept_gutter);
  EXPECT_GT(compared, 100);
  EXPECT_GT(short_of_enough, 0);
}

}  // namespace
}  // namespace lapwright::plan
