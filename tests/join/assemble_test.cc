// From a plan and rendered passes of known truth to the sheet's file: the way that station and command share.
#include "join/assemble.h"

#include <gtest/gtest.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <numbers>
#include <set>

#include "core/files.h"
#include "support/film_scene.h"

namespace lapwright::join {
namespace {

namespace fs = std::filesystem;

constexpr Ppi ppi{150};
const std::atomic<bool> never{false}, at_once{true};

/// Two strips of five on a page of their own, and a bed with a narrow window past which the sleeve may hang on both sides.
profile::SleeveProfile sleeve() {
  auto s = support::sleeve_135_7x5();
  s.page.height = {100000};
  s.strips.count = 2;
  return s;
}
profile::BedProfile narrow_bed() {
  profile::BedProfile b;
  b.name = "narrow";
  b.window = {{0}, {0}, {85000}, {85000}};
  b.overhang = {{300000}, {300000}, {300000}, {300000}};
  b.ppi = {ppi};
  return b;
}

/// Everything that a hand did: the plan, and each pass as it was captured.
struct Desk {
  plan::Plan plan;
  std::vector<Affine<SleeveSpace, PassSpace>> truth;
  std::vector<image::Rgb16> pictures;
  std::vector<image::MemorySource> sources;
  std::vector<image::RowSource*> pointers() {
    std::vector<image::RowSource*> all;
    for (auto& s : sources) all.push_back(&s);
    return all;
  }
};

/// Pass 1 lies as planned, each next one off by a hand's error; `mirrored` is turned over. Blank passes are not drawn.
Desk captured(int mirrored = 0, bool blank = false) {
  static const support::Scene scene(sleeve());
  Desk d;
  const auto plan = plan::make_plan(sleeve(), narrow_bed(), ppi);
  EXPECT_TRUE(plan) << plan.error().text;
  if (!plan) return d;
  d.plan = *plan;
  for (const plan::Pass& p : d.plan.passes) {
    const auto planned = p.sleeve_to_pass(ppi);
    const double n = p.number - 1, t = 0.25 * n * std::numbers::pi / 180;
    const double w = static_cast<double>(p.width.value), h = static_cast<double>(p.height.value), cx = w / 2, cy = h / 2;
    const double side = p.number == mirrored ? -1 : 1;
    Affine<PassSpace, PassSpace> hand{side * std::cos(t), side * std::sin(t), -std::sin(t), std::cos(t), 0, 0};
    hand.e = cx - hand.a * cx - hand.c * cy + 5.3 * n, hand.f = cy - hand.b * cx - hand.d * cy - 3.7 * n;
    d.truth.push_back(core::compose(hand, planned));
    d.pictures.push_back(blank ? image::Rgb16(p.width.value, p.height.value)
                               : support::render(scene, d.truth.back(), p.width.value, p.height.value,
                                                 {.noise = 60, .dust_per_cm2 = 0.2, .seed = static_cast<unsigned>(p.number)}));
  }
  for (const auto& p : d.pictures) d.sources.emplace_back(p, ppi);
  return d;
}

fs::path scratch() {
  const fs::path folder = fs::temp_directory_path() / ("assemble-test-" + std::to_string(::getpid()));
  fs::create_directories(folder);
  return folder;
}

TEST(Assemble, PassesLaidByHandBecomeTheSheetThatTheSceneHas) {
  Desk d = captured();
  ASSERT_GE(d.plan.passes.size(), 3U);
  const auto made = assemble(d.plan, sleeve(), d.pointers());
  ASSERT_TRUE(made) << made.error().text;
  ASSERT_FALSE(made->refused) << made->refused->why;
  EXPECT_EQ(made->laps.size(), d.plan.laps.size());
  ASSERT_EQ(made->placed.pieces.size(), d.plan.passes.size());
  for (std::size_t i = 0; i < d.truth.size(); ++i) {
    const Piece& piece = made->placed.pieces[i];
    EXPECT_EQ(piece.number, static_cast<int>(i) + 1);
    const auto& c = d.plan.passes[i].covers;
    double sum = 0, n = 0;
    for (int k = 0; k < 25; ++k) {
      const Spot<SleeveSpace> s{c.x.mm() + c.width.mm() * (k % 5) / 4, c.y.mm() + c.height.mm() * (k / 5) / 4};
      const auto found = piece.placement(s), truth = d.truth[i](s);
      sum += (found.x - truth.x) * (found.x - truth.x) + (found.y - truth.y) * (found.y - truth.y), n += 2;
    }
    // Each lap is to be true to 0.3 px inside; here it is carried over the whole pass, from pass to pass.
    EXPECT_LT(std::sqrt(sum / n), 0.5 * static_cast<double>(std::max<std::size_t>(i, 1))) << "pass " << i + 1;
  }

  const auto g = SheetGeometry::of(sheet_area(d.plan), ppi);
  const fs::path file = scratch() / "sheet.tif";
  const auto sheet = write_sheet(file, made->placed.pieces, d.plan.laps, g, {.roll = "r", .page = "sheet", .make = {}, .model = {}, .date_time = {}, .note = {}}, never);
  ASSERT_TRUE(sheet) << sheet.error().text;
  const auto back = raw::Reader::open(file);
  ASSERT_TRUE(back);
  EXPECT_EQ((*back)->width(), g.width);
  EXPECT_EQ((*back)->height(), g.height);
  image::Rgb16 picture(g.width, g.height);
  ASSERT_TRUE((*back)->read(0, g.height, picture.row(0)));
  const auto sheet_to_sleeve = g.sleeve_to_sheet().inverse();
  const support::Scene scene(sleeve());
  const auto truth = support::render(scene, [&](Spot<PassSpace> p) { return sheet_to_sleeve({p.x, p.y}); }, g.width, g.height);
  // Means of 4 x 4 pixels: finer than that, renders of other pixel grids differ by their aliasing alone.
  std::vector<double> off;
  for (std::int64_t y = 0; y + 4 <= g.height; y += 4)
    for (std::int64_t x = 0; x + 4 <= g.width; x += 4) {
      double sum = 0;
      for (int k = 0; k < 16; ++k) sum += picture.row(y + k / 4)[(x + k % 4) * 3 + 1] - static_cast<double>(truth.row(y + k / 4)[(x + k % 4) * 3 + 1]);
      off.push_back(std::abs(sum) / 16 / 600);
    }
  std::sort(off.begin(), off.end());
  RecordProperty("median_percent", std::to_string(off[off.size() / 2]));
  RecordProperty("most_percent", std::to_string(off[off.size() * 95 / 100]));
  EXPECT_LT(off[off.size() / 2], 0.05);
  EXPECT_LT(off[off.size() * 95 / 100], 2.0);

  const auto card = card_of(sheet->written, g, made->placed.pieces, made->laps);
  EXPECT_EQ(card.file, "sheet.tif");
  EXPECT_EQ(card.sha256, *core::sha256_of(file));
  EXPECT_EQ(card.width.value, g.width);
  EXPECT_EQ(card.passes.size(), d.plan.passes.size());
  EXPECT_EQ(card.laps.size(), d.plan.laps.size());
  EXPECT_NEAR(card.passes[1].sleeve_to_pass[4], made->placed.pieces[1].placement.affine.e, 1e-12);
  fs::remove_all(scratch());
}

TEST(Assemble, APassTurnedOverIsRefusedAndNothingIsPlaced) {
  Desk d = captured(2);
  const auto made = assemble(d.plan, sleeve(), d.pointers());
  ASSERT_TRUE(made) << made.error().text;
  ASSERT_TRUE(made->refused);
  EXPECT_EQ(made->refused->b, 2);
  EXPECT_EQ(made->refused->finding, lap::Finding::mirrored) << made->refused->why;
  EXPECT_TRUE(made->placed.pieces.empty());
}

/// Seven strips in two passes of a bed as wide as a page is high; `empty` pockets hold none, in the second pass `gone` neither.
Desk page_of_seven(std::set<int> empty, std::set<int> gone) {
  Desk d;
  const auto seven = support::sleeve_135_7x5();
  profile::BedProfile bed = narrow_bed();
  bed.window = {{0}, {0}, {203200}, {254000}};
  const auto plan = plan::make_plan(seven, bed, ppi);
  EXPECT_TRUE(plan && plan->passes.size() == 2);
  if (!plan) return d;
  d.plan = *plan;
  for (const plan::Pass& p : d.plan.passes) {
    if (p.number == 2) empty.insert(gone.begin(), gone.end());
    support::SceneOptions options;
    options.empty_strips = empty;
    const support::Scene scene(seven, options);
    d.truth.push_back(p.sleeve_to_pass(ppi));
    d.pictures.push_back(support::render(scene, d.truth.back(), p.width.value, p.height.value, {.noise = 60, .dust_per_cm2 = 0.2}));
  }
  for (const auto& p : d.pictures) d.sources.emplace_back(p, ppi);
  return d;
}

TEST(Assemble, PassesThatShareEmptyPocketsAloneLieAsPlanned) {
  Desk d = page_of_seven({1, 2, 3, 4, 5}, {});
  const auto made = assemble(d.plan, support::sleeve_135_7x5(), d.pointers());
  ASSERT_TRUE(made) << made.error().text;
  ASSERT_FALSE(made->refused) << made->refused->why;
  EXPECT_TRUE(made->laps.empty());
  ASSERT_EQ(made->placed.pieces.size(), 2U);
  for (std::size_t i = 0; i < 2; ++i) {
    EXPECT_EQ(made->placed.pieces[i].number, static_cast<int>(i) + 1);
    const auto p = made->placed.pieces[i].placement({100, 100}), planned = d.truth[i]({100, 100});
    EXPECT_NEAR(std::hypot(p.x - planned.x, p.y - planned.y), 0, 1e-9);
  }
}

TEST(Assemble, APassWithoutTheFilmThatTheOtherShowsIsRefused) {
  Desk d = page_of_seven({}, {0, 1, 2, 3, 4, 5, 6});
  const auto made = assemble(d.plan, support::sleeve_135_7x5(), d.pointers());
  ASSERT_TRUE(made) << made.error().text;
  ASSERT_TRUE(made->refused);
  EXPECT_EQ(made->refused->b, 2);
}

TEST(Assemble, PassesThatDoNotFitThePlanAreNamed) {
  Desk d = captured(0, true);
  const auto complaint = [&](std::vector<image::RowSource*> pictures) {
    const auto made = assemble(d.plan, sleeve(), pictures);
    EXPECT_FALSE(made);
    EXPECT_EQ(made ? Fault::internal : made.error().fault, Fault::bad_data);
    return made ? "" : made.error().text;
  };
  auto fewer = d.pointers();
  fewer.pop_back();
  EXPECT_NE(complaint(fewer).find(std::to_string(fewer.size()) + " passes are given; the plan has"), std::string::npos);
  image::MemorySource coarse(d.pictures[1], Ppi{100});
  auto other = d.pointers();
  other[1] = &coarse;
  EXPECT_NE(complaint(other).find("pass 2 has 100 ppi; the plan says 150"), std::string::npos);
  const image::Rgb16 small(100, 100);
  image::MemorySource cut(small, ppi);
  other[1] = &cut;
  EXPECT_NE(complaint(other).find("pass 2 is 100 x 100 pixels; the plan says"), std::string::npos);
}

TEST(Assemble, OnePassLiesAsPlanned) {
  Desk d = captured(0, true);
  d.plan.passes.resize(1);
  d.plan.laps.clear();
  const auto made = assemble(d.plan, sleeve(), {&d.sources[0]});
  ASSERT_TRUE(made) << made.error().text;
  ASSERT_EQ(made->placed.pieces.size(), 1U);
  const auto p = made->placed.pieces[0].placement({50, 50}), truth = d.truth[0]({50, 50});
  EXPECT_NEAR(p.x, truth.x, 1e-9);
  EXPECT_NEAR(p.y, truth.y, 1e-9);
}

TEST(Assemble, AStoppedSheetLeavesNothing) {
  Desk d = captured(0, true);
  lap::Placement place;
  place.affine = d.truth[0];
  const fs::path folder = scratch();
  const auto sheet = write_sheet(folder / "sheet.tif", {{&d.sources[0], place, {}, 1}}, {}, SheetGeometry::of(d.plan.passes[0].covers, ppi), {}, at_once);
  ASSERT_FALSE(sheet);
  EXPECT_EQ(sheet.error().fault, Fault::cancelled);
  EXPECT_TRUE(fs::is_empty(folder));
  fs::remove_all(folder);
}

TEST(Assemble, TheSheetIsWhatThePlanNeedsAndThePassesShow) {
  const Desk d = captured(0, true);
  const auto area = sheet_area(d.plan);
  EXPECT_TRUE(area.contains(d.plan.needed));
  EXPECT_TRUE(d.plan.needed.grown(Micrometres{4000}).contains(area));
}

lap::Report lap_of(bool ok, lap::Finding finding, double confidence, int a) {
  lap::Report r;
  r.a = a, r.b = 9, r.ok = ok, r.finding = finding, r.confidence = confidence;
  return r;
}

TEST(Judged, ALapThatShowsNothingIsCarriedByOneThatDoes) {
  const auto good = lap_of(true, lap::Finding::good, 0.995, 1), surer = lap_of(true, lap::Finding::good, 0.999, 2);
  const auto nothing = lap_of(false, lap::Finding::cannot_tell, 0.2, 3), wrong = lap_of(false, lap::Finding::mirrored, 0.99, 4);
  const auto judged = [](std::vector<lap::Report> reports) { return Judged{std::move(reports)}; };
  EXPECT_EQ(judged({}).refused(), nullptr);  // the first pass has no lap before it
  EXPECT_EQ(judged({good, surer}).best()->a, 2);
  EXPECT_EQ(judged({nothing, good}).refused(), nullptr);
  EXPECT_EQ(judged({nothing, nothing}).refused()->a, 3);
  EXPECT_EQ(judged({nothing, nothing}).best(), nullptr);
  EXPECT_EQ(judged({good, nothing, wrong}).refused()->a, 4);
}

}  // namespace
}  // namespace lapwright::join
