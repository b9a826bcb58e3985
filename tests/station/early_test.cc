// The lap judged while rows come: what is told of each mistake, and how long after the tenth
// millimetre of lap was captured.
#include "station/early.h"

#include <gtest/gtest.h>
#include <unistd.h>

#include <chrono>
#include <cstdio>
#include <filesystem>
#include <thread>

#include "lap/master.h"
#include "raw/tiff.h"

namespace lapwright::station {
namespace {

using lap::Finding;
using Clock = std::chrono::steady_clock;
using OnPass = Affine<SleeveSpace, PassSpace>;
constexpr int small_ppi = 150, ppi = 600, times = ppi / small_ppi;

/// What the hand did: the sleeve moved and turned on the bed (mm, degrees, about the window's
/// middle), turned over, bumped or lit when so much of the pass was captured.
struct Hand {
  double x = 0, y = 0, degrees = 0;
  bool mirrored = false, not_moved = false;
  double bumped_at = 2, lifted_at = 2;
};

class EarlyTest : public testing::Test {
 protected:
  void SetUp() override {
    folder_ =
        std::filesystem::temp_directory_path() / ("lapwright-early-" + std::to_string(::getpid()));
    std::filesystem::create_directories(folder_);
    setting_.archive = folder_;
    setting_.bed.name = "narrow";
    setting_.bed.window = {{0}, {0}, {105000}, {254000}};
    setting_.bed.overhang = {{300000}, {300000}, {300000}, {300000}};
    setting_.bed.ppi = {Ppi{ppi}};
    a_.job.kind = ledger::JobKind::proof;
    a_.sleeve = film_.sleeve();
    const auto plan = plan::make_plan(a_.sleeve, setting_.bed, Ppi{ppi});
    ASSERT_TRUE(plan) << plan.error().text;
    ASSERT_EQ(plan->passes.size(), 2U);
    a_.plan = *plan;
    KeptPass first;
    first.planned = a_.pass(1).sleeve_to_pass(Ppi{ppi});
    first.placement.affine = first.planned, first.checked = true;
    first.file.path = "pass-1.tif";
    const auto& window = a_.pass(1).window;
    first.capture = {{"window", {{"x", window.x.mm()}, {"y", window.y.mm()}}}};
    const image::Rgb16 small = capture(1, {});
    auto writer = raw::Writer::create(folder_ / first.file.path, small.width() * times,
                                      small.height() * times, Ppi{ppi}, {});
    ASSERT_TRUE(writer) << writer.error().text;
    for (std::int64_t y = 0; y < small.height() * times; ++y)
      ASSERT_TRUE((*writer)->write(row(small, y).data(), 1));
    ASSERT_TRUE((*writer)->finish());
    a_.passes[1] = first;
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  image::Rgb16 capture(int number, const Hand& hand) const {
    const plan::Pass& pass = a_.pass(number);
    const OnPass planned = a_.pass(hand.not_moved ? 1 : number).sleeve_to_pass(Ppi{small_ppi});
    lap::test::MadePass made;
    made.ppi = small_ppi, made.width = pass.width.value / times,
    made.height = pass.height.value / times;
    const double k = small_ppi / 25.4, mx = static_cast<double>(made.width) / 2,
                 my = static_cast<double>(made.height) / 2;
    const auto moved = [&](double x, double y, double degrees, bool mirrored) {
      const double t = degrees * std::numbers::pi / 180, c = std::cos(t), n = std::sin(t),
                   f = mirrored ? -1 : 1;
      return core::compose(
                 Affine<PassSpace, PassSpace>{c * f, n * f, -n, c, mx - c * f * mx + n * my + x * k,
                                              my - n * f * mx - c * my + y * k},
                 planned)
          .inverse();
    };
    const auto before = moved(hand.x, hand.y, hand.degrees, hand.mirrored),
               after = moved(hand.x + 1.4, hand.y - 0.9, hand.degrees + 0.3, hand.mirrored);
    const double jump = hand.bumped_at * static_cast<double>(made.height);
    made.where = [=](Spot<PassSpace> p) { return p.y < jump ? before(p) : after(p); };
    return film_.capture(made, static_cast<unsigned>(number),
                         {.lifted_at = hand.lifted_at, .stray = hand.lifted_at < 1 ? 0.3 : 0});
  }
  /// Row y at the pass's resolution.
  static std::vector<std::uint16_t> row(const image::Rgb16& small, std::int64_t y) {
    std::vector<std::uint16_t> out;
    const std::uint16_t* from = small.row(y / times);
    for (std::int64_t x = 0; x < small.width() * times; ++x)
      out.insert(out.end(), from + x / times * 3, from + x / times * 3 + 3);
    return out;
  }

  /// What the check says when so many rows of pass 2 have come; the pass is `small`.
  lap::Report judged_at(const image::Rgb16& small, std::int64_t rows) const {
    const image::Rgb16 first = capture(1, {});
    image::Rgb16 so_far(small.width(), rows);
    std::copy(small.row(0), small.row(0) + rows * small.width() * 3, so_far.row(0));
    image::MemorySource a(first, Ppi{small_ppi}), b(so_far, Ppi{small_ppi});
    const OnPass on_a = a_.pass(1).sleeve_to_pass(Ppi{small_ppi}),
                 on_b = a_.pass(2).sleeve_to_pass(Ppi{small_ppi});
    const auto r = lap::check({&a, on_a, 1, {}}, {on_a, {}, {}}, {&b, on_b, 2, {}}, film_.sleeve(),
                              {.rows_in_all = small.height()});
    EXPECT_TRUE(r) << r.error().text;
    return r ? *r : lap::Report{};
  }

#if defined(__SANITIZE_ADDRESS__) || defined(__SANITIZE_THREAD__)
  static constexpr std::chrono::milliseconds row_takes{40};  // as much slower as the check itself
#else
  static constexpr std::chrono::milliseconds row_takes{2};
#endif
  /// Rows come as from a device; the report that ends it, and seconds since the tenth
  /// millimetre of the lap, which here begins with the sleeve.
  struct Told {
    std::optional<lap::Report> wrong, last;
    double seconds = -1, mm = 0;
  };
  Told run(const Hand& hand, bool wrong, double least_mm) {
    const image::Rgb16 small = capture(2, hand);
    EarlyLap early(setting_, a_, 2);
    early.begin(small.width() * times, Ppi{ppi});
    double top = 1e9;
    for (const auto& l : a_.plan.laps)
      for (int i = 0; i < 4; ++i)
        top =
            std::min(top, a_.pass(2)
                              .sleeve_to_pass(Ppi{ppi})({(i & 1 ? l.area.right() : l.area.x).mm(),
                                                         (i & 2 ? l.area.bottom() : l.area.y).mm()})
                              .y);
    Told told;
    auto since = Clock::now();
    const double mm_of_row = Ppi{ppi}.mm_per_pixel();
    bool reached = false;
    for (std::int64_t y = 0; y < small.height() * times; ++y) {
      told.mm = (static_cast<double>(y) - std::max(0.0, top)) * mm_of_row;
      if (!reached && told.mm >= 10 + least_mm) reached = true, since = Clock::now();
      const auto samples = row(small, y);
      told.wrong = early.rows(samples.data(), 1), told.last = early.judged();
      if (told.wrong || (reached && !wrong && told.last && told.last->ok)) {
        if (reached) told.seconds = std::chrono::duration<double>(Clock::now() - since).count();
        break;
      }
      std::this_thread::sleep_for(row_takes);
    }
    return told;
  }

  std::filesystem::path folder_;
  lap::test::Master film_{support::Scene(lap::test::small_sleeve(), lap::test::seeded(77)),
                          small_ppi};
  Setting setting_;
  Assignment a_;
};

TEST_F(EarlyTest, EachMistakeIsToldWhileThePassIsCaptured) {
  struct Case {
    const char* what;
    Hand hand;
    Finding told;
    double from_mm = 0;  // of the pass, where it went wrong
  };
  const Case cases[] = {
      {"good", {.x = 2.1, .y = -1.4, .degrees = 0.6}, Finding::good},
      {"not moved", {.x = 0.4, .y = 0.3, .not_moved = true}, Finding::not_moved},
      {"turned 180", {.x = 1, .y = 2, .degrees = 180.7}, Finding::turned},
      {"mirrored", {.x = 1, .y = 2, .degrees = 0.4, .mirrored = true}, Finding::mirrored},
      {"half moved", {.x = -20, .y = 2, .degrees = 0.4}, Finding::off_place},
      {"bumped", {.x = 1, .y = 2, .degrees = 0.4, .bumped_at = 0.15}, Finding::bumped, 24},
      {"lid lifted", {.x = 1, .y = 2, .degrees = 0.4, .lifted_at = 0.1}, Finding::light, 16},
  };
  for (const Case& c : cases) {
    const Told told = run(c.hand, c.told != Finding::good, c.from_mm);
    const auto& r = told.wrong ? told.wrong : told.last;
    std::printf("[ early ] %-10s ", c.what);
    told.seconds < 0 ? std::printf("before the tenth mm")
                     : std::printf("%.2f s after the tenth mm", told.seconds);
    std::printf(", at %.0f mm of lap: %s\n", told.mm, r ? r->say.c_str() : "nothing");
    if (!r) {
      ADD_FAILURE() << c.what << ": nothing was told";
      continue;
    }
    EXPECT_EQ(r->finding, c.told) << c.what << ": " << r->why;
    EXPECT_EQ(told.wrong.has_value(), c.told != Finding::good) << c.what;
  }
}

TEST_F(EarlyTest, WhateverPartHasComeALiftedLidIsNotToldAsABumpNorABumpAsALiftedLid) {
  for (const double at : {0.05, 0.1, 0.17})
    for (const Finding of : {Finding::light, Finding::bumped}) {
      const bool lid = of == Finding::light;
      const auto small = capture(
          2,
          {.x = 1, .y = 2, .degrees = 0.4, .bumped_at = lid ? 2 : at, .lifted_at = lid ? at : 2});
      int told = 0;
      for (std::int64_t rows = 71; rows < 270; rows += 21) {  // 12 to 45 mm
        const auto r = judged_at(small, rows);
        if (r.finding != Finding::light && r.finding != Finding::bumped) continue;
        ++told;
        EXPECT_EQ(r.finding, of) << "at " << at << ", " << rows << " rows: " << r.why;
      }
      EXPECT_GE(told, 3) << (lid ? "lid at " : "bump at ") << at;
    }
}

}  // namespace
}  // namespace lapwright::station
