#include "bench/bed_model.h"

#include <algorithm>
#include <cmath>
#include <future>
#include <numbers>
#include <random>

namespace lapwright::bench {
namespace {

constexpr std::int64_t band = 64;

/// Sleeve -> pass for a window turned clockwise around its middle.
Affine<SleeveSpace, PassSpace> lay(const PassSpec& s, double degrees) {
  const double k = s.ppi / 25.4, t = degrees * std::numbers::pi / 180, c = std::cos(t),
               n = std::sin(t);
  const bool across = s.quarter % 2 != 0;
  const double w = (across ? s.height : s.width) * k, h = (across ? s.width : s.height) * k;
  Affine<SleeveSpace, PassSpace> m{k * c, k * n, -k * n, k * c, 0, 0};
  const auto p = m({s.x + s.width / 2, s.y + s.height / 2});
  m.e = w / 2 - p.x, m.f = h / 2 - p.y;
  return m;
}

}  // namespace

PassTruth::PassTruth(const PassSpec& spec) : spec_(spec), mm_(25.4 / spec.ppi) {
  const bool across = spec.quarter % 2 != 0;
  width_ = std::llround((across ? spec.height : spec.width) / mm_),
  height_ = std::llround((across ? spec.width : spec.height) / mm_);
  planned_ = lay(spec, 90.0 * spec.quarter);
  lay_ = lay(spec, 90.0 * spec.quarter + spec.turn);
  lay_.e += spec.shift_x, lay_.f += spec.shift_y;
  bumped_ = lay(spec, 90.0 * spec.quarter + spec.turn + spec.bump_turn);
  bumped_.e += spec.shift_x + spec.bump_x / mm_, bumped_.f += spec.shift_y + spec.bump_y / mm_;
  back_ = lay_.inverse(), bumped_back_ = bumped_.inverse();
}

double PassTruth::at(const std::vector<Wave>& waves, double mm) {
  double sum = 0;
  for (const Wave& w : waves)
    sum += w.um / 1000 * std::sin(2 * std::numbers::pi * mm / w.period_mm + w.phase);
  return sum;
}

double PassTruth::lens(double x) const {
  const double u = 2 * x / static_cast<double>(width_) - 1;
  return spec_.lens_um / 1000 / mm_ * (u * u + u * u * u) / 2;
}

Spot<SleeveSpace> PassTruth::where(Spot<PassSpace> p) const {
  const double mm = p.y * mm_;
  const auto& back = mm < spec_.bumped_at_mm ? back_ : bumped_back_;
  return back({p.x - lens(p.x) - at(spec_.sideways, mm) / mm_,
               p.y * (1 + spec_.scale) + at(spec_.carriage, mm) / mm_});
}

Spot<PassSpace> PassTruth::shows(Spot<SleeveSpace> s) const {
  const auto before = shown(lay_, s);
  return before.y * mm_ < spec_.bumped_at_mm ? before : shown(bumped_, s);
}

Spot<PassSpace> PassTruth::shown(const Affine<SleeveSpace, PassSpace>& lies,
                                 Spot<SleeveSpace> s) const {
  const auto q = lies(s);
  double row = q.y;
  for (int i = 0; i < 30; ++i)
    row = (q.y - at(spec_.carriage, row * mm_) / mm_) / (1 + spec_.scale);
  const double straight = q.x + at(spec_.sideways, row * mm_) / mm_;
  double x = straight;
  for (int i = 0; spec_.lens_um != 0 && i < 30; ++i) x = straight + lens(x);
  return {x, row};
}

lap::Placement PassTruth::placement() const {
  lap::Placement out{lay_, {}, {}};
  const double knot = 1 / mm_;
  const auto knots = static_cast<int>(static_cast<double>(height_) / knot) + 9;
  const auto curve = [&](const auto& f) {
    lap::Curve c;
    c.first_row = -3 * knot, c.knot_rows = knot;
    // Coefficient i stands at first_row + (i - 1) knots; a quasi-interpolant, exact for cubics.
    for (int i = 0; i < knots; ++i) {
      const double y = c.first_row + (i - 1) * knot;
      c.coefficients.push_back(f(y) - (f(y + knot) - 2 * f(y) + f(y - knot)) / 6);
    }
    return c;
  };
  const auto row_of = [&](double y) {
    double row = y;
    for (int i = 0; i < 30; ++i)
      row = (y - at(spec_.carriage, row * mm_) / mm_) / (1 + spec_.scale);
    return row;
  };
  if (!spec_.carriage.empty() || spec_.scale != 0)
    out.dy = curve([&](double y) { return row_of(y) - y; });
  if (!spec_.sideways.empty())
    out.dx = curve([&](double y) { return at(spec_.sideways, row_of(y) * mm_) / mm_; });
  return out;
}

double PassTruth::light(std::size_t c, double row) const {
  return spec_.light[c] * (1 + spec_.drift * (row / static_cast<double>(height_) - 0.5));
}

PassSource::PassSource(const FilmPage& page, const PassTruth& truth)
    : page_(page), truth_(truth), specks_(static_cast<std::size_t>(truth.height() / band + 1)) {
  const PassSpec& s = truth.spec();
  std::mt19937_64 random(s.seed * 7919ULL + 3);
  std::uniform_real_distribution<double> one(0, 1);
  const double k = s.ppi / 25.4;
  const auto add = [&](const Speck& speck) {
    const double reach = speck.long_axis + 2;
    const auto lo = static_cast<std::int64_t>(std::floor((speck.y - reach) / band)),
               hi = static_cast<std::int64_t>(std::floor((speck.y + reach) / band));
    for (std::int64_t b = std::max<std::int64_t>(0, lo);
         b <= hi && b < static_cast<std::int64_t>(specks_.size()); ++b)
      specks_[static_cast<std::size_t>(b)].push_back(speck);
  };
  const int count = static_cast<int>(s.dust * s.width * s.height / 100);
  for (int i = 0; i < count; ++i) {
    const double x = one(random) * static_cast<double>(truth.width()),
                 y = one(random) * static_cast<double>(truth.height()),
                 angle = one(random) * std::numbers::pi;
    const double radius = 0.015 * std::pow(8.0, one(random)), opacity = 0.3 + 0.6 * one(random);
    if (i % 12 == 0) {  // a hair: a bow of small discs
      const double length = 0.6 + 2.4 * one(random), bend = (one(random) - 0.5) * 1.6;
      const int n = static_cast<int>(length / 0.012);
      double px = x, py = y, a = angle;
      for (int j = 0; j < n; ++j) {
        px += 0.012 * k * std::cos(a), py += 0.012 * k * std::sin(a),
            a += bend * 0.012 / length * 3;
        add({px, py, 0.012 * k, 0.012 * k, 1, 0, opacity * std::min(1.0, 0.012 / 0.02)});
      }
    } else {
      add({x, y, radius * k * (1 + one(random)), radius * k, std::cos(angle), std::sin(angle),
           opacity});
    }
  }
}

void PassSource::tile(std::int64_t x, std::int64_t columns, std::int64_t first, std::int64_t rows,
                      std::uint16_t* out) const {
  const PassSpec& spec = truth_.spec();
  std::vector<float> light(static_cast<std::size_t>(columns * 4));
  // Counts to electrons and back: the variance of a count is count * well + read^2.
  const auto well = static_cast<float>(open_counts / full_well),
             read = static_cast<float>(read_noise * open_counts / full_well);
  for (std::int64_t r = 0; r < rows; ++r) {
    const double row = static_cast<double>(first + r) + 0.5;
    const auto s = truth_.where({static_cast<double>(x) + 0.5, row}),
               t = truth_.where({static_cast<double>(x) + 1.5, row});
    page_.sample(s, {t.x - s.x, t.y - s.y}, columns, spec.slid_mm, light.data());
    for (const Speck& d : specks_[static_cast<std::size_t>((first + r) / band)]) {
      const double dy = row - d.y, reach = d.long_axis + 1.5;
      if (std::abs(dy) > reach || d.x + reach < static_cast<double>(x) ||
          d.x - reach > static_cast<double>(x + columns))
        continue;
      const auto lo = std::max<std::int64_t>(x, static_cast<std::int64_t>(d.x - reach)),
                 hi = std::min(x + columns - 1, static_cast<std::int64_t>(d.x + reach));
      for (std::int64_t i = lo; i <= hi; ++i) {
        const double dx = static_cast<double>(i) + 0.5 - d.x,
                     u = (dx * d.cosine + dy * d.sine) / d.long_axis,
                     v = (dy * d.cosine - dx * d.sine) / d.short_axis;
        const double inside = std::clamp((1 - std::hypot(u, v)) * d.short_axis + 0.5, 0.0, 1.0) *
                              std::min(1.0, d.short_axis);
        for (std::int64_t c = 0; c < 3; ++c)
          light[static_cast<std::size_t>((i - x) * 4 + c)] *=
              static_cast<float>(1 - d.opacity * inside);
      }
    }
    std::array<float, 3> gain{};
    for (std::size_t c = 0; c < 3; ++c)
      gain[c] = static_cast<float>(open_counts * truth_.light(c, row));
    std::uint16_t* o = out + r * truth_.width() * 3 + x * 3;
    std::uint64_t state = mixed((static_cast<std::uint64_t>(spec.seed) << 44) ^
                                static_cast<std::uint64_t>((first + r) * 70001 + x));
    const auto times = static_cast<float>(spec.noise);
    for (std::int64_t i = 0; i < columns; ++i) {
      state = state * 6364136223846793005ULL + 1442695040888963407ULL;  // Knuth's constants
      const std::uint64_t bits = state ^ (state >> 29);
      for (std::size_t c = 0; c < 3; ++c) {
        const float v = light[static_cast<std::size_t>(i * 4) + c] * gain[c];
        const float sigma = std::sqrt(v * well + read * read);
        o[i * 3 + static_cast<std::int64_t>(c)] = static_cast<std::uint16_t>(
            std::clamp(v + times * sigma * normal_of(bits >> (16 * c)) + 0.5F, 0.0F, 65535.0F));
      }
    }
  }
}

Result<> PassSource::read(std::int64_t first, std::int64_t rows, std::uint16_t* out) {
  // Blocks of columns keep a turned pass's walk through a strip in the cache.
  const std::int64_t w = truth_.width();
  constexpr std::int64_t block = 512;
  const auto part = [&](std::int64_t odd) {
    for (std::int64_t x = odd * block; x < w; x += 2 * block)
      for (std::int64_t y = 0; y < rows; y += band) {
        const std::int64_t n = std::min(band, rows - y);
        tile(x, std::min(block, w - x), first + y, n, out + y * w * 3);
      }
  };
  auto other = std::async(std::launch::async, [&] { part(1); });
  part(0);
  other.get();
  return {};
}

}  // namespace lapwright::bench
