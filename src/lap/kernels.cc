#include "lap/kernels.h"

#include <algorithm>
#include <cmath>
#include <cstring>

#include "core/clones.h"

namespace lapwright::lap {
namespace {

/// Four pixels and how far a place lies between them, kept inside a picture of w x h.
struct Between {
  std::int32_t at, row;
  float s, t;
  float of(const float* p) const {
    return (p[at] * (1 - s) + p[at + 1] * s) * (1 - t) +
           (p[at + row] * (1 - s) + p[at + row + 1] * s) * t;
  }
};
/// The last place that lies between four pixels, by width or height.
float last_between(std::int64_t size) { return static_cast<float>(size) - 1.001F; }
/// x, y from the first pixel's centre.
inline Between between(float x, float y, std::int32_t width, float last_x, float last_y) {
  const float from_x = x > 0 ? x : 0, from_y = y > 0 ? y : 0,
              fx = from_x < last_x ? from_x : last_x, fy = from_y < last_y ? from_y : last_y;
  const auto ix = static_cast<std::int32_t>(fx), iy = static_cast<std::int32_t>(fy);
  return {iy * width + ix, width, fx - static_cast<float>(ix), fy - static_cast<float>(iy)};
}

}  // namespace

LAPWRIGHT_CLONES("avx2")
void sample_lattice(const FilmPicture& from, bool film_only, const Lattice& lattice, const float* x,
                    const float* y, std::int32_t count, float* value, float* weight) {
  const auto mx = static_cast<float>(lattice.middle.x - 0.5),
             my = static_cast<float>(lattice.middle.y - 0.5),
             rx = static_cast<float>(lattice.right.x), ry = static_cast<float>(lattice.right.y),
             dx = static_cast<float>(lattice.down.x), dy = static_cast<float>(lattice.down.y);
  const auto w = static_cast<std::int32_t>(from.value.width);
  const float last_x = last_between(from.value.width), last_y = last_between(from.value.height),
              off_film = film_only ? 0 : 1;
  const float *picture = from.value.values.data(), *film = from.film.values.data();
#pragma omp simd
  for (std::int32_t i = 0; i < count; ++i) {
    const float at_x = mx + x[i] * rx + y[i] * dx, at_y = my + x[i] * ry + y[i] * dy;
    const Between p = between(at_x, at_y, w, last_x, last_y);
    value[i] = p.of(picture);
    // A smoothed picture's outermost pixels are half made up. A value between pixels is off the
    // film when one of them is.
    const float on = film[p.at] * film[p.at + 1] * film[p.at + w] * film[p.at + w + 1];
    const bool inside = (at_x >= 1) & (at_y >= 1) & (at_x < last_x - 1) & (at_y < last_y - 1);
    weight[i] = (inside ? 1.0F : 0.0F) * (on + off_film - on * off_film);
  }
}

LAPWRIGHT_CLONES("avx2")
void sample_row(const FilmPicture& from, float x, float y, float step_x, float step_y,
                std::int32_t count, float* value, float* film) {
  const auto w = static_cast<std::int32_t>(from.value.width);
  const float last_x = last_between(from.value.width), last_y = last_between(from.value.height);
  const float *picture = from.value.values.data(), *on = from.film.values.data();
#pragma omp simd
  for (std::int32_t i = 0; i < count; ++i) {
    const Between p = between(x + 0.5F + static_cast<float>(i) * step_x,
                              y + 0.5F + static_cast<float>(i) * step_y, w, last_x, last_y);
    const float sum = p.of(picture), held = p.of(on);
    const float counts = held > 0.5F ? 1.0F : 0.0F;
    value[i] = counts * sum / (held + (1 - counts)), film[i] = counts;
  }
}

LAPWRIGHT_CLONES("avx2")
Sums sums_on_film(const FilmPicture& from, const float* x, const float* y, const float* value,
                  std::int32_t count, float dx, float dy, float mean) {
  const auto w = static_cast<std::int32_t>(from.value.width);
  const float last_x = last_between(from.value.width), last_y = last_between(from.value.height);
  const float *picture = from.value.values.data(), *film = from.film.values.data();
  float n = 0, u = 0, v = 0, uu = 0, vv = 0, uv = 0;
#pragma omp simd reduction(+ : n, u, v, uu, vv, uv)
  for (std::int32_t i = 0; i < count; ++i) {
    const float at_x = x[i] + dx, at_y = y[i] + dy;
    const Between p = between(at_x, at_y, w, last_x, last_y);
    const bool inside = (at_x >= 0) & (at_y >= 0) & (at_x < last_x) & (at_y < last_y);
    const float k = (inside ? 1.0F : 0.0F) * film[p.at], there = p.of(picture) - mean;
    n += k, u += k * value[i], v += k * there, uu += k * value[i] * value[i],
        vv += k * there * there, uv += k * value[i] * there;
  }
  return {n, u, v, uu, vv, uv};
}

LAPWRIGHT_CLONES("avx2")
Sums sums_of_cell(const float* cell_value, const float* cell_weight, float mean, const float* value,
                  const float* weight, std::int64_t stride) {
  using Lanes = float __attribute__((vector_size(32)));
  constexpr std::int64_t at_once = 8;
  Lanes n8{}, u8{}, v8{}, uu8{}, vv8{}, uv8{};
  for (std::int64_t y = 0; y < cell_side; ++y, value += stride, weight += stride)
    for (std::int64_t x = 0; x < cell_lanes; x += at_once) {
      Lanes p, q, w, z;
      std::memcpy(&p, value + x, sizeof p), std::memcpy(&w, weight + x, sizeof w);
      std::memcpy(&q, cell_value + y * cell_lanes + x, sizeof q);
      std::memcpy(&z, cell_weight + y * cell_lanes + x, sizeof z);
      const Lanes m = w * z, s = m * (q - mean), t = m * (p - mean);
      n8 += m, u8 += s, v8 += t, uu8 += s * s, vv8 += t * t, uv8 += s * t;
    }
  Sums out;
  for (int l = 0; l < at_once; ++l)
    out.n += n8[l], out.u += u8[l], out.v += v8[l], out.uu += uu8[l], out.vv += vv8[l],
        out.uv += uv8[l];
  return out;
}

LAPWRIGHT_CLONES("avx2")
void spline_row(const image::Plane& coefficients, double x, double y, double step_x, double step_y,
                std::int64_t n, float* to) {
  const std::int64_t w = coefficients.width;
  x -= 0.5, y -= 0.5;
  const auto column = [&](std::int64_t k) {
    return static_cast<std::int64_t>(x + static_cast<double>(k) * step_x) - k;
  };
  const auto row = [&](std::int64_t k) {
    return static_cast<std::int64_t>(y + static_cast<double>(k) * step_y);
  };
  // Where no whole pixel is crossed, neighbours lie beside each other.
  for (std::int64_t from = 0; from < n;) {
    const std::int64_t ix = column(from), iy = row(from);
    std::int64_t end = n;
    if (column(n - 1) != ix || row(n - 1) != iy)
      for (end = from + 1; end < n && column(end) == ix && row(end) == iy;) ++end;
    const float tx = static_cast<float>(x - static_cast<double>(ix)),
                ty = static_cast<float>(y - static_cast<double>(iy)),
                dx = static_cast<float>(step_x - 1), dy = static_cast<float>(step_y);
    const float *r0 = coefficients.row(iy - 1) + ix - 1, *r1 = r0 + w, *r2 = r1 + w, *r3 = r2 + w;
#pragma omp simd
    for (std::int64_t k = from; k < end; ++k) {
      const auto at = static_cast<float>(static_cast<std::int32_t>(k));
      const float t = tx + at * dx, v = 1 - t, s = ty + at * dy, u = 1 - s;
      const float x0 = v * v * v, x1 = (3 * t - 6) * t * t + 4, x2 = (3 * v - 6) * v * v + 4,
                  x3 = t * t * t;
      const float y0 = u * u * u, y1 = (3 * s - 6) * s * s + 4, y2 = (3 * u - 6) * u * u + 4,
                  y3 = s * s * s;
      const float sum = y0 * (x0 * r0[k] + x1 * r0[k + 1] + x2 * r0[k + 2] + x3 * r0[k + 3]) +
                        y1 * (x0 * r1[k] + x1 * r1[k + 1] + x2 * r1[k + 2] + x3 * r1[k + 3]) +
                        y2 * (x0 * r2[k] + x1 * r2[k + 1] + x2 * r2[k + 2] + x3 * r2[k + 3]) +
                        y3 * (x0 * r3[k] + x1 * r3[k + 1] + x2 * r3[k + 2] + x3 * r3[k + 3]);
      to[k] = sum * (1.0F / 36);
    }
    from = end;
  }
}

LAPWRIGHT_CLONES("avx2")
void add_row(const float* a, const float* b, const float* residual, const float* slope_x,
             const float* slope_y, std::int64_t n, float robust, NormalSums& to) {
  float xx = 0, xy = 0, xv = 0, x1 = 0, yy = 0, yv = 0, y1 = 0, vv = 0, v1 = 0, k1 = 0, gx1 = 0,
        gy1 = 0, gv = 0, gk = 0;
#pragma omp simd reduction(+ : xx, xy, xv, x1, yy, yv, y1, vv, v1, k1, gx1, gy1, gv, gk)
  for (std::int64_t x = 0; x < n; ++x) {
    const float gx = slope_x[x], gy = slope_y[x], q = residual[x] * robust, k = 1 / (1 + q * q),
                va = -a[x], vb = b[x], kx = k * gx, ky = k * gy, kv = k * va;
    xx += kx * gx, xy += kx * gy, xv += kx * va, x1 -= kx, yy += ky * gy, yv += ky * va, y1 -= ky;
    vv += kv * va, v1 -= kv, k1 += k, gx1 -= kx * vb, gy1 -= ky * vb, gv -= kv * vb, gk += k * vb;
  }
  const std::array<float, 10> left{xx, xy, xv, x1, yy, yv, y1, vv, v1, k1};
  const std::array<float, 4> right{gx1, gy1, gv, gk};
  for (std::size_t i = 0; i < 10; ++i) to.left[i] += static_cast<double>(left[i]);
  for (std::size_t i = 0; i < 4; ++i) to.right[i] += static_cast<double>(right[i]);
}

LAPWRIGHT_CLONES("avx2")
float median_of(const std::vector<float>& values) {
  const float* p = values.data();
  const auto n = static_cast<std::int32_t>(values.size());
  float most = 0;
  for (std::int32_t i = 0; i < n; ++i) most = std::max(most, p[i]);
  float low = 0, high = most;
  for (int round = 0; round < 20; ++round) {
    const float middle = (low + high) / 2;
    std::int32_t below = 0;
    for (std::int32_t i = 0; i < n; ++i) below += p[i] < middle ? 1 : 0;
    (below * 2 <= n ? low : high) = middle;
  }
  return (low + high) / 2;
}

/// Two rows by two, so that what is loaded is used twice.
LAPWRIGHT_CLONES("avx2")
std::array<double, 4> products(const double* p0, const double* p1, const double* q0,
                               const double* q1, std::size_t n) {
  using Lanes = double __attribute__((vector_size(32)));
  Lanes s00{}, s01{}, s10{}, s11{};
  std::size_t k = 0;
  for (; k + 4 <= n; k += 4) {
    Lanes a, b, c, d;
    std::memcpy(&a, p0 + k, sizeof a), std::memcpy(&b, p1 + k, sizeof b);
    std::memcpy(&c, q0 + k, sizeof c), std::memcpy(&d, q1 + k, sizeof d);
    s00 += a * c, s01 += a * d, s10 += b * c, s11 += b * d;
  }
  const auto sum = [](const Lanes& s) { return (s[0] + s[2]) + (s[1] + s[3]); };
  std::array<double, 4> out{sum(s00), sum(s01), sum(s10), sum(s11)};
  for (; k < n; ++k)
    out[0] += p0[k] * q0[k], out[1] += p0[k] * q1[k], out[2] += p1[k] * q0[k],
        out[3] += p1[k] * q1[k];
  return out;
}

namespace scalar {
namespace {

/// Bilinear at (x, y) from the first pixel's centre, as it is defined: by the four pixels around.
double bilinear(const image::Plane& p, double x, double y) {
  x = std::clamp(x, 0.0, static_cast<double>(p.width) - 1.001),
  y = std::clamp(y, 0.0, static_cast<double>(p.height) - 1.001);
  double sum = 0;
  for (std::int64_t j = 0; j < 2; ++j)
    for (std::int64_t i = 0; i < 2; ++i) {
      const auto px = static_cast<std::int64_t>(x) + i, py = static_cast<std::int64_t>(y) + j;
      sum += (1 - std::abs(x - static_cast<double>(px))) *
             (1 - std::abs(y - static_cast<double>(py))) * static_cast<double>(p.row(py)[px]);
    }
  return sum;
}
/// The place's upper left pixel.
const float& corner(const image::Plane& p, double x, double y, std::int64_t i, std::int64_t j) {
  const double in_x = std::clamp(x, 0.0, static_cast<double>(p.width) - 1.001),
               in_y = std::clamp(y, 0.0, static_cast<double>(p.height) - 1.001);
  return p.row(static_cast<std::int64_t>(in_y) + j)[static_cast<std::int64_t>(in_x) + i];
}
bool within(const image::Plane& p, double x, double y, double rim) {
  return x >= rim && y >= rim && x < static_cast<double>(p.width) - 1.001 - rim &&
         y < static_cast<double>(p.height) - 1.001 - rim;
}

/// The cubic B-spline (Unser 1999).
double spline(double x) {
  x = std::abs(x);
  if (x < 1) return 2.0 / 3 - x * x + x * x * x / 2;
  return x < 2 ? (2 - x) * (2 - x) * (2 - x) / 6 : 0;
}

}  // namespace

void sample_lattice(const FilmPicture& from, bool film_only, const Lattice& at, const float* x,
                    const float* y, std::int32_t count, float* value, float* weight) {
  for (std::int32_t i = 0; i < count; ++i) {
    const auto u = static_cast<double>(x[i]), v = static_cast<double>(y[i]);
    const double px = at.middle.x - 0.5 + u * at.right.x + v * at.down.x,
                 py = at.middle.y - 0.5 + u * at.right.y + v * at.down.y;
    value[i] = static_cast<float>(bilinear(from.value, px, py));
    bool counts = within(from.value, px, py, 1);
    for (std::int64_t k = 0; film_only && k < 4; ++k)
      counts = counts && corner(from.film, px, py, k % 2, k / 2) > 0;
    weight[i] = counts ? 1 : 0;
  }
}

void sample_row(const FilmPicture& from, float x, float y, float step_x, float step_y,
                std::int32_t count, float* value, float* film) {
  for (std::int32_t i = 0; i < count; ++i) {
    const double px = static_cast<double>(x + 0.5F + static_cast<float>(i) * step_x),
                 py = static_cast<double>(y + 0.5F + static_cast<float>(i) * step_y);
    const double held = bilinear(from.film, px, py);
    film[i] = held > 0.5 ? 1 : 0;
    value[i] = held > 0.5 ? static_cast<float>(bilinear(from.value, px, py) / held) : 0;
  }
}

Sums sums_on_film(const FilmPicture& from, const float* x, const float* y, const float* value,
                  std::int32_t count, float dx, float dy, float mean) {
  Sums out;
  for (std::int32_t i = 0; i < count; ++i) {
    const auto px = static_cast<double>(x[i] + dx), py = static_cast<double>(y[i] + dy);
    if (!within(from.value, px, py, 0) || corner(from.film, px, py, 0, 0) == 0) continue;
    const float u = value[i], v = static_cast<float>(bilinear(from.value, px, py)) - mean;
    out.n += 1, out.u += u, out.v += v, out.uu += u * u, out.vv += v * v, out.uv += u * v;
  }
  return out;
}

Sums sums_of_cell(const float* cell_value, const float* cell_weight, float mean, const float* value,
                  const float* weight, std::int64_t stride) {
  Sums out;
  for (std::int64_t y = 0; y < cell_side; ++y)
    for (std::int64_t x = 0; x < cell_side; ++x) {
      const float k = cell_weight[y * cell_lanes + x] * weight[y * stride + x],
                  u = cell_value[y * cell_lanes + x] - mean, v = value[y * stride + x] - mean;
      out.n += k, out.u += k * u, out.v += k * v, out.uu += k * k * u * u, out.vv += k * k * v * v,
          out.uv += k * k * u * v;
    }
  return out;
}

void spline_row(const image::Plane& coefficients, double x, double y, double step_x, double step_y,
                std::int64_t n, float* to) {
  for (std::int64_t k = 0; k < n; ++k) {
    const double px = x - 0.5 + static_cast<double>(k) * step_x,
                 py = y - 0.5 + static_cast<double>(k) * step_y;
    const auto ix = static_cast<std::int64_t>(px), iy = static_cast<std::int64_t>(py);
    double sum = 0;
    for (std::int64_t j = iy - 1; j <= iy + 2; ++j)
      for (std::int64_t i = ix - 1; i <= ix + 2; ++i)
        sum += spline(px - static_cast<double>(i)) * spline(py - static_cast<double>(j)) *
               static_cast<double>(coefficients.row(j)[i]);
    to[k] = static_cast<float>(sum);
  }
}

void add_row(const float* a, const float* b, const float* residual, const float* gx,
             const float* gy, std::int64_t n, float robust, NormalSums& to) {
  for (std::int64_t x = 0; x < n; ++x) {
    const double q = static_cast<double>(residual[x] * robust), k = 1 / (1 + q * q);
    const std::array<double, 4> row{static_cast<double>(gx[x]), static_cast<double>(gy[x]),
                                    -static_cast<double>(a[x]), -1};
    std::size_t at = 0;
    for (std::size_t i = 0; i < 4; ++i) {
      for (std::size_t j = i; j < 4; ++j) to.left[at++] += k * row[i] * row[j];
      to.right[i] -= k * row[i] * static_cast<double>(b[x]);
    }
  }
}

float median_of(const std::vector<float>& values) {
  std::vector<float> v = values;
  std::sort(v.begin(), v.end());
  return v.empty() ? 0 : v[v.size() / 2];
}

std::array<double, 4> products(const double* p0, const double* p1, const double* q0,
                               const double* q1, std::size_t n) {
  std::array<double, 4> out{};
  for (std::size_t k = 0; k < n; ++k)
    out[0] += p0[k] * q0[k], out[1] += p0[k] * q1[k], out[2] += p1[k] * q0[k],
        out[3] += p1[k] * q1[k];
  return out;
}

}  // namespace scalar

}  // namespace lapwright::lap
