// What the check says about each mistake of the hand, and that solve() puts passes where the laps
// say.
#include <fftw3.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cstdio>
#include <numeric>

#include "lap/master.h"

namespace lapwright::lap::test {
namespace {

using testing::AllOf;
using testing::HasSubstr;

const Master& film() {
  static const Master m(support::Scene(small_sleeve(), seeded(3)), 150);
  return m;
}

// Two passes side by side; pass 2 is to show what lies 45 mm farther right on the sleeve.
PassSpec first() { return {.x = 5, .y = 10, .width = 70, .height = 100}; }
PassSpec second() { return {.x = 50, .y = 10, .width = 70, .height = 100}; }

Report look(const PassSpec& a, const PassSpec& b, const Master& of_b = film(),
            Error* error = nullptr) {
  auto r = check_captures(film(), a, of_b, b, 77, error);
  EXPECT_TRUE(r);
  std::printf("[ lap ] finding %d, %s\n         %s\n", static_cast<int>(r->finding), r->why.c_str(),
              r->say.c_str());
  return *r;
}

TEST(Mistake, NotMoved) {
  PassSpec b = second();
  b.off_x = 45;  // it lies as for pass 1
  const Report r = look(first(), b);
  EXPECT_FALSE(r.ok);
  EXPECT_EQ(r.finding, Finding::not_moved);
  EXPECT_THAT(r.say, AllOf(HasSubstr("still lies as for pass 1"), HasSubstr("45 mm to the left")));
}

TEST(Mistake, TurnedHalfWayRound) {
  PassSpec b = second();
  b.mistaken_quarter = 2;
  const Report r = look(first(), b);
  EXPECT_FALSE(r.ok);
  EXPECT_EQ(r.finding, Finding::turned);
  EXPECT_THAT(r.say, HasSubstr("180 degrees"));
}

TEST(Mistake, TurnedAQuarterClockwise) {
  PassSpec b = second();
  b.mistaken_quarter = 1, b.off_x = 10;
  const Report r = look(first(), b);
  EXPECT_EQ(r.finding, Finding::turned);
  EXPECT_THAT(r.say, HasSubstr("a quarter turn counter-clockwise"));
}

TEST(Mistake, WrongSideUp) {
  PassSpec b = second();
  b.mirrored = true;
  const Report r = look(first(), b);
  EXPECT_FALSE(r.ok);
  EXPECT_EQ(r.finding, Finding::mirrored);
  EXPECT_THAT(r.say, HasSubstr("wrong side up"));
}

TEST(Mistake, MovedTwentyMillimetresTooFarWithLapLeft) {
  PassSpec b = {.x = 30, .y = 10, .width = 70, .height = 100};  // 45 mm of lap planned
  b.off_x = -20;
  const Report r = look(first(), b);
  EXPECT_FALSE(r.ok);
  EXPECT_EQ(r.finding, Finding::off_place);
  EXPECT_NEAR(r.overlap_mm, 25, 0.3);
  EXPECT_THAT(r.say, AllOf(HasSubstr("20 mm from its place"),
                           HasSubstr("slide the sleeve 20 mm to the right")));
}

TEST(Mistake, MovedFortyMillimetresTooFar) {
  PassSpec b = second();  // 25 mm of lap planned: nothing is left
  b.off_x = -40;
  const Report r = look(first(), b);
  EXPECT_FALSE(r.ok);
  EXPECT_EQ(r.finding, Finding::too_little);
  EXPECT_LT(r.overlap_mm, 3);
  EXPECT_THAT(r.say, AllOf(HasSubstr("moved too far"), HasSubstr("to the right")));
}

TEST(Mistake, LapSmallerThanNeeded) {
  PassSpec b = {.x = 63, .y = 10, .width = 70, .height = 100};
  image::Rgb16 ca, cb;
  const MadePass pa = make(first()), pb = make(b);
  ca = film().capture(pa, 1), cb = film().capture(pb, 2);
  image::MemorySource sa(ca, Ppi{150}), sb(cb, Ppi{150});
  Options o;
  o.needed_mm = 14;
  const auto r =
      check({&sa, pa.planned, 1}, {pa.planned, {}, {}}, {&sb, pb.planned, 2}, film().sleeve(), o);
  ASSERT_TRUE(r);
  EXPECT_FALSE(r->ok);
  EXPECT_EQ(r->finding, Finding::too_little) << r->why;
  EXPECT_NEAR(r->overlap_mm, 12, 0.3);
  EXPECT_THAT(r->say, AllOf(HasSubstr("12 mm"), HasSubstr("must be 14 mm")));
}

TEST(Mistake, AnotherSleeveOfTheSameStock) {
  static const Master other(support::Scene(small_sleeve(), seeded(900)), 150);
  const Report r = look(first(), second(), other);
  EXPECT_FALSE(r.ok);
  EXPECT_FALSE(r.located);
  EXPECT_TRUE(r.finding == Finding::other_sleeve || r.finding == Finding::cannot_tell);
  EXPECT_THAT(r.say, HasSubstr("same sleeve"));
}

TEST(Mistake, LightTooDifferent) {
  const MadePass pa = make(first()), pb = make(second());
  const image::Rgb16 ca = film().capture(pa, 1),
                     cb = film().capture(pb, 2, {.gain = {0.8, 0.8, 0.8}});
  image::MemorySource sa(ca, Ppi{150}), sb(cb, Ppi{150});
  const auto r =
      check({&sa, pa.planned, 1}, {pa.planned, {}, {}}, {&sb, pb.planned, 2}, film().sleeve());
  ASSERT_TRUE(r);
  EXPECT_FALSE(r->ok);
  EXPECT_EQ(r->finding, Finding::light);
  EXPECT_NEAR(r->light_percent[1], -20, 0.5);
  EXPECT_THAT(r->say, HasSubstr("20 %"));
}

TEST(Resolutions, APassIsFoundOnAPictureOfAnotherResolution) {
  PassSpec a = first(), b = second();
  b.ppi = 300, b.off_x = 2, b.turn = 0.4;
  Error e;
  const Report r = look(a, b, film(), &e);
  ASSERT_TRUE(r.ok) << r.why;
  EXPECT_LE(e.rms, 0.6);  // pixels of 300 ppi: 0.3 of the coarser picture's
}

// A general routine beside ours: FFT phase correlation, written here on FFTW alone, on a pair with
// no turn and no wobble.
TEST(AgainstPhaseCorrelation, TheyAgreeOnAPlainShift) {
  PassSpec sa = first(), sb = second();
  sb.off_x = 1.35, sb.off_y = -0.92;
  const MadePass pa = make(sa), pb = make(sb);
  const image::Rgb16 ca = film().capture(pa, 1), cb = film().capture(pb, 2);
  constexpr int n = 128;  // a square of the lap, cut at the planned places
  const int ay = 250, ax = 275;
  const auto corner =
      pb.planned(pa.planned.inverse()({static_cast<double>(ax), static_cast<double>(ay)}));
  const int bx = static_cast<int>(std::lround(corner.x)),
            by = static_cast<int>(std::lround(corner.y));
  std::vector<float> fa(n * n), fb(n * n);
  const auto fill = [&](const image::Rgb16& from, int x0, int y0, std::vector<float>& to) {
    for (int y = 0; y < n; ++y)
      for (int x = 0; x < n; ++x) {
        const double hann = std::pow(
            std::sin(std::numbers::pi * (x + 0.5) / n) * std::sin(std::numbers::pi * (y + 0.5) / n),
            2);
        to[static_cast<std::size_t>(y * n + x)] =
            static_cast<float>(hann * std::log10(1.0 + from.row(y0 + y)[(x0 + x) * 3 + 1]));
      }
    const double mean = std::accumulate(to.begin(), to.end(), 0.0) / (n * n * 0.25);
    for (int y = 0; y < n; ++y)
      for (int x = 0; x < n; ++x) {
        const double hann = std::pow(
            std::sin(std::numbers::pi * (x + 0.5) / n) * std::sin(std::numbers::pi * (y + 0.5) / n),
            2);
        to[static_cast<std::size_t>(y * n + x)] -= static_cast<float>(hann * mean);
      }
  };
  fill(ca, ax, ay, fa), fill(cb, bx, by, fb);
  std::vector<std::array<float, 2>> wa(n * (n / 2 + 1)), wb(wa.size());
  const auto transform = [&](std::vector<float>& in, std::vector<std::array<float, 2>>& out) {
    fftwf_plan p = fftwf_plan_dft_r2c_2d(
        n, n, in.data(), reinterpret_cast<fftwf_complex*>(out.data()), FFTW_ESTIMATE);
    fftwf_execute(p), fftwf_destroy_plan(p);
  };
  transform(fa, wa), transform(fb, wb);
  for (std::size_t i = 0; i < wa.size(); ++i) {
    const float re = wa[i][0] * wb[i][0] + wa[i][1] * wb[i][1],
                im = wa[i][0] * wb[i][1] - wa[i][1] * wb[i][0], m = std::hypot(re, im) + 1e-3F;
    wb[i] = {re / m, im / m};
  }
  std::vector<float> peak(n * n);
  fftwf_plan back = fftwf_plan_dft_c2r_2d(n, n, reinterpret_cast<fftwf_complex*>(wb.data()),
                                          peak.data(), FFTW_ESTIMATE);
  fftwf_execute(back), fftwf_destroy_plan(back);
  const auto at = static_cast<int>(std::max_element(peak.begin(), peak.end()) - peak.begin());
  const auto wrap = [](int v) { return v >= n / 2 ? v - n : v; };
  const auto value = [&](int x, int y) {
    return static_cast<double>(peak[static_cast<std::size_t>(((y + n) % n) * n + (x + n) % n)]);
  };
  const int px = at % n, py = at / n;
  // A phase peak of a fractional shift is shared by two pixels: their weighted mean.
  const auto part = [](double l, double m, double h) { return h > l ? h / (h + m) : -l / (l + m); };
  const double dx = wrap(px) + part(value(px - 1, py), value(px, py), value(px + 1, py)),
               dy = wrap(py) + part(value(px, py - 1), value(px, py), value(px, py + 1));
  const Spot<PassSpace> by_phase{bx + n / 2.0 + dx, by + n / 2.0 + dy};

  Error e;
  auto r = check_captures(film(), sa, film(), sb, 77, &e);
  ASSERT_TRUE(r);
  ASSERT_TRUE(r->ok) << r->why;
  const auto ours = r->b_on_sleeve(sleeve_at(r->a_on_sleeve, {ax + n / 2.0, ay + n / 2.0}));
  std::printf(
      "[ lap ] phase correlation (%.2f, %.2f), ours (%.2f, %.2f), ours against the truth RMS %.3f "
      "px\n",
      by_phase.x, by_phase.y, ours.x, ours.y, e.rms);
  EXPECT_NEAR(ours.x, by_phase.x, 0.5);
  EXPECT_NEAR(ours.y, by_phase.y, 0.5);
}

TEST(Solve, ThreePassesInARowAndALoop) {
  PassSpec s[3] = {{.x = 2, .y = 10, .width = 70, .height = 100},
                   {.x = 40, .y = 10, .width = 70, .height = 100},
                   {.x = 78, .y = 10, .width = 70, .height = 100}};
  s[1].off_x = 2, s[1].turn = 0.3, s[2].off_y = -1.5, s[2].turn = -0.4;
  s[2].x = 52;  // so that it shares 20 mm with the first as well
  std::vector<MadePass> passes;
  std::vector<image::Rgb16> pictures;
  for (unsigned i = 0; i < 3; ++i)
    passes.push_back(make(s[i])), pictures.push_back(film().capture(passes.back(), 40 + i));
  std::vector<image::MemorySource> sources;
  for (const auto& p : pictures) sources.emplace_back(p, Ppi{150});
  std::vector<Input> inputs;
  for (std::size_t i = 0; i < 3; ++i)
    inputs.push_back({&sources[i], passes[i].planned, static_cast<int>(i) + 1});
  std::vector<Report> reports;
  for (const auto& [i, j] : {std::pair<std::size_t, std::size_t>{0, 1}, {1, 2}, {0, 2}}) {
    auto r = check(inputs[i], {inputs[i].planned, {}, {}}, inputs[j], film().sleeve());
    ASSERT_TRUE(r);
    ASSERT_TRUE(r->ok) << r->why;
    reports.push_back(*r);
  }
  const auto worst =
      [&](const Solved& solved,
          std::size_t pass) {  // film seen by pass 1 and carried through the solution
        double most = 0;
        for (int y = 20; y <= 100; y += 10)
          for (int x = 54; x <= 70; x += 4) {
            const Spot<SleeveSpace> film_at{static_cast<double>(x), static_cast<double>(y)};
            const auto truth = passes[pass].truth(film_at),
                       found = solved.placements[pass](
                           sleeve_at(solved.placements[0], passes[0].truth(film_at)));
            most = std::max(most, std::hypot(truth.x - found.x, truth.y - found.y));
          }
        return most;
      };
  for (const bool loop : {false, true}) {
    const auto solved = solve(inputs, loop ? reports : std::vector<Report>{reports[0], reports[1]});
    ASSERT_TRUE(solved) << solved.error().text;
    std::printf("[ lap ] solve%s: worst %.3f and %.3f px, loop %.3f px\n",
                loop ? " with a loop" : "", worst(*solved, 1), worst(*solved, 2),
                solved->worst_loop_px);
    EXPECT_LE(worst(*solved, 1), 0.5);
    EXPECT_LE(worst(*solved, 2), 0.7);
    EXPECT_LE(solved->worst_loop_px, 0.3);
  }
  const auto cut = solve(inputs, {reports[0]});
  ASSERT_FALSE(cut);
  EXPECT_THAT(cut.error().text, HasSubstr("pass 3"));
}

}  // namespace
}  // namespace lapwright::lap::test
