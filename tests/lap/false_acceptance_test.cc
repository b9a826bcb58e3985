// Many random laps, with everything that could fool: how often a wrong join is accepted, how often
// a right one is, whether what is said to be sure is, and what is said of each mistake.
#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <set>

#include "lap/random_laps.h"

namespace lapwright::lap::test {
namespace {

// A bump of a few tenths that the carriage's curve takes up is not told yet: joins that miss by
// more than right_mm somewhere count against what is said to be sure, by wrong_mm as wrong.
constexpr double right_mm = 0.3, wrong_mm = 0.5;
constexpr std::array<const char*, 10> findings{"good", "little", "unmoved", "turned", "mirror",
                                               "off",  "other",  "light",   "bumped", "can't"};
constexpr std::size_t said_kinds = findings.size();

/// What may be said of a kind beside "good" for a join that is right; nothing can be of blank film.
std::set<Finding> rightly_said(Kind kind) {
  switch (kind) {
    case Kind::blank:
    case Kind::holes_only:
    case Kind::lettering_only:
      return {Finding::cannot_tell};
    case Kind::other_sleeve:
      return {Finding::other_sleeve};
    case Kind::not_moved:
      return {Finding::not_moved};
    case Kind::half_moved:
      return {Finding::off_place, Finding::not_moved};
    case Kind::half_turn:
    case Kind::quarter_turn:
      return {Finding::turned};
    case Kind::mirrored:
      return {Finding::mirrored};
    case Kind::too_far:
      return {Finding::too_little};
    case Kind::bumped:
      return {Finding::bumped};
    case Kind::lid_lifted:
      return {Finding::light};
    default:
      return {};
  }
}

struct Counts {
  int tried = 0, accepted = 0, wrong = 0, named = 0, misnamed = 0;
  double seconds = 0;
  std::array<int, said_kinds> said{};
};
struct Step {
  double sure = 0;
  int said = 0, right = 0;
};

int from_environment(const char* name, int otherwise) {
  const char* asked = std::getenv(name);
  return asked ? std::atoi(asked) : otherwise;
}

// LAPWRIGHT_LAPS=10000 runs as many (LAPWRIGHT_LAPS_SEED others); the count of the everyday run
// keeps it quick. LAPWRIGHT_LAPS_ALL=1 prints each, LAPWRIGHT_LAPS_ONLY=n looks at that one.
TEST(FalseAcceptance, NoWrongJoinIsAccepted) {
  const int laps = from_environment("LAPWRIGHT_LAPS", 252);
  const int only = from_environment("LAPWRIGHT_LAPS_ONLY", -1);
  const bool each = from_environment("LAPWRIGHT_LAPS_ALL", 0) != 0 || only >= 0;
  const int of_a_scene = (laps > 1000 ? 8 : 4) * static_cast<int>(kinds);
  RandomLaps random(static_cast<unsigned>(from_environment("LAPWRIGHT_LAPS_SEED", 20240607)));
  std::array<Counts, kinds> counts;
  std::array<Step, 6> steps{{{0}, {0.5}, {0.9}, {0.99}, {0.995}, {0.998}}};
  double slowest = 0;
  int nearly = 0;
  for (int n = 0; n < laps; ++n) {
    if (n % of_a_scene == 0) random.next_scene();
    const auto kind = static_cast<std::size_t>(n) % kinds;
    const RandomLaps::Lap lap = random.lap(static_cast<Kind>(kind), only < 0 || n == only);
    if (only >= 0 && n != only) continue;
    const auto r =
        check_captures(*lap.of_a, lap.a, *lap.of_b, lap.b, lap.noise_seed, nullptr, {}, lap.lamp);
    ASSERT_TRUE(r) << r.error().text;
    slowest = std::max(slowest, r->seconds);
    const auto miss = worst_miss(lap, *r);
    const bool right = lap.kind != Kind::other_sleeve && miss && miss->mm <= right_mm;
    const bool accepted = r->ok || r->located;
    const bool wrong = accepted && (lap.kind == Kind::other_sleeve || !miss || miss->mm > wrong_mm);
    nearly += accepted && !right && !wrong;
    Counts& c = counts[kind];
    const auto rightly = rightly_said(lap.kind);
    const bool named = rightly.count(r->finding) || (r->ok && right);
    ++c.tried, c.seconds += r->seconds, c.accepted += r->ok, c.wrong += wrong, c.named += named;
    c.misnamed += !named && !r->ok && r->finding != Finding::cannot_tell;
    ++c.said[static_cast<std::size_t>(r->finding)];
    const bool shown = each || (accepted && !right);
    if (shown)
      std::printf("[ laps ] %s%-14s %s q%d+%d lap %2.0f %d: %-7s sure %.4f miss %.2f mm; %s | %s\n",
                  wrong                ? "WRONG "
                  : accepted && !right ? "OFF "
                                       : "",
                  kind_names[kind], lap.a.x == lap.b.x ? "below " : "beside", lap.b.quarter,
                  lap.b.mistaken_quarter, lap.lap_mm, n,
                  findings[static_cast<std::size_t>(r->finding)], r->confidence,
                  miss ? miss->mm : -1, r->why.c_str(), r->say.c_str());
    if (shown && lap.kind == Kind::bumped)
      std::printf("[ laps ]   bumped at %.1f mm by %.2f %.2f mm, %.2f degrees\n",
                  lap.b.bumped_at * lap.b.height, lap.b.bump_x, lap.b.bump_y, lap.b.bump_turn);
    if (shown && miss)
      std::printf("[ laps ]   worst on strip %d, at %.1f %.1f of b's %.1f x %.1f mm\n",
                  miss->strip + 1, miss->b.x * 25.4 / 150, miss->b.y * 25.4 / 150, lap.b.width,
                  lap.b.height);
    if (each && !r->slid.empty())
      for (const Slid& slid : r->slid)
        std::printf("[ laps ]   strip %d slid %.2f along %.2f across\n", slid.strip + 1,
                    slid.along_mm, slid.across_mm);
    if (shown) std::fflush(stdout);
    // What was found is a place; how sure it is must hold wherever it is said.
    if (r->ok || r->located) {
      std::size_t s = steps.size() - 1;
      while (r->confidence < steps[s].sure) --s;
      ++steps[s].said, steps[s].right += right;
    }
  }
  int all_wrong = 0, all = 0, sure = 0, sure_right = 0;
  std::printf("[ laps ] %-14s tried   ok wrong named misn.", "");
  for (const char* f : findings) std::printf(" %7s", f);
  std::printf("  s each\n");
  for (std::size_t k = 0; k < kinds; ++k) {
    const Counts& c = counts[k];
    std::printf("[ laps ] %-14s %5d %4d %5d %5d %5d", kind_names[k], c.tried, c.accepted, c.wrong,
                c.named, c.misnamed);
    for (const int n : c.said) std::printf(" %7d", n);
    std::printf("  %.2f\n", c.seconds / std::max(1, c.tried));
    all_wrong += c.wrong, all += c.tried;
  }
  for (const Step& s : steps) {
    std::printf("[ laps ] said %.3f sure or more: %d, right %d\n", s.sure, s.said, s.right);
    if (s.sure >= 0.99) sure += s.said, sure_right += s.right;
  }
  std::printf(
      "[ laps ] %d laps, %d wrong accepted, %d off by 0.3 to 0.5 mm; of %d said 99 %% sure %d "
      "right; "
      "slowest %.2f s\n",
      all, all_wrong, nearly, sure, sure_right, slowest);
  EXPECT_EQ(all_wrong, 0);
  EXPECT_GE(sure_right, sure * 99 / 100);
  // These passes are of a few centimetres; what eight seeds with 120 of each accepted on average,
  // less two standard deviations of so many.
  const std::pair<Kind, double> usual[] = {
      {Kind::plain, 0.745}, {Kind::medium_format, 0.61}, {Kind::drift, 0.69}};
  for (const auto& [k, part] : usual) {
    const Counts& c = counts[static_cast<std::size_t>(k)];
    EXPECT_GE(c.accepted, c.tried * part - 2 * std::sqrt(c.tried * part * (1 - part)))
        << kind_names[static_cast<std::size_t>(k)];
  }
}

}  // namespace
}  // namespace lapwright::lap::test
