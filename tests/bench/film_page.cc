#include "bench/film_page.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstring>
#include <future>

#include "bench/photographs.h"
#include "core/clones.h"

namespace lapwright::bench {
namespace {

constexpr std::int64_t rim = 6;          // samples of pocket around a strip
constexpr double film_mm = 34.975;       // width of 35 mm film: trade.md
constexpr double perforation_mm = 4.75;  // pitch
constexpr std::array base_density = {0.32, 0.63, 0.72},
                     contrast = {0.55, 0.62,
                                 0.66};  // trade.md 4.3; contrast: common practice, no source
constexpr float full = 65535;

/// Net density of a negative for linear light: a straight line with a toe.
std::array<std::vector<float>, 3> transmissions() {
  std::array<std::vector<float>, 3> out;
  for (std::size_t c = 0; c < 3; ++c) {
    out[c].resize(4097);
    for (std::size_t i = 0; i <= 4096; ++i) {
      const double root = static_cast<double>(i) / 4096, light = root * root;
      out[c][i] =
          static_cast<float>(std::pow(10.0, -FilmPage::pocket_density - base_density[c] -
                                                contrast[c] * std::log10(1 + light / 0.004)));
    }
  }
  return out;
}

double rounded_box(double x, double y, double half_w, double half_h, double r) {  // positive inside
  const double dx = std::abs(x) - (half_w - r), dy = std::abs(y) - (half_h - r);
  return r - std::hypot(std::max(dx, 0.0), std::max(dy, 0.0)) - std::min(std::max(dx, dy), 0.0);
}

/// Digits of a 3 x 5 type, row by row.
constexpr std::array<std::uint16_t, 10> digits = {075557, 026227, 071747, 071717, 055711,
                                                  074717, 074757, 071111, 075757, 075717};

/// Ink of the edge print at `t` mm along the strip, `v` mm from the film's edge: frame numbers,
/// their halves, and a code of bars.
double edge_print(double t, double v, int strip, bool lower) {
  if (v < 0.35 || v > 1.65) return 0;
  const double frame = t / 19.0;  // half a frame
  const auto which = static_cast<int>(std::floor(frame));
  const double in = (frame - which) * 19.0;
  const int number = strip * 6 + which / 2 + (lower ? 40 : 0);
  if (which % 2 == 0 || !lower) {
    const double cell = 0.26, y = (v - 0.35) / 0.26;
    for (int k = 0; k < 2; ++k) {
      const double x = (in - 2.0 - k * 1.1) / cell;
      if (x < 0 || x >= 3) continue;
      const int digit = k == 0 ? number / 10 % 10 : number % 10;
      const int bit = 14 - (static_cast<int>(y) * 3 + static_cast<int>(x));
      if (bit >= 0 && ((digits[static_cast<std::size_t>(digit)] >> bit) & 1) != 0) return 1;
    }
  }
  if (lower && in > 6 && in < 14) {  // bars of 0.5 mm
    const auto bar = static_cast<std::uint64_t>((in - 6) / 0.5);
    return (mixed(static_cast<std::uint64_t>(number) * 2654435761U) >> bar) & 1 ? 1 : 0;
  }
  return 0;
}

using Two = float __attribute__((vector_size(32)));  // two pixels of four floats
using Eight = std::uint16_t __attribute__((vector_size(16)));
using Four = float __attribute__((vector_size(16)));

LAPWRIGHT_CLONES("arch=haswell")
void spline(const std::uint16_t* samples, std::int64_t width, const double* us, const double* vs, std::int64_t n, float* out) {
  for (std::int64_t i = 0; i < n; ++i) {
    const double u = us[i], v = vs[i];
    const auto x = static_cast<std::int64_t>(u), y = static_cast<std::int64_t>(v);
    const auto a = static_cast<float>(u - static_cast<double>(x)),
               b = static_cast<float>(v - static_cast<double>(y));
    const float a1 = 1 - a, b1 = 1 - b;
    const float wx0 = a1 * a1 * a1 / 6, wx1 = (3 * a * a * a - 6 * a * a + 4) / 6,
                wx3 = a * a * a / 6, wx2 = 1 - wx0 - wx1 - wx3;
    const float wy[4] = {b1 * b1 * b1 / 6, (3 * b * b * b - 6 * b * b + 4) / 6,
                         (3 * b1 * b1 * b1 - 6 * b1 * b1 + 4) / 6, b * b * b / 6};
    const Two w01 = {wx0, wx0, wx0, wx0, wx1, wx1, wx1, wx1},
              w23 = {wx2, wx2, wx2, wx2, wx3, wx3, wx3, wx3};
    Two sum{};
    const std::uint16_t* p = samples + ((y - 1) * width + (x - 1)) * 4;
    for (int r = 0; r < 4; ++r, p += width * 4) {
      Eight lo, hi;
      std::memcpy(&lo, p, 16), std::memcpy(&hi, p + 8, 16);
      sum +=
          (__builtin_convertvector(lo, Two) * w01 + __builtin_convertvector(hi, Two) * w23) * wy[r];
    }
    Four half[2];
    std::memcpy(half, &sum, 32);
    const Four pixel = (half[0] + half[1]) * (1 / full);
    std::memcpy(out + i * 4, &pixel, 16);
  }
}

}  // namespace

std::uint64_t mixed(std::uint64_t x) {
  x += 0x9e3779b97f4a7c15ULL;
  x = (x ^ (x >> 30)) * 0xbf58476d1ce4e5b9ULL;
  x = (x ^ (x >> 27)) * 0x94d049bb133111ebULL;
  return x ^ (x >> 31);
}

float normal_of(std::uint64_t bits) {
  static const std::vector<float> table = [] {
    // Quantiles of the normal distribution, by bisection over erfc.
    std::vector<float> t(65536);
    for (std::size_t i = 0; i < t.size(); ++i) {
      const double p = (static_cast<double>(i) + 0.5) / static_cast<double>(t.size());
      double lo = -6, hi = 6;
      for (int k = 0; k < 40; ++k) {
        const double mid = (lo + hi) / 2;
        (0.5 * std::erfc(-mid / std::sqrt(2.0)) < p ? lo : hi) = mid;
      }
      t[i] = static_cast<float>(lo);
    }
    return t;
  }();
  return table[bits & 0xffff];
}

Result<FilmPage::Strip> FilmPage::strip(int index, const PageOptions& options) const {
  const auto files = photographs();
  if (!files) return fail(files.error());
  const auto area = sleeve_.strip(index);
  Strip s;
  s.width = std::llround(area.width.mm() * k_) + 2 * rim,
  s.height = std::llround(film_mm * k_) + 2 * rim;
  std::int64_t last = s.width;
  if (!options.shown.empty()) {
    const double lo = options.shown.x.mm() - area.x.mm() - 4,
                 hi = options.shown.right().mm() - area.x.mm() + 4;
    s.first = std::clamp<std::int64_t>(static_cast<std::int64_t>(lo * k_), 0, s.width);
    last = std::clamp<std::int64_t>(static_cast<std::int64_t>(hi * k_), s.first, s.width);
    if (options.shown.y.mm() > area.bottom().mm() + 2 ||
        options.shown.bottom().mm() < area.y.mm() - 2)
      last = s.first;
  }
  const std::int64_t kept = last - s.first;
  s.samples.resize(static_cast<std::size_t>(kept * s.height * 4));
  if (kept < 8) {
    s.samples.clear(), s.width = 0;
    return s;
  }
  static const auto negative = transmissions();
  const double pocket = std::pow(10.0, -pocket_density);
  std::array<float, 3> clear{}, ink{};
  for (std::size_t c = 0; c < 3; ++c) {
    clear[c] = static_cast<float>(pocket * std::pow(10.0, -base_density[c]));
    ink[c] = clear[c] * static_cast<float>(std::pow(10.0, -1.1));
  }
  // Granularity in this grid's cells, by Selwyn's law.
  const double cell = 1000 / k_,
               grain = options.grain * 48 / cell * std::sqrt(3.141592653589793) / 2;
  const auto finish = [&](std::int64_t x, std::int64_t y, const std::array<float, 3>& t,
                          float film) {
    std::uint16_t* o = s.samples.data() + (y * kept + (x - s.first)) * 4;
    const std::uint64_t key = mixed((static_cast<std::uint64_t>(options.seed) << 48) ^
                                    (static_cast<std::uint64_t>(index) << 40) ^
                                    static_cast<std::uint64_t>(y * s.width + x));
    for (std::size_t c = 0; c < 3; ++c) {
      const float noisy =
          t[c] * (1 - 2.302585F * static_cast<float>(grain) * normal_of(key >> (16 * c)));
      o[c] = static_cast<std::uint16_t>(std::clamp(
          (film * noisy + (1 - film) * static_cast<float>(pocket)) * full + 0.5F, 0.0F, full));
    }
  };
  const auto rebate = [&](std::int64_t y0, std::int64_t y1) {
    for (std::int64_t y = y0; y < y1; ++y) {
      const double v = (static_cast<double>(y - rim) + 0.5) / k_, edge = std::min(v, film_mm - v);
      const bool lower = v > film_mm / 2, holes = edge > 1.5 && edge < 5.5;
      const double inside_y = std::clamp(edge * k_ + 0.5, 0.0, 1.0);
      for (std::int64_t x = s.first; x < last; ++x) {
        const double u = (static_cast<double>(x - rim) + 0.5) / k_;
        double film = inside_y * std::clamp(std::min(u, area.width.mm() - u) * k_ + 0.5, 0.0, 1.0);
        if (holes) {  // 1.98 x 2.80 mm, 2 mm from the edge: trade.md
          const double along = u - 1.1 - perforation_mm * std::round((u - 1.1) / perforation_mm);
          film *=
              1 - std::clamp(rounded_box(along, edge - 3.4, 0.99, 1.4, 0.5) * k_ + 0.5, 0.0, 1.0);
        }
        const double print = edge_print(u, edge, index, lower);
        finish(x, y, print > 0 ? ink : clear, static_cast<float>(film));
      }
    }
  };
  {
    auto half = std::async(std::launch::async, [&] { rebate(0, s.height / 2); });
    rebate(s.height / 2, s.height);
    half.get();
  }
  // Pictures.
  const auto wide = std::llround(sleeve_.frame.width.mm() * k_),
             high = std::llround(sleeve_.frame.height.mm() * k_);
  std::string trouble;
  const auto expose = [&](int j) -> Result<> {
    const auto at = sleeve_.frame_area(index, j);
    const double jitter =
        static_cast<double>(mixed(static_cast<std::uint64_t>(
                                options.seed * 977 + static_cast<unsigned>(index * 31 + j))) &
                            0xff) /
            255.0 -
        0.5;
    const std::int64_t x0 = std::llround((at.x.mm() - area.x.mm() + 0.6 * jitter) * k_) + rim,
                       y0 = std::llround((film_mm - sleeve_.frame.height.mm()) / 2 * k_) + rim;
    if (x0 >= last || x0 + wide <= s.first) return {};
    const auto number = static_cast<std::size_t>(index * sleeve_.strips.frames + j) * 5 +
                        options.seed * 3;  // neighbours differ
    auto p = photograph((*files)[number % files->size()], wide, high);
    if (!p) return fail(p.error());
    const bool flip = (number / files->size()) % 2 != 0, over = (number / files->size()) % 3 != 0;
    for (std::int64_t y = std::max<std::int64_t>(0, y0);
         y < std::min<std::int64_t>(s.height, y0 + high); ++y)
      for (std::int64_t x = std::max(s.first, x0); x < std::min<std::int64_t>(last, x0 + wide);
           ++x) {
        const std::int64_t px = flip ? wide - 1 - (x - x0) : x - x0,
                           py = over ? high - 1 - (y - y0) : y - y0;
        std::array<float, 3> t{};
        for (std::size_t c = 0; c < 3; ++c) {
          const float light = p->light[static_cast<std::size_t>((py * wide + px) * 3) + c];
          t[c] = negative[c][static_cast<std::size_t>(std::sqrt(light) * 4096)];
        }
        finish(x, y, t, 1);
      }
    return {};
  };
  for (int j = 0; j < sleeve_.strips.frames; j += 2) {
    std::future<Result<>> other;
    if (j + 1 < sleeve_.strips.frames)
      other = std::async(std::launch::async, [&, j] { return expose(j + 1); });
    auto r = expose(j);
    Result<> q;
    if (other.valid()) q = other.get();
    if (!r) return fail(r.error());
    if (!q) return fail(q.error());
  }
  s.width = kept;
  return s;
}

Result<FilmPage> FilmPage::make(const profile::SleeveProfile& sleeve, int ppi,
                                const PageOptions& options) {
  FilmPage page;
  page.sleeve_ = sleeve;
  page.k_ = ppi / 25.4;
  for (int i = 0; i < sleeve.strips.count; ++i) {
    auto s = page.strip(i, options);
    if (!s) return fail(s.error());
    page.strips_.push_back(std::move(*s));
  }
  return page;
}

void FilmPage::sample(Spot<SleeveSpace> at, Spot<SleeveSpace> step, std::int64_t n,
                      const std::vector<double>& slid_mm, float* out) const {
  const double first_x = sleeve_.strips.first.x.mm(), first_y = sleeve_.strips.first.y.mm(),
               pitch = sleeve_.strips.pitch.mm();
  const double between = (pitch - film_mm) / 2;  // half a gutter
  const auto pocket = static_cast<float>(std::pow(10.0, -pocket_density));
  constexpr std::int64_t chunk = 256;
  std::array<double, chunk> us{}, vs{};
  std::int64_t i = 0;
  while (i < n) {
    // A run of places in one strip's grid, or outside all of them.
    const auto strip_of = [&](std::int64_t k, double& u, double& v) -> int {
      const double x = at.x + step.x * static_cast<double>(k),
                   y = at.y + step.y * static_cast<double>(k);
      const double which = std::floor((y - first_y + between) / pitch);
      if (which < 0 || which >= sleeve_.strips.count) return -1;
      const auto index = static_cast<std::size_t>(which);
      const Strip& s = strips_[index];
      const double slid = index < slid_mm.size() ? slid_mm[index] : 0;
      // Position of a grid cell's centre is its index + 0.5.
      u = (x - slid - first_x) * k_ + static_cast<double>(rim) - 0.5 - static_cast<double>(s.first),
      v = (y - first_y - which * pitch) * k_ + static_cast<double>(rim) - 0.5;
      if (u < 1 || v < 1 || u >= static_cast<double>(s.width - 2) ||
          v >= static_cast<double>(s.height - 2))
        return -1;
      return static_cast<int>(index);
    };
    const std::int64_t start = i;
    const int index = strip_of(i, us[0], vs[0]);
    ++i;
    while (i < n && i - start < chunk) {
      double u = 0, v = 0;
      if (strip_of(i, u, v) != index) break;
      us[static_cast<std::size_t>(i - start)] = u, vs[static_cast<std::size_t>(i - start)] = v, ++i;
    }
    if (index >= 0) {
      const Strip& s = strips_[static_cast<std::size_t>(index)];
      spline(s.samples.data(), s.width, us.data(), vs.data(), i - start, out + start * 4);
    } else {
      for (std::int64_t k = start * 4; k < i * 4; ++k) out[k] = pocket;
    }
  }
}

}  // namespace lapwright::bench
