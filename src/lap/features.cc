#include "lap/features.h"

#include <algorithm>
#include <bit>
#include <cmath>
#include <random>

namespace lapwright::lap {
namespace {

constexpr int window = 2;        // pixels: half of the side that a corner is told from
constexpr int disc = 10;         // radius that gives the direction
constexpr int pairs_within = 9;  // radius of the compared places
constexpr int reach = disc + 3;
constexpr float least_corner = 0.0012F;  // D² per pixel²: film noise leaves a tenth of it
constexpr std::int64_t apart = 4;        // pixels between features

struct Pair {
  float ax, ay, bx, by;
};

/// Normally spread around the middle, the same on every machine.
const std::array<Pair, 256>& pairs() {
  static const std::array<Pair, 256> all = [] {
    std::mt19937 random(20250211);
    const auto spread = [&] {  // sum of four: near enough to normal
      for (;;) {
        double s = 0;
        for (int i = 0; i < 4; ++i) s += static_cast<double>(random()) / 4294967296.0 - 0.5;
        s *= 7.5;
        if (std::abs(s) <= pairs_within) return static_cast<float>(s);
      }
    };
    std::array<Pair, 256> out{};
    for (Pair& p : out) {
      do {
        p = {spread(), spread(), spread(), spread()};
      } while (std::hypot(p.ax, p.ay) > pairs_within || std::hypot(p.bx, p.by) > pairs_within ||
               std::hypot(p.ax - p.bx, p.ay - p.by) < 3);
    }
    return out;
  }();
  return all;
}

image::Plane mirrored_plane(const image::Plane& p) {
  image::Plane out(p.width, p.height);
  for (std::int64_t y = 0; y < p.height; ++y)
    std::reverse_copy(p.row(y), p.row(y) + p.width, out.row(y));
  return out;
}

/// Mean of (2 r + 1) squares.
image::Plane box(const image::Plane& p, std::int64_t r) {
  image::Plane across(p.width, p.height), out(p.width, p.height);
  const auto n = static_cast<float>(2 * r + 1);
  for (std::int64_t y = 0; y < p.height; ++y) {
    const float* from = p.row(y);
    float* to = across.row(y);
    for (std::int64_t x = r; x < p.width - r; ++x) {
      float s = 0;
      for (std::int64_t i = -r; i <= r; ++i) s += from[x + i];
      to[x] = s / n;
    }
  }
  for (std::int64_t y = r; y < p.height - r; ++y) {
    float* to = out.row(y);
    for (std::int64_t i = -r; i <= r; ++i) {
      const float* from = across.row(y + i);
      for (std::int64_t x = 0; x < p.width; ++x) to[x] += from[x] / n;
    }
  }
  return out;
}

/// The smaller eigenvalue of the gradients' second moments over a small square.
image::Plane corners(const image::Plane& d) {
  const std::int64_t w = d.width, h = d.height;
  image::Plane xx(w, h), xy(w, h), yy(w, h), out(w, h);
  for (std::int64_t y = 1; y < h - 1; ++y)
    for (std::int64_t x = 1; x < w - 1; ++x) {
      const float gx = (d.row(y)[x + 1] - d.row(y)[x - 1]) / 2,
                  gy = (d.row(y + 1)[x] - d.row(y - 1)[x]) / 2;
      xx.row(y)[x] = gx * gx, xy.row(y)[x] = gx * gy, yy.row(y)[x] = gy * gy;
    }
  xx = box(xx, window), xy = box(xy, window), yy = box(yy, window);
  for (std::size_t i = 0; i < out.values.size(); ++i) {
    const float half = (xx.values[i] + yy.values[i]) / 2, diff = (xx.values[i] - yy.values[i]) / 2;
    out.values[i] = half - std::sqrt(diff * diff + xy.values[i] * xy.values[i]);
  }
  return out;
}

}  // namespace

std::vector<Feature> features_of(const Overview& picture, int most, bool mirrored) {
  image::Plane smooth = mirrored ? mirrored_plane(picture.smooth) : picture.smooth;
  const image::Plane film = mirrored ? mirrored_plane(picture.film) : picture.film;
  // Nothing clear is darker than the thinnest film, so that a hole's edge is a small step only.
  for (float& v : smooth.values) v = std::clamp(v, clear_density, 2.2F);
  const image::Plane strength = corners(smooth), soft = box(smooth, 1);
  const std::int64_t w = smooth.width, h = smooth.height;
  struct Place {
    float strength;
    std::int64_t x, y;
  };
  std::vector<Place> places;
  for (std::int64_t y = reach; y < h - reach; ++y)
    for (std::int64_t x = reach; x < w - reach; ++x) {
      const float s = strength.row(y)[x];
      if (s < least_corner || film.row(y)[x] == 0) continue;
      bool top = true;
      for (std::int64_t j = -1; j <= 1 && top; ++j)
        for (std::int64_t i = -1; i <= 1 && top; ++i)
          top = (i == 0 && j == 0) || strength.row(y + j)[x + i] < s ||
                (strength.row(y + j)[x + i] == s && (j < 0 || (j == 0 && i < 0)));
      if (!top) continue;
      // A disc without holes and edges of film: those are the same everywhere.
      bool whole = true;
      for (std::int64_t j = -disc; j <= disc && whole; j += 2)
        for (std::int64_t i = -disc; i <= disc && whole; i += 2)
          whole = i * i + j * j > disc * disc || film.row(y + j)[x + i] > 0;
      if (whole) places.push_back({s, x, y});
    }
  std::sort(places.begin(), places.end(), [](const Place& a, const Place& b) {
    return a.strength != b.strength ? a.strength > b.strength
                                    : std::pair(a.y, a.x) < std::pair(b.y, b.x);
  });
  std::vector<Feature> out;
  image::Plane taken(w, h);
  for (const Place& p : places) {
    if (static_cast<int>(out.size()) >= most) break;
    if (taken.row(p.y)[p.x] > 0) continue;
    for (std::int64_t j = -apart; j <= apart; ++j)
      for (std::int64_t i = -apart; i <= apart; ++i) taken.row(p.y + j)[p.x + i] = 1;
    double mean = 0, mx = 0, my = 0;
    int n = 0;
    for (std::int64_t j = -disc; j <= disc; ++j)
      for (std::int64_t i = -disc; i <= disc; ++i) {
        if (i * i + j * j > disc * disc) continue;
        const double v = static_cast<double>(soft.row(p.y + j)[p.x + i]);
        mean += v, mx += static_cast<double>(i) * v, my += static_cast<double>(j) * v, ++n;
      }
    const double direction = std::atan2(my, mx);
    const auto c = static_cast<float>(std::cos(direction)),
               s = static_cast<float>(std::sin(direction));
    const auto seen = [&](float x, float y) {
      const float u = c * x - s * y, v = s * x + c * y;
      return soft.row(p.y + std::lround(v))[p.x + std::lround(u)];
    };
    Feature f;
    f.strength = p.strength;
    f.direction = static_cast<float>(direction);
    f.x = (static_cast<double>(mirrored ? w - 1 - p.x : p.x) + 0.5) * picture.mm_per_pixel;
    f.y = (static_cast<double>(p.y) + 0.5) * picture.mm_per_pixel;
    for (std::size_t k = 0; k < 256; ++k) {
      const Pair& q = pairs()[k];
      if (seen(q.ax, q.ay) < seen(q.bx, q.by)) f.bits[k / 64] |= std::uint64_t{1} << (k % 64);
    }
    out.push_back(f);
  }
  return out;
}

int differing(const Feature& a, const Feature& b) {
  int n = 0;
  for (std::size_t i = 0; i < 4; ++i) n += std::popcount(a.bits[i] ^ b.bits[i]);
  return n;
}

}  // namespace lapwright::lap
