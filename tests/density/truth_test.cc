#include "density/truth.h"

#include <gtest/gtest.h>

#include "density/evenness.h"
#include "density/fit.h"

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
  std::printf(
      "  %-22s %4u: chart dE00 %.2f (worst %.1f, factor %.2f), greys %.2f, base L* %.1f, mid grey "
      "L* %.1f\n",
      what, seed, d.chart, d.worst, d.factor, d.greys, d.base, d.mid_grey);
}

struct Truth : testing::Test {
  void SetUp() override {
    ASSERT_EQ(support::chart_lab().size(), 24U)
        << "Debian's argyll-ref is not installed: run demo/setup tests";
  }
};

// CIEDE2000 test data of its authors (pairs from memory); lcms2 is what judges below.
TEST(DeltaE, Lcms2GivesThePublishedDifferences) {
  const struct {
    cmsCIELab a, b;
    double de;
  } pairs[] = {{{50, 2.6772, -79.7751}, {50, 0, -82.7485}, 2.0425},
               {{50, 3.1571, -77.2803}, {50, 0, -82.7485}, 2.8615},
               {{50, 2.5, 0}, {50, 0, -2.5}, 4.3065},
               {{50, 2.5, 0}, {73, 25, -18}, 27.1492},
               {{60.2574, -34.0099, 36.2677}, {60.4626, -34.1751, 39.4387}, 1.2644}};
  for (const auto& p : pairs) EXPECT_NEAR(de00(p.a, p.b), p.de, 0.0001);
}

// The chart's own light, as this test makes it from Lab, is by lcms2 the Lab it was made from
// (patches inside sRGB).
TEST_F(Truth, ChartLightIsItsLab) {
  const auto lab = support::chart_lab(), light = support::chart_light();
  for (std::size_t i = 0; i < 24; ++i) {
    if (*std::min_element(light[i].begin(), light[i].end()) < 0) continue;  // outside sRGB
    EXPECT_LT(de00(lab_of_light(light[i]), {lab[i][0], lab[i][1], lab[i][2]}), 0.1) << i;
  }
}

/// The stock fitted on another page of the film: by its pictures alone, with four grey places
/// named, or with a step wedge.
profile::StockProfile fitted(const FilmModel& film, unsigned seed, By by, double& sure) {
  ChartPageOptions o;
  o.seed = seed + 500, o.with_targets = by == By::greys, o.with_wedge = by == By::wedge;
  const auto page = ChartPage::made(film, o);
  const FitRequest request = fit_request(page, by);
  image::MemorySource source(page.picture, o.ppi);
  const auto fit = fit_stock(source, page.origin, ChartPage::sleeve(), shipped("c41-daylight-400"),
                             "fitted", request);
  EXPECT_TRUE(fit) << (fit ? "" : fit.error().text);
  if (!fit) return {};
  sure = fit->sure;
  EXPECT_FALSE(fit->stock.balance_on_sheet);
  // As it is written it reads back, and converts alike.
  const auto again =
      profile::parse_stock(profile::write_stock(fit->stock, fit->remarks), "fitted.yaml");
  EXPECT_TRUE(again) << (again ? "" : again.error().text);
  return again ? *again : fit->stock;
}

// The figures asked of the conversion: OURS. After one factor on the positive's light.
TEST_F(Truth, ColourNegativesOfGeneratedStocks) {
  for (unsigned seed = 1; seed <= 4; ++seed) {
    const auto film = FilmModel::made(seed, Process::colour_negative);
    ChartPageOptions o;
    o.seed = seed, o.across = seed % 2 == 0;
    const auto page = ChartPage::made(film, o);
    auto stock = shipped("c41-daylight-400");
    const auto balanced = distances(converted(page, stock, o.ppi), page);
    tell("default", seed, balanced);
    stock.balance_on_sheet = false;
    const auto typed = distances(converted(page, stock, o.ppi), page);
    tell("default, as typed", seed, typed);
    for (const auto& d : {balanced, typed}) {
      EXPECT_LE(d.chart, 5.0) << seed;
      EXPECT_LT(d.base, 8) << seed;
    }
    EXPECT_LE(balanced.greys, 3.5) << seed;
    EXPECT_LE(balanced.chart, typed.chart + 0.3) << "balancing on the sheet made it worse";
    const struct {
      By by;
      const char* name;
      double greys;
    } ways[] = {{By::pictures, "fitted by pictures", 3.5},
                {By::greys, "fitted by greys", 2},
                {By::wedge, "fitted by wedge", 2}};
    for (const auto& way : ways) {
      double sure = 0;
      const auto d = distances(converted(page, fitted(film, seed, way.by, sure), o.ppi), page);
      tell(way.name, seed, d);
      EXPECT_LE(d.chart, 3.0) << way.name << " " << seed;
      EXPECT_LE(d.greys, way.greys) << way.name << " " << seed;
      EXPECT_LT(d.base, 8) << way.name << " " << seed;
      EXPECT_GE(sure, way.by == By::pictures ? 0.4 : 0.9) << way.name << " " << seed;
    }
  }
}

// The distances above can fail: a film of twice the contrast, and one whose blue layer is two stops
// faster, are told.
TEST_F(Truth, IsMissedByAnotherFilm) {
  ChartPageOptions o;
  auto stock = shipped("c41-daylight-400");
  stock.balance_on_sheet = false;
  auto steep = FilmModel::made(1, Process::colour_negative), blue = steep;
  for (double& g : steep.gamma) g *= 2;
  blue.speed[2] += 0.6;
  const auto hard = ChartPage::made(steep, o), cast = ChartPage::made(blue, o);
  EXPECT_GT(distances(converted(hard, stock, o.ppi), hard).chart, 6);
  EXPECT_GT(distances(converted(cast, stock, o.ppi), cast).greys, 8);
}

TEST_F(Truth, BlackAndWhiteIsNeutralOnBlack) {
  for (const bool chromogenic : {false, true}) {
    ChartPageOptions o;
    o.seed = 3;
    const auto page = ChartPage::made(FilmModel::made(3, Process::bw_negative, chromogenic), o);
    const char* name = chromogenic ? "bw-chromogenic" : "bw-silver";
    const auto d = distances(converted(page, shipped(name), o.ppi), page);
    tell(name, 3, d);
    EXPECT_LE(d.greys, 0.1);
    EXPECT_LT(d.base, 8);
    EXPECT_GT(d.mid_grey, 35);
    EXPECT_LT(d.mid_grey, 65);
  }
}

// A slide is its own positive: every patch shows the light that the film lets through, white being
// open light.
TEST_F(Truth, SlideShowsTheFilmItself) {
  const auto film = FilmModel::made(4, Process::slide);
  ChartPageOptions o;
  o.seed = 4;
  const auto page = ChartPage::made(film, o);
  const auto p = converted(page, shipped("slide-daylight"), o.ppi);
  double sum = 0, worst = 0;
  for (const auto& patch : page.chart) {
    const auto density = film.densities(patch.light);
    const double e = de00(lab_of_light(p.light(patch.area)),
                          lab_of_light({std::pow(10.0, -density[0]), std::pow(10.0, -density[1]),
                                        std::pow(10.0, -density[2])}));
    sum += e / 24, worst = std::max(worst, e);
  }
  std::printf("  slide: dE00 %.2f from the film's own light, worst %.2f\n", sum, worst);
  EXPECT_LE(sum, 0.5);
  EXPECT_LE(worst, 1.5);
}

// Two captures of one roll, lying otherwise, each under its own light, drift, flare and noise, each
// measured by itself.
TEST_F(Truth, TwoLapsAgree) {
  for (unsigned seed = 5; seed <= 6; ++seed) {
    const auto film = FilmModel::made(seed, Process::colour_negative);
    ChartPageOptions o;
    o.seed = seed;
    const auto page = ChartPage::made(film, o);
    auto again = page;
    {  // the same scenes: light alone is another
      ChartPageOptions other = o;
      other.bow = 0.03, other.drift = -0.015, other.across = true, other.flare = 0.0004,
      other.light_seed = seed + 77;
      again = ChartPage::made(film, other);
    }
    auto stock = shipped("c41-daylight-400");
    const Seam s = seam(converted(page, stock, o.ppi), converted(again, stock, o.ppi));
    stock.balance_on_sheet = false;
    const Seam typed = seam(converted(page, stock, o.ppi), converted(again, stock, o.ppi));
    std::printf("  seam %u: mean dE00 %.2f, 95 in 100 within %.2f; stock as typed %.2f, %.2f\n",
                seed, s.mean, s.most, typed.mean, typed.most);
    EXPECT_LE(s.mean, 0.5);
    EXPECT_LE(typed.mean, 0.5);
  }
}

TEST_F(Truth, LightIsMeasuredWhereNoFilmLies) {
  for (const bool across : {false, true}) {
    ChartPageOptions o;
    o.seed = 8, o.across = across, o.bow = 0.08, o.drift = 0.03;
    auto page = ChartPage::made(FilmModel::made(8, Process::colour_negative), o);
    // Something opaque on the page: black paper under two millimetres of it.
    const std::int64_t h = page.picture.height(), w = page.picture.width();
    const double clear = std::pow(10.0, -0.065);
    for (std::int64_t y = h - 24; y < h; ++y)
      for (std::int64_t x = 0; x < w; ++x)
        for (std::size_t c = 0; c < 3; ++c)
          page.picture.row(y)[x * 3 + static_cast<std::int64_t>(c)] =
              static_cast<std::uint16_t>(o.flare * page.open_light[c] / clear + 0.5);
    image::MemorySource source(page.picture, o.ppi);
    const auto m = measure(source, page.origin, ChartPage::sleeve(), shipped("c41-daylight-400"));
    ASSERT_TRUE(m) << m.error().text;
    ASSERT_TRUE(m->evenness);
    const LightField field(*m->evenness);
    double worst = 0;
    for (double u = -0.9; u <= 0.9; u += 0.2)
      for (double v = -0.9; v <= 0.9; v += 0.2)
        for (std::size_t c = 0; c < 3; ++c) {
          const double found = m->open_light.counts[c] * field.along(c, u) * field.across(c, v);
          worst = std::max(
              worst, std::abs(std::log10(found / (page.open_light[c] * page.light(c, u, v)))));
        }
    std::printf(
        "  light: uneven by %.1f %%, known to %.4f D, worst %.4f D off; flare %.1f of %.1f "
        "counts\n",
        100 * m->uneven, m->light_residual, worst, m->flare[1],
        o.flare * page.open_light[1] / clear);
    EXPECT_LE(worst, 0.004);
    EXPECT_GE(m->uneven, 0.06);
    for (std::size_t c = 0; c < 3; ++c)
      EXPECT_NEAR(m->flare[c], o.flare * page.open_light[c] / clear, 2.5);
  }
}

TEST_F(Truth, FramesAreBalancedByThemselvesOnRequest) {
  const auto film = FilmModel::made(9, Process::colour_negative);
  ChartPageOptions o;
  o.seed = 9, o.exposure = 1;
  const auto page = ChartPage::made(film, o);
  image::MemorySource source(page.picture, o.ppi);
  const auto stock = shipped("c41-daylight-400");
  const auto m = measure(source, page.origin, ChartPage::sleeve(), stock);
  ASSERT_TRUE(m);
  std::vector<Rect<SleeveSpace>> areas;
  for (int i = 0; i < 12; ++i) areas.push_back(ChartPage::sleeve().frame_area(i / 4, i % 4));
  const auto even = EvenSource::of(source, page.origin, stock, *m, areas);
  ASSERT_TRUE(even);
  Positive by_page = converted(page, stock, o.ppi), by_frame = by_page;
  ASSERT_TRUE((*even)->read(0, page.picture.height(), by_frame.codes.row(0)));
  // A part alone is the same.
  constexpr std::int64_t x = 150, y = 90, columns = 333, rows = 210;
  std::vector<std::uint16_t> part(static_cast<std::size_t>(columns * rows * 3));
  ASSERT_TRUE((*even)->read_block(x, columns, y, rows, part.data()));
  for (std::int64_t i = 0; i < rows; ++i)
    ASSERT_TRUE(std::equal(part.begin() + i * columns * 3, part.begin() + (i + 1) * columns * 3, by_frame.codes.row(y + i) + x * 3)) << i;
  double before = 0, after = 0;
  for (const auto& area : areas) {
    const auto inner = area.grown({-3000});
    std::array<double, 2> middle{};
    for (int which = 0; which < 2; ++which) {
      const Triple light = (which == 0 ? by_page : by_frame).light(inner);
      middle[static_cast<std::size_t>(which)] = std::log2(std::max(light[1], 1e-3) / 0.18);
    }
    before += std::abs(middle[0]) / 12, after += std::abs(middle[1]) / 12;
  }
  std::printf(
      "  frames' mean light: %.2f stops off mid grey with one exposure, %.2f each by itself\n",
      before, after);
  EXPECT_LT(after, 0.7 * before);
  EXPECT_EQ(by_page.light(page.rebate),
            by_frame.light(page.rebate));  // outside the frames nothing changes
}

}  // namespace
}  // namespace lapwright::density
