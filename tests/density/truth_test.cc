#include <gtest/gtest.h>

#include "density/fit.h"
#include "density/truth.h"

namespace lapwright::density {
namespace {

using profile::Process;
using support::ChartPageOptions;
using support::FilmModel;

profile::StockProfile shipped(const std::string& name) {
  const auto s = profile::Shelf({std::filesystem::path(SOURCE_DIR) / "profiles"}).stock(name);
  EXPECT_TRUE(s) << (s ? "" : s.error().text);
  return s ? *s : profile::StockProfile{};
}

void tell(const char* what, unsigned seed, const Distances& d) {
  std::printf("  %-22s %4u: chart dE00 %.2f (worst %.1f, factor %.2f), greys %.2f, base L* %.1f, mid grey L* %.1f\n", what, seed, d.chart,
              d.worst, d.factor, d.greys, d.base, d.mid_grey);
}

struct Truth : testing::Test {
  void SetUp() override {
    ASSERT_EQ(support::chart_lab().size(), 24U) << "Debian's argyll-ref is not installed: run demo/setup tests";
  }
};

// CIEDE2000 test data of its authors (pairs from memory); lcms2 is what judges below.
TEST(DeltaE, Lcms2GivesThePublishedDifferences) {
  const struct { cmsCIELab a, b; double de; } pairs[] = {
      {{50, 2.6772, -79.7751}, {50, 0, -82.7485}, 2.0425}, {{50, 3.1571, -77.2803}, {50, 0, -82.7485}, 2.8615},
      {{50, 2.5, 0}, {50, 0, -2.5}, 4.3065},               {{50, 2.5, 0}, {73, 25, -18}, 27.1492},
      {{60.2574, -34.0099, 36.2677}, {60.4626, -34.1751, 39.4387}, 1.2644}};
  for (const auto& p : pairs) EXPECT_NEAR(de00(p.a, p.b), p.de, 0.0001);
}

// The chart's own light, as this test makes it from Lab, is by lcms2 the Lab it was made from (patches inside sRGB).
TEST_F(Truth, ChartLightIsItsLab) {
  const auto lab = support::chart_lab(), light = support::chart_light();
  for (std::size_t i = 0; i < 24; ++i) {
    if (*std::min_element(light[i].begin(), light[i].end()) < 0) continue;  // outside sRGB
    EXPECT_LT(de00(lab_of_light(light[i]), {lab[i][0], lab[i][1], lab[i][2]}), 0.1) << i;
  }
}

/// The stock fitted on a page of the film: by its pictures alone, with four grey places named, or with a step wedge.
enum class By { pictures, greys, wedge };
profile::StockProfile fitted(const FilmModel& film, unsigned seed, By by, double& sure) {
  ChartPageOptions o;
  o.seed = seed + 500, o.with_targets = by == By::greys, o.with_wedge = by == By::wedge;
  const auto page = ChartPage::made(film, o);
  FitRequest request;
  for (int i = 0; i < 12; ++i) request.frames.push_back(ChartPage::sleeve().frame_area(i / 4, i % 4));
  if (by == By::greys)
    for (const std::size_t i : {0, 2, 4, 6}) request.neutrals.push_back({"grey", page.greys[i].area.centre_mm()});
  if (by == By::wedge) request.wedge = Wedge{page.wedge.front().area.centre_mm(), page.wedge.back().area.centre_mm()};
  image::MemorySource source(page.picture, o.ppi);
  const auto fit = fit_stock(source, page.origin, ChartPage::sleeve(), shipped("c41-daylight-400"), "fitted", request);
  EXPECT_TRUE(fit) << (fit ? "" : fit.error().text);
  if (!fit) return {};
  sure = fit->sure;
  for (const auto& r : fit->remarks) std::printf("      %s\n", r.c_str());
  return fit->stock;
}

TEST_F(Truth, GeneratedColourNegatives) {
  for (unsigned seed = 1; seed <= 6; ++seed) {
    const auto film = FilmModel::made(seed, Process::colour_negative);
    ChartPageOptions o;
    o.seed = seed;
    const auto page = ChartPage::made(film, o);
    auto stock = shipped("c41-daylight-400");
    tell("default", seed, distances(converted(page, stock, o.ppi), page));
    stock.balance_on_sheet = false;
    tell("default, as typed", seed, distances(converted(page, stock, o.ppi), page));
    double sure = 0;
    tell("fitted by pictures", seed, distances(converted(page, fitted(film, seed, By::pictures, sure), o.ppi), page));
    tell("fitted by greys", seed, distances(converted(page, fitted(film, seed, By::greys, sure), o.ppi), page));
    tell("fitted by wedge", seed, distances(converted(page, fitted(film, seed, By::wedge, sure), o.ppi), page));
  }
}

TEST_F(Truth, BlackAndWhiteAndSlide) {
  for (unsigned seed = 1; seed <= 2; ++seed) {
    ChartPageOptions o;
    o.seed = seed;
    for (const bool chromogenic : {false, true}) {
      const auto page = ChartPage::made(FilmModel::made(seed, Process::bw_negative, chromogenic), o);
      const char* name = chromogenic ? "bw-chromogenic" : "bw-silver";
      tell(name, seed, distances(converted(page, shipped(name), o.ppi), page));
    }
    const auto page = ChartPage::made(FilmModel::made(seed, Process::slide), o);
    tell("slide", seed, distances(converted(page, shipped("slide-daylight"), o.ppi), page));
  }
}

}  // namespace
}  // namespace lapwright::density
