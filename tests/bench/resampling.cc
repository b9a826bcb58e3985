#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <cstdio>
#include <functional>
#include <numbers>
#include <random>

#include "bench/sections.h"
#include "join/join.h"
#include "lap/patches.h"
#include "raw/tiff.h"

namespace lapwright::bench {
namespace {

namespace fs = std::filesystem;
using image::Rgb16;
using Pattern =
    std::function<double(double x, double y)>;  // -1 .. 1 at a continuous pixel position

constexpr std::int64_t side = 900;
constexpr double middle = 30000, swing = 20000, pi = std::numbers::pi;
constexpr int some_ppi = 1200;
const double k = some_ppi / 25.4;

/// The map from the sheet's pixels to the pass's: a turn, a carriage's scale, a part of a pixel.
Affine<SheetSpace, PassSpace> bed_map() {
  const double t = 0.15 * pi / 180, s = 1 + 2e-4;
  return {std::cos(t), s * std::sin(t), -std::sin(t), s * std::cos(t), 13.37, 7.62};
}

Rgb16 drawn(const Pattern& f) {
  Rgb16 out(side, side);
  for (std::int64_t y = 0; y < side; ++y)
    for (std::int64_t x = 0; x < side; ++x)
      for (std::int64_t c = 0; c < 3; ++c)
        out.row(y)[x * 3 + c] = static_cast<std::uint16_t>(std::lround(
            middle + swing * f(static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5)));
  return out;
}

class Collect : public image::RowSink {
 public:
  explicit Collect(const join::SheetGeometry& g) : picture(g.width, g.height) {}
  Result<> write(const std::uint16_t* rows, std::int64_t count) override {
    std::copy(rows, rows + count * picture.width() * 3, picture.row(next_));
    next_ += count;
    return {};
  }
  Rgb16 picture;

 private:
  std::int64_t next_ = 0;
};

constexpr std::int64_t out_side = 860;

Result<Rgb16> joined(const Rgb16& pass) {
  image::MemorySource source(pass, Ppi{some_ppi});
  join::SheetGeometry g;
  g.ppi = Ppi{some_ppi}, g.width = g.height = out_side;
  lap::Placement p;
  p.affine = core::compose(bed_map(), g.sleeve_to_sheet());
  Collect sink(g);
  const std::atomic<bool> never{false};
  const auto done = join::join({{&source, p, {}, 1}}, {}, g, sink, never);
  if (!done) return fail(done.error());
  return sink.picture;
}

Result<> write(const Rgb16& picture, const fs::path& file) {
  auto writer = raw::Writer::create(file, picture.width(), picture.height(), Ppi{some_ppi}, {});
  if (!writer) return fail(writer.error());
  if (auto r = (*writer)->write(picture.row(0), picture.height()); !r) return r;
  if (auto r = (*writer)->finish(); !r) return fail(r.error());
  return {};
}

Result<Rgb16> read(const fs::path& file) {
  auto reader = raw::Reader::open(file);
  if (!reader) return fail(reader.error());
  Rgb16 out((*reader)->width(), (*reader)->height());
  if (auto r = (*reader)->read(0, out.height(), out.row(0)); !r) return fail(r.error());
  return out;
}

Result<Rgb16> by_peer(const Setting& setting, const std::string& which, const fs::path& in) {
  const fs::path out = setting.folder / "warped.tif";
  auto m = bed_map();
  // Counted from pixel centres.
  m.e += 0.5 * (m.a + m.c) - 0.5, m.f += 0.5 * (m.b + m.d) - 0.5;
  std::vector<std::string> command{
      setting.peers, which, in, out, std::to_string(out_side), std::to_string(out_side)};
  for (const double v : {m.a, m.c, m.e, m.b, m.d, m.f}) {
    char text[40];
    std::snprintf(text, sizeof text, "%.17g", v);
    command.emplace_back(text);
  }
  const Measured done = in_program(command);
  if (!done.failed.empty()) return fail(Fault::internal, done.failed);
  auto picture = read(out);
  fs::remove(out);
  return picture;
}

/// Error against the pattern itself, RMS, in per cent of the pattern's own RMS, by bins that `bin`
/// gives (negative: left out).
std::vector<double> errors(const Rgb16& sheet, const Pattern& f, int bins,
                           const std::function<int(double, double)>& bin) {
  std::vector<double> wrong(static_cast<std::size_t>(bins)), power(wrong), count(wrong);
  const auto m = bed_map();
  for (std::int64_t y = 8; y < sheet.height() - 8; ++y)
    for (std::int64_t x = 8; x < sheet.width() - 8; ++x) {
      const auto p = m({static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5});
      const int b = bin(p.x, p.y);
      if (b < 0 || b >= bins) continue;
      const double want = swing * f(p.x, p.y),
                   got = static_cast<double>(sheet.row(y)[x * 3 + 1]) - middle;
      const auto i = static_cast<std::size_t>(b);
      wrong[i] += (got - want) * (got - want), power[i] += want * want, count[i] += 1;
    }
  for (std::size_t i = 0; i < wrong.size(); ++i)
    wrong[i] = power[i] > 0 ? 100 * std::sqrt(wrong[i] / power[i]) : std::nan("");
  return wrong;
}

/// Spatial frequency response at `frequency` cycles a pixel of an edge a few degrees off vertical:
/// ISO 12233's slanted edge.
double edge_response(const Rgb16& picture, std::int64_t x0, std::int64_t y0, std::int64_t w,
                     std::int64_t h, double frequency) {
  const auto at = [&](std::int64_t x, std::int64_t y) {
    return static_cast<double>(picture.row(y0 + y)[(x0 + x) * 3 + 1]);
  };
  // A line through each row's centroid of the derivative, the second time weighted around the first
  // line.
  double slope = 0, start = static_cast<double>(w) / 2;
  for (int round = 0; round < 2; ++round) {
    double n = 0, sy = 0, sx = 0, syy = 0, sxy = 0;
    for (std::int64_t y = 0; y < h; ++y) {
      double sum = 0, moment = 0;
      const double centre = start + slope * static_cast<double>(y);
      for (std::int64_t x = 0; x + 1 < w; ++x) {
        const double u = (static_cast<double>(x) + 1 - centre) / (static_cast<double>(w) / 2);
        const double window = std::abs(u) < 1 ? 0.54 + 0.46 * std::cos(pi * u) : 0;
        const double d = (at(x + 1, y) - at(x, y)) * window;
        sum += d, moment += d * (static_cast<double>(x) + 1);
      }
      const double c = moment / sum, yy = static_cast<double>(y);
      n += 1, sy += yy, sx += c, syy += yy * yy, sxy += yy * c;
    }
    slope = (n * sxy - sx * sy) / (n * syy - sy * sy), start = (sx - slope * sy) / n;
  }
  // Four bins a pixel, across the edge.
  const auto bins = static_cast<std::size_t>(w * 4);
  std::vector<double> sum(bins), count(bins);
  for (std::int64_t y = 0; y < h; ++y)
    for (std::int64_t x = 0; x < w; ++x) {
      const double d = (static_cast<double>(x) + 0.5 - (start + slope * static_cast<double>(y))) +
                       static_cast<double>(w) / 2;
      const auto b = static_cast<std::int64_t>(std::floor(d * 4));
      if (b >= 0 && b < w * 4)
        sum[static_cast<std::size_t>(b)] += at(x, y), count[static_cast<std::size_t>(b)] += 1;
    }
  std::vector<double> profile;
  for (std::size_t i = 0; i < bins; ++i)
    if (count[i] > 0)
      profile.push_back(sum[i] / count[i]);
    else if (!profile.empty())
      profile.push_back(profile.back());
  std::complex<double> there = 0, none = 0;
  const double n = static_cast<double>(profile.size()) - 1;
  for (std::size_t i = 0; i + 1 < profile.size(); ++i) {
    const double window = 0.54 - 0.46 * std::cos(2 * pi * static_cast<double>(i) / n),
                 d = (profile[i + 1] - profile[i]) * window;
    there +=
        d * std::exp(std::complex<double>(0, -2 * pi * frequency * static_cast<double>(i) / 4)),
        none += d;
  }
  // The difference of bins is itself a filter; its response is taken out, and the true step across
  // the tilted edge put in.
  const double step = frequency / 4 / std::cos(std::atan(slope)),
               filter = std::sin(pi * step) / (pi * step);
  return std::abs(there) / std::abs(none) / filter;
}

void patterns(const Setting& setting, Figures& figures) {
  const double centre = side / 2.0, reach = centre - 30;
  // A zone plate whose frequency grows to 0.7 Nyquist at `reach`.
  const Pattern zone = [=](double x, double y) {
    const double r2 = (x - centre) * (x - centre) + (y - centre) * (y - centre);
    return std::cos(pi * 0.35 / reach * r2);
  };
  // Waves of every direction up to 0.7 Nyquist.
  std::mt19937_64 random(setting.seed + 40);
  std::uniform_real_distribution<double> one(0, 1);
  std::vector<std::array<double, 3>> waves;
  for (int i = 0; i < 120; ++i) {
    const double f = 0.35 * std::sqrt(one(random)), a = 2 * pi * one(random);
    waves.push_back({2 * pi * f * std::cos(a), 2 * pi * f * std::sin(a), 2 * pi * one(random)});
  }
  const Pattern noise = [=](double x, double y) {
    double s = 0;
    for (const auto& w : waves) s += std::cos(w[0] * x + w[1] * y + w[2]);
    return std::clamp(s / std::sqrt(static_cast<double>(waves.size())) * 0.25, -1.4, 1.4);
  };
  const double tilt = std::tan(5 * pi / 180);
  const Pattern edge = [=](double x, double y) {
    const double d = ((x - centre) - tilt * (y - centre)) * std::cos(5 * pi / 180);
    return -std::cos(0) * 0.9 * std::erf(d / (0.5 * std::numbers::sqrt2));
  };
  const Table table(
      "Resampling once (0.15 deg, scale 2e-4, a part of a pixel) against the pattern itself: error "
      "RMS in % of the pattern's RMS",
      {"", "zone plate to 0.1 Ny", "0.2", "0.3", "0.4", "0.5", "0.6", "0.7", "noise to 0.7 Ny",
       "edge SFR at Ny/2", "loss %"},
      {-28, 20, 7, 7, 7, 7, 7, 7, 16, 16, 7});
  const Rgb16 zoned = drawn(zone), noised = drawn(noise), edged = drawn(edge);
  const auto files = std::array{setting.folder / "zone.tif", setting.folder / "noise.tif",
                                setting.folder / "edge.tif"};
  const std::array<const Rgb16*, 3> pictures{&zoned, &noised, &edged};
  for (std::size_t i = 0; i < 3; ++i)
    if (auto r = write(*pictures[i], files[i]); !r) {
      std::printf("  %s\n", r.error().text.c_str());
      return;
    }
  const std::int64_t x0 = side / 2 - 60, y0 = side / 2 - 100;
  const double before = edge_response(edged, x0, y0, 120, 200, 0.25);
  table.row({"before", "", "", "", "", "", "", "", "", number(before, 4)});
  for (const std::string who : {"lapwright", "warp-opencv", "warp-libvips"}) {
    if (who != "lapwright" && !setting.with_peers) continue;
    std::array<Result<Rgb16>, 3> out;
    for (std::size_t i = 0; i < 3; ++i)
      out[i] = who == "lapwright" ? joined(*pictures[i]) : by_peer(setting, who, files[i]);
    const std::string name = who == "lapwright"     ? who
                             : who == "warp-opencv" ? "OpenCV, Lanczos 8 x 8"
                                                    : "libvips, bicubic";
    bool failed = false;
    for (const auto& o : out)
      if (!o && !failed)
        std::printf("  %s: %s\n", name.c_str(), o.error().text.c_str()), failed = true;
    if (failed) continue;
    const auto rings = errors(*out[0], zone, 7, [=](double x, double y) {
      return static_cast<int>(std::hypot(x - centre, y - centre) / reach * 7);
    });
    const double all = errors(*out[1], noise, 1, [](double, double) { return 0; })[0];
    const double after = edge_response(*out[2], x0 - 13, y0 - 8, 120, 200, 0.25),
                 loss = 100 * (1 - after / before);
    std::vector<std::string> cells{name};
    for (const double r : rings) cells.push_back(number(r, 3));
    for (const auto& s : {number(all, 3), number(after, 4), number(loss, 2)}) cells.push_back(s);
    table.row(cells);
    if (who == "lapwright") {
      for (const double r : rings)
        figures.expect("resampling, error RMS up to 0.7 Nyquist, %", r, 0.5);
      figures.expect("resampling, error RMS up to 0.7 Nyquist, %", all, 0.5);
      figures.expect("slanted-edge response lost at half Nyquist, %", std::abs(loss), 2);
    }
  }
  for (const auto& f : files) fs::remove(f);
}

image::Plane density_box(const Rgb16& picture, const lap::Box& box) {
  image::Plane p(box.width, box.height);
  for (std::int64_t y = 0; y < box.height; ++y)
    for (std::int64_t x = 0; x < box.width; ++x) {
      const std::uint16_t* s = picture.row(box.y + y) + (box.x + x) * 3;
      double sum = 0;
      for (int c = 0; c < 3; ++c)
        sum -= std::log10((static_cast<double>(s[c]) + 100) / open_counts);
      p.row(y)[x] = static_cast<float>(sum / 3);
    }
  return p;
}

double rms_of(const std::vector<double>& v) {
  double sum = 0;
  for (const double d : v) sum += d * d;
  return v.empty() ? std::nan("") : std::sqrt(sum / static_cast<double>(v.size()));
}

double median_of(std::vector<double> v) {
  if (v.empty()) return std::nan("");
  std::sort(v.begin(), v.end());
  return v[v.size() / 2];
}

/// Patches of real photographs under pure shifts: lapwright's step and OpenCV's phase correlation
/// on the same patches.
void shifts(const Setting& setting, Figures& figures) {
  constexpr std::int64_t patch = 64, around = 8;
  const Table table(
      "Shift of 64 x 64 patches of photographs at 1200 ppi, distance from the truth, px, over the "
      "patches that lapwright answers for",
      {"shift", "patches", "answered", "lapwright RMS", "median", "OpenCV phase correlation RMS",
       "median", "ratio"},
      {-14, 8, 9, 14, 8, 29, 8, 7});
  PageOptions options;
  options.seed = setting.seed;
  options.shown = {Micrometres::from_mm(50), Micrometres::from_mm(14), Micrometres::from_mm(80),
                   Micrometres::from_mm(30)};
  const auto page = FilmPage::make(bench_sleeve(), some_ppi, options);
  if (!page) {
    std::printf("  %s\n", page.error().text.c_str());
    return;
  }
  PassSpec spec;
  spec.ppi = some_ppi, spec.x = 58, spec.y = 20, spec.width = 60, spec.height = 22, spec.dust = 0;
  const auto made = [&](double dx, double dy, unsigned seed) {
    PassSpec s = spec;
    s.shift_x = dx, s.shift_y = dy, s.seed = seed;
    const PassTruth truth(s);
    PassSource source(*page, truth);
    Rgb16 out(truth.width(), truth.height());
    (void)source.read(0, out.height(), out.row(0));
    return out;
  };
  const auto fa = setting.folder / "a.tif", fb = setting.folder / "b.tif";
  const Rgb16 a = made(0, 0, 1);
  for (const auto& [dx, dy] : std::array<std::array<double, 2>, 4>{
           {{0.37, -0.21}, {0.5, 0.5}, {-0.13, 0.74}, {1.62, -1.38}}}) {
    const Rgb16 b = made(dx, dy, 2);
    std::vector<lap::Site> sites;
    std::vector<image::Plane> pa, pb;
    std::vector<std::string> command{setting.peers, "phase", fa, fb, std::to_string(patch)};
    for (std::int64_t y = 16; y + patch + 16 < a.height(); y += 80)
      for (std::int64_t x = 16; x + patch + 16 < a.width(); x += 80) {
        lap::Site s;
        s.a = {x, y, patch, patch},
        s.b = {x - around, y - around, patch + 2 * around, patch + 2 * around};
        const image::Plane plane = density_box(a, s.a);
        double sum = 0, squares = 0;
        for (const float v : plane.values)
          sum += static_cast<double>(v), squares += static_cast<double>(v) * static_cast<double>(v);
        const auto n = static_cast<double>(plane.values.size());
        if (squares / n - sum / n * sum / n < 0.0004) continue;  // nothing there but grain
        sites.push_back(s), pa.push_back(plane), pb.push_back(density_box(b, s.b));
        command.push_back(std::to_string(x)), command.push_back(std::to_string(y));
      }
    const auto matches = lap::measure(sites, pa, pb);
    Measured theirs;
    if (setting.with_peers && write(a, fa) && write(b, fb)) theirs = in_program(command);
    // On the patches that lapwright answered for.
    std::vector<double> ours_off, theirs_off;
    for (const auto& m : matches) {
      const auto site = std::find_if(sites.begin(), sites.end(), [&](const lap::Site& s) {
        return m.a.x >= static_cast<double>(s.a.x) && m.a.x <= static_cast<double>(s.a.x + patch) &&
               m.a.y >= static_cast<double>(s.a.y) && m.a.y <= static_cast<double>(s.a.y + patch);
      });
      if (site == sites.end()) continue;
      const auto i = std::to_string(site - sites.begin());
      ours_off.push_back(std::hypot(m.b.x - m.a.x - dx, m.b.y - m.a.y - dy));
      theirs_off.push_back(std::hypot(theirs.at("dx" + i) - dx, theirs.at("dy" + i) - dy));
    }
    const double ours_rms = rms_of(ours_off), theirs_rms = rms_of(theirs_off);
    table.row({number(dx, 2) + ", " + number(dy, 2), std::to_string(sites.size()),
               std::to_string(ours_off.size()), number(ours_rms, 4), number(median_of(ours_off), 4),
               number(theirs_rms, 4), number(median_of(theirs_off), 4),
               number(theirs_rms / ours_rms, 1)});
    figures.expect("shift of a patch, error over that of OpenCV's phase correlation",
                   ours_rms / theirs_rms, 1);
  }
  fs::remove(fa), fs::remove(fb);
}

}  // namespace

void resampling(const Setting& setting, Figures& figures) {
  patterns(setting, figures);
  shifts(setting, figures);
}

}  // namespace lapwright::bench
