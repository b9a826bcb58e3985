#include <gtest/gtest.h>

#include "density/density.h"
#include "density/paper.h"
#include "density/stock_curve.h"
#include "density/stock_drawing.h"

namespace lapwright::density {
namespace {

TEST(PaperCurve, WithAKneeIsStraightBetweenBends) {
  const PaperCurve p({1.70, 0.05, 2.10, 0.08});
  double before = 0;
  for (double h = -3; h < 3; h += 0.01) {
    const double d = p.print(h);
    EXPECT_GE(d, before - 1e-12);
    EXPECT_GE(d, 0.05 - 1e-12);
    EXPECT_LE(d, 2.10 + 1e-12);
    before = d;
  }
  EXPECT_NEAR((p.print(0.1) - p.print(-0.1)) / 0.2, 1.70, 0.001);
  for (const double d : {0.1, 0.5, 1.0, 1.89}) EXPECT_NEAR(p.print(p.exposure_for(d)), d, 1e-9);
  EXPECT_NEAR(p.light(p.print(p.base_exposure())) * 903.3, 7, 1e-6);  // L* below 8 is 903.3 Y (CIE 15)
}

TEST(StraightToe, RisesAndLeavesTheStraightPartAlone) {
  const StraightToe toe(0.10), none(0);
  double before = -1;
  for (double d = -0.2; d < 2; d += 0.001) {
    EXPECT_GE(toe(d), before) << d;
    EXPECT_EQ(none(d), d);
    before = toe(d);
  }
  EXPECT_NEAR(toe(0), -0.10, 0.001);
  EXPECT_NEAR(toe(0.6), 0.6, 0.001);
}

TEST(StockCurve, GoesThroughItsPointsAndRises) {
  const profile::StockProfile::Curve points{
      {0, -0.02}, {0.1, 0.03}, {0.4, 0.5}, {1.0, 1.1}, {1.2, 1.2}};
  const StockCurve curve(points);
  for (const auto& [at, value] : points) EXPECT_NEAR(curve(at), value, 1e-12);
  for (double d = -0.5; d < 3; d += 0.001) EXPECT_LT(curve(d), curve(d + 0.001)) << d;
  const StockCurve line(1.174, 0.011);
  for (const double d : {-0.3, 0.0, 0.7, 2.0}) EXPECT_NEAR(line(d), 1.174 * d - 0.011, 1e-12);
}

Measured page(const profile::StockProfile& s) {
  return measured_from({{60000, 60000, 60000}, {}, ""}, {{28718, 14065, 11433}, {}, ""}, s);
}
std::array<std::uint16_t, 3> one(const Converter& c, std::array<std::uint16_t, 3> in) {
  std::array<std::uint16_t, 3> out{};
  c.rows(in.data(), out.data(), 1);
  return out;
}

// Points that lie on the worked vector's lines (trade.md 4.6) convert as its gains and offsets do.
TEST(Converter, CurvesOnTheWorkedLinesAreTheWorkedVector) {
  profile::StockProfile lines, curves;
  lines.gain = {1.174419, 1, 0.961905}, lines.offset = {0.010930, 0, 0.120095};
  lines.paper = curves.paper = {2.971, 0.05, 2.10};
  curves.curve.emplace();
  const double gain[3] = {1.174419, 1, 0.961905}, offset[3] = {0.010930, 0, 0.120095};
  for (std::size_t c = 0; c < 3; ++c)
    for (const double d : {0.0, 0.5, 1.3}) (*curves.curve)[c][d] = gain[c] * d - offset[c];
  const Converter a(lines, page(lines)), b(curves, page(curves));
  for (const std::array<std::uint16_t, 3>& in : {std::array<std::uint16_t, 3>{28718, 14065, 11433},
                                                 {21785, 10427, 6283},
                                                 {3007, 1019, 560},
                                                 {60000, 60000, 60000}})
    for (std::size_t c = 0; c < 3; ++c) EXPECT_NEAR(one(a, in)[c], one(b, in)[c], 1);
}

// Densities mixed by a matrix and unmixed by its inverse print as the unmixed ones do.
TEST(Converter, CrosstalkIsTakenOut) {
  profile::StockProfile plain, mixing;
  plain.gain = mixing.gain = {1.174, 1, 0.962};
  mixing.crosstalk = {{{1.02, -0.05, 0.01}, {-0.06, 1.03, -0.04}, {0.0, -0.08, 1.05}}};
  const auto& m = *mixing.crosstalk;
  const Converter a(plain, page(plain)), b(mixing, page(mixing));
  const double base[3] = {28718, 14065, 11433};
  for (const std::array<double, 3>& net :
       {std::array<double, 3>{0.2, 0.3, 0.25}, {0.9, 0.5, 0.7}, {0.1, 1.0, 0.4}}) {
    std::array<std::uint16_t, 3> read{}, own{};
    for (std::size_t c = 0; c < 3; ++c) {
      const double unmixed = m[c][0] * net[0] + m[c][1] * net[1] + m[c][2] * net[2];
      read[c] = static_cast<std::uint16_t>(base[c] * std::pow(10.0, -net[c]) + 0.5);
      own[c] = static_cast<std::uint16_t>(base[c] * std::pow(10.0, -unmixed) + 0.5);
    }
    for (std::size_t c = 0; c < 3; ++c) EXPECT_NEAR(one(a, own)[c], one(b, read)[c], 40) << c;
  }
}

TEST(StockDrawing, DrawsALineAChannel) {
  profile::StockProfile s;
  s.name = "a<b", s.about = "x & y";
  const std::string svg = stock_svg(s);
  EXPECT_NE(svg.find("a&lt;b: x &amp; y"), std::string::npos);
  std::size_t lines = 0;
  for (std::size_t at = svg.find("<polyline"); at != std::string::npos;
       at = svg.find("<polyline", at + 1))
    ++lines;
  EXPECT_EQ(lines, 3U);
  const auto all = tones(s);
  EXPECT_EQ(all.size(), 17U);
  for (std::size_t i = 1; i < all.size(); ++i) EXPECT_GT(all[i].code[1], all[i - 1].code[1]);
}

Lettering seen(double l, double c, double h, const char* verdict) {
  Lettering out;
  out.found = true, out.lightness = l, out.chroma = c, out.hue_degrees = h, out.verdict = verdict;
  return out;
}

TEST(Lettering, OfAnUnknownStockIsComparedWithCommonPractice) {
  auto usual = seen(66, 37, 67, "usual");
  compare(usual, profile::Process::colour_negative, {}, {});
  EXPECT_TRUE(usual.why.empty());
  EXPECT_FALSE(usual.trim);
  auto green = seen(74, 38, 119, "odd");  // CALC trade.md 4.7: (170,190,120)
  compare(green, profile::Process::colour_negative, {}, {});
  EXPECT_EQ(green.verdict, "odd");
  EXPECT_NE(green.why.find("hue 119"), std::string::npos) << green.why;
  ASSERT_TRUE(green.trim);
  EXPECT_GT(green.trim->tint, 3);  // away from green is towards magenta
  EXPECT_NEAR(before_trim(green, {}).hue_degrees, 119, 0.5);
  auto white = seen(80, 0.3, 10, "usual");
  compare(white, profile::Process::colour_negative, {}, {});
  EXPECT_TRUE(white.why.empty());
  // A slide's lettering is no print's: nothing is asked of it before there are slides of its stock to compare with.
  auto slide = seen(37, 20, 119, "odd");
  compare(slide, profile::Process::slide, {}, {});
  EXPECT_EQ(slide.verdict, "not compared");
  EXPECT_TRUE(slide.why.empty() && !slide.trim);
  const auto plain = before_trim(slide, {});
  auto next = seen(37, 20, 119, "odd");
  compare(next, profile::Process::slide, {}, {plain, plain});
  EXPECT_EQ(next.verdict, "usual");
  auto other = seen(60, 45, 60, "usual");
  compare(other, profile::Process::slide, {}, {plain, plain});
  EXPECT_FALSE(other.why.empty());
}

TEST(Lettering, IsComparedWithEarlierSheetsOfItsStockWhateverTheTrim) {
  const profile::Trim trim{30, -10, 15, 0};
  // A sheet shown with a trim: before it, it reads as the earlier ones do.
  const auto shown = seen(66, 40, 60, "usual");
  const auto plain = before_trim(shown, trim);
  EXPECT_GT(std::abs(plain.hue_degrees - 60) + std::abs(plain.lightness - 66), 3);
  auto alike = shown;
  compare(alike, profile::Process::colour_negative, trim, {plain, plain});
  EXPECT_TRUE(alike.why.empty()) << alike.why;
  EXPECT_EQ(alike.earlier, 2);
  auto other = seen(66, 40, 85, "usual");
  compare(other, profile::Process::colour_negative, trim, {plain, plain, plain});
  EXPECT_NE(other.verdict, "usual");
  EXPECT_NE(other.why.find("3 earlier sheets"), std::string::npos) << other.why;
  ASSERT_TRUE(other.trim);
  EXPECT_GT(other.trim->tint, trim.tint);  // yellower than it was: magenta brings it back
}

}  // namespace
}  // namespace lapwright::density
