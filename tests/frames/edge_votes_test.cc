// Codes of whole strips: what is refused, how strips lie, and which number a frame gets.
#include "frames/edge_votes.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <ctime>

#include "frames/frames.h"
#include "support/film_scene.h"

namespace lapwright::frames {
namespace {

SeenCode seen(int film, int half, double along, double margin = 0.9, bool forward = true,
              bool clock_first = true, bool other_edge = true) {
  SeenCode c;
  c.mark.code = {film, half}, c.mark.along = along, c.mark.margin = margin;
  c.mark.forward = forward, c.mark.clock_first = clock_first, c.other_edge = other_edge;
  return c;
}
std::vector<SeenCode> strip(int film, int first, int count, double from = 10, bool forward = true,
                            bool clock_first = true) {
  std::vector<SeenCode> codes;
  for (int k = 0; k < count; ++k)
    codes.push_back(seen(film, forward ? first + k : first + count - 1 - k, from + 19 * k, 0.9,
                         forward, clock_first, clock_first));
  return codes;
}

TEST(EdgeVotes, OutliersAreRefused) {
  auto codes = strip(1271, 4, 8);
  codes[2].mark.code.half = 30;    // a number that does not fit its place
  codes[5].mark.code.film = 1462;  // another film
  codes[6].mark.forward = false;   // read the other way
  const RollEdge edge = vote({codes}, false);
  ASSERT_EQ(edge.strips.size(), 1u);
  EXPECT_EQ(edge.codes, 5);
  EXPECT_EQ(edge.refused, 3);
  EXPECT_EQ(edge.film, 1271);
  ASSERT_TRUE(edge.strips[0].numbers.has_value());
  EXPECT_NEAR(edge.strips[0].numbers->slope * 10 + edge.strips[0].numbers->offset, 4, 1e-9);
  EXPECT_TRUE(edge.cautions.empty());
}

TEST(EdgeVotes, TwoThatDisagreeAreBothRefusedAndOneAloneMustBeClear) {
  EXPECT_EQ(vote({{seen(1271, 4, 10), seen(1271, 40, 29)}}, false).codes, 0);
  EXPECT_EQ(vote({{seen(1271, 4, 10, 0.5)}}, false).codes, 0);
  EXPECT_EQ(vote({{seen(1271, 4, 10, 0.8)}}, false).codes, 1);
  EXPECT_EQ(vote({strip(1271, 2, 6), {seen(1462, 14, 10, 0.9)}}, false).codes,
            6);  // alone and of another film
  EXPECT_EQ(vote({strip(1271, 2, 6), {seen(1271, 14, 10, 0.9)}}, false).codes, 7);
}

TEST(EdgeVotes, TheFourWaysAStripCanLie) {  // trade.md 1.4, orientation rule
  for (const bool forward : {true, false})
    for (const bool above : {true, false}) {
      const RollEdge edge = vote({strip(1271, 2, 5, 10, forward, above)}, false);
      ASSERT_EQ(edge.strips.size(), 1u);
      EXPECT_EQ(edge.strips[0].turned, !above);
      EXPECT_EQ(edge.strips[0].mirrored, forward != above);
      EXPECT_EQ(edge.mirrored, forward != above);
      EXPECT_EQ(edge.cautions.size(), forward != above ? 1u : 0u);
    }
}

TEST(EdgeVotes, AStripThatLiesOtherwiseIsTold) {
  const RollEdge edge = vote({strip(1271, 2, 5), strip(1271, 12, 5, 10, false, false),
                              strip(1271, 22, 5, 10, false, true), strip(80, 32, 5)},
                             false);
  ASSERT_EQ(edge.cautions.size(), 3u);
  EXPECT_NE(edge.cautions[0].find("strip 3 lies wrong side up"), std::string::npos)
      << edge.cautions[0];
  EXPECT_NE(edge.cautions[1].find("strip 2 lies the other way round"), std::string::npos)
      << edge.cautions[1];
  EXPECT_NE(edge.cautions[2].find("strip 4 is of film 80"), std::string::npos) << edge.cautions[2];
  EXPECT_FALSE(edge.mirrored);
}

std::vector<std::string> names(const std::vector<Numbered>& frames) {
  std::vector<std::string> out;
  for (const Numbered& f : frames)
    out.push_back(f.name + (f.by_code ? "" : " by position") + (f.sure ? "" : "?"));
  return out;
}
std::vector<Numbered> frames_of(int strip, int count, double first = 19, double advance = 38) {
  std::vector<Numbered> frames;
  for (int k = 0; k < count; ++k)
    frames.push_back({strip, k, first + advance * k, "", false, true});
  return frames;
}
using Names = std::vector<std::string>;

TEST(EdgeNumbers, NearestCodeAndOneMoreEachTime) {
  auto edge = vote({strip(1271, 4, 6, 19)}, false);
  auto frames = frames_of(1, 3, 22);
  ASSERT_TRUE(number_frames(frames, edge, 38, 5));
  EXPECT_EQ(names(frames), (Names{"2", "3", "4"}));
  frames = frames_of(1, 3, 19 + 18);  // nearer to the half frames
  ASSERT_TRUE(number_frames(frames, edge, 38, 5));
  EXPECT_EQ(names(frames), (Names{"2A", "3A", "4A"}));
  frames = frames_of(
      1, 3,
      19 + 8.5);  // between the two: one of them, with a mark, and no number twice or left out
  frames[1].along += 1.5;
  ASSERT_TRUE(number_frames(frames, edge, 38, 5));
  EXPECT_EQ(names(frames), (Names{"2?", "3?", "4?"}));
}

TEST(EdgeNumbers, ATurnedStripRunsBackwards) {
  auto edge = vote({strip(1271, 4, 6, 19, false, false)}, false);
  auto frames = frames_of(1, 3, 19);
  ASSERT_TRUE(number_frames(frames, edge, 38, 3));
  EXPECT_EQ(names(frames), (Names{"4A", "3A", "2A"}));
}

TEST(EdgeNumbers, BeforeTheFirstFrame) {
  auto edge = vote({strip(1271, -4, 8, 19)}, false);
  auto frames = frames_of(1, 4, 19);
  ASSERT_TRUE(number_frames(frames, edge, 38, 4));
  EXPECT_EQ(names(frames), (Names{"S", "00", "0", "1"}));
}

TEST(EdgeNumbers, HalfFramesCountHalves) {
  auto edge = vote({strip(1271, 4, 6, 19)}, false);
  auto frames = frames_of(1, 4, 20, 19);
  ASSERT_TRUE(number_frames(frames, edge, 19, 10));
  EXPECT_EQ(names(frames), (Names{"2", "2A", "3", "3A"}));
}

TEST(EdgeNumbers, AStripWithoutCodesGoesOnFromItsNeighbour) {
  auto edge = vote({strip(1271, 2, 4, 19), {}, strip(1271, 10, 4, 19)}, false);
  auto frames = frames_of(1, 2);
  for (int s = 2; s <= 3; ++s)
    for (const Numbered& f : frames_of(s, 2)) frames.push_back(f);
  ASSERT_TRUE(number_frames(frames, edge, 38, 2));
  EXPECT_EQ(names(frames), (Names{"1", "2", "3 by position?", "4 by position?", "5", "6"}));
}

TEST(EdgeNumbers, ANumberThatComesTwiceIsToldAndNoneIsTaken) {
  auto edge = vote({strip(1271, 2, 4, 19), strip(1271, 4, 4, 19)}, false);
  auto frames = frames_of(1, 2);
  for (const Numbered& f : frames_of(2, 2)) frames.push_back(f);
  EXPECT_FALSE(number_frames(frames, edge, 38, 2));
  ASSERT_EQ(edge.cautions.size(), 1u);
  EXPECT_NE(edge.cautions[0].find("come twice (2 on strips 1 and 2)"), std::string::npos)
      << edge.cautions[0];
}

/// Two strips of three on a small page.
profile::SleeveProfile small_page(profile::Run run = profile::Run::right) {
  profile::SleeveProfile s = support::sleeve_135_7x5();
  s.name = "135-2x3", s.page = {{138000}, {92000}};
  s.strips = {2, 3, {{14000}, {10000}}, {36200}, {114000}, run};
  if (run == profile::Run::down)
    std::swap(s.page.width, s.page.height), std::swap(s.strips.first.x, s.strips.first.y);
  return s;
}

Report found(const profile::SleeveProfile& sleeve, support::SceneOptions options,
             double degrees = 0, int ppi = 300) {
  const support::Scene scene(sleeve, options);
  const double k = ppi / 25.4, co = std::cos(degrees / 57.29577951),
               si = std::sin(degrees / 57.29577951);
  const auto width = static_cast<std::int64_t>(sleeve.page.width.mm() * k),
             height = static_cast<std::int64_t>(sleeve.page.height.mm() * k);
  const auto where = [&](Spot<PassSpace> p) {
    const double x = p.x / k - 60, y = p.y / k - 45;
    return Spot<SleeveSpace>{60 + co * x + si * y + 0.02 * std::sin(p.y / k / 3.6),
                             45 - si * x + co * y + 0.02 * std::sin(p.x / k / 3.1)};
  };
  support::Faults faults;
  faults.noise = 200, faults.dust_per_cm2 = 2, faults.seed = options.seed;
  const auto picture = render(scene, where, width, height, faults);
  image::MemorySource source(picture, {ppi});
  auto report = find(source, {0, 0}, sleeve, options.process);
  EXPECT_TRUE(report.has_value());
  return report ? *report : Report{};
}

Names frame_names(const Report& report) {
  Names out;
  for (const Frame& f : report.frames)
    out.push_back(f.frame + (f.numbered_by == NumberedBy::code ? "" : " by position") +
                  (f.number_sure ? "" : "?"));
  return out;
}

support::SceneOptions coded(int first = 24) {
  support::SceneOptions o;
  o.edge_film = 1271, o.edge_first = first, o.edge_off_mm = 3, o.slid_mm = {1.2, -0.8};
  return o;
}

TEST(EdgeOnASheet, EveryCodeIsReadAndFramesGetTheirNumbers) {
  const Report report = found(small_page(), coded(), 0.6, 600);
  EXPECT_EQ(report.edge.film, 1271);
  EXPECT_EQ(report.edge.refused, 0);
  EXPECT_GE(report.edge.codes, 10);  // of six or five whole ones a strip
  EXPECT_TRUE(report.edge.cautions.empty());
  EXPECT_EQ(frame_names(report), (Names{"12", "13", "14", "15", "16", "17"}));
}

TEST(EdgeOnASheet, StripsThatRunDownThePage) {
  auto options = coded();
  const Report report = found(small_page(profile::Run::down), options, -0.4);
  EXPECT_EQ(report.edge.film, 1271);
  EXPECT_GE(report.edge.codes, 10);
  EXPECT_EQ(frame_names(report), (Names{"12", "13", "14", "15", "16", "17"}));
  EXPECT_TRUE(report.edge.mirrored);  // the scene exchanges x and y, as a mirror does
  options.mirrored_strips = {0, 1};
  EXPECT_FALSE(found(small_page(profile::Run::down), options, -0.4).edge.mirrored);
}

TEST(EdgeOnASheet, ATurnedAndAMirroredStripAreTold) {
  auto options = coded();
  options.turned_strips = {1};
  Report report = found(small_page(), options, 0.3);
  ASSERT_EQ(report.edge.cautions.size(), 1u);
  EXPECT_NE(report.edge.cautions[0].find("the other way round"), std::string::npos);
  EXPECT_EQ(frame_names(report), (Names{"12", "13", "14", "17", "16", "15"}));
  for (const Frame& f : report.frames) {  // clockwise from the top left as the picture is read
    const bool over = f.strip == 2;
    EXPECT_EQ(f.corners[0].x > f.corners[1].x, over) << f.frame;
    EXPECT_EQ(f.corners[0].y > f.corners[3].y, over) << f.frame;
    const auto area = inside(f);
    EXPECT_NEAR(area.width.mm(), 36, 0.8);
    EXPECT_NEAR(area.height.mm(), 24, 0.8);
  }
  options.turned_strips = {}, options.mirrored_strips = {0};
  report = found(small_page(), options, 0.3);
  ASSERT_EQ(report.edge.cautions.size(), 1u);
  EXPECT_NE(report.edge.cautions[0].find("strip 1 lies wrong side up"), std::string::npos);
  options.mirrored_strips = {0, 1};
  report = found(small_page(), options, 0.3);
  EXPECT_TRUE(report.edge.mirrored);
}

TEST(EdgeOnASheet, WithoutCodesNothingIsReadAndFramesAreNumberedByPosition) {
  auto options = coded();
  options.edge_film = 0;
  const Report report = found(small_page(), options, 0.3);
  EXPECT_TRUE(report.edge.strips.empty());
  EXPECT_EQ(frame_names(report)[3], "4 by position");
}

TEST(EdgeOnASheet, OneStripWithoutCodes) {
  auto options = coded();
  options.codeless_strips = {1};
  const Report report = found(small_page(), options, 0.3);
  EXPECT_EQ(frame_names(report),
            (Names{"12", "13", "14", "15 by position?", "16 by position?", "17 by position?"}));
}

/// Each pixel of a picture eight by eight times, with the time that this takes counted by itself.
class EightTimes : public image::RowSource {
 public:
  explicit EightTimes(const image::Rgb16& picture) : picture_(picture) {}
  std::int64_t width() const override { return picture_.width() * 8; }
  std::int64_t height() const override { return picture_.height() * 8; }
  Ppi ppi() const override { return {2400}; }
  Result<> read(std::int64_t first, std::int64_t rows, std::uint16_t* out) override {
    return read_block(0, width(), first, rows, out);
  }
  Result<> read_block(std::int64_t x, std::int64_t columns, std::int64_t first, std::int64_t rows,
                      std::uint16_t* out) override {
    const std::clock_t before = std::clock();
    for (std::int64_t y = first; y < first + rows; ++y)
      for (std::int64_t i = x; i < x + columns; ++i, out += 3)
        std::copy_n(picture_.row(y / 8) + i / 8 * 3, 3, out);
    seconds += static_cast<double>(std::clock() - before) / CLOCKS_PER_SEC;
    return {};
  }
  double seconds = 0;

 private:
  const image::Rgb16& picture_;
};

TEST(EdgeOnASheet, AllRebatesOfA2400PpiSheetTakeLessThanTwoSeconds) {
  const auto sleeve = support::sleeve_135_7x5();
  support::SceneOptions options;
  options.edge_film = 1271;
  const double k = 300 / 25.4;
  const auto picture = render(support::Scene(sleeve, options), {k, 0, 0, k, 0, 0}, 2551, 3295);
  EightTimes source(picture);
  const auto to_pixels = compose(core::mm_to_pixels<SleeveSpace, PassSpace>({0, 0}, source.ppi()),
                                 to_run(sleeve).inverse());
  std::size_t codes = 0;
  const std::clock_t before = std::clock();
  for (int strip = 0; strip < 7; ++strip)
    for (const bool other_edge : {false, true}) {
      StripLine line;
      line.edge = strip * sleeve.strips.pitch.mm(), line.width = sleeve.film_width().mm();
      const auto rebate = read_rebate(source, to_pixels, line, other_edge, 0, 190, false);
      ASSERT_TRUE(rebate.has_value());
      codes += read_edge_codes(*rebate).size();
    }
  const double seconds = static_cast<double>(std::clock() - before) / CLOCKS_PER_SEC -
                         source.seconds;  // of this process alone
  EXPECT_EQ(codes, 63u);                  // nine whole ones a strip
  std::printf(
      "14 rebates of a 2400 ppi sheet, %zu codes: %.2f s of processor time besides reading the "
      "rows (%.2f s)\n",
      codes, seconds, source.seconds);
#if !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
  EXPECT_LT(seconds, 2.0);
#endif
}

}  // namespace
}  // namespace lapwright::frames
