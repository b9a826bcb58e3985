#include <gtest/gtest.h>

#include <chrono>

#include "density/density.h"
#include "density/paper.h"
#include "density/trim.h"

namespace lapwright::density {
namespace {

profile::StockProfile worked_stock() {  // READ/CALC: trade.md 4.6
  profile::StockProfile s;
  s.name = "worked";
  s.gain = {1.174419, 1.0, 0.961905};
  s.offset = {0.010930, 0, 0.120095};
  s.paper = {2.971, 0.05, 2.10};
  return s;
}

Measured worked_page(const profile::StockProfile& stock) {
  return measured_from({{60000, 60000, 60000}, {}, "clear"}, {{28718, 14065, 11433}, {}, "base"}, stock);
}

std::array<std::uint16_t, 3> convert(const Converter& c, std::array<std::uint16_t, 3> counts) {
  std::array<std::uint16_t, 3> out{};
  c.rows(counts.data(), out.data(), 1);
  return out;
}

double code8(std::uint16_t v) { return v / 257.0; }

// READ/CALC: trade.md 4.6, the worked end-to-end vector. Counts there are rounded to whole ones, codes to a tenth.
TEST(Converter, GivesTheWorkedVector) {
  const auto stock = worked_stock();
  const Converter c(stock, worked_page(stock));
  const struct { std::array<std::uint16_t, 3> counts; double code[3], near; } rows[] = {
      {{28718, 14065, 11433}, {16.1, 17.0, 8.6}, 0.1},
      {{21785, 10427, 6283}, {30.9, 30.9, 30.9}, 0.1},
      {{3007, 1019, 560}, {248.8, 248.8, 248.8}, 0.1},
      {{60000, 60000, 60000}, {1.7, 0.4, 0.1}, 0.1},
  };
  for (const auto& row : rows) {
    const auto out = convert(c, row.counts);
    for (std::size_t i = 0; i < 3; ++i) EXPECT_NEAR(code8(out[i]), row.code[i], row.near) << row.counts[0] << " channel " << i;
  }
}

// What is tried on the page is what a conversion with that trim gives.
TEST(Retrim, IsTheConversionWithThatTrim) {
  const profile::Trim trims[] = {{0, 0, 0, 0}, {40, 0, 0, 0}, {-100, 100, 0, 0}, {0, 0, 100, 0}, {0, 0, -100, 0}, {0, 0, 0, 100}, {20, -15, 30, -40}};
  for (const auto process : {profile::Process::colour_negative, profile::Process::bw_negative, profile::Process::slide}) {
    auto stock = worked_stock();
    stock.process = process;
    const auto page = worked_page(stock);
    const Converter plain(stock, page);
    for (const auto& trim : trims) {
      stock.trim = trim;
      const Converter converter(stock, page);
      const Retrim retrim(trim, process == profile::Process::bw_negative);
      double most = 0;
      for (std::uint32_t count = 1; count < 65536; count += 7) {
        const auto n = static_cast<std::uint16_t>(count);
        const auto from = convert(plain, {n, n, n}), to = convert(converter, {n, n, n});
        for (std::size_t c = 0; c < 3; ++c) most = std::max(most, std::abs(code8(retrim(from[c], c)) - code8(to[c])));
      }
      EXPECT_LT(most, 1.0) << profile::trim_text(trim) << " of process " << static_cast<int>(process);
    }
    // Black-and-white stays neutral whatever is asked.
    stock.trim = {50, 50, 10, 0};
    const auto out = convert(Converter(stock, page), {9000, 9000, 9000});
    if (process == profile::Process::bw_negative) {
      EXPECT_TRUE(out[0] == out[1] && out[1] == out[2]);
    }
  }
}

// CALC: trade.md 4.6, green net density to sRGB.
TEST(Converter, GivesTheGreenScale) {
  const auto stock = worked_stock();
  const Converter c(stock, worked_page(stock));
  const double scale[][2] = {{0, 17.0}, {0.1, 27.1}, {0.2, 41.5}, {0.4, 90.9}, {0.6115, 165.8}, {0.8, 216.3}, {1.0, 241.5}, {1.2, 250.6}};
  for (const auto& [net, code] : scale) {
    const auto count = static_cast<std::uint16_t>(14065 * std::pow(10.0, -net) + 0.5);
    EXPECT_NEAR(code8(convert(c, {count, count, count})[1]), code, 0.25) << net;
  }
}

// CALC: trade.md 4.5 step 9 and 4.6: ISO range 1.05 at slope 2.971 (ID-min 0.04 over paper white, ID-max 0.9 of the blackest,
// READ trade.md 4.4), 3.1198/m at other slopes, hb - h0 = 0.374373.
TEST(PaperCurve, HasThePublishedExposureRange) {
  const double ranges[][2] = {{2.971, 1.05}, {2.5, 1.248}, {3.0, 1.040}, {3.5, 0.891}};
  for (const auto& [slope, range] : ranges) {
    const PaperCurve p({slope, 0.05, 2.10});
    EXPECT_NEAR(p.exposure_for(0.9 * 2.10) - p.exposure_for(0.05 + 0.04), range, 0.001) << slope;
  }
  // There k = 4m/(Dx-Dn) is 5.797463, so the slope it calls 2.971 is 2.9712.
  EXPECT_NEAR(PaperCurve({5.797463 * 2.05 / 4, 0.05, 2.10}).base_exposure(), 0.374373, 1e-6);
}

// CALC: trade.md 4.6, print densities of base (R, G, B), low and high.
TEST(PaperCurve, GivesTheWorkedPrintDensities) {
  const PaperCurve p({2.971, 0.05, 2.10});
  const double rows[][2] = {{-0.010930, 1.9016}, {0, 1.8900}, {-0.120095, 1.9897}, {0.13, 1.6999}, {1.14, 0.0739}};
  for (const auto& [density, print] : rows) EXPECT_NEAR(p.print(p.base_exposure() - density), print, 0.0001) << density;
}

// READ/CALC: IEC 61966-2-1 as trade.md 4.5 step 11 gives it.
TEST(Srgb, HasTheStandardsConstants) {
  EXPECT_NEAR(srgb_encode(0.18), 0.461356, 1e-6);
  EXPECT_NEAR(srgb_encode(0.5), 0.735357, 1e-6);
  EXPECT_NEAR(srgb_encode(0.214041), 0.5, 1e-6);
  EXPECT_NEAR(srgb_encode(0.0031308), 0.04045, 1e-5);
  for (double v = 0; v <= 1; v += 0.01) EXPECT_NEAR(srgb_decode(srgb_encode(v)), v, 1e-6);
}

// CALC: trade.md 4.2, density and count of a linear file at full scale, through a slide's conversion (light = T).
TEST(Converter, ReadsTheDensityTable) {
  const double table[][2] = {{0.00, 65535}, {0.05, 58408}, {0.10, 52056}, {0.15, 46395}, {0.30, 32845}, {0.60, 16462},
                             {0.90, 8250},  {1.20, 4135},  {1.50, 2072},  {2.00, 655}};
  profile::StockProfile slide;
  slide.process = profile::Process::slide;
  const Converter c(slide, measured_from({{65535, 65535, 65535}, {}, ""}, {{33, 33, 33}, {}, ""}, slide));
  for (const auto& [density, count] : table) {
    const auto n = static_cast<std::uint16_t>(count);
    const double light = srgb_decode(convert(c, {n, n, n})[1] / 65535.0);
    EXPECT_NEAR(-std::log10(light), density, 0.001);
  }
}

TEST(Converter, SlideTakesItsWhiteFromOpenLight) {
  profile::StockProfile slide;
  slide.process = profile::Process::slide;
  const Converter c(slide, measured_from({{52000, 50000, 44000}, {}, ""}, {{60, 60, 60}, {}, ""}, slide));
  EXPECT_EQ(convert(c, {52000, 50000, 44000}), (std::array<std::uint16_t, 3>{65535, 65535, 65535}));
  const auto half = convert(c, {26000, 25000, 22000});
  EXPECT_NEAR(half[0], half[1], 2);
  EXPECT_NEAR(half[1], half[2], 2);
}

TEST(Converter, BlackAndWhiteIsNeutralWhateverTheBase) {
  profile::StockProfile bw;
  bw.process = profile::Process::bw_negative;
  for (const std::array<double, 3>& base : {std::array<double, 3>{31000, 31000, 30000}, std::array<double, 3>{28718, 14065, 11433}}) {
    const Measured m = measured_from({{60000, 60000, 60000}, {}, ""}, {base, {}, ""}, bw);
    const Converter c(bw, m);
    std::uint16_t before = 0;
    for (double net = 0; net < 1.6; net += 0.1) {
      std::array<std::uint16_t, 3> in{};
      for (std::size_t k = 0; k < 3; ++k) in[k] = static_cast<std::uint16_t>(base[k] * std::pow(10.0, -net) + 0.5);
      const auto out = convert(c, in);
      EXPECT_EQ(out[0], out[1]);
      EXPECT_EQ(out[1], out[2]);
      EXPECT_GE(out[1], before);
      before = out[1];
    }
    EXPECT_GT(before, 64000);  // dense silver prints white
  }
}

TEST(Converter, EveryCountGivesARisingPositive) {
  const auto stock = worked_stock();
  const Converter c(stock, worked_page(stock));
  std::uint16_t before[3] = {65535, 65535, 65535};
  for (int n = 0; n <= 65535; n += 5) {
    const auto v = static_cast<std::uint16_t>(n);
    const auto out = convert(c, {v, v, v});
    for (std::size_t i = 0; i < 3; ++i) EXPECT_LE(out[i], before[i]), before[i] = out[i];
  }
}

TEST(Trim, ActsOnThePositiveAsItsNameSays) {
  const auto grey = [](profile::Trim t) {
    auto stock = worked_stock();
    stock.trim = t;
    const Converter c(stock, worked_page(worked_stock()));
    std::array<std::uint16_t, 3> in{};
    const double base[3] = {28718, 14065, 11433};
    const double gains[3] = {1.174419, 1, 0.961905}, offsets[3] = {0.010930, 0, 0.120095};
    for (std::size_t k = 0; k < 3; ++k) in[k] = static_cast<std::uint16_t>(base[k] * std::pow(10.0, -(0.5 + offsets[k]) / gains[k]) + 0.5);
    return convert(c, in);
  };
  const auto plain = grey({});
  EXPECT_NEAR(plain[0], plain[1], 30);
  EXPECT_NEAR(plain[2], plain[1], 30);
  const auto warm = grey({50, 0, 0, 0});
  EXPECT_GT(warm[0], plain[0]);
  EXPECT_LT(warm[2], plain[2]);
  EXPECT_EQ(warm[1], plain[1]);
  EXPECT_LT(grey({0, 50, 0, 0})[1], plain[1]);
  EXPECT_GT(grey({0, -50, 0, 0})[1], plain[1]);
  const auto light = grey({0, 0, 50, 0});
  for (std::size_t k = 0; k < 3; ++k) EXPECT_GT(light[k], plain[k]);
  const TrimCurve more({0, 0, 0, 100}), none({});
  EXPECT_NEAR(more.encode(0.18, 1), none.encode(0.18, 1), 1e-9);  // mid grey is the pivot
  EXPECT_GT(more.encode(0.6, 1), none.encode(0.6, 1));
  EXPECT_LT(more.encode(0.02, 1), none.encode(0.02, 1));
  const TrimCurve lighter({0, 0, 100, 0});
  EXPECT_NEAR(srgb_decode(lighter.encode(0.18, 1)), 0.36, 1e-6);  // 100 is one stop at mid grey
  for (const profile::Trim& t : {profile::Trim{100, -100, 100, 100}, profile::Trim{-100, 100, -100, -100}}) {
    const TrimCurve curve(t);
    for (std::size_t k = 0; k < 3; ++k) {
      EXPECT_EQ(curve.encode(0, k), 0);
      EXPECT_NEAR(curve.encode(1, k), 1, 1e-7);
      double before = 0;
      for (double v = 0; v <= 1; v += 0.001) EXPECT_GE(curve.encode(v, k), before), before = curve.encode(v, k);
    }
  }
}

TEST(Converter, IsFastEnoughForASheet) {
  const auto stock = worked_stock();
  auto neutral = stock;
  neutral.process = profile::Process::bw_negative;
  std::vector<std::uint16_t> rows(3 * 4'000'000);
  for (const auto& s : {stock, neutral}) {
    for (std::size_t i = 0; i < rows.size(); ++i) rows[i] = static_cast<std::uint16_t>((i * 2654435761U) >> 13);
    const Converter c(s, worked_page(s));
    const auto start = std::chrono::steady_clock::now();
    c.rows(rows.data(), rows.data(), 4'000'000);
    const double seconds = std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count();
    const double rate = 4.0 / seconds;
    RecordProperty("megapixels_per_second", static_cast<int>(rate));
    std::printf("  %.0f megapixels a second\n", rate);
#ifdef NDEBUG
    EXPECT_GT(rate, 5);  // 30 and more on a quiet machine; a shared one is no place for a tight bound
#endif
  }
}

}  // namespace
}  // namespace lapwright::density
