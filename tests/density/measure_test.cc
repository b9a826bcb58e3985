#include <gtest/gtest.h>
#include <lcms2.h>

#include <cmath>
#include <memory>

#include "density/density.h"
#include "density/paper.h"
#include "support/film_scene.h"

namespace lapwright::density {
namespace {

using support::Faults;
using support::Scene;
using support::SceneOptions;

constexpr Ppi ppi{150};

/// Three short strips of the usual pitch: enough film to measure, quick to draw.
profile::SleeveProfile small_sleeve() {
  auto s = support::sleeve_135_7x5();
  s.strips.count = 3, s.strips.frames = 3, s.strips.length = {114000};
  s.page = {{150000}, {140000}};
  return s;
}

/// The stock whose film the scenes draw: base and gains READ(trade.md 4.3); that film has no offset.
profile::StockProfile scene_stock(profile::Process process = profile::Process::colour_negative) {
  profile::StockProfile s;
  s.name = "scene";
  s.process = process;
  if (process == profile::Process::colour_negative) {
    s.base = profile::Channels{0.32, 0.63, 0.72};
    s.gain = {1 / 0.851, 1, 1 / 1.040};
  }
  return s;
}

struct Page {
  image::Rgb16 picture;
  Spot<SleeveSpace> origin;  // as claimed
};

/// The block and some margin; the sheet is really `off` mm away from where its origin says.
Page page(const Scene& scene, const Faults& faults = {}, Spot<SleeveSpace> off = {}) {
  const auto block = scene.sleeve().block().grown({4000});
  const Spot<SleeveSpace> origin{block.x.mm(), block.y.mm()};
  const auto lay = core::mm_to_pixels<SleeveSpace, PassSpace>({origin.x + off.x, origin.y + off.y}, ppi);
  return {support::render(scene, lay, core::to_pixels(block.width, ppi).value, core::to_pixels(block.height, ppi).value, faults), origin};
}

Measured measured(const Page& p, const profile::SleeveProfile& sleeve, const profile::StockProfile& stock) {
  image::MemorySource source(p.picture, ppi);
  auto m = measure(source, p.origin, sleeve, stock);
  EXPECT_TRUE(m) << (m ? "" : m.error().text);
  return m ? *m : Measured{};
}

const double pocket = std::pow(10.0, -0.065);  // the scene's sleeve: CALC trade.md 2

TEST(Measure, FindsOpenLightAndBaseOfAMaskedNegative) {
  const auto sleeve = small_sleeve();
  const Scene scene(sleeve);
  const auto p = page(scene, {40, {1, 0.97, 0.9}, 1, 7, 60000});
  const Measured m = measured(p, sleeve, scene_stock());
  const double gain[3] = {1, 0.97, 0.9}, base[3] = {0.32, 0.63, 0.72};
  for (std::size_t c = 0; c < 3; ++c) {
    EXPECT_NEAR(m.open_light.counts[c] / (60000 * gain[c] * pocket), 1, 0.005) << c;
    EXPECT_NEAR(m.base_density[c], base[c], 0.01) << c;
  }
  ASSERT_EQ(m.strips.size(), 3U);
  for (const auto& s : m.strips) {
    EXPECT_FALSE(s.other);
    EXPECT_LE(s.spread, 0.03);
  }
  EXPECT_TRUE(m.cautions.empty()) << m.cautions.front();
  EXPECT_EQ(m.open_light.from, "perforations and gutters");
  EXPECT_EQ(m.base.from, "rebate");
}

TEST(Measure, HoldsWhenStripsSlidAndTheSheetIsDisplaced) {
  const auto sleeve = small_sleeve();
  SceneOptions o;
  o.slid_mm = {3.5, -2, 4};
  const Scene scene(sleeve, o);
  for (const Spot<SleeveSpace> off : {Spot<SleeveSpace>{4, -3}, Spot<SleeveSpace>{-3, 4.5}}) {
    const Measured m = measured(page(scene, {40}, off), sleeve, scene_stock());
    const double base[3] = {0.32, 0.63, 0.72};
    for (std::size_t c = 0; c < 3; ++c) EXPECT_NEAR(m.base_density[c], base[c], 0.01) << c;
    EXPECT_EQ(m.strips.size(), 3U);
    EXPECT_TRUE(m.cautions.empty()) << m.cautions.front();
  }
}

TEST(Measure, PrefersAnEmptyPocketAndSkipsIt) {
  const auto sleeve = small_sleeve();
  SceneOptions o;
  o.empty_strips = {1};
  const Measured m = measured(page(Scene(sleeve, o)), sleeve, scene_stock());
  EXPECT_EQ(m.open_light.from, "empty pocket");
  EXPECT_EQ(m.strips.size(), 2U);
  EXPECT_GE(m.open_light.where.y.mm(), sleeve.strip(1).y.mm() - 1);
  EXPECT_LE(m.open_light.where.bottom().mm(), sleeve.strip(1).bottom().mm() + 1);
  EXPECT_NEAR(m.base_density[2], 0.72, 0.01);
}

TEST(Measure, ToleratesUnevenLight) {
  const auto sleeve = small_sleeve();
  Page p = page(Scene(sleeve), {30});
  for (std::int64_t y = 0; y < p.picture.height(); ++y)
    for (std::int64_t x = 0; x < p.picture.width(); ++x) {
      const double t = static_cast<double>(x) / static_cast<double>(p.picture.width()) - 0.5;
      for (int c = 0; c < 3; ++c) {
        std::uint16_t& v = p.picture.row(y)[x * 3 + c];
        v = static_cast<std::uint16_t>(v * (1 - 0.16 * t * t));  // a parabola of 4 %, more than trade.md 3.4 reports
      }
    }
  const Measured m = measured(p, sleeve, scene_stock());
  const double base[3] = {0.32, 0.63, 0.72};
  for (std::size_t c = 0; c < 3; ++c) EXPECT_NEAR(m.base_density[c], base[c], 0.015) << c;
  EXPECT_TRUE(m.cautions.empty()) << m.cautions.front();
}

TEST(Measure, TellsAStripOfAnotherStock) {
  const auto sleeve = small_sleeve();
  Page p = page(Scene(sleeve));
  const auto strip = sleeve.strip(2);
  const double k = ppi.pixels_per_mm();
  const auto y0 = static_cast<std::int64_t>((strip.y.mm() - p.origin.y) * k), y1 = static_cast<std::int64_t>((strip.bottom().mm() - p.origin.y) * k);
  for (std::int64_t y = y0; y < y1; ++y)
    for (std::int64_t x = 0; x < p.picture.width(); ++x) {
      std::uint16_t* v = p.picture.row(y) + x * 3;
      if (v[2] > 40000) continue;                                    // holes stay clear
      v[2] = static_cast<std::uint16_t>(v[2] * std::pow(10, -0.08));  // 0.08 D more blue base
    }
  const Measured m = measured(p, sleeve, scene_stock());
  ASSERT_EQ(m.strips.size(), 3U);
  for (const auto& s : m.strips) EXPECT_EQ(s.other, s.strip == 3) << s.strip;
  ASSERT_EQ(m.cautions.size(), 1U);
  EXPECT_NE(m.cautions[0].find("strip 3"), std::string::npos) << m.cautions[0];
  EXPECT_NEAR(m.base_density[2], 0.72, 0.01);  // the odd strip is left out of the page's base
}

TEST(Measure, ReadsSilverSlideAndRollFilm) {
  {
    SceneOptions o;
    o.process = profile::Process::bw_negative;
    const auto sleeve = small_sleeve();
    const Measured m = measured(page(Scene(sleeve, o), {40}), sleeve, scene_stock(o.process));
    for (std::size_t c = 0; c < 3; ++c) EXPECT_NEAR(m.base_density[c], 0.28, 0.01);
  }
  {
    SceneOptions o;
    o.process = profile::Process::slide;
    const auto sleeve = small_sleeve();
    const Measured m = measured(page(Scene(sleeve, o), {20}), sleeve, scene_stock(o.process));
    for (std::size_t c = 0; c < 3; ++c) EXPECT_NEAR(m.open_light.counts[c] / (60000 * pocket), 1, 0.005);
    EXPECT_GT(m.base_density[1], 2.8);
    EXPECT_EQ(m.exposure, 0);
  }
  auto sleeve = support::sleeve_120_3x4();
  sleeve.strips.count = 1, sleeve.strips.frames = 2, sleeve.strips.length = {122000};
  const Measured m = measured(page(Scene(sleeve), {40}, {2, -2}), sleeve, scene_stock());
  EXPECT_NEAR(m.base_density[0], 0.32, 0.01);
  EXPECT_NEAR(m.base_density[2], 0.72, 0.01);
}

TEST(Measure, WorksWithoutASleeve) {
  const auto p = page(Scene(small_sleeve()), {40});
  image::MemorySource source(p.picture, ppi);
  const auto m = measure(source, scene_stock());
  ASSERT_TRUE(m) << m.error().text;
  EXPECT_NEAR(m->base_density[0], 0.32, 0.01);
  EXPECT_NEAR(m->base_density[2], 0.72, 0.01);
}

TEST(Measure, RefusesASheetWithoutFilm) {
  const auto sleeve = small_sleeve();
  SceneOptions o;
  o.empty_strips = {0, 1, 2};
  const auto p = page(Scene(sleeve, o));
  image::MemorySource source(p.picture, ppi);
  const auto m = measure(source, p.origin, sleeve, scene_stock());
  ASSERT_FALSE(m);
  EXPECT_EQ(m.error().fault, Fault::bad_data);
  EXPECT_NE(m.error().text.find("film base"), std::string::npos);
  const image::Rgb16 black(400, 400), tiny(2, 2);
  for (const auto* picture : {&black, &tiny}) {
    image::MemorySource dark(*picture, ppi);
    EXPECT_FALSE(measure(dark, {}, sleeve, scene_stock()));
    EXPECT_FALSE(measure(dark, scene_stock()));
  }
}

TEST(Measure, WorksOutOpenLightWhenFilmFillsTheView) {
  image::Rgb16 film(600, 600);
  const double base[3] = {0.32, 0.63, 0.72};
  for (std::int64_t y = 0; y < 600; ++y)
    for (std::int64_t x = 0; x < 600; ++x)
      for (std::size_t c = 0; c < 3; ++c)
        film.row(y)[x * 3 + static_cast<std::int64_t>(c)] = static_cast<std::uint16_t>(
            50000 * std::pow(10.0, -base[c] - (x > 100 && y > 100 ? 0.3 + 0.001 * static_cast<double>(x) : 0.0)));
  image::MemorySource source(film, ppi);
  const auto m = measure(source, scene_stock());
  ASSERT_TRUE(m) << m.error().text;
  for (std::size_t c = 0; c < 3; ++c) EXPECT_NEAR(m->open_light.counts[c], 50000, 600);
  ASSERT_FALSE(m->cautions.empty());
}

TEST(Measure, CautionsWhenAColourNegativeHasNoMask) {
  const auto sleeve = small_sleeve();
  SceneOptions o;
  o.process = profile::Process::bw_negative;
  const Measured m = measured(page(Scene(sleeve, o)), sleeve, scene_stock());
  ASSERT_FALSE(m.cautions.empty());
  EXPECT_NE(m.cautions[0].find("orange mask"), std::string::npos) << m.cautions[0];
}

struct LabColour { double l, a, b, chroma() const { return std::hypot(a, b); } };
LabColour lab(const std::uint16_t* rgb) {
  static const std::unique_ptr<void, decltype(&cmsDeleteTransform)> transform = [] {
    const cmsHPROFILE from = cmsCreate_sRGBProfile(), to = cmsCreateLab4Profile(nullptr);
    const cmsHTRANSFORM made = cmsCreateTransform(
        from, TYPE_RGB_16, to, TYPE_Lab_DBL, INTENT_RELATIVE_COLORIMETRIC, cmsFLAGS_NOOPTIMIZE);
    cmsCloseProfile(from), cmsCloseProfile(to);
    return std::unique_ptr<void, decltype(&cmsDeleteTransform)>(made, &cmsDeleteTransform);
  }();
  cmsCIELab out{};
  cmsDoTransform(transform.get(), rgb, &out, 1);
  return {out.L, out.a, out.b};
}

// Grey patches from -4 to +3 stops about 18 %, exposed on the film that trade.md 4.3 describes, in place of one frame: chroma by
// lcms2. Base (unexposed film) must be near black (issue of the trade: base and perforation hardly told apart).
TEST(Positive, GreysAreGreyAndBaseIsBlack) {
  const auto sleeve = small_sleeve();
  Page p = page(Scene(sleeve), {40});
  const double base[3] = {0.32, 0.63, 0.72}, gamma[3] = {0.851 * 0.6, 0.6, 1.040 * 0.6};
  const auto frame = sleeve.frame_area(1, 1);
  const double k = ppi.pixels_per_mm();
  const auto patch_x = [&](int i) { return static_cast<std::int64_t>((frame.x.mm() + 2 + 4 * i - p.origin.x) * k); };
  const auto patch_y = static_cast<std::int64_t>((frame.y.mm() + 8 - p.origin.y) * k);
  for (int i = 0; i < 8; ++i)
    for (int y = 0; y < 20; ++y)
      for (int x = 0; x < 20; ++x)
        for (std::size_t c = 0; c < 3; ++c) {
          const double exposure = 0.18 * std::pow(2.0, i - 4);
          const double d = base[c] + gamma[c] * std::log10(1 + exposure / 0.004);
          p.picture.row(patch_y + y)[(patch_x(i) + x) * 3 + static_cast<std::int64_t>(c)] =
              static_cast<std::uint16_t>(60000 * pocket * std::pow(10.0, -d) + 0.5);
        }
  const auto stock = scene_stock();
  const Converter converter(stock, measured(p, sleeve, stock));
  double before = 0;
  for (int i = 0; i < 8; ++i) {
    std::uint16_t rgb[3];
    converter.rows(p.picture.row(patch_y + 10) + (patch_x(i) + 10) * 3, rgb, 1);
    const auto colour = lab(rgb);
    std::printf("  %+d stops: L* %.1f, chroma %.2f\n", i - 4, colour.l, colour.chroma());
    EXPECT_LT(colour.chroma(), 2.0) << i;
    EXPECT_GT(colour.l, before);
    before = colour.l;
  }
  const std::uint16_t clear_film[3] = {static_cast<std::uint16_t>(60000 * pocket * std::pow(10, -base[0])),
                                       static_cast<std::uint16_t>(60000 * pocket * std::pow(10, -base[1])),
                                       static_cast<std::uint16_t>(60000 * pocket * std::pow(10, -base[2]))};
  std::uint16_t rgb[3];
  converter.rows(clear_film, rgb, 1);
  EXPECT_LT(lab(rgb).l, 8);
  EXPECT_LT(lab(rgb).chroma(), 2);
}

TEST(Gauge, FindsTheLettering) {
  const auto sleeve = small_sleeve();
  for (const bool lettering : {true, false}) {
    SceneOptions o;
    o.lettering = lettering;
    const Page p = page(Scene(sleeve, o), {30});
    image::MemorySource source(p.picture, ppi);
    const auto stock = scene_stock();
    const Converter converter(stock, measured(p, sleeve, stock));
    PositiveSource positive(source, converter);
    const auto g = gauge(positive, p.origin, sleeve);
    ASSERT_TRUE(g) << g.error().text;
    EXPECT_EQ(g->found, lettering);
    if (!lettering) {
      EXPECT_EQ(g->verdict, "none found");
      continue;
    }
    // What the scene's lettering ink prints as, by lcms2, is the truth to find.
    const double ink[3] = {0.32 + 0.62, 0.63 + 0.33, 0.72 + 0.16};
    std::uint16_t counts[3], rgb[3];
    for (int c = 0; c < 3; ++c) counts[c] = static_cast<std::uint16_t>(60000 * pocket * std::pow(10, -ink[c]));
    converter.rows(counts, rgb, 1);
    const auto truth = lab(rgb);
    std::printf("  lettering L* %.1f C* %.1f h %.1f (ink %.1f %.1f %.1f) %s\n", g->lightness, g->chroma, g->hue_degrees, truth.l,
                truth.chroma(), std::atan2(truth.b, truth.a) * 57.29578, g->verdict.c_str());
    EXPECT_NEAR(g->hue_degrees, std::atan2(truth.b, truth.a) * 57.29578, 6);  // trade.md 4.7: a warning starts at 6 degrees
    EXPECT_NEAR(g->lightness, truth.l, 6);
  }
}

// Anchors CALC trade.md 4.7: sRGB8 to L*, C*, h; drawn as lettering on black edges.
TEST(Gauge, GivesThePublishedAnchors) {
  const struct { int rgb[3]; double l, c, h; const char* verdict; } anchors[] = {
      {{205, 150, 100}, 66.3, 37.4, 66.7, "usual"}, {{190, 130, 70}, 59.3, 44.6, 67.5, "usual"}, {{230, 180, 80}, 76.1, 57.0, 82.2, "usual"},
      {{200, 120, 110}, 58.8, 35.6, 32.1, "check"}, {{180, 170, 90}, 68.9, 42.8, 99.9, "check"}, {{170, 190, 120}, 74.0, 37.9, 119.1, "odd"}};
  const auto sleeve = small_sleeve();
  for (const auto& a : anchors) {
    image::Rgb16 picture(660, 400);
    for (std::int64_t y = 5; y < 12; ++y)
      for (std::int64_t x = 0; x < 660; ++x)
        for (int c = 0; c < 3; ++c) picture.row(y)[x * 3 + c] = static_cast<std::uint16_t>((x / 4) % 2 ? a.rgb[c] * 257 : 10 * 257);
    image::MemorySource source(picture, ppi);
    const auto g = gauge(source, {sleeve.strip(0).x.mm(), sleeve.strip(0).y.mm()}, sleeve);
    ASSERT_TRUE(g);
    EXPECT_NEAR(g->lightness, a.l, 0.15);
    EXPECT_NEAR(g->chroma, a.c, 0.15);
    EXPECT_NEAR(g->hue_degrees, a.h, 0.15);
    EXPECT_EQ(g->verdict, a.verdict);
  }
}

TEST(Srgb, ProfileIsAlwaysTheSameAndLcmsReadsIt) {
  const auto bytes = srgb_icc_profile();
  EXPECT_EQ(bytes, srgb_icc_profile());
  const cmsHPROFILE p = cmsOpenProfileFromMem(bytes.data(), static_cast<cmsUInt32Number>(bytes.size()));
  ASSERT_NE(p, nullptr);
  EXPECT_EQ(cmsGetColorSpace(p), cmsSigRgbData);
  cmsCloseProfile(p);
}

}  // namespace
}  // namespace lapwright::density
