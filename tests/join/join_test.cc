#include "join/join.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <string>

#include "support/film_scene.h"

namespace lapwright::join {
namespace {

using image::Rgb16;

class Collect : public image::RowSink {
 public:
  explicit Collect(const SheetGeometry& g) : picture(g.width, g.height) {}
  Result<> write(const std::uint16_t* rows, std::int64_t count) override {
    std::copy(rows, rows + count * picture.width() * 3, picture.row(next));
    next += count;
    return {};
  }
  Rgb16 picture;
  std::int64_t next = 0;
};

constexpr Ppi ppi{200};
const std::atomic<bool> never{false};

Rect<SleeveSpace> area(double x, double y, double w, double h) {
  return {Micrometres::from_mm(x), Micrometres::from_mm(y), Micrometres::from_mm(w), Micrometres::from_mm(h)};
}

/// Sleeve mm to pass px for a sleeve part turned by quarter turns (clockwise), mirrored, and askew by a small angle.
struct Lay { Affine<SleeveSpace, PassSpace> map; std::int64_t width, height; };
Lay lay(const Rect<SleeveSpace>& part, int quarters, bool mirrored, double askew_degrees, double off_x, double off_y) {
  const double k = ppi.pixels_per_mm(), turn = askew_degrees * 3.14159265358979 / 180;
  const double w = part.width.mm() * k, h = part.height.mm() * k;
  static constexpr int cosines[4] = {1, 0, -1, 0}, sines[4] = {0, 1, 0, -1};
  const double c = cosines[quarters] * std::cos(turn) - sines[quarters] * std::sin(turn);
  const double s = sines[quarters] * std::cos(turn) + cosines[quarters] * std::sin(turn);
  Lay l;
  l.width = std::llround(quarters % 2 ? h : w);
  l.height = std::llround(quarters % 2 ? w : h);
  const double m = mirrored ? -1 : 1;
  l.map.a = m * c * k, l.map.c = -m * s * k, l.map.b = s * k, l.map.d = c * k;
  const auto centre = part.centre_mm();
  l.map.e = static_cast<double>(l.width) / 2 - l.map.a * centre.x - l.map.c * centre.y + off_x;
  l.map.f = static_cast<double>(l.height) / 2 - l.map.b * centre.x - l.map.d * centre.y + off_y;
  return l;
}

struct Difference { double rms = 0, most = 0; };
/// Over what both hold, in per cent of full scale.
Difference compare(const Rgb16& a, const Rgb16& b, std::int64_t margin = 0) {
  double sum = 0, n = 0, most = 0;
  for (std::int64_t y = margin; y < a.height() - margin; ++y)
    for (std::int64_t i = margin * 3; i < (a.width() - margin) * 3; ++i) {
      const double d = static_cast<double>(a.row(y)[i]) - static_cast<double>(b.row(y)[i]);
      sum += d * d, ++n;
      most = std::max(most, std::abs(d));
    }
  return {std::sqrt(sum / n) / 600, most / 600};
}

/// Averages 3 x 3 neighbours twice, so that a render holds nothing near its own Nyquist frequency.
Rgb16 softened(const Rgb16& in) {
  Rgb16 now = in;
  for (int pass = 0; pass < 2; ++pass) {
    Rgb16 out(in.width(), in.height());
    for (std::int64_t y = 0; y < in.height(); ++y)
      for (std::int64_t x = 0; x < in.width(); ++x)
        for (int c = 0; c < 3; ++c) {
          unsigned sum = 0;
          for (std::int64_t j = -1; j <= 1; ++j)
            for (std::int64_t i = -1; i <= 1; ++i)
              sum += now.row(std::clamp<std::int64_t>(y + j, 0, in.height() - 1))[std::clamp<std::int64_t>(x + i, 0, in.width() - 1) * 3 + c];
          out.row(y)[x * 3 + c] = static_cast<std::uint16_t>((sum + 4) / 9);
        }
    now = std::move(out);
  }
  return now;
}

plan::Lap lap_at(double x) {
  plan::Lap l;
  l.a = 1, l.b = 2;
  l.seam = {plan::Axis::x, Micrometres::from_mm(x), plan::Through::gap};
  return l;
}

const support::Scene& scene() {
  static const support::Scene s(support::sleeve_135_7x5());
  return s;
}

/// A broad smooth scene, band-limited well below Nyquist: what is wrong is then the join's.
std::array<double, 3> waves(Spot<SleeveSpace> s) {
  std::array<double, 3> v{};
  for (std::size_t c = 0; c < 3; ++c)
    v[c] = 30000 + 9000 * std::sin(s.x * (5.1 + 0.7 * static_cast<double>(c)) + s.y * 2.3) + 9000 * std::sin(s.y * 6.3 - s.x * 1.7 + static_cast<double>(c));
  return v;
}

template <class Where>
Rgb16 draw_waves(std::int64_t width, std::int64_t height, const Where& where) {
  Rgb16 out(width, height);
  for (std::int64_t y = 0; y < height; ++y)
    for (std::int64_t x = 0; x < width; ++x) {
      const auto v = waves(where(Spot<PassSpace>{static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5}));
      for (std::size_t c = 0; c < 3; ++c) out.row(y)[x * 3 + static_cast<std::int64_t>(c)] = static_cast<std::uint16_t>(std::lround(v[c]));
    }
  return out;
}

TEST(Join, EveryTurnAndMirroringGivesTheSheetAsTheAnalyticSceneHasIt) {
  const auto whole = area(30, 20, 90, 60);
  const auto g = SheetGeometry::of(whole, ppi);
  const auto back = g.sleeve_to_sheet().inverse();
  const Rgb16 truth = draw_waves(g.width, g.height, [&](Spot<PassSpace> p) { return back({p.x, p.y}); });
  for (int quarters = 0; quarters < 4; ++quarters)
    for (const bool mirrored : {false, true}) {
      const Lay first = lay(area(28, 18, 60, 64), 0, false, 0.2, 0.31, -0.27);
      const Lay second = lay(area(66, 18, 57, 64), quarters, mirrored, -0.35, -0.4, 0.11);
      const auto back1 = first.map.inverse(), back2 = second.map.inverse();
      const Rgb16 a = draw_waves(first.width, first.height, [&](Spot<PassSpace> p) { return back1(p); });
      Rgb16 b = draw_waves(second.width, second.height, [&](Spot<PassSpace> p) { return back2(p); });
      lap::Light light{{1.02, 1.0, 0.97}, {0.004, 0, -0.006}};
      for (std::int64_t y = 0; y < b.height(); ++y)  // this pass's lamp, which `light` undoes
        for (std::int64_t x = 0; x < b.width(); ++x)
          for (std::size_t c = 0; c < 3; ++c) {
            auto& v = b.row(y)[x * 3 + static_cast<std::int64_t>(c)];
            v = static_cast<std::uint16_t>(std::lround(v / (light.gain[c] * std::pow(10.0, light.drift[c] * (static_cast<double>(y) + 0.5) / static_cast<double>(b.height())))));
          }
      image::MemorySource sa(a, ppi), sb(b, ppi);
      lap::Placement pa, pb;
      pa.affine = first.map, pb.affine = second.map;
      Collect out(g);
      auto report = join({{&sa, pa, {}, 1}, {&sb, pb, light, 2}}, {lap_at(76)}, g, out, never);
      ASSERT_TRUE(report) << report.error().text;
      EXPECT_EQ(report->uncovered_pixels, 0);
      EXPECT_TRUE(report->resampled);
      EXPECT_EQ(out.next, g.height);
      const Difference d = compare(out.picture, truth);
      EXPECT_LT(d.rms, 0.04) << quarters << mirrored;  // per cent of full scale
      EXPECT_LT(d.most, 0.15) << quarters << mirrored;
    }
}

TEST(Join, FollowsTheCarriagesCurve) {
  // CALC registration.md: wobble of 60 um with a 40 mm period, at 200 ppi 0.47 px.
  const auto part = area(30, 20, 60, 60);
  const auto g = SheetGeometry::of(area(32, 22, 55, 55), ppi);
  const Lay l = lay(part, 1, false, 0.1, 0.2, 0.3);
  lap::Placement p;
  p.affine = l.map;
  p.dy.knot_rows = 30;
  p.dy.first_row = -30;
  for (int i = 0; i < static_cast<int>(l.height / 30) + 6; ++i) p.dy.coefficients.push_back(1.5 * std::sin(i * 0.55));
  p.dx = p.dy;
  for (double& v : p.dx.coefficients) v *= -0.4;
  const Rgb16 a = draw_waves(l.width, l.height, [&](Spot<PassSpace> q) { return lap::sleeve_at(p, q); });
  const auto back = g.sleeve_to_sheet().inverse();
  const Rgb16 truth = draw_waves(g.width, g.height, [&](Spot<PassSpace> q) { return back({q.x, q.y}); });
  image::MemorySource source(a, ppi);
  Collect out(g);
  auto report = join({{&source, p, {}, 1}}, {}, g, out, never);
  ASSERT_TRUE(report);
  const Difference d = compare(out.picture, truth);
  // A knot every 30 rows bends far more sharply than any carriage (180 px period, 1.5 px); 0.06 px of 1.1 counts a px.
  EXPECT_LT(d.rms, 0.15) << d.rms;
  // Without the curve the sheet is plainly wrong, so the figure above says something.
  p.dx = p.dy = {};
  Collect straight(g);
  ASSERT_TRUE(join({{&source, p, {}, 1}}, {}, g, straight, never));
  EXPECT_GT(compare(straight.picture, truth).rms, 10 * d.rms);
}

TEST(Join, WholePixelsAndAQuarterTurnAreCopiedBitForBit) {
  const Rgb16 pass = support::render(scene(), mm_to_pixels<SleeveSpace, PassSpace>({20, 10}, ppi), 500, 420, {.noise = 900});
  image::MemorySource source(pass, ppi);
  const SheetGeometry g{{20, 10}, ppi, 300, 280};
  for (int quarters = 0; quarters < 4; ++quarters)
    for (const bool mirrored : {false, true}) {
      // Sheet pixel (x, y) is pass pixel (x0 + a x + c y, y0 + b x + d y).
      static constexpr int cosines[4] = {1, 0, -1, 0}, sines[4] = {0, 1, 0, -1};
      const int m = mirrored ? -1 : 1;
      const int a = m * cosines[quarters], c = -m * sines[quarters], b = sines[quarters], d = cosines[quarters];
      const std::int64_t x0 = a + c < 0 || (a < 0 || c < 0) ? 350 : 20, y0 = b < 0 || d < 0 ? 400 : 30;
      Affine<SheetSpace, PassSpace> map{static_cast<double>(a), static_cast<double>(b), static_cast<double>(c), static_cast<double>(d),
                                        static_cast<double>(x0) + (a + c > 0 ? 0 : 1), static_cast<double>(y0) + (b + d > 0 ? 0 : 1)};
      lap::Placement place;
      place.affine = core::compose(map, g.sleeve_to_sheet());
      Collect out(g);
      auto report = join({{&source, place, {}, 1}}, {}, g, out, never, {.memory_bytes = 1 << 20});
      ASSERT_TRUE(report);
      EXPECT_FALSE(report->resampled);
      EXPECT_EQ(report->uncovered_pixels, 0);
      bool same = true;
      for (std::int64_t y = 0; y < g.height; ++y)
        for (std::int64_t x = 0; x < g.width; ++x)
          for (int k = 0; k < 3; ++k) same = same && out.picture.row(y)[x * 3 + k] == pass.row(y0 + b * x + d * y)[(x0 + a * x + c * y) * 3 + k];
      EXPECT_TRUE(same) << quarters << mirrored;
    }
}

/// A picture rendered three times as fine, brought down by optics: a spread of 0.47 px, three boxes long.
Rgb16 through_optics(const Rgb16& fine) {
  static constexpr int weights[7] = {1, 3, 6, 7, 6, 3, 1};
  Rgb16 out(fine.width() / 3, fine.height() / 3);
  std::vector<double> line(static_cast<std::size_t>(fine.width() * 3));
  for (std::int64_t y = 0; y < out.height(); ++y) {
    std::fill(line.begin(), line.end(), 0.0);
    for (std::int64_t j = 0; j < 7; ++j) {
      const std::uint16_t* row = fine.row(std::clamp<std::int64_t>(3 * y + j - 2, 0, fine.height() - 1));
      for (std::size_t i = 0; i < line.size(); ++i) line[i] += weights[j] * static_cast<double>(row[i]);
    }
    for (std::int64_t x = 0; x < out.width(); ++x)
      for (std::int64_t c = 0; c < 3; ++c) {
        double sum = 0;
        for (std::int64_t i = 0; i < 7; ++i)
          sum += weights[i] * line[static_cast<std::size_t>(std::clamp<std::int64_t>(3 * x + i - 2, 0, fine.width() - 1) * 3 + c)];
        out.row(y)[x * 3 + c] = static_cast<std::uint16_t>(std::lround(sum / (27 * 27)));
      }
  }
  return out;
}

/// Passes of film as two captures of the same sleeve have them.
struct FilmCase { Rgb16 a, b, truth, joined; SheetGeometry g; Report report; };
FilmCase join_film(double noise) {
  FilmCase f;
  f.g = SheetGeometry::of(area(16, 12, 50, 26), ppi);
  const Lay first = lay(area(14, 10, 34, 30), 0, false, 0.15, 0.31, 0.2), second = lay(area(34, 10, 34, 30), 2, false, -0.2, 0.4, -0.3);
  const auto capture = [&](const Lay& l, unsigned seed) {
    Affine<SleeveSpace, PassSpace> fine = l.map;
    for (double* v : {&fine.a, &fine.b, &fine.c, &fine.d, &fine.e, &fine.f}) *v *= 3;
    return through_optics(support::render(scene(), fine, l.width * 3, l.height * 3, {.noise = noise, .seed = seed}));
  };
  f.a = capture(first, 3), f.b = capture(second, 4);
  const auto back = f.g.sleeve_to_sheet().inverse();
  f.truth = through_optics(support::render(scene(), [&](Spot<PassSpace> p) { return back({p.x / 3, p.y / 3}); }, f.g.width * 3, f.g.height * 3));
  image::MemorySource sa(f.a, ppi), sb(f.b, ppi);
  lap::Placement pa, pb;
  pa.affine = first.map, pb.affine = second.map;
  Collect out(f.g);
  auto report = join({{&sa, pa, {}, 1}, {&sb, pb, {}, 2}}, {lap_at(41)}, f.g, out, never);
  EXPECT_TRUE(report);
  f.report = *report;
  f.joined = std::move(out.picture);
  return f;
}

TEST(Join, FilmIsTheDirectRender) {
  const FilmCase f = join_film(0);
  EXPECT_EQ(f.report.uncovered_pixels, 0);
  const Difference d = compare(f.joined, f.truth);
  std::printf("film against its direct render: %.3f %% RMS, softened %.3f %%\n", d.rms, compare(softened(f.joined), softened(f.truth)).rms);
  EXPECT_LT(d.rms, 0.5);
}

TEST(Join, FilmErrsInTheLapAsElsewhere) {
  const FilmCase f = join_film(450);
  // The error against the truth, column by column: those of the lap are like those elsewhere.
  const auto column_error = [&](std::int64_t x0, std::int64_t x1) {
    double sum = 0, n = 0;
    for (std::int64_t y = 0; y < f.g.height; ++y)
      for (std::int64_t i = x0 * 3; i < x1 * 3; ++i) {
        const double e = static_cast<double>(f.joined.row(y)[i]) - static_cast<double>(f.truth.row(y)[i]);
        sum += e * e, ++n;
      }
    return std::sqrt(sum / n);
  };
  const double k = ppi.pixels_per_mm();
  const auto lap0 = static_cast<std::int64_t>((34 - 16) * k), lap1 = static_cast<std::int64_t>((48 - 16) * k);
  const double in_lap = column_error(lap0, lap1), elsewhere = std::max(column_error(0, lap0), column_error(lap1, f.g.width));
  EXPECT_LT(in_lap, 1.15 * elsewhere);
}

TEST(Join, DustThatOnlyOnePassShowsIsLeftOut) {
  const Lay first = lay(area(14, 10, 70, 40), 0, false, 0, 0, 0), second = lay(area(60, 10, 72, 40), 0, false, 0, 0, 0);
  Rgb16 a(first.width, first.height), b(second.width, second.height);
  for (auto* p : {&a, &b})
    for (std::int64_t y = 0; y < p->height(); ++y) std::fill(p->row(y), p->row(y) + p->width() * 3, std::uint16_t{30000});
  // A crumb of 4 mm on the plan's seam at x = 72, only in pass 2.
  const auto p = second.map(Spot<SleeveSpace>{72, 30});
  for (std::int64_t y = std::llround(p.y) - 16; y < std::llround(p.y) + 16; ++y)
    for (std::int64_t x = std::llround(p.x) - 16; x < std::llround(p.x) + 16; ++x) std::fill_n(b.row(y) + x * 3, 3, std::uint16_t{6000});
  image::MemorySource sa(a, ppi), sb(b, ppi);
  lap::Placement pa, pb;
  pa.affine = first.map, pb.affine = second.map;
  const auto g = SheetGeometry::of(area(16, 12, 110, 36), ppi);
  Collect out(g);
  auto l = lap_at(72);
  auto report = join({{&sa, pa, {}, 1}, {&sb, pb, {}, 2}}, {l}, g, out, never);
  ASSERT_TRUE(report);
  // The path leaves all of it on the other pass's side.
  std::int64_t dark = 0;
  for (std::int64_t y = 0; y < g.height; ++y)
    for (std::int64_t x = 0; x < g.width; ++x) dark += out.picture.row(y)[x * 3] < 29000 ? 1 : 0;
  EXPECT_EQ(dark, 0);
}

TEST(Join, FourPassesInAGridAndWhatNobodyShows) {
  const auto g = SheetGeometry::of(area(20, 20, 100, 80), ppi);
  const auto back = g.sleeve_to_sheet().inverse();
  const Rgb16 truth = draw_waves(g.width, g.height, [&](Spot<PassSpace> p) { return back({p.x, p.y}); });
  std::vector<Rgb16> pictures;
  std::vector<lap::Placement> places;
  const Rect<SleeveSpace> parts[4] = {area(18, 18, 60, 50), area(64, 18, 58, 50), area(18, 56, 60, 46), area(64, 56, 58, 46)};
  for (int i = 0; i < 4; ++i) {
    const Lay l = lay(parts[i], i, false, 0.1 * i, 0.2 * i, -0.1 * i);
    const auto from = l.map.inverse();
    pictures.push_back(draw_waves(l.width, l.height, [&](Spot<PassSpace> p) { return from(p); }));
    places.emplace_back();
    places.back().affine = l.map;
  }
  std::vector<image::MemorySource> sources;
  for (const auto& p : pictures) sources.emplace_back(p, ppi);
  std::vector<Piece> pieces;
  for (std::size_t i = 0; i < 4; ++i) pieces.push_back({&sources[i], places[i], {}, static_cast<int>(i) + 1});
  Collect out(g);
  auto report = join(pieces, {}, g, out, never);
  ASSERT_TRUE(report);
  EXPECT_EQ(report->uncovered_pixels, 0);
  EXPECT_LT(compare(out.picture, truth).rms, 0.04);
  // Without the fourth its corner is open light, and counted.
  pieces.pop_back();
  Collect three(g);
  report = join(pieces, {}, g, three, never);
  ASSERT_TRUE(report);
  const double missing = (120 - 78) * (100 - 68) * ppi.pixels_per_mm() * ppi.pixels_per_mm();
  EXPECT_NEAR(static_cast<double>(report->uncovered_pixels), missing, missing * 0.05);
  const std::uint16_t* corner = three.picture.row(g.height - 5) + (g.width - 5) * 3;
  EXPECT_GT(corner[0], 44000);  // the brightest of the scene is 48000
}

TEST(Join, ShowsNothingIsBadDataAndStopIsCancelled) {
  const Rgb16 a(50, 50);
  image::MemorySource source(a, ppi);
  lap::Placement place;
  place.affine = mm_to_pixels<SleeveSpace, PassSpace>({500, 500}, ppi);
  const auto g = SheetGeometry::of(area(0, 0, 20, 20), ppi);
  Collect out(g);
  auto report = join({{&source, place, {}, 1}}, {}, g, out, never);
  ASSERT_FALSE(report);
  EXPECT_EQ(report.error().fault, Fault::bad_data);
  EXPECT_FALSE(join({}, {}, g, out, never));
  place.affine = mm_to_pixels<SleeveSpace, PassSpace>({0, 0}, ppi);
  const std::atomic<bool> at_once{true};
  report = join({{&source, place, {}, 1}}, {}, g, out, at_once);
  ASSERT_FALSE(report);
  EXPECT_EQ(report.error().fault, Fault::cancelled);
}

/// A pass of any size that costs no memory.
class Endless : public image::RowSource {
 public:
  Endless(std::int64_t width, std::int64_t height) : width_(width), height_(height) {}
  std::int64_t width() const override { return width_; }
  std::int64_t height() const override { return height_; }
  Ppi ppi() const override { return Ppi{1200}; }
  Result<> read(std::int64_t first, std::int64_t rows, std::uint16_t* out) override { return read_block(0, width_, first, rows, out); }
  Result<> read_block(std::int64_t x, std::int64_t columns, std::int64_t first, std::int64_t rows, std::uint16_t* out) override {
    for (std::int64_t y = 0; y < rows; ++y)
      for (std::int64_t i = 0; i < columns; ++i)
        for (int c = 0; c < 3; ++c) *out++ = static_cast<std::uint16_t>(30000 + ((x + i) * 7 + (first + y) * 3) % 1000);
    return {};
  }

 private:
  std::int64_t width_, height_;
};

class Drop : public image::RowSink {
 public:
  Result<> write(const std::uint16_t*, std::int64_t) override { return {}; }
};

std::int64_t status_bytes(const std::string& name) {
  std::ifstream in("/proc/self/status");
  for (std::string word; in >> word;)
    if (std::int64_t kib = 0; word == name + ":" && in >> kib) return kib * 1024;
  return -1;
}

TEST(Join, MemoryStaysWithinWhatItWasGivenWhateverTheSheet) {
  // A sheet of 190 MB from a pass turned a quarter; 32 MB are given.
  std::ofstream("/proc/self/clear_refs") << "5";  // the peak is measured from here (proc(5))
  const std::int64_t before = status_bytes("VmRSS");
  Endless pass(4400, 8400);
  lap::Placement place;
  const double k = Ppi{1200}.pixels_per_mm();
  place.affine = {0.0003 * k, k, -k, 0.0003 * k, 4300, 40};
  const SheetGeometry g{{0, 0}, Ppi{1200}, 8000, 4000};
  Drop sink;
  auto report = join({{&pass, place, {}, 1}}, {}, g, sink, never, {.memory_bytes = 32 << 20});
  ASSERT_TRUE(report);
  const std::int64_t grown = status_bytes("VmHWM") - before;
  RecordProperty("grown_bytes", std::to_string(grown));
  EXPECT_GT(grown, 4 << 20);  // it was measured at all
  EXPECT_LT(grown, 40 << 20);
}

TEST(Join, MemoryIsBoundedOnTheWidestBeds) {
  // 216 mm across at 2400 and 4800 ppi, some turned a quarter, none lying quite straight.
  for (const auto& [resolution, most] : {std::pair{2400, 128 << 20}, {4800, 256 << 20}})
    for (const bool turned : {false, true}) {
      const double k = Ppi{resolution}.pixels_per_mm();
      const SheetGeometry g{{0, 0}, Ppi{resolution}, std::llround(216 * k), 700};
      Endless pass(turned ? 1000 : g.width + 40, turned ? g.width + 40 : 1000);
      lap::Placement place;
      place.affine = {0.0001 * k, k, -k, 0.0001 * k, 900, 10};
      if (!turned) place.affine = {k, 0.0001 * k, -0.0001 * k, k, 10, 50};
      std::ofstream("/proc/self/clear_refs") << "5";
      const std::int64_t before = status_bytes("VmRSS");
      Drop sink;
      const auto report = join({{&pass, place, {}, 1}}, {}, g, sink, never);
      ASSERT_TRUE(report);
      EXPECT_TRUE(report->resampled);
      const std::int64_t grown = status_bytes("VmHWM") - before;
      std::printf("%d ppi, turned %d: %.0f MB\n", resolution, turned, static_cast<double>(grown) / 1e6);
      EXPECT_GT(grown, 8 << 20);
      EXPECT_LT(grown, most - (24 << 20));  // what a program needs besides
    }
}

}  // namespace
}  // namespace lapwright::join
