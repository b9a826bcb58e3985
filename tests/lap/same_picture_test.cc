// A frame captured again is its proof's picture, a different one never; where it lies and how sharp it is.
#include "lap/same_picture.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <random>

#include "lap/master.h"

namespace lapwright::lap::test {
namespace {

using Lay = Affine<SleeveSpace, PassSpace>;

std::array<Spot<SleeveSpace>, 4> corners_of(const Rect<SleeveSpace>& r) {
  return {Spot<SleeveSpace>{r.x.mm(), r.y.mm()}, {r.right().mm(), r.y.mm()}, {r.right().mm(), r.bottom().mm()}, {r.x.mm(), r.bottom().mm()}};
}

struct Made {
  image::Rgb16 picture;
  Lay lies;
};
/// A frame and 4 mm around it, turned, its place `off` from where it is said to be.
Made capture(const support::Scene& scene, const Rect<SleeveSpace>& frame, int ppi, double degrees, bool over, Spot<SleeveSpace> off, unsigned seed, double noise = 120) {
  const double k = ppi / 25.4, t = degrees * std::numbers::pi / 180, f = over ? -1 : 1;
  Lay lies{f * k * std::cos(t), f * k * std::sin(t), -k * std::sin(t), k * std::cos(t), 0, 0};
  const Rect<SleeveSpace> area = frame.grown(Micrometres{4000});
  double l = 1e9, u = 1e9, r = -1e9, b = -1e9;
  for (const auto& c : corners_of(area)) {
    const auto p = lies(c);
    l = std::min(l, p.x), u = std::min(u, p.y), r = std::max(r, p.x), b = std::max(b, p.y);
  }
  lies.e = -l, lies.f = -u;
  Made out;
  out.picture = support::render(scene, lies, std::llround(r - l), std::llround(b - u), faults(seed, noise));
  // Said to lie elsewhere: place s is where s + off is.
  out.lies = lies, out.lies.e -= lies.a * off.x + lies.c * off.y, out.lies.f -= lies.b * off.x + lies.d * off.y;
  return out;
}

profile::SleeveProfile sleeve() { return small_sleeve(); }

TEST(SamePicture, TheSameIsFoundWhateverTheTurnAndADifferentOneIsNot) {
  std::mt19937 random(3);
  const auto uniform = [&](double l, double h) { return std::uniform_real_distribution<double>(l, h)(random); };
  double least_same = 1, most_other = -1, worst_mm = 0;
  int told = 0, pairs = 0, sharp = 0;
  for (unsigned seed = 1; seed <= 2; ++seed) {
    support::SceneOptions options = seeded(seed);
    options.process = seed % 2 ? profile::Process::colour_negative : profile::Process::slide;
    const support::Scene scene(sleeve(), options);
    std::vector<std::pair<Rect<SleeveSpace>, Made>> proofs;
    for (int n = 0; n < 12; n += 2) {
      const auto frame = scene.true_frame(n / 3, n % 3);
      proofs.emplace_back(frame, capture(scene, frame, 300, 0, false, {}, 10 * seed));
    }
    for (std::size_t n = 0; n < proofs.size(); ++n) {
      const auto& [frame, proof] = proofs[n];
      image::MemorySource first(proof.picture, Ppi{300});
      const Spot<SleeveSpace> off{uniform(-2, 2), uniform(-2, 2)};
      const Made again = capture(scene, frame, 600, 90.0 * static_cast<double>(random() % 4) + uniform(-6, 6), random() % 2, off, 77 + seed);
      image::MemorySource second(again.picture, Ppi{600});
      const auto same = same_picture({&first, proof.lies}, {&second, again.lies}, corners_of(frame), 3, true);
      ASSERT_TRUE(same) << same.error().text;
      if (same->told) {
        ++told;
        EXPECT_TRUE(same->same()) << seed << " " << n << " " << same->correlation << " " << same->mirrored;
        least_same = std::min(least_same, same->correlation);
        worst_mm = std::max(worst_mm, std::hypot(same->off.x - off.x, same->off.y - off.y));
        if (same->sharpness > 0) {
          ++sharp;
          EXPECT_NEAR(same->sharpness, 1, 0.3);
        }
        for (const double light : same->light) EXPECT_NEAR(light, 1, 0.03);
      }
      for (std::size_t k = 0; k < proofs.size(); ++k) {
        if (k == n) continue;
        // The other frame, moved to where this one is.
        Made other = proofs[k].second;
        const double dx = frame.x.mm() - proofs[k].first.x.mm(), dy = frame.y.mm() - proofs[k].first.y.mm();
        other.lies.e -= other.lies.a * dx + other.lies.c * dy, other.lies.f -= other.lies.b * dx + other.lies.d * dy;
        image::MemorySource source(other.picture, Ppi{300});
        const auto different = same_picture({&first, proof.lies}, {&source, other.lies}, corners_of(frame), 3, false);
        ASSERT_TRUE(different);
        if (!different->told) continue;
        ++pairs;
        most_other = std::max(most_other, different->correlation);
        EXPECT_FALSE(different->same()) << seed << " " << n << " " << k << " " << different->correlation;
      }
    }
  }
  std::printf("[ same ] %d frames again: correlation %.3f at least, %.3f mm off at most; %d pairs of different ones: %.3f at most\n", told, least_same, worst_mm, pairs, most_other);
  EXPECT_GE(told, 10);
  EXPECT_LT(worst_mm, 0.05);
  EXPECT_GE(sharp, 4);
}

TEST(SamePicture, TheOtherSideIsToldAsSuch) {
  const support::Scene scene(sleeve(), seeded(2));
  const auto frame = scene.true_frame(1, 1);
  const Made proof = capture(scene, frame, 300, 0, false, {}, 1);
  Made over = capture(scene, frame, 300, 0, true, {}, 2);
  // Captured from the other side, and said to lie right side up.
  const auto c = frame.centre_mm();
  const auto middle = over.lies(c);
  over.lies.a = -over.lies.a, over.lies.b = -over.lies.b;
  over.lies.e += middle.x - over.lies(c).x, over.lies.f += middle.y - over.lies(c).y;
  image::MemorySource first(proof.picture, Ppi{300}), second(over.picture, Ppi{300});
  const auto same = same_picture({&first, proof.lies}, {&second, over.lies}, corners_of(frame), 2, false);
  ASSERT_TRUE(same && same->told);
  EXPECT_FALSE(same->same());
  EXPECT_GT(same->mirrored, 0.9);
}

TEST(SamePicture, ABlurredOneIsLessSharp) {
  const support::Scene scene(sleeve(), seeded(4));
  const auto frame = scene.true_frame(0, 1);
  const Made proof = capture(scene, frame, 600, 0, false, {}, 1, 30), again = capture(scene, frame, 1200, 90, false, {}, 2, 60);
  image::Rgb16 soft(again.picture.width(), again.picture.height());
  constexpr std::int64_t r = 4;  // pixels of 1200 ppi: a disc of 0.17 mm, as 2 mm out of focus at f/12 would leave
  for (std::int64_t y = 0; y < soft.height(); ++y)
    for (std::int64_t x = 0; x < soft.width(); ++x)
      for (std::int64_t k = 0; k < 3; ++k) {
        double sum = 0;
        int n = 0;
        for (std::int64_t j = -r; j <= r; ++j)
          for (std::int64_t i = -r; i <= r; ++i) {
            if (i * i + j * j > r * r) continue;
            const auto u = std::clamp<std::int64_t>(x + i, 0, soft.width() - 1), v = std::clamp<std::int64_t>(y + j, 0, soft.height() - 1);
            sum += again.picture.row(v)[u * 3 + k], ++n;
          }
        soft.row(y)[x * 3 + k] = static_cast<std::uint16_t>(sum / n);
      }
  image::MemorySource first(proof.picture, Ppi{600}), sharp(again.picture, Ppi{1200}), blurred(soft, Ppi{1200});
  const auto good = same_picture({&first, proof.lies}, {&sharp, again.lies}, corners_of(frame), 1, true);
  const auto bad = same_picture({&first, proof.lies}, {&blurred, again.lies}, corners_of(frame), 1, true);
  ASSERT_TRUE(good && bad && good->same() && bad->same());
  std::printf("[ same ] sharpness %.2f, blurred %.2f\n", good->sharpness, bad->sharpness);
  EXPECT_GT(good->sharpness, 0.8);
  EXPECT_LT(bad->sharpness, 0.55);
}

TEST(SamePicture, OfPlainFilmNothingIsSaid) {
  support::SceneOptions options = seeded(5);
  options.blank_frames = {4};
  const support::Scene scene(sleeve(), options);
  const auto frame = scene.true_frame(1, 1);
  const Made proof = capture(scene, frame, 300, 0, false, {}, 1), again = capture(scene, frame, 300, 180, false, {}, 2);
  image::MemorySource first(proof.picture, Ppi{300}), second(again.picture, Ppi{300});
  const auto same = same_picture({&first, proof.lies}, {&second, again.lies}, corners_of(frame), 2, true);
  ASSERT_TRUE(same);
  EXPECT_FALSE(same->told);
}

}  // namespace
}  // namespace lapwright::lap::test
