// Rolls told by their pictures: whatever the turn, shift and side, and never one for another.
#include "lap/recognise.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <random>

#include "core/clock.h"
#include "lap/master.h"

namespace lapwright::lap::test {
namespace {

constexpr int ppi = 75;
using Lay = Affine<SleeveSpace, PassSpace>;

profile::SleeveProfile sleeve() { return support::sleeve_135_7x5(); }

support::SceneOptions film(unsigned seed) {
  support::SceneOptions o = seeded(seed);
  o.process = seed % 4 == 3 ? profile::Process::slide : profile::Process::colour_negative;
  return o;
}

RollFeatures proofed(unsigned seed) {
  const support::Scene scene(sleeve(), film(seed));
  const double k = ppi / 25.4;
  const auto picture = support::render(scene, Lay{k, 0, 0, k, 0, 0},
                                       std::llround(sleeve().page.width.mm() * k),
                                       std::llround(sleeve().page.height.mm() * k), faults(seed));
  image::MemorySource source(picture, Ppi{ppi});
  const auto o = overview(source, features_ppi);
  EXPECT_TRUE(o);
  return {"roll-" + std::to_string(seed), features_of(*o, 300)};
}

struct SeenLook {
  Lay truth;  // sleeve mm to the look's mm
  std::vector<Feature> plain, mirrored;
};

/// The window of 203 x 254 mm, the sleeve laid anyhow under it.
SeenLook look_at(const support::SceneOptions& options, std::mt19937& random, int look_ppi = ppi) {
  const auto uniform = [&](double l, double h) {
    return std::uniform_real_distribution<double>(l, h)(random);
  };
  const support::Scene scene(sleeve(), options);
  const double turn = (90.0 * static_cast<double>(random() % 4) + uniform(-8, 8)) * std::numbers::pi / 180,
               side = random() % 3 == 0 ? -1 : 1;
  SeenLook look;
  look.truth = {side * std::cos(turn), side * std::sin(turn), -std::sin(turn), std::cos(turn), 0, 0};
  const auto middle = look.truth({sleeve().page.width.mm() / 2, sleeve().page.height.mm() / 2});
  look.truth.e = 101.6 + uniform(-40, 40) - middle.x, look.truth.f = 127 + uniform(-40, 40) - middle.y;
  const double k = look_ppi / 25.4;
  const auto picture = support::render(scene, core::scaled(look.truth, k), std::llround(203.2 * k),
                                       std::llround(254 * k), faults(static_cast<unsigned>(random()), 90));
  image::MemorySource source(picture, Ppi{look_ppi});
  const auto o = overview(source, features_ppi);
  EXPECT_TRUE(o);
  look.plain = features_of(*o, 500), look.mirrored = features_of(*o, 500, true);
  return look;
}

std::vector<RollFeatures> library(unsigned first, unsigned count) {
  std::vector<RollFeatures> out;
  for (unsigned i = 0; i < count; ++i) out.push_back(proofed(first + i));
  return out;
}

TEST(Recognise, ARollLaidAnyhowIsFoundAndPlaced) {
  const auto rolls = library(100, 8);
  std::mt19937 random(5);
  int found = 0;
  for (unsigned n = 0; n < 16; ++n) {
    const unsigned at = n % 8;
    support::SceneOptions o = film(100 + at);
    o.slid_mm = {0.8, -1.2, 0, 0.5, 0, -0.4, 1};  // since the proof
    const SeenLook look = look_at(o, random, n % 2 ? 150 : 75);
    const auto all = likenesses(look.plain, look.mirrored, rolls);
    const auto is = recognised(all);
    if (!is) {
      ADD_FAILURE() << "look " << n << " at roll " << at << ": not recognised, best "
                    << (all.empty() ? 0 : all[0].agreeing) << " of " << look.plain.size();
      continue;
    }
    EXPECT_EQ(is->roll, at);
    EXPECT_EQ(is->mirrored, look.truth.determinant() < 0);
    double worst = 0;
    for (const Spot<SleeveSpace> s : {Spot<SleeveSpace>{30, 30}, {180, 30}, {30, 240}, {180, 240}}) {
      const auto p = is->lay(s);
      const auto q = look.truth(s);
      worst = std::max(worst, std::hypot(p.x - q.x, p.y - q.y));
    }
    EXPECT_LT(worst, 2.5) << n;  // strips slid by up to 1.2 mm
    found += is->roll == at;
    std::printf("[ rolls ] look %u: %d agree, next %d, worst %.2f mm\n", n, is->agreeing,
                all.size() > 1 ? all[1].agreeing : 0, worst);
  }
  EXPECT_EQ(found, 16);
}

TEST(Recognise, ARollThatIsNotThereIsNotNamed) {
  const auto rolls = library(100, 8);
  std::mt19937 random(6);
  int most = 0;
  for (unsigned n = 0; n < 12; ++n) {
    support::SceneOptions o = film(900 + n);
    if (n % 6 == 4) o.night = true;
    if (n % 6 == 5) o.burst = true;
    const SeenLook look = look_at(o, random);
    const auto all = likenesses(look.plain, look.mirrored, rolls, 1);
    if (!all.empty()) most = std::max(most, all[0].agreeing);
    EXPECT_FALSE(recognised(all));
  }
  std::printf("[ rolls ] at most %d of a strange roll's features agree\n", most);
  EXPECT_LE(most, agreeing_enough * 3 / 4);
}

TEST(Recognise, TwoRollsOfTheSamePicturesAreNotToldApart) {
  auto rolls = library(100, 3);
  rolls.push_back(rolls[1]);
  rolls.back().roll = "copy";
  std::mt19937 random(7);
  const SeenLook look = look_at(film(101), random);
  EXPECT_FALSE(recognised(likenesses(look.plain, look.mirrored, rolls)));
}

TEST(Recognise, AThousandRollsAreSearchedQuickly) {
  std::vector<RollFeatures> rolls = library(100, 2);
  std::mt19937_64 random(8);
  while (rolls.size() < 1000) {  // places and directions of real ones, other pictures
    RollFeatures r = rolls[rolls.size() % 2];
    r.roll = "r" + std::to_string(rolls.size());
    for (Feature& f : r.features)
      for (auto& word : f.bits) word = random();
    rolls.push_back(std::move(r));
  }
  std::mt19937 lay(9);
  const SeenLook look = look_at(film(101), lay);
  const core::Stopwatch watch;
  const auto is = recognised(likenesses(look.plain, look.mirrored, rolls));
  const double seconds = watch.seconds();
  ASSERT_TRUE(is);
  EXPECT_EQ(is->roll, 1U);
  std::printf("[ rolls ] %zu features among %zu rolls of %zu: %.2f s\n", look.plain.size(), rolls.size(), rolls[0].features.size(), seconds);
}

}  // namespace
}  // namespace lapwright::lap::test
