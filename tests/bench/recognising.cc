#include <algorithm>
#include <cmath>
#include <cstdio>
#include <numbers>
#include <random>

#include "bench/photographs.h"
#include "bench/sections.h"
#include "lap/recognise.h"
#include "station/full.h"
#include "support/film_scene.h"

namespace lapwright::bench {
namespace {

constexpr int ppi = 75;
constexpr std::size_t rolls_known = 1000;
constexpr std::int64_t photo_width = 720, photo_height = 480;
using Lay = Affine<SleeveSpace, PassSpace>;

/// A roll's sheet at 75 ppi: on every frame a part of a photograph, larger or smaller, its side as it
/// comes, under some light. Many rolls show parts of the same photographs.
class Rolls {
 public:
  explicit Rolls(std::vector<Picture> photographs) : photographs_(std::move(photographs)), sleeve_(support::sleeve_135_7x5()) {
    for (int i = 0; i < sleeve_.strips.count; ++i)
      for (int j = 0; j < sleeve_.strips.frames; ++j) {
        const auto r = sleeve_.frame_area(i, j);
        frames::Frame f;
        f.frame = std::to_string(frames_.size() + 1), f.strip = i + 1;
        f.corners = {Spot<SleeveSpace>{r.x.mm(), r.y.mm()}, {r.right().mm(), r.y.mm()}, {r.right().mm(), r.bottom().mm()}, {r.x.mm(), r.bottom().mm()}};
        frames_.push_back(f);
      }
  }
  const profile::SleeveProfile& sleeve() const { return sleeve_; }
  const std::vector<frames::Frame>& frames() const { return frames_; }

  image::Rgb16 sheet(unsigned roll) const {
    std::mt19937 random(roll * 7919 + 17);
    const auto uniform = [&](double l, double h) { return l + (h - l) * static_cast<double>(random()) / 4294967296.0; };
    const double k = ppi / 25.4;
    const auto px = [&](double mm) { return static_cast<std::int64_t>(std::lround(mm * k)); };
    image::Rgb16 out(px(sleeve_.page.width.mm()), px(sleeve_.page.height.mm()));
    std::fill_n(out.row(0), out.width() * out.height() * 3, std::uint16_t{56000});
    const auto fill = [&](const Rect<SleeveSpace>& r, const auto& value) {
      for (std::int64_t y = std::max<std::int64_t>(0, px(r.y.mm())); y < std::min(out.height(), px(r.bottom().mm())); ++y)
        for (std::int64_t x = std::max<std::int64_t>(0, px(r.x.mm())); x < std::min(out.width(), px(r.right().mm())); ++x)
          for (std::int64_t c = 0; c < 3; ++c)
            out.row(y)[x * 3 + c] = static_cast<std::uint16_t>(value((static_cast<double>(x) + 0.5) / k - r.x.mm(), (static_cast<double>(y) + 0.5) / k - r.y.mm(), c));
    };
    constexpr double base[3] = {26000, 13000, 10000};
    for (int i = 0; i < sleeve_.strips.count; ++i) {
      fill(sleeve_.strip(i), [&](double, double, std::int64_t c) { return base[c]; });
      for (int j = 0; j < sleeve_.strips.frames; ++j) {
        const Picture& photo = photographs_[random() % photographs_.size()];
        const double zoom = uniform(0.35, 1), left = uniform(0, 1 - zoom), top = uniform(0, 1 - zoom), light = std::exp2(uniform(-2, 1.5));
        const bool over = random() % 2;
        const auto area = sleeve_.frame_area(i, j);
        const double w = area.width.mm(), h = area.height.mm();
        fill(area, [&](double x, double y, std::int64_t c) {
          const double u = left + zoom * (over ? 1 - x / w : x / w), v = top + zoom * y / h;
          const double fx = std::clamp(u * photo_width - 0.5, 0.0, photo_width - 1.001), fy = std::clamp(v * photo_height - 0.5, 0.0, photo_height - 1.001);
          const auto ix = static_cast<std::int64_t>(fx), iy = static_cast<std::int64_t>(fy);
          const double s = fx - static_cast<double>(ix), t = fy - static_cast<double>(iy);
          const float* a = photo.light.data() + (iy * photo_width + ix) * 3 + c;
          const float* b = a + photo_width * 3;
          const double seen = (static_cast<double>(a[0]) * (1 - s) + static_cast<double>(a[3]) * s) * (1 - t) + (static_cast<double>(b[0]) * (1 - s) + static_cast<double>(b[3]) * s) * t;
          return base[c] * std::pow(1 + 40 * light * seen, -0.6);  // a negative's straight line and its toe
        });
      }
    }
    return out;
  }

  Result<station::Shown> shown(unsigned roll, const lap::LookMap& lay, const image::Rgb16& look) const {
    return station::shown_by(sheet(roll), Ppi{ppi}, core::mm_to_pixels<SleeveSpace, PassSpace>({0, 0}, Ppi{ppi}), frames_, sleeve_, lay, look, Ppi{ppi});
  }

 private:
  std::vector<Picture> photographs_;
  profile::SleeveProfile sleeve_;
  std::vector<frames::Frame> frames_;
};

struct Look {
  Lay truth;
  std::vector<lap::Feature> plain, mirrored;
  image::Rgb16 picture;
};

/// The sheet laid anyhow under a window of 8 x 10 inches, or one strip of it alone.
Look look_at(const Rolls& rolls, unsigned roll, std::mt19937& random, bool strip_alone) {
  const auto uniform = [&](double l, double h) { return l + (h - l) * static_cast<double>(random()) / 4294967296.0; };
  const image::Rgb16 sheet = rolls.sheet(roll);
  Look look;
  const double t = (90.0 * static_cast<double>(random() % 4) + uniform(-10, 10)) * std::numbers::pi / 180, side = random() % 3 == 0 ? -1 : 1;
  look.truth = {side * std::cos(t), side * std::sin(t), -std::sin(t), std::cos(t), 0, 0};
  const int strip = static_cast<int>(random() % static_cast<unsigned>(rolls.sleeve().strips.count));
  const auto shown = strip_alone ? rolls.sleeve().strip(strip) : Rect<SleeveSpace>{{0}, {0}, rolls.sleeve().page.width, rolls.sleeve().page.height};
  const auto middle = look.truth(shown.centre_mm());
  const double far = strip_alone ? 15 : 40;
  look.truth.e = 101.6 + uniform(-far, far) - middle.x, look.truth.f = 127 + uniform(-far, far) - middle.y;
  const auto back = look.truth.inverse();
  const double k = ppi / 25.4;
  image::Rgb16 picture(std::lround(203.2 * k), std::lround(254 * k));
  for (std::int64_t y = 0; y < picture.height(); ++y)
    for (std::int64_t x = 0; x < picture.width(); ++x) {
      const auto s = back({(static_cast<double>(x) + 0.5) / k, (static_cast<double>(y) + 0.5) / k});
      const double u = s.x * k - 0.5, v = s.y * k - 0.5;
      const bool on = u >= 0 && v >= 0 && u < static_cast<double>(sheet.width() - 1) && v < static_cast<double>(sheet.height() - 1) &&
                      (!strip_alone || (s.y >= shown.y.mm() && s.y <= shown.bottom().mm() && s.x >= shown.x.mm() && s.x <= shown.right().mm()));
      const auto i = static_cast<std::int64_t>(u), j = static_cast<std::int64_t>(v);
      const double fu = u - static_cast<double>(i), fv = v - static_cast<double>(j);
      for (std::int64_t c = 0; c < 3; ++c) {
        double value = 60000;
        if (on) {
          const std::uint16_t *a = sheet.row(j) + i * 3 + c, *b = sheet.row(j + 1) + i * 3 + c;
          value = (a[0] * (1 - fu) + a[3] * fu) * (1 - fv) + (b[0] * (1 - fu) + b[3] * fu) * fv;
        }
        value += (uniform(-1, 1) + uniform(-1, 1) + uniform(-1, 1)) * (20 + std::sqrt(value) * 0.3);
        picture.row(y)[x * 3 + c] = static_cast<std::uint16_t>(std::clamp(value, 0.0, 65535.0));
      }
    }
  image::MemorySource source(picture, Ppi{ppi});
  if (const auto o = lap::overview(source, lap::features_ppi)) look.plain = lap::features_of(*o, 700), look.mirrored = lap::features_of(*o, 700, true);
  look.picture = std::move(picture);
  return look;
}

}  // namespace

void recognising(const Setting& setting, Figures& figures) {
  const auto files = photographs();
  if (!files) return figures.missing("recognise", files.error().text);
  std::vector<Picture> photos;
  for (const auto& file : *files) {
    auto p = photograph(file, photo_width, photo_height);
    if (!p) return figures.missing("recognise", p.error().text);
    photos.push_back(std::move(*p));
  }
  const std::size_t photographs_used = photos.size();
  const Rolls rolls(std::move(photos));
  std::vector<lap::RollFeatures> known;
  std::size_t features = 0;
  for (unsigned r = 0; r < rolls_known; ++r) {
    const image::Rgb16 sheet = rolls.sheet(setting.seed * 100000 + r);
    image::MemorySource source(sheet, Ppi{ppi});
    auto found = station::features_of(source, {}, rolls.frames());
    if (!found) return figures.missing("recognise", found.error().text);
    features += found->size();
    known.push_back({std::to_string(r), std::move(*found)});
  }
  const int looks = 50 * setting.pages;
  std::mt19937 random(setting.seed);
  const Table table("Rolls recognised among " + std::to_string(rolls_known) + " (parts of " + std::to_string(photographs_used) + " photographs, " +
                        std::to_string(features / rolls_known) + " features a roll); a wrong one is one trial a roll",
                    {"look at", "looks", "right", "by pictures", "refused", "wrong", "least agree", "most of others", "worst mm", "s each", "slowest"}, {26, 6, 6, 11, 8, 6, 12, 15, 9, 7, 8});
  double slowest = 0;
  int wrong_in_all = 0;
  std::int64_t trials = 0;
  for (const auto& [name, there, strip] : {std::tuple("a known roll", true, false), std::tuple("one strip of a known roll", true, true), std::tuple("a strange roll", false, false),
                                           std::tuple("one strip of a strange roll", false, true)}) {
    int right = 0, pictures = 0, refused = 0, wrong = 0, least = 100000, others = 0;
    double sum = 0, slow = 0, worst = 0;
    for (int n = 0; n < looks; ++n) {
      const unsigned at = static_cast<unsigned>(random() % rolls_known), roll = setting.seed * 100000 + (there ? at : static_cast<unsigned>(rolls_known) + 500U + static_cast<unsigned>(n));
      const Look look = look_at(rolls, roll, random, strip);
      const Clock clock;
      const auto all = lap::likenesses(look.plain, look.mirrored, known, 1);
      auto is = lap::recognised(all);
      const double seconds = clock.wall();
      // As the station does: where places do not tell, pictures do.
      std::vector<station::Shown> shown;
      for (std::size_t i = 0; !is && i < std::min(all.size(), station::most_candidates); ++i) {
        if (all[i].agreeing < station::least_of_candidate) break;
        auto one = rolls.shown(setting.seed * 100000 + static_cast<unsigned>(all[i].roll), all[i].lay, look.picture);
        if (!one) return figures.missing("recognise", one.error().text);
        shown.push_back(std::move(*one));
        shown.back().candidate = all[i];
      }
      const bool by_pictures = !is && station::told_by_pictures(shown);
      if (by_pictures)
        is = std::max_element(shown.begin(), shown.end(), [](const auto& a, const auto& b) { return a.same < b.same; })->candidate;
      sum += seconds, slow = std::max(slow, seconds);
      trials += static_cast<std::int64_t>(rolls_known) - (there ? 1 : 0);
      for (const auto& l : all)
        if (!there || l.roll != at) others = std::max(others, l.agreeing);
      if (!is) {
        ++refused;
        continue;
      }
      if (!there || is->roll != at) {
        ++wrong;
        continue;
      }
      ++right, pictures += by_pictures, least = std::min(least, is->agreeing);
      for (const auto& f : rolls.frames()) {
        const auto p = is->lay(f.corners[0]);
        const auto q = look.truth(f.corners[0]);
        if (q.x >= 0 && q.y >= 0 && q.x <= 203 && q.y <= 254 && !strip) worst = std::max(worst, std::hypot(p.x - q.x, p.y - q.y));
      }
    }
    table.row({name, std::to_string(looks), std::to_string(right), std::to_string(pictures), std::to_string(refused), std::to_string(wrong), right ? std::to_string(least) : "-", std::to_string(others),
               right && !strip ? number(worst, 2) : "-", number(sum / looks, 2), number(slow, 2)});
    std::fflush(stdout);
    slowest = std::max(slowest, slow), wrong_in_all += wrong;
    if (there) figures.expect(std::string("recognise, ") + name + ", not recognised, %", 100.0 * refused / looks, strip ? 10 : 1);
  }
  std::printf("  %lld trials of a look against a roll that it does not show\n", static_cast<long long>(trials));
  figures.expect("recognise, wrong rolls named", wrong_in_all, 0);
  figures.expect("recognise, slowest search of 1000 rolls, s", slowest, 2);
}

}  // namespace lapwright::bench
