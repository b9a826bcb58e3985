#include "lap/agreement.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <memory>
#include <random>

namespace lapwright::lap {
namespace {

constexpr int side = 24, reach = 7,
              wide = side + 2 * reach;  // at 150 ppi: blocks of 4 mm, found again within 1.2 mm
constexpr double tolerance = 1.2;       // pixels: 0.2 mm, more than a carriage's wobble
constexpr float textured = 0.03F;       // density, standard deviation

struct Patch {
  std::array<float, wide * wide> value{}, film{};
};

/// b seen in a's pixels around `corner`, under the map.
void look(const Overview& b, const PassMap& map, double x0, double y0, Patch& out) {
  for (int y = 0; y < wide; ++y)
    for (int x = 0; x < wide; ++x) {
      const auto p = map({x0 + x + 0.5, y0 + y + 0.5});
      const double fx = p.x - 0.5, fy = p.y - 0.5;
      const auto ix = static_cast<std::int64_t>(std::floor(fx)),
                 iy = static_cast<std::int64_t>(std::floor(fy));
      const auto at = static_cast<std::size_t>(y * wide + x);
      out.value[at] = out.film[at] = 0;
      if (ix < 0 || iy < 0 || ix + 1 >= b.density.width || iy + 1 >= b.density.height) continue;
      const auto u = static_cast<float>(fx - static_cast<double>(ix)),
                 v = static_cast<float>(fy - static_cast<double>(iy));
      const float *d0 = b.density.row(iy) + ix, *d1 = b.density.row(iy + 1) + ix,
                  *m0 = b.film.row(iy) + ix, *m1 = b.film.row(iy + 1) + ix;
      if (m0[0] + m0[1] + m1[0] + m1[1] < 3.5F) continue;
      out.value[at] = (d0[0] * (1 - u) + d0[1] * u) * (1 - v) + (d1[0] * (1 - u) + d1[1] * u) * v;
      out.film[at] = 1;
    }
}

struct Sums {
  float n = 0, a = 0, b = 0, aa = 0, bb = 0, ab = 0;
};
double correlation(const Sums& s) {
  if (s.n < side * side * 0.35F) return -1;
  const float va = s.aa - s.a * s.a / s.n, vb = s.bb - s.b * s.b / s.n;
  if (va < s.n * 1e-5F || vb < s.n * 1e-5F) return -1;
  return static_cast<double>((s.ab - s.a * s.b / s.n) / std::sqrt(va * vb));
}

/// Finds the block again; false when there is too little to look at.
bool find(const Overview& a, std::int64_t x0, std::int64_t y0, const Patch& patch, Block& block,
          double& dx, double& dy) {
  std::array<float, side * side> va, ma;
  float n = 0, sum = 0, square = 0;
  for (int y = 0; y < side; ++y)
    for (int x = 0; x < side; ++x) {
      const auto at = static_cast<std::size_t>(y * side + x);
      ma[at] = a.film.row(y0 + y)[x0 + x], va[at] = a.density.row(y0 + y)[x0 + x];
      n += ma[at], sum += ma[at] * va[at];
    }
  if (n < side * side * 0.45F) return false;
  const float mean = sum / n;
  for (std::size_t i = 0; i < va.size(); ++i)
    va[i] = ma[i] * (va[i] - mean), square += va[i] * va[i];
  float bn = 0, bs = 0, bb = 0;
  for (int y = reach; y < reach + side; ++y)
    for (int x = reach; x < reach + side; ++x) {
      const auto at = static_cast<std::size_t>(y * wide + x);
      bn += patch.film[at], bs += patch.film[at] * (patch.value[at] - mean);
    }
  if (bn < side * side * 0.45F) return false;
  const float bmean = bs / bn;
  for (int y = reach; y < reach + side; ++y)
    for (int x = reach; x < reach + side; ++x) {
      const auto at = static_cast<std::size_t>(y * wide + x);
      const float d = patch.film[at] * (patch.value[at] - mean - bmean);
      bb += d * d;
    }
  if (square < n * textured * textured && bb < bn * textured * textured) return false;
  constexpr int span = 2 * reach + 1;
  std::array<double, span * span> r;
  std::size_t best = 0;
  r.fill(-2);
  const auto measure = [&](int i, int j) {
    const auto at = static_cast<std::size_t>(j * span + i);
    if (r[at] > -2) return;
    constexpr int lanes = 8;  // summed apart, which the compiler makes vectors of
    std::array<float, lanes> n8{}, a8{}, b8{}, aa8{}, bb8{}, ab8{};
    for (int y = 0; y < side; ++y) {
      const float *pa = va.data() + y * side, *pm = ma.data() + y * side;
      const float *pb = patch.value.data() + (y + j) * wide + i,
                  *qm = patch.film.data() + (y + j) * wide + i;
      for (int first = 0; first < side; first += lanes)
        for (std::size_t l = 0; l < lanes; ++l) {
          const auto x = static_cast<std::size_t>(first) + l;
          const float m = pm[x] * qm[x], u = pa[x] * m, v = (pb[x] - mean) * m;
          n8[l] += m, a8[l] += u, b8[l] += v, aa8[l] += u * u, bb8[l] += v * v, ab8[l] += u * v;
        }
    }
    Sums s;
    for (std::size_t l = 0; l < lanes; ++l)
      s.n += n8[l], s.a += a8[l], s.b += b8[l], s.aa += aa8[l], s.bb += bb8[l], s.ab += ab8[l];
    r[at] = correlation(s);
    if (r[at] > r[best]) best = at;
  };
  // Every other shift first, then all around the best.
  for (int j = 0; j < span; j += 2)
    for (int i = 0; i < span; i += 2) measure(i, j);
  for (std::size_t around = span * span; around != best;) {
    around = best;
    const int ci = static_cast<int>(best) % span, cj = static_cast<int>(best) / span;
    for (int j = std::max(0, cj - 1); j <= std::min(span - 1, cj + 1); ++j)
      for (int i = std::max(0, ci - 1); i <= std::min(span - 1, ci + 1); ++i) measure(i, j);
  }
  const int bi = static_cast<int>(best) % span, bj = static_cast<int>(best) / span;
  block.correlation = r[best];
  dx = bi - reach, dy = bj - reach;
  if (bi > 0 && bi < span - 1 && bj > 0 && bj < span - 1) {
    const auto bend = [&](std::size_t step) {
      const double l = r[best - step], m = r[best], h = r[best + step], k = l - 2 * m + h;
      return k < 0 && l > -1 && h > -1 ? std::clamp(0.5 * (l - h) / k, -0.5, 0.5) : 0.0;
    };
    dx += bend(1), dy += bend(span);
  } else {
    block.correlation =
        std::min(block.correlation, 0.0);  // at the edge of what was searched: not found
  }
  return true;
}

/// Rotation, scale and shift (with `supposed`'s handedness) that carry a's points to b's.
PassMap similarity(const PassMap& supposed, const std::vector<const Block*>& blocks) {
  // b' = M a, then b = rotation/scale/shift of b'
  double n = 0, ux = 0, uy = 0, vx = 0, vy = 0;
  for (const Block* k : blocks) {
    const auto u = supposed(k->a);
    n += 1, ux += u.x, uy += u.y, vx += k->b.x, vy += k->b.y;
  }
  ux /= n, uy /= n, vx /= n, vy /= n;
  double uu = 0, c = 0, s = 0;
  for (const Block* k : blocks) {
    const auto u = supposed(k->a);
    const double x = u.x - ux, y = u.y - uy, p = k->b.x - vx, q = k->b.y - vy;
    uu += x * x + y * y, c += x * p + y * q, s += x * q - y * p;
  }
  if (uu < 1e-9) c = 1, s = 0, uu = 1;
  c /= uu, s /= uu;
  PassMap fit{c, s, -s, c, vx - c * ux + s * uy, vy - s * ux - c * uy};
  return core::compose(fit, supposed);
}

bool plausible(const PassMap& map, const PassMap& supposed) {
  const double scale = std::sqrt(std::abs(map.determinant() / supposed.determinant()));
  const PassMap rest = core::compose(map, supposed.inverse());
  return std::abs(scale - 1) < 0.02 && std::abs(rest.b) < 0.03;
}

}  // namespace

Agreement agreement(const Overview& a, const Overview& b, const PassMap& supposed,
                    int most_blocks) {
  Agreement out;
  out.a_to_b = supposed;
  struct Corner {
    std::int64_t x, y;
  };
  std::vector<Corner> corners;
  for (std::int64_t y = 0; y + side <= a.density.height; y += side)
    for (std::int64_t x = 0; x + side <= a.density.width; x += side) {
      const auto p =
          supposed({static_cast<double>(x) + side / 2.0, static_cast<double>(y) + side / 2.0});
      if (p.x < side / 2.0 || p.y < side / 2.0 ||
          p.x > static_cast<double>(b.density.width) - side / 2.0 ||
          p.y > static_cast<double>(b.density.height) - side / 2.0)
        continue;
      if (a.film.row(y + side / 2)[x + side / 2] + a.film.row(y + 5)[x + 5] +
              a.film.row(y + side - 5)[x + side - 5] <
          1)
        continue;
      corners.push_back({x, y});
    }
  std::mt19937 random(12345);
  if (static_cast<int>(corners.size()) > most_blocks) {
    std::shuffle(corners.begin(), corners.end(), random);
    corners.resize(static_cast<std::size_t>(most_blocks));
  }
  const auto patch = std::make_unique<Patch>();
  for (const Corner& c : corners) {
    look(b, supposed, static_cast<double>(c.x - reach), static_cast<double>(c.y - reach), *patch);
    Block k;
    double dx = 0, dy = 0;
    if (!find(a, c.x, c.y, *patch, k, dx, dy)) continue;
    k.a = {static_cast<double>(c.x) + side / 2.0, static_cast<double>(c.y) + side / 2.0};
    k.b = supposed({k.a.x + dx, k.a.y + dy});
    ++out.textured;
    out.blocks.push_back(k);
  }
  std::vector<const Block*> good;
  for (const Block& k : out.blocks)
    if (k.correlation > 0.6) good.push_back(&k);
  if (good.size() < 4) return out;
  const auto close = [](const PassMap& map, const Block& k) {
    const auto p = map(k.a);
    const double x = p.x - k.b.x, y = p.y - k.b.y;
    return x * x + y * y < tolerance * tolerance;
  };
  const auto supporters = [&](const PassMap& map) {
    std::vector<const Block*> s;
    for (const Block* k : good)
      if (close(map, *k)) s.push_back(k);
    return s;
  };
  std::vector<const Block*> most;
  PassMap map = supposed;
  std::uniform_int_distribution<std::size_t> pick(0, good.size() - 1);
  for (int trial = 0; trial < 300; ++trial) {
    const Block *p = good[pick(random)], *q = good[pick(random)];
    if (std::hypot(p->a.x - q->a.x, p->a.y - q->a.y) < 2 * side) continue;
    const PassMap m = similarity(supposed, {p, q});
    if (!plausible(m, supposed)) continue;
    auto s = supporters(m);
    if (s.size() > most.size()) most = std::move(s), map = m;
  }
  for (int round = 0; round < 3 && most.size() >= 4; ++round) {
    const PassMap m = similarity(supposed, most);
    auto s = supporters(m);
    if (!plausible(m, supposed) || s.size() < most.size()) break;
    most = std::move(s), map = m;
  }
  out.a_to_b = map;
  out.agreeing = static_cast<int>(most.size());
  for (Block& k : out.blocks) k.agrees = k.correlation > 0.6 && close(map, k);
  return out;
}

}  // namespace lapwright::lap
