// Every kind of option surface is understood: the data are honest and lie where they were asked for. The surfaces follow the SANE
// field notes, section 1.1 (read in libsane 1.2.1's backends); "odd" and "lamp" ones are invented, since an unseen driver must work.
#include <gtest/gtest.h>

#include <cmath>

#include "bed/bench.h"

namespace lapwright::bed {
namespace {

struct Case {
  const char* device;
  Rect<BedSpace> window;
  int ppi;
  const char* light;
};

class Surfaces : public ::testing::TestWithParam<Case> {};

TEST_P(Surfaces, GiveHonestDataWhereAsked) {
  const Case& c = GetParam();
  SaneFolder sane("fake");
  auto bed = make_sane_bed(quick_options());
  Keeper keeper;
  std::atomic<bool> stop = false;
  auto got = bed->capture({.device = std::string("fake:") + c.device, .window = c.window, .ppi = {c.ppi}, .options = {}}, keeper, stop);
  ASSERT_TRUE(got) << got.error().text;
  EXPECT_EQ(keeper.begun, 1);
  EXPECT_EQ(keeper.row_count, got->format.height);
  const std::int64_t w = got->format.width, h = got->format.height;
  // CALC: 25.4 mm an inch; widths may fall to the device's step (8 px here) and edges by its unit.
  const double k = c.ppi / 25.4;
  EXPECT_NEAR(static_cast<double>(w), c.window.width.mm() * k, 9);
  EXPECT_NEAR(static_cast<double>(h), c.window.height.mm() * k, 2);
  ASSERT_EQ(keeper.samples.size(), static_cast<std::size_t>(w * h * 3));
  double worst = 0;
  for (std::int64_t y = 0; y < h; ++y)
    for (std::int64_t x = 0; x < w; ++x) {
      ASSERT_EQ(keeper.at(x, y, 2), 65535) << "rule " << keeper.at(x, y, 2) << " of the surface is broken";
      // The backend's units are 5 micrometres, the centre of a pixel half a pixel inside.
      const double mx = got->format.window.x.mm() + (static_cast<double>(x) + 0.5) / k, my = got->format.window.y.mm() + (static_cast<double>(y) + 0.5) / k;
      worst = std::max({worst, std::abs(keeper.at(x, y, 0) / 200.0 - mx), std::abs(keeper.at(x, y, 1) / 200.0 - my)});
    }
  EXPECT_LT(worst, 0.006);  // half a unit of 5 um and the rounding of `window` to 1 um
  EXPECT_NEAR(got->format.window.x.mm(), c.window.x.mm(), 1.0);
  EXPECT_NEAR(got->format.window.y.mm(), c.window.y.mm(), 1.0);
  EXPECT_FALSE(got->asked.empty());
  EXPECT_FALSE(got->got.empty());
}

TEST_P(Surfaces, AreDescribed) {
  const Case& c = GetParam();
  SaneFolder sane("fake");
  auto bed = make_sane_bed(quick_options());
  auto known = bed->probe(std::string("fake:") + c.device);
  ASSERT_TRUE(known) << known.error().text;
  EXPECT_EQ(known->film_source, c.light);
  ASSERT_TRUE(known->window.has_value());
  EXPECT_TRUE(known->window->grown({100}).contains(c.window));
  EXPECT_FALSE(known->resolutions.empty());
  EXPECT_EQ(known->device.vendor, "Invented");
}

INSTANTIATE_TEST_SUITE_P(
    All, Surfaces,
    ::testing::Values(Case{"list-gamma", window_mm(1.7, 3.3, 60, 80), 300, "Transparency Unit"}, Case{"table-gamma", window_mm(0, 0, 60, 40), 300, "Transparency Unit"},
                      Case{"depth-list", window_mm(1.7, 3.3, 28.5, 77.6), 300, "Transparency Adapter"}, Case{"mode-depth", window_mm(10, 20, 60, 50), 150, "Transparency Unit"},
                      Case{"tables-range", window_mm(5, 6, 60, 50), 200, "Transparency"}, Case{"three-frames", window_mm(7.5, 9.25, 50, 40), 150, "TMA"},
                      Case{"origin-range", window_mm(50, 40, 60, 50), 150, "Transparency Adapter"}, Case{"pixels-finest", window_mm(5, 6, 24, 36), 300, "film"},
                      Case{"odd-names", window_mm(12, 14, 60, 70), 300, "Transmitted"}, Case{"odd-corners", window_mm(3, 60, 70, 120), 100, "film-positive"},
                      Case{"lamp-switch", window_mm(12, 14, 60, 70), 150, "back-light"}),
    [](const auto& c) {
      std::string name = c.param.device;
      for (char& ch : name)
        if (ch == '-') ch = '_';
      return name;
    });

Result<Captured> capture(const std::string& device, const Rect<BedSpace>& window, int ppi, std::map<std::string, std::string> options = {}, bool film = true) {
  auto bed = make_sane_bed(quick_options());
  Keeper keeper;
  std::atomic<bool> stop = false;
  return bed->capture({.device = "fake:" + device, .window = window, .ppi = {ppi}, .options = options, .film = film}, keeper, stop);
}
#define EXPECT_FAULT(result, kind, words)                                       \
  do {                                                                          \
    auto r_ = (result);                                                         \
    ASSERT_FALSE(r_);                                                           \
    EXPECT_EQ(static_cast<int>(r_.error().fault), static_cast<int>(kind)) << r_.error().text; \
    EXPECT_NE(r_.error().text.find(words), std::string::npos) << r_.error().text;             \
    EXPECT_EQ(r_.error().text.find('\n'), std::string::npos);                    \
  } while (false)

TEST(Refusals, NameWhatIsWrong) {
  SaneFolder sane("fake");
  EXPECT_FAULT(capture("no-film", window_mm(0, 0, 50, 50), 300), Fault::bad_data, "no light for film");
  EXPECT_FAULT(capture("eight-bit", window_mm(0, 0, 50, 50), 300), Fault::bad_data, "8-bit only");
  EXPECT_FAULT(capture("depth-list", window_mm(0, 0, 90, 50), 300), Fault::bad_data, "br-x");
  EXPECT_FAULT(capture("depth-list", window_mm(0, 0, 50, 50), 720), Fault::bad_data, "resolution");
  EXPECT_FAULT(capture("depth-list", window_mm(0, 0, 50, 50), 300, {{"no-such", "1"}}), Fault::bad_profile, "no-such");
  EXPECT_FAULT(capture("depth-list", window_mm(0, 0, 50, 50), 300, {{"source", "Trans"}}), Fault::bad_profile, "source");
  EXPECT_FAULT(capture("depth-list", window_mm(0, 0, 50, 50), 300, {{"preview", "maybe"}}), Fault::bad_profile, "preview");
  EXPECT_FAULT(capture("depth-list", window_mm(0, 0, 50, 50), 300, {{"depth", "8"}}), Fault::bad_data, "8-bit only");
  EXPECT_FAULT(capture("depth-list", window_mm(0, 0, 50, 50), 300, {{"mode", "Gray"}}), Fault::bad_data, "gray");
  EXPECT_FAULT(capture("nothing-there", window_mm(0, 0, 50, 50), 300), Fault::unavailable, "fake:nothing-there");
}

TEST(Refusals, AHeightThatTheDeviceCutsSilentlyIsNamed) {
  SaneFolder sane("fake", "clip=40");
  EXPECT_FAULT(capture("mode-depth", window_mm(0, 0, 50, 80), 150), Fault::bad_data, "height");
}

TEST(Options, OfTheProfileWinAndReachADeviceWithoutFilmLight) {
  SaneFolder sane("fake");
  auto r = capture("no-film", window_mm(0, 0, 20, 20), 300, {{"source", "Flatbed"}});
  ASSERT_TRUE(r) << r.error().text;
  ASSERT_TRUE(capture("no-film", window_mm(0, 0, 20, 20), 300, {}, false));
  auto own = capture("list-gamma", window_mm(0, 0, 20, 20), 300, {{"brightness", "-3"}, {"source", "TPU8x10"}});
  ASSERT_TRUE(own) << own.error().text;
  const auto value = [](const auto& list, const std::string& name) {
    for (const auto& [n, v] : list)
      if (n == name) return v;
    return std::string("absent");
  };
  EXPECT_EQ(value(own->got, "brightness"), "-3");
  EXPECT_EQ(value(own->got, "source"), "TPU8x10");
  EXPECT_EQ(value(own->got, "depth"), "16");
  EXPECT_EQ(value(own->asked, "film-type"), "Positive Film");
}

TEST(Options, TheLightIsTheOneWhoseWindowHoldsThePass) {
  SaneFolder sane("fake");
  auto r = capture("list-gamma", window_mm(0, 0, 203.2, 30), 300);
  ASSERT_TRUE(r) << r.error().text;
  bool wide = false;
  for (const auto& [name, value] : r->got) wide |= name == "source" && value == "TPU8x10";
  EXPECT_TRUE(wide);
}

TEST(Notes, TellWhatWasNotUnderstood) {
  SaneFolder sane("fake");
  auto bed = make_sane_bed(quick_options());
  auto known = bed->probe("fake:odd-names");
  ASSERT_TRUE(known) << known.error().text;
  std::string all;
  for (const std::string& n : known->notes) all += n + "\n";
  EXPECT_NE(all.find("hopper = 3"), std::string::npos) << all;
  EXPECT_EQ(known->depths, (std::vector<int>{8, 16}));
  auto none = bed->probe("fake:no-film");
  ASSERT_TRUE(none) << none.error().text;
  EXPECT_TRUE(none->film_source.empty());
}

}  // namespace
}  // namespace lapwright::bed
