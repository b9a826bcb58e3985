// Every kind of option surface is understood: what is set is what the table says, the data are
// honest and lie where they were asked for. The surfaces follow the SANE field notes, section 1.1
// (read in libsane 1.2.1's backends), and what is set the recipe of section 1.2; "odd" and "lamp"
// ones are invented, since an unseen driver must work.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <ostream>

#include "bed/bench.h"

namespace lapwright::bed {
namespace {

using ::testing::Contains;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;

struct Case {
  const char* device;
  Rect<BedSpace> window;
  int ppi;
  const char* light;
  const char* set;   // all that is set for film, in order
  const char* lack;  // in words; empty: nothing is missing
};
void PrintTo(const Case& c, std::ostream* out) { *out << c.device; }

const Case cases[] = {
    {"list-gamma", window_mm(1.7, 3.3, 60, 80), 300, "Transparency Unit",
     "source=Transparency Unit, film-type=Positive Film, mode=Color, depth=16, "
     "gamma-correction=User defined (Gamma=1.0), color-correction=None, "
     "brightness=0, sharpness=0, mirror=false, preview=false, wait-for-button=false",
     ""},
    {"table-gamma", window_mm(0, 0, 60, 40), 300, "Transparency Unit",
     "source=Transparency Unit, film-type=Positive Film, mode=Color, depth=16, "
     "gamma-correction=User defined, color-correction=None, "
     "brightness=0, sharpness=0, mirror=false, preview=false, wait-for-button=false, "
     "red-gamma-table=identity, green-gamma-table=identity, "
     "blue-gamma-table=identity",
     ""},
    {"depth-list", window_mm(1.7, 3.3, 28.5, 77.6), 300, "Transparency Adapter",
     "source=Transparency Adapter, mode=Color, depth=16, preview=false, custom-gamma=false", ""},
    {"mode-depth", window_mm(10, 20, 60, 50), 150, "Transparency Unit",
     "source=Transparency Unit, mode=48 bits color, button-controlled=false, custom-gamma=false",
     ""},
    {"deep-light", window_mm(10, 20, 60, 50), 300, "Transparency Unit",
     "source=Transparency Unit, mode=Color, button-controlled=false, custom-gamma=false", ""},
    {"film-unit", window_mm(1.5, 3, 30, 50), 300, "Transparency Adapter",
     "source=Transparency Adapter, mode=Color, depth=16, preview=false, custom-gamma=false, "
     "swdespeck=false",
     ""},
    {"tables-range", window_mm(5, 6, 60, 50), 200, "Transparency",
     "source=Transparency, mode=16bit Color, brightness=0, contrast=0, infra-red=false, "
     "red-gamma-table=identity, green-gamma-table=identity, blue-gamma-table=identity",
     ""},
    {"film-sources", window_mm(1, 2, 41, 41), 300, "Transparency",
     "source=Transparency, mode=Color, depth=14, brightness=0, contrast=0, preview=false, "
     "custom-gamma=false",
     "14 bits are the most"},
    {"three-frames", window_mm(7.5, 9.25, 50, 40), 150, "TMA",
     "source=TMA, mode=Color, depth=16, gamma-correction=None, auto-adjust=false, preview=false",
     ""},
    {"origin-range", window_mm(50, 40, 60, 50), 150, "Transparency Adapter",
     "source=Transparency Adapter, mode=Color, depth=16, negative=false, custom-gamma=false, "
     "analog-gamma=1, shadow=0, highlight=100",
     ""},
    {"origin-frames", window_mm(50, 40, 60, 50), 150, "Transparency Adapter",
     "source=Transparency Adapter, mode=Color, depth=16, negative=false, custom-gamma=false, "
     "analog-gamma=1, shadow=0, highlight=100",
     ""},
    {"pixels-finest", window_mm(5, 6, 24, 36), 300, "film", "depth=16, negative=false, ae=false",
     ""},
    {"slide-source", window_mm(5, 6, 60, 50), 300, "Slide", "source=Slide, mode=Color, depth=16",
     ""},
    {"positive-source", window_mm(5, 6, 60, 50), 300, "Positive",
     "source=Positive, mode=Color, depth=16", ""},
    {"tma-slides", window_mm(5, 6, 60, 50), 300, "TMA Slides",
     "source=TMA Slides, mode=Color, depth=16", ""},
    {"negative-only", window_mm(5, 6, 60, 50), 300, "TMA Negatives",
     "source=TMA Negatives, mode=Color, depth=16", "a light that does not invert"},
    {"xpa-light", window_mm(5, 6, 60, 50), 300, "XPA", "source=XPA, mode=Color, depth=16", ""},
    {"plural-film", window_mm(5, 6, 60, 50), 300, "TPU",
     "source=TPU, type-of-film=Slides, mode=Color, depth=16", ""},
    {"quiet-rounding", window_mm(5.1, 6.3, 60, 50), 300, "Transparency Adapter",
     "source=Transparency Adapter, mode=Color, depth=16", ""},
    {"odd-names", window_mm(12, 14, 60, 70), 300, "Transmitted",
     "light=Transmitted, film=colour slide, image-type=Colour, bit-depth=16 bit, "
     "tone-curve=linear, auto-colour=false, color-restoration=off, unsharp-mask=0, saturation=0, "
     "dust-removal=false, flip-horizontal=false",
     ""},
    {"odd-corners", window_mm(3, 60, 70, 120), 100, "film-positive",
     "media-type=film-positive, colour-mode=rgb, bits=48, gamma=1, linear-output=true, "
     "auto-exposure=false, digital-sharpening=disabled",
     ""},
    {"lamp-switch", window_mm(12, 14, 60, 70), 150, "back-light",
     "back-light=true, mode=Color, sample-depth=16", ""},
};

std::string joined(const std::vector<std::string>& all) {
  std::string text;
  for (const std::string& t : all) text += t + "\n";
  return text;
}

class Surfaces : public ::testing::TestWithParam<Case> {};

TEST_P(Surfaces, GiveHonestDataWhereAsked) {
  const Case& c = GetParam();
  SaneFolder sane("fake");
  auto bed = make_sane_bed(quick_options());
  Keeper keeper;
  std::atomic<bool> stop = false;
  auto got = bed->capture({.device = std::string("fake:") + c.device,
                           .window = c.window,
                           .ppi = {c.ppi},
                           .options = {}},
                          keeper, stop);
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
      ASSERT_EQ(keeper.at(x, y, 2), 65535)
          << "rule " << keeper.at(x, y, 2) << " of the surface is broken";
      // The backend's units are 5 micrometres, the centre of a pixel half a pixel inside.
      const double mx = got->format.window.x.mm() + (static_cast<double>(x) + 0.5) / k,
                   my = got->format.window.y.mm() + (static_cast<double>(y) + 0.5) / k;
      worst = std::max({worst, std::abs(keeper.at(x, y, 0) / 200.0 - mx),
                        std::abs(keeper.at(x, y, 1) / 200.0 - my)});
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
  std::string set;
  for (const Setting& s : known->settings) {
    set += (set.empty() ? "" : ", ") + s.option + "=" + s.value;
    EXPECT_TRUE(s.kept) << s.option;
    EXPECT_NE(s.why, "") << s.option;
  }
  EXPECT_EQ(set, c.set);
  if (*c.lack) {
    EXPECT_THAT(joined(known->lacks), HasSubstr(c.lack));
    EXPECT_EQ(known->lacks.size(), 1U) << joined(known->lacks);
  } else {
    EXPECT_THAT(known->lacks, IsEmpty()) << joined(known->lacks);
  }
  EXPECT_FALSE(known->options.empty());
}

INSTANTIATE_TEST_SUITE_P(All, Surfaces, ::testing::ValuesIn(cases), [](const auto& c) {
  std::string name = c.param.device;
  for (char& ch : name)
    if (ch == '-') ch = '_';
  return name;
});

Result<Captured> capture(const std::string& device, const Rect<BedSpace>& window, int ppi,
                         std::map<std::string, std::string> options = {},
                         Light light = Light::film) {
  auto bed = make_sane_bed(quick_options());
  Keeper keeper;
  std::atomic<bool> stop = false;
  return bed->capture({.device = "fake:" + device,
                       .window = window,
                       .ppi = {ppi},
                       .options = options,
                       .light = light},
                      keeper, stop);
}
Capability probe(const std::string& device) {
  auto known = make_sane_bed(quick_options())->probe("fake:" + device);
  EXPECT_TRUE(known) << known.error().text;
  return known ? *known : Capability{};
}
#define EXPECT_FAULT(result, kind, words)                                                     \
  do {                                                                                        \
    auto r_ = (result);                                                                       \
    ASSERT_FALSE(r_);                                                                         \
    EXPECT_EQ(static_cast<int>(r_.error().fault), static_cast<int>(kind)) << r_.error().text; \
    EXPECT_NE(r_.error().text.find(words), std::string::npos) << r_.error().text;             \
    EXPECT_EQ(r_.error().text.find('\n'), std::string::npos);                                 \
  } while (false)

TEST(Refusals, NameWhatIsWrong) {
  SaneFolder sane("fake");
  EXPECT_FAULT(capture("no-film", window_mm(0, 0, 50, 50), 300), Fault::bad_data,
               "no light for film");
  EXPECT_FAULT(capture("feeder", window_mm(0, 0, 50, 50), 300), Fault::bad_data,
               "no light for film");
  EXPECT_FAULT(capture("unlit", window_mm(0, 0, 50, 50), 300), Fault::bad_data,
               "attach its film unit");
  EXPECT_FAULT(capture("eight-bit", window_mm(0, 0, 50, 50), 300), Fault::bad_data, "8-bit only");
  EXPECT_FAULT(capture("depth-list", window_mm(0, 0, 90, 50), 300), Fault::bad_data, "br-x");
  EXPECT_FAULT(capture("depth-list", window_mm(0, 0, 50, 50), 720), Fault::bad_data, "resolution");
  // Offered, but in the carriage's direction only: the picture would be squeezed.
  EXPECT_FAULT(capture("film-unit", window_mm(0, 0, 20, 4), 9600), Fault::bad_data, "width");
  EXPECT_FAULT(capture("film-sources", window_mm(0, 0, 20, 20), 100), Fault::bad_data,
               "150 to 2400");
  EXPECT_FAULT(capture("quiet-rounding", window_mm(0, 0, 50, 50), 500), Fault::bad_data,
               "the device made it 480");
  EXPECT_FAULT(capture("quiet-rounding", window_mm(0, 0, 50, 50), 300, {{"source", "Trans"}}),
               Fault::bad_profile, "source");
  EXPECT_FAULT(capture("depth-list", window_mm(0, 0, 50, 50), 300, {{"no-such", "1"}}),
               Fault::bad_profile, "no-such");
  EXPECT_FAULT(capture("depth-list", window_mm(0, 0, 50, 50), 300, {{"source", "Trans"}}),
               Fault::bad_profile, "source");
  EXPECT_FAULT(capture("depth-list", window_mm(0, 0, 50, 50), 300, {{"preview", "maybe"}}),
               Fault::bad_profile, "preview");
  EXPECT_FAULT(capture("depth-list", window_mm(0, 0, 50, 50), 300, {{"depth", "8"}}),
               Fault::bad_data, "8-bit only");
  EXPECT_FAULT(capture("depth-list", window_mm(0, 0, 50, 50), 300, {{"mode", "Gray"}}),
               Fault::bad_data, "gray");
  EXPECT_FAULT(capture("nothing-there", window_mm(0, 0, 50, 50), 300), Fault::unavailable,
               "fake:nothing-there");
}

TEST(Refusals, AHeightThatTheDeviceCutsSilentlyIsNamed) {
  SaneFolder sane("fake", "clip=40");
  EXPECT_FAULT(capture("mode-depth", window_mm(0, 0, 50, 80), 150), Fault::bad_data, "height");
}

TEST(Lacks, AreToldByAProbeThatFailsForNone) {
  SaneFolder sane("fake");
  const Capability feeder = probe("feeder");
  EXPECT_TRUE(feeder.film_source.empty());
  EXPECT_THAT(
      feeder.lacks,
      Contains(HasSubstr("a light for film: its sources are Flatbed, ADF Front, ADF Duplex")));
  EXPECT_THAT(feeder.lacks, Contains(HasSubstr("8 bits a sample only")));
  EXPECT_THAT(feeder.lacks, Contains(HasSubstr("sharpness-level: has no value that leaves the data "
                                               "alone (medium, high); it stands at medium")));
  EXPECT_THAT(feeder.lacks, Contains(HasSubstr("gamma: is fixed at 1.8 by the driver")));
  EXPECT_EQ(feeder.lacks.size(), 4U) << joined(feeder.lacks);
  EXPECT_THAT(probe("unlit").lacks, Contains(HasSubstr("attach its film unit")));
  EXPECT_THAT(probe("eight-bit").lacks, Contains(HasSubstr("8 bits a sample only")));
  EXPECT_THAT(probe("twelve-bit").lacks, Contains(HasSubstr("12 bits are the most")));
  EXPECT_THAT(probe("no-film").lacks, Contains(HasSubstr("a light for film")));
}

TEST(Options, OfTheProfileWinAndReachADeviceWithoutFilmLight) {
  SaneFolder sane("fake");
  auto r = capture("no-film", window_mm(0, 0, 20, 20), 300, {{"source", "Flatbed"}});
  ASSERT_TRUE(r) << r.error().text;
  ASSERT_TRUE(capture("no-film", window_mm(0, 0, 20, 20), 300, {}, Light::any));
  auto own = capture("list-gamma", window_mm(0, 0, 20, 20), 300,
                     {{"brightness", "-3"}, {"source", "TPU8x10"}});
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

// A source, a mode or a switch (the SANE field notes, section 1.1, column "infrared").
TEST(Infrared, IsAskedForTheWayTheDeviceHasIt) {
  SaneFolder sane("fake");
  const auto value = [](const auto& list, const std::string& name) {
    for (const auto& [n, v] : list)
      if (n == name) return v;
    return std::string("absent");
  };
  struct Way {
    const char *device, *told, *option, *value;
    bool gray;
  };
  for (const Way& w : {Way{"depth-list", "source = Transparency Adapter Infrared", "source",
                           "Transparency Adapter Infrared", false},
                       Way{"deep-light", "mode = Infrared", "mode", "Infrared", true},
                       Way{"tables-range", "infra-red", "infra-red", "true", false}}) {
    EXPECT_EQ(probe(w.device).infrared, w.told);
    auto bed = make_sane_bed(quick_options());
    Keeper keeper;
    std::atomic<bool> stop = false;
    auto r = bed->capture({.device = std::string("fake:") + w.device,
                           .window = window_mm(5, 6, 20, 10),
                           .ppi = {300},
                           .options = {},
                           .light = Light::infrared},
                          keeper, stop);
    ASSERT_TRUE(r) << w.device << ": " << r.error().text;
    EXPECT_EQ(value(r->got, w.option), w.value);
    EXPECT_EQ(keeper.row_count, r->format.height);
    EXPECT_NEAR(static_cast<double>(r->format.height), 10 / 25.4 * 300, 5);
    bool colored = false;
    for (std::size_t i = 0; i + 2 < keeper.samples.size(); i += 3)
      colored |=
          keeper.samples[i] != keeper.samples[i + 1] || keeper.samples[i] != keeper.samples[i + 2];
    EXPECT_EQ(colored, !w.gray) << w.device;
    // And never where it is not asked for.
    auto visible = capture(w.device, window_mm(5, 6, 20, 10), 300);
    ASSERT_TRUE(visible) << visible.error().text;
    EXPECT_NE(value(visible->got, w.option), w.value);
  }
  EXPECT_EQ(probe("mode-depth").infrared, "");
  EXPECT_FAULT(capture("mode-depth", window_mm(0, 0, 20, 20), 300, {}, Light::infrared),
               Fault::bad_data, "no infrared");
}

TEST(Options, TheLightIsTheOneWhoseWindowHoldsThePass) {
  SaneFolder sane("fake");
  auto r = capture("list-gamma", window_mm(0, 0, 203.2, 30), 300);
  ASSERT_TRUE(r) << r.error().text;
  bool wide = false;
  for (const auto& [name, value] : r->got) wide |= name == "source" && value == "TPU8x10";
  EXPECT_TRUE(wide);
}

TEST(Probe, ShowsTheDeviceAsItsDriverDoes) {
  SaneFolder sane("fake");
  const Capability known = probe("odd-names");
  EXPECT_THAT(joined(known.notes), HasSubstr("hopper = 3"));
  EXPECT_EQ(known.depths, (std::vector<int>{8, 16}));
  bool found = false;
  for (const Seen& o : known.options)
    if (o.option == "tone-curve") {
      found = true;
      EXPECT_EQ(o.value, "linear");
      EXPECT_EQ(o.takes, "s-shaped, linear, gamma 2.2");
      EXPECT_EQ(o.kind, "text");
    }
  EXPECT_TRUE(found);
  for (const Setting& s : known.settings)
    if (s.option == "tone-curve") {
      EXPECT_EQ(s.was, "s-shaped");
      EXPECT_THAT(s.why, HasSubstr("linear"));
    }
}

}  // namespace
}  // namespace lapwright::bed
