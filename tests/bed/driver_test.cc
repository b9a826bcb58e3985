// The whole driver against libsane's own `test` backend, whose pictures are known to the byte: SANE
// field notes 2.2, found by comparing 612 combinations with the backend of libsane 1.2.1.
#include <gtest/gtest.h>

#include <chrono>
#include <cmath>
#include <thread>

#include "bed/bench.h"
#include "bed/test_pictures.h"

namespace lapwright::bed {
namespace {

using Options = std::map<std::string, std::string>;

struct Outcome {
  Result<Captured> result;
  Keeper keeper;
};
Outcome capture(Options options, const Rect<BedSpace>& window = window_mm(0, 0, 60, 50),
                int ppi = 300) {
  SaneFolder sane("test");
  auto bed = make_sane_bed(quick_options());
  Keeper keeper;
  std::atomic<bool> stop = false;
  auto r = bed->capture({.device = "test:0",
                         .window = window,
                         .ppi = {ppi},
                         .options = std::move(options),
                         .light = Light::any},
                        keeper, stop);
  return {std::move(r), std::move(keeper)};
}

std::int64_t differences(const Keeper& k) {
  std::int64_t wrong = 0;
  for (std::int64_t y = 0; y < k.row_count; ++y)
    for (std::int64_t x = 0; x < k.format.width; ++x)
      for (int c = 0; c < 3; ++c) wrong += k.at(x, y, c) != pattern(x, y, c);
  return wrong;
}
void expect_pattern(const Outcome& o, const std::string& what) {
  ASSERT_TRUE(o.result) << what << ": " << o.result.error().text;
  ASSERT_GT(o.keeper.row_count, 0);
  EXPECT_EQ(o.keeper.row_count, o.result->format.height) << what;
  EXPECT_EQ(differences(o.keeper), 0) << what;
}

TEST(TestBackend, ColourPatternIsExact) {
  const Outcome o = capture({{"test-picture", "Color pattern"}}, window_mm(10, 20, 60, 50), 300);
  expect_pattern(o, "pattern");
  // CALC field notes 2.2: floor(300 * 60 / 25.4) x floor(300 * 50 / 25.4).
  EXPECT_EQ(o.keeper.format.width, 708);
  EXPECT_EQ(o.keeper.row_count, 590);
}

TEST(TestBackend, GridAndSolidsAreExact) {
  const Outcome o = capture({{"test-picture", "Grid"}}, window_mm(0, 0, 60, 50), 150);
  ASSERT_TRUE(o.result) << o.result.error().text;
  for (std::int64_t y = 0; y < o.keeper.row_count; ++y)
    for (std::int64_t x = 0; x < o.keeper.format.width; ++x)
      ASSERT_EQ(o.keeper.at(x, y, 1), grid(x, y, 150)) << x << ", " << y;
  const Outcome white = capture({{"test-picture", "Solid white"}}, window_mm(0, 0, 30, 30), 150);
  ASSERT_TRUE(white.result) << white.result.error().text;
  for (std::uint16_t s : white.keeper.samples) ASSERT_EQ(s, 0xFFFF);
}

TEST(TestBackend, SwappedBytesFailTheCheck) {
  // The check above must be able to fail, and on byte order above all.
  const Outcome o = capture({{"test-picture", "Color pattern"}, {"invert-endianess", "true"}},
                            window_mm(0, 0, 40, 40), 150);
  ASSERT_TRUE(o.result) << o.result.error().text;
  EXPECT_GT(differences(o.keeper), static_cast<std::int64_t>(o.keeper.samples.size()) / 10);
}

TEST(TestBackend, ReadLimits) {
  for (const char* limit : {"1", "7", "100", "5000"})
    expect_pattern(
        capture(
            {{"test-picture", "Color pattern"}, {"read-limit", "true"}, {"read-limit-size", limit}},
            window_mm(0, 0, 40, 30), 100),
        std::string("limit ") + limit);
}

TEST(TestBackend, ThreePassInEveryOrder) {
  for (const char* order : {"RGB", "RBG", "GBR", "GRB", "BRG", "BGR"})
    expect_pattern(capture({{"test-picture", "Color pattern"},
                            {"three-pass", "true"},
                            {"three-pass-order", order}},
                           window_mm(0, 0, 60, 50), 150),
                   order);
}

TEST(TestBackend, PaddedLines) {
  for (const int loss : {1, 2, 10, 16, 128}) {
    // The padding is lost width, which the geometry check allows up to 17 pixels or 1 mm of.
    const Outcome o =
        capture({{"test-picture", "Color pattern"}, {"ppl-loss", std::to_string(loss)}},
                window_mm(0, 0, 60, 50), loss > 17 ? 1200 : 150);
    if (loss > 47) {
      ASSERT_FALSE(o.result);
      EXPECT_NE(o.result.error().text.find("width"), std::string::npos) << o.result.error().text;
    } else {
      expect_pattern(o, "loss " + std::to_string(loss));
    }
  }
}

TEST(TestBackend, UnknownHeight) {
  const Outcome o = capture({{"test-picture", "Color pattern"}, {"hand-scanner", "true"}},
                            window_mm(0, 0, 60, 50), 150);
  expect_pattern(o, "hand scanner");
  EXPECT_EQ(o.keeper.format.height, -1);
  // READ field notes 2.3: 150 dpi gives 649 pixels (3894 bytes) and exactly 1003 rows.
  EXPECT_EQ(o.keeper.format.width, 649);
  EXPECT_EQ(o.keeper.row_count, 1003);
}

TEST(TestBackend, FuzzyParametersBeforeTheStart) {
  expect_pattern(capture({{"test-picture", "Color pattern"}, {"fuzzy-parameters", "true"}}),
                 "fuzzy");
}

TEST(TestBackend, OptionsOfItsOwnDoNotDisturb) {
  // Samples of every type of option, one of which makes each value one more than asked (INEXACT),
  // and buttons that print.
  expect_pattern(capture({{"test-picture", "Color pattern"}, {"enable-test-options", "true"}}),
                 "test options");
  expect_pattern(capture({{"test-picture", "Color pattern"}, {"select-fd", "true"}}), "select-fd");
}

TEST(TestBackend, ReadsThatDoNotWaitAreExactOrRefused) {
  // READ field notes 2.3: a first read before data gives GOOD with -1 bytes, then EOF: the image is
  // lost, and must not be taken.
  for (int i = 0; i < 5; ++i) {
    const Outcome o = capture({{"test-picture", "Color pattern"}, {"non-blocking", "true"}});
    if (o.result)
      expect_pattern(o, "non-blocking");
    else
      EXPECT_EQ(static_cast<int>(o.result.error().fault), static_cast<int>(Fault::io))
          << o.result.error().text;
  }
}

TEST(TestBackend, ACancelInsideASlowReadIsObeyedAndThePassRepeatable) {
  SaneFolder sane("test");
  auto bed = make_sane_bed(quick_options());
  Request request{.device = "test:0",
                  .window = window_mm(0, 0, 60, 50),
                  .ppi = {300},
                  .options = {{"test-picture", "Color pattern"},
                              {"read-delay", "true"},
                              {"read-delay-duration", "200000"}},
                  .light = Light::any};
  std::atomic<bool> stop = false;
  Keeper part;
  std::thread stopper([&] {
    std::this_thread::sleep_for(std::chrono::milliseconds(300));
    stop = true;
  });
  const auto begun = std::chrono::steady_clock::now();
  auto cut = bed->capture(request, part, stop);
  const double seconds =
      std::chrono::duration<double>(std::chrono::steady_clock::now() - begun).count();
  stopper.join();
  ASSERT_FALSE(cut);
  EXPECT_EQ(static_cast<int>(cut.error().fault), static_cast<int>(Fault::cancelled));
  EXPECT_LT(seconds, 0.3 + quick_options().obey_seconds + 1);
  stop = false;
  request.options.erase("read-delay"), request.options.erase("read-delay-duration");
  Keeper whole;
  ASSERT_TRUE(bed->capture(request, whole, stop));
  EXPECT_EQ(differences(whole), 0);
}

TEST(TestBackend, TheFeederIsNoFilmLight) {
  // Its starts are counted per open device (every eleventh has no paper): a pass opens it anew each
  // time.
  for (int i = 0; i < 12; ++i)
    expect_pattern(
        capture({{"test-picture", "Color pattern"}, {"source", "Automatic Document Feeder"}},
                window_mm(0, 0, 20, 20), 100),
        "feeder");
}

TEST(TestBackend, SlowReads) {
  expect_pattern(capture({{"test-picture", "Color pattern"},
                          {"read-delay", "true"},
                          {"read-delay-duration", "100000"}},
                         window_mm(0, 0, 60, 50), 150),
                 "delay");
}

TEST(TestBackend, EveryFailingStatusIsOneSentence) {
  // Names as the backend lists them; faults as in SANE Standard 1.0x, "Status type".
  const std::pair<const char*, Fault> table[] = {{"SANE_STATUS_UNSUPPORTED", Fault::unavailable},
                                                 {"SANE_STATUS_CANCELLED", Fault::cancelled},
                                                 {"SANE_STATUS_DEVICE_BUSY", Fault::try_again},
                                                 {"SANE_STATUS_INVAL", Fault::unavailable},
                                                 {"SANE_STATUS_EOF", Fault::io},
                                                 {"SANE_STATUS_JAMMED", Fault::unavailable},
                                                 {"SANE_STATUS_NO_DOCS", Fault::unavailable},
                                                 {"SANE_STATUS_COVER_OPEN", Fault::try_again},
                                                 {"SANE_STATUS_IO_ERROR", Fault::io},
                                                 {"SANE_STATUS_NO_MEM", Fault::unavailable},
                                                 {"SANE_STATUS_ACCESS_DENIED", Fault::unavailable}};
  for (const auto& [name, fault] : table) {
    const Outcome o = capture({{"read-return-value", name}}, window_mm(0, 0, 30, 30), 150);
    ASSERT_FALSE(o.result) << name;
    EXPECT_EQ(static_cast<int>(o.result.error().fault), static_cast<int>(fault))
        << name << ": " << o.result.error().text;
    EXPECT_EQ(o.result.error().text.find('\n'), std::string::npos);
  }
}

TEST(TestBackend, WithoutFilmLightItIsRefusedForFilm) {
  SaneFolder sane("test");
  auto bed = make_sane_bed(quick_options());
  Keeper keeper;
  std::atomic<bool> stop = false;
  auto r = bed->capture(
      {.device = "test:0", .window = window_mm(0, 0, 30, 30), .ppi = {150}, .options = {}}, keeper,
      stop);
  ASSERT_FALSE(r);
  EXPECT_NE(r.error().text.find("no light for film"), std::string::npos) << r.error().text;
  auto named = bed->capture({.device = "test:0",
                             .window = window_mm(0, 0, 30, 30),
                             .ppi = {150},
                             .options = {{"source", "Flatbed"}}},
                            keeper, stop);
  EXPECT_TRUE(named) << named.error().text;
}

}  // namespace
}  // namespace lapwright::bed
