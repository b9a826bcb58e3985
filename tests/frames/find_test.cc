// Frames against scenes of known truth: intersection over union with Scene::true_frame, and what a person would call right.
#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <ctime>
#include <nlohmann/json.hpp>

#include "frames/frames.h"
#include "support/film_scene.h"
#include "support/frame_trials.h"

namespace lapwright::frames {
namespace {

using support::Faults;
using support::Scene;
using support::SceneOptions;

constexpr double degree = 3.14159265358979323846 / 180;

profile::SleeveProfile sleeve_135_6x6() {
  profile::SleeveProfile s = support::sleeve_135_7x5();
  s.name = "135-6x6", s.page = {{255000}, {280000}};
  s.strips.count = 6, s.strips.frames = 6, s.strips.first = {{20000}, {24000}};
  s.strips.pitch = {38000}, s.strips.length = {228000};
  return s;
}
profile::SleeveProfile sleeve_half_frame() {  // 18 x 24 mm, advance 19 mm: READ(S6), CALC trade.md 1.1
  profile::SleeveProfile s = support::sleeve_135_7x5();
  s.name = "135-half", s.frame = {{17200}, {24000}, {19000}}, s.strips.frames = 10, s.strips.count = 4;
  return s;
}
profile::SleeveProfile sleeve_135_down() {
  profile::SleeveProfile s = support::sleeve_135_7x5();
  s.name = "135-down", s.page = {{279000}, {216000}};
  s.strips.first = {{14000}, {18000}}, s.strips.run = profile::Run::down;
  return s;
}
profile::SleeveProfile sleeve_645() {
  profile::SleeveProfile s = support::sleeve_120_3x4();
  s.name = "120-645", s.frame = {{41500}, {56000}, {46000}}, s.strips.length = {186000};
  return s;
}

struct Trial {
  Scene scene;
  std::vector<Frame> frames;
  double seconds = 0;
  Affine<SleeveSpace, SleeveSpace> moved;  // true sleeve place to where the sheet shows it
  Trial(const profile::SleeveProfile& sleeve, const SceneOptions& options) : scene(sleeve, options) {}
};

struct Placing { double x = 0, y = 0, degrees = 0; };

Trial run(const profile::SleeveProfile& sleeve, const SceneOptions& options, Placing placing, int ppi = 150, double noise = 150) {
  Trial t(sleeve, options);
  const auto block = sleeve.block();
  const double margin = 8, k = ppi / 25.4;
  const Spot<SleeveSpace> origin{std::max(0.0, block.x.mm() - margin), std::max(0.0, block.y.mm() - margin)};
  const auto width = static_cast<std::int64_t>((block.right().mm() + margin - origin.x) * k);
  const auto height = static_cast<std::int64_t>((block.bottom().mm() + margin - origin.y) * k);
  const auto c = block.centre_mm();
  const double co = std::cos(placing.degrees * degree), si = std::sin(placing.degrees * degree);
  t.moved = {co, si, -si, co, c.x - co * c.x + si * c.y + placing.x, c.y - si * c.x - co * c.y + placing.y};
  const auto to_px = compose(core::mm_to_pixels<SleeveSpace, PassSpace>(origin, {ppi}), t.moved);
  Faults faults;
  faults.noise = noise, faults.dust_per_cm2 = 0.3, faults.seed = options.seed;
  const auto picture = render(t.scene, to_px, width, height, faults);
  image::MemorySource source(picture, {ppi});
  auto report = find(source, origin, sleeve, options.process);
  EXPECT_TRUE(report.has_value());
  if (report) t.frames = report->frames, t.seconds = report->seconds;
  return t;
}

struct Tally {
  double sum = 0, worst = 1;
  int frames = 0, clear = 0, strips = 0, right = 0;
  double seconds = 0;
};

/// Matches by strip and order; a strip's count is right when it has exactly the frames that are there.
void add(Tally& tally, const Trial& t, const SceneOptions& options) {
  const auto& s = t.scene.sleeve().strips;
  tally.seconds = std::max(tally.seconds, t.seconds);
  for (int i = 0; i < s.count; ++i) {
    std::vector<const Frame*> mine;
    for (const Frame& f : t.frames)
      if (f.strip == i + 1) mine.push_back(&f);
    const int expected = options.empty_strips.count(i) ? 0 : s.frames;
    ++tally.strips;
    if (static_cast<int>(mine.size()) == expected) {
      ++tally.right;
    } else {
      std::printf("  %s seed %u strip %d: %zu frames, %d there\n", t.scene.sleeve().name.c_str(), options.seed, i + 1, mine.size(), expected);
      continue;
    }
    for (int j = 0; j < expected; ++j) {
      const Frame& f = *mine[static_cast<std::size_t>(j)];
      EXPECT_EQ(f.frame, std::to_string(i * s.frames + j + 1));
      const auto r = t.scene.true_frame(i, j);
      std::vector<Spot<SleeveSpace>> truth;
      for (const auto& p : {Spot<SleeveSpace>{r.x.mm(), r.y.mm()}, {r.right().mm(), r.y.mm()}, {r.right().mm(), r.bottom().mm()}, {r.x.mm(), r.bottom().mm()}})
        truth.push_back(t.moved(p));
      const double value = support::overlap({f.corners.begin(), f.corners.end()}, truth);
      ++tally.frames;
      if (options.blank_frames.count(i * s.frames + j)) {
        EXPECT_LT(f.sure, 0.9) << "a blank frame is never sure";
        EXPECT_GT(value, 0.9);
        continue;
      }
      ++tally.clear, tally.sum += value;
      if (value < 0.95)
        std::printf("  %s seed %u strip %d frame %d: IoU %.3f sure %.2f\n", t.scene.sleeve().name.c_str(), options.seed, i + 1, j + 1, value, f.sure);
      tally.worst = std::min(tally.worst, value);
    }
  }
}

void check(const char* what, const Tally& t) {
  const double mean = t.clear ? t.sum / t.clear : 0, right = 100.0 * t.right / std::max(t.strips, 1);
  std::printf("%-28s clear frames %4d  IoU mean %.4f worst %.3f  strips right %.1f %%  slowest %.2f s\n", what, t.clear, mean, t.worst, right, t.seconds);
  EXPECT_GE(mean, 0.97) << what;
  EXPECT_GE(t.worst, 0.90) << what;
  EXPECT_GE(right, 99) << what;
}

SceneOptions random_options(const profile::SleeveProfile& sleeve, unsigned seed, profile::Process process) {
  SceneOptions o;
  o.seed = seed, o.process = process;
  std::uint64_t state = seed * 2654435761u + 12345;
  const auto random = [&] { return state = state * 6364136223846793005ULL + 1442695040888963407ULL, static_cast<double>(state >> 33) / 2147483648.0; };
  for (int i = 0; i < sleeve.strips.count; ++i) o.slid_mm.push_back((random() - 0.5) * 6);
  if (seed % 2) o.empty_strips.insert(static_cast<int>(random() * sleeve.strips.count));
  for (int k = 0; k < 2; ++k) o.blank_frames.insert(static_cast<int>(random() * sleeve.strips.count * sleeve.strips.frames));
  return o;
}

Placing random_placing(unsigned seed) {
  std::uint64_t state = seed * 40503u + 977;
  const auto random = [&] { return state = state * 6364136223846793005ULL + 1442695040888963407ULL, static_cast<double>(state >> 33) / 2147483648.0 - 0.5; };
  random();
  return {random() * 12, random() * 12, random() * 4};
}

void sleeves(const char* what, const profile::SleeveProfile& sleeve, profile::Process process, unsigned from, unsigned to) {
  Tally tally;
  for (unsigned seed = from; seed < to; ++seed) {
    const auto options = random_options(sleeve, seed, process);
    add(tally, run(sleeve, options, random_placing(seed)), options);
  }
  check(what, tally);
}

TEST(Find, ColourNegative7x5) { sleeves("135 7x5 colour", support::sleeve_135_7x5(), profile::Process::colour_negative, 1, 2); }
TEST(Find, BlackAndWhite7x5) { sleeves("135 7x5 b/w", support::sleeve_135_7x5(), profile::Process::bw_negative, 11, 12); }
TEST(Find, Slide7x5) { sleeves("135 7x5 slide", support::sleeve_135_7x5(), profile::Process::slide, 21, 22); }
TEST(Find, ColourNegative6x6) { sleeves("135 6x6 colour", sleeve_135_6x6(), profile::Process::colour_negative, 31, 32); }
TEST(Find, StripsThatRunDown) { sleeves("135 down colour", sleeve_135_down(), profile::Process::colour_negative, 41, 42); }
TEST(Find, HalfFrame) { sleeves("135 half frame", sleeve_half_frame(), profile::Process::colour_negative, 51, 52); }
TEST(Find, SixBySix) { sleeves("120 6x6", support::sleeve_120_3x4(), profile::Process::colour_negative, 61, 62); }
TEST(Find, SixByFourAndAHalf) { sleeves("120 6x4.5", sleeve_645(), profile::Process::bw_negative, 72, 73); }

/// Pictures of any kind that cost little to draw: a sky, a land, some figures, each of its own light.
std::array<float, 3> quick_picture(int index, double u, double v) {
  const double a = 0.37 * index, horizon = 0.35 + 0.2 * std::sin(a), level = 0.25 + 0.2 * std::sin(1.7 * a);
  double light = v < horizon ? 0.6 - 0.3 * v : 0.06 + 0.05 * std::sin(40 * u + 9 * v + a) * std::sin(31 * v - 12 * u);
  for (int k = 0; k < 3; ++k) {
    const double x = (u - 0.5 - 0.4 * std::sin(a + 2 * k)) / 0.09, y = (v - horizon - 0.1) / 0.22;
    if (x * x + y * y < 1) light = 0.02 + 0.3 * k * (0.6 + 0.4 * std::sin(60 * u + k));
  }
  light *= level * 2;
  return {static_cast<float>(1.1 * light), static_cast<float>(light), static_cast<float>(0.9 * light)};
}

void pages(const std::string& kind, unsigned from, unsigned to) {
  support::FrameTally tally;
  for (unsigned seed = from; seed < to; ++seed) {
    const auto trial = support::frame_trial(kind, seed, quick_picture);
    const auto picture = trial.picture();
    image::MemorySource source(picture, {trial.ppi});
    const auto report = find(source, trial.origin, trial.sleeve, trial.options.process);
    ASSERT_TRUE(report.has_value());
    std::vector<support::FoundFrame> found;
    for (const Frame& f : report->frames) found.push_back({f.strip, f.corners, f.sure});
    tally.add(support::judged(trial, found, [](const std::string& line) { std::printf("  %s\n", line.c_str()); }));
  }
  std::printf("%-18s clear %d IoU mean %.4f worst %.3f  doubtful %d\n", kind.c_str(), tally.clear, tally.mean(), tally.iou_worst, tally.doubtful);
  EXPECT_GE(tally.mean(), 0.97) << kind;
  EXPECT_GE(tally.iou_worst, 0.90) << kind;
  EXPECT_EQ(tally.strips_right, tally.strips) << kind;
  EXPECT_EQ(tally.doubtful_marked, tally.doubtful) << kind;
  EXPECT_EQ(tally.sure_right, tally.sure) << kind;
  EXPECT_EQ(tally.nowhere, 0) << kind;
}

TEST(FindPages, Overlapping) { pages("overlapping", 1, 3); }
TEST(FindPages, HalfWound) { pages("half-wound", 4, 5); }
TEST(FindPages, CutInto) { pages("cut into", 5, 6); }
TEST(FindPages, Blank) { pages("blank", 7, 8); }
TEST(FindPages, VeryThin) { pages("very thin", 9, 10); }
TEST(FindPages, EmptyAndShort) { pages("empty and short", 10, 11); }
TEST(FindPages, TurnedAndReversed) { pages("turned, reversed", 11, 12); }
TEST(FindPages, Night) { pages("night", 12, 13); }
TEST(FindPages, LooseAndTilted) { pages("loose strips", 13, 14); }
TEST(FindPages, Panoramic) { pages("135 panoramic", 14, 15); }
TEST(FindPages, SixByNine) { pages("120 6x9", 15, 16); }
TEST(FindPages, Overlapping120) { pages("120 overlapping", 16, 17); }
TEST(FindPages, SheetFilm) { pages("sheet film", 17, 18); }
TEST(FindPages, MountedSlides) { pages("mounted slides", 18, 19); }

TEST(Find, WhereASheetIsMissingTheNextKeepsItsNumber) {
  auto trial = support::frame_trial("sheet film", 19, quick_picture);
  trial.options.missing_frames = {0}, trial.options.empty_strips.clear();
  trial.scene = Scene(trial.scene.sleeve(), trial.options);
  const auto picture = trial.picture();
  image::MemorySource source(picture, {trial.ppi});
  const auto report = find(source, trial.origin, trial.sleeve, trial.options.process);
  ASSERT_TRUE(report.has_value());
  std::vector<std::string> names;
  for (const Frame& f : report->frames) names.push_back(f.frame);
  EXPECT_EQ(names, (std::vector<std::string>{"2", "3", "4"}));
}

TEST(Find, AnEmptySleeveHoldsNoFrames) {
  const auto sleeve = support::sleeve_135_7x5();
  SceneOptions o;
  for (int i = 0; i < 7; ++i) o.empty_strips.insert(i);
  EXPECT_TRUE(run(sleeve, o, {}).frames.empty());
}

/// Each pixel of a picture four by four times: a 600 ppi sheet for the price of a 150 ppi one.
class FourTimes : public image::RowSource {
 public:
  explicit FourTimes(const image::Rgb16& picture) : picture_(picture) {}
  std::int64_t width() const override { return picture_.width() * 4; }
  std::int64_t height() const override { return picture_.height() * 4; }
  Ppi ppi() const override { return {600}; }
  Result<> read(std::int64_t first, std::int64_t rows, std::uint16_t* out) override {
    for (std::int64_t y = first; y < first + rows; ++y)
      for (std::int64_t x = 0; x < width(); ++x, out += 3) std::copy_n(picture_.row(y / 4) + x / 4 * 3, 3, out);
    return {};
  }

 private:
  const image::Rgb16& picture_;
};

TEST(Find, ASheetOf600PpiTakesLessThanTwoSeconds) {
  const auto sleeve = support::sleeve_135_7x5();
  const double k = 150 / 25.4;
  const auto picture = render(Scene(sleeve), {k, 0, 0, k, 0, 0}, 1276, 1648);
  FourTimes source(picture);
  const std::clock_t before = std::clock();
  const auto report = find(source, {0, 0}, sleeve, profile::Process::colour_negative);
  const double seconds = static_cast<double>(std::clock() - before) / CLOCKS_PER_SEC;  // of this process, whoever else computes
  ASSERT_TRUE(report.has_value());
  EXPECT_EQ(report->frames.size(), 35u);
  std::printf("600 ppi sheet: %.2f s of processor time, reading included\n", seconds);
#if !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
  EXPECT_LT(seconds, 2.0);  // of the program itself, not of a sanitizer
#endif
}

TEST(Find, ShortStripsAndCutFramesAreToldForWhatTheyAre) {
  const auto sleeve = support::sleeve_135_7x5();
  const Scene scene(sleeve);
  const double k = 150 / 25.4;
  const auto where = [&](Spot<PassSpace> p) {
    const Spot<SleeveSpace> mm{p.x / k, p.y / k}, clear{5, 5};
    const int strip = static_cast<int>(std::floor((mm.y - 14) / 36.2));
    if (strip == 1 && mm.x > 18 + 3 * 38) return clear;  // three frames only
    if (strip == 3 && mm.x < 18 + 13) return clear;      // cut a third into its first frame
    return mm;
  };
  const auto picture = render(scene, where, 1276, 1648);
  image::MemorySource source(picture, {150});
  const auto report = find(source, {0, 0}, sleeve, profile::Process::colour_negative);
  ASSERT_TRUE(report.has_value());
  std::vector<std::string> second, fourth;
  for (const Frame& f : report->frames) {
    if (f.strip == 2) second.push_back(f.frame);
    if (f.strip == 4) fourth.push_back(f.frame);
    if (f.frame == "16") {
      EXPECT_LT(f.sure, 0.9);
    }
  }
  EXPECT_EQ(second, (std::vector<std::string>{"6", "7", "8"}));
  EXPECT_EQ(fourth, (std::vector<std::string>{"16", "17", "18", "19", "20"}));
  EXPECT_EQ(report->frames.size(), 33u);
}

TEST(FramesJson, GoesThereAndBack) {
  Frame f;
  f.frame = "12A", f.strip = 3, f.sure = 0.98, f.numbered_by = NumberedBy::person, f.corrected = true;
  f.corners = {Spot<SleeveSpace>{1.5, 2}, {37.5, 2}, {37.5, 26}, {1.5, 26}};
  const auto back = from_json(to_json({f}), "frames.json");
  ASSERT_TRUE(back.has_value());
  ASSERT_EQ(back->size(), 1u);
  EXPECT_EQ((*back)[0].frame, "12A");
  EXPECT_EQ((*back)[0].strip, 3);
  EXPECT_EQ((*back)[0].numbered_by, NumberedBy::person);
  EXPECT_TRUE((*back)[0].corrected);
  EXPECT_DOUBLE_EQ((*back)[0].corners[2].y, 26);
  EXPECT_TRUE((*back)[0].number_sure);
  f.number_sure = false;
  EXPECT_FALSE((*from_json(to_json({f}), "frames.json"))[0].number_sure);
}

TEST(FramesJson, ComplaintsNameThePlace) {
  for (const auto& [text, place] : {std::pair{R"({"frames": 3})", "frames:"},
                                    {R"({"frames": [{"frame": 7}]})", "frames[0].frame"},
                                    {R"({"frames": [{"frame": "7", "strip": 0}]})", "frames[0].strip"},
                                    {R"({"frames": [{"frame": "7", "strip": 1, "corners": [[1, 2]]}]})", "frames[0].corners"},
                                    {R"({"frames": [{"frame": "7", "strip": 1, "corners": [[1,2],[1,2],[1,2],[1,"x"]]}]})", "corners[3]"}}) {
    const auto json = core::parse_json(text, "frames.json");
    ASSERT_TRUE(json.has_value());
    const auto r = from_json(*json, "frames.json");
    ASSERT_FALSE(r.has_value()) << text;
    EXPECT_EQ(r.error().fault, Fault::bad_data);
    EXPECT_NE(r.error().text.find(place), std::string::npos) << r.error().text;
  }
}

}  // namespace
}  // namespace lapwright::frames
