#include "lap/patches.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <future>
#include <numeric>
#include <optional>

#include "core/clones.h"
#include "lap/kernels.h"

namespace lapwright::lap {
namespace {

constexpr double least_correlation = 0.3, most_sigma = 0.5;
// Of smoothed white noise: the spline's slope squared over the value squared (mean over frequency
// of cos^4(w/2) (3 sin w / (2 + cos w))^2 over that of cos^4(w/2)).
constexpr double slope_of_noise = 0.713, least_real = 0.25;
constexpr double own_error =
    0.006;  // pixels: what no single patch does better than, whatever its residual says
constexpr double of_correlated =
    3.5;  // residuals of smoothed patches are not independent: variance is that much larger
constexpr double expected_within = 2;  // pixels, one sigma
constexpr std::int64_t rim = 2;  // pixels of a patch's edge that smoothing and gradients spoil

/// 1 2 1 both ways: takes away what lies next to the Nyquist frequency, where sampling has folded
/// detail.
void smooth(image::Plane& p) {
  const std::int64_t w = p.width, h = p.height;
  image::Plane t = p;
  for (std::int64_t y = 0; y < h; ++y)
    for (std::int64_t x = 0; x < w; ++x)
      t.row(y)[x] = (p.row(y)[std::max<std::int64_t>(0, x - 1)] + 2 * p.row(y)[x] +
                     p.row(y)[std::min(w - 1, x + 1)]) /
                    4;
  for (std::int64_t y = 0; y < h; ++y) {
    const float *u = t.row(std::max<std::int64_t>(0, y - 1)), *m = t.row(y),
                *d = t.row(std::min(h - 1, y + 1));
    for (std::int64_t x = 0; x < w; ++x) p.row(y)[x] = (u[x] + 2 * m[x] + d[x]) / 4;
  }
}

image::Plane transposed(const image::Plane& p) {
  image::Plane out(p.height, p.width);
  for (std::int64_t y = 0; y < p.height; ++y)
    for (std::int64_t x = 0; x < p.width; ++x) out.row(x)[y] = p.row(y)[x];
  return out;
}

/// Samples to cubic B-spline coefficients down the columns, ends mirrored (Unser 1999).
LAPWRIGHT_CLONES("avx2")
void prefilter_columns(image::Plane& p) {
  constexpr float pole = -0.26794919F;
  const std::int64_t w = p.width, n = p.height;
  float* first = p.row(0);
  float power = pole;
  for (std::int64_t k = 1; k < std::min<std::int64_t>(n, 12); ++k, power *= pole) {
    const float* c = p.row(k);
    for (std::int64_t x = 0; x < w; ++x) first[x] += power * c[x];
  }
  for (std::int64_t k = 1; k < n; ++k) {
    const float* before = p.row(k - 1);
    float* c = p.row(k);
    for (std::int64_t x = 0; x < w; ++x) c[x] += pole * before[x];
  }
  float* last = p.row(n - 1);
  const float* before = p.row(n - 2);
  for (std::int64_t x = 0; x < w; ++x)
    last[x] = pole / (pole * pole - 1) * (last[x] + pole * before[x]);
  for (std::int64_t k = n - 2; k >= 0; --k) {
    const float* after = p.row(k + 1);
    float* c = p.row(k);
    for (std::int64_t x = 0; x < w; ++x) c[x] = pole * (after[x] - c[x]);
  }
  for (float& v : p.values) v *= 6;
}

void prefilter(image::Plane& p) {
  prefilter_columns(p);
  p = transposed(p);
  prefilter_columns(p);
  p = transposed(p);
}

/// b's patch laid so that its rows run as a's do, and the map from where it was cut to where it
/// lies now.
struct Upright {
  image::Plane plane;
  PassMap laid;
};
Upright upright(const image::Plane& b, const PassMap& a_to_b) {
  const bool across = std::abs(a_to_b.b) > std::abs(a_to_b.a);
  Upright out{across ? transposed(b) : b, across ? PassMap{0, 1, 1, 0, 0, 0} : PassMap{}};
  image::Plane& p = out.plane;
  const PassMap now = core::compose(out.laid, a_to_b);
  if (now.a < 0) {
    for (std::int64_t y = 0; y < p.height; ++y) std::reverse(p.row(y), p.row(y) + p.width);
    out.laid = core::compose(PassMap{-1, 0, 0, 1, static_cast<double>(p.width), 0}, out.laid);
  }
  if (now.d < 0) {
    for (std::int64_t y = 0; y < p.height / 2; ++y)
      std::swap_ranges(p.row(y), p.row(y) + p.width, p.row(p.height - 1 - y));
    out.laid = core::compose(PassMap{1, 0, 0, -1, 0, static_cast<double>(p.height)}, out.laid);
  }
  return out;
}

/// Scratch space of one thread.
struct Work {
  std::vector<float> warped, residual, sizes, slope_x, slope_y;
};

/// Derivatives of the spline through `p` at its own pixels; the outermost ones stay 0.
void slopes(const image::Plane& p, std::vector<float>& x_to, std::vector<float>& y_to) {
  image::Plane c = p;
  prefilter(c);
  x_to.assign(p.values.size(), 0.0F), y_to.assign(p.values.size(), 0.0F);
  const std::int64_t w = p.width;
  for (std::int64_t y = 1; y + 1 < p.height; ++y) {
    const float *u = c.row(y - 1), *m = c.row(y), *d = c.row(y + 1);
    float *gx = x_to.data() + y * w, *gy = y_to.data() + y * w;
    for (std::int64_t x = 1; x + 1 < w; ++x) {
      gx[x] = (u[x + 1] - u[x - 1] + 4 * (m[x + 1] - m[x - 1]) + d[x + 1] - d[x - 1]) / 12;
      gy[x] = (d[x - 1] - u[x - 1] + 4 * (d[x] - u[x]) + d[x + 1] - u[x + 1]) / 12;
    }
  }
}

std::optional<Match> align(const Site& site, image::Plane a, image::Plane b, Work& work) {
  const std::int64_t w = a.width, h = a.height;
  const auto uw = static_cast<std::size_t>(w);
  const double half_w = static_cast<double>(w) / 2, half_h = static_cast<double>(h) / 2;
  const Spot<PassSpace> centre{static_cast<double>(site.a.x) + half_w,
                               static_cast<double>(site.a.y) + half_h};
  const PassMap& m = site.expected;
  const auto mean = static_cast<float>(std::accumulate(a.values.begin(), a.values.end(), 0.0) /
                                       static_cast<double>(a.values.size()));
  for (float& v : a.values) v -= mean;  // keeps single precision good enough below
  for (float& v : b.values) v -= mean;
  smooth(a), smooth(b);
  const std::int64_t b_width = b.width, b_height = b.height;
  Upright lying = upright(b, m);
  prefilter(lying.plane);
  slopes(a, work.slope_x, work.slope_y);
  Spot<PassSpace> at = m(centre);
  work.warped.resize(uw * static_cast<std::size_t>(h)),
      work.residual.assign(work.warped.size(), 0.0F);
  const double low = 2.5, high_x = static_cast<double>(b_width) - 2.5,
               high_y = static_cast<double>(b_height) - 2.5;
  float spread = 0;
  double noise = 1;
  Eigen::Vector2d moved(0, 0), before(0, 0);
  double pace = 1, of_noise = 0;
  for (int round = 0; round < 10; ++round) {
    const auto corner = [&](double u, double v) {
      const double x = at.x + m.a * u + m.c * v - static_cast<double>(site.b.x),
                   y = at.y + m.b * u + m.d * v - static_cast<double>(site.b.y);
      return x > low && y > low && x < high_x && y < high_y;
    };
    if (!corner(-half_w, -half_h) || !corner(half_w, -half_h) || !corner(-half_w, half_h) ||
        !corner(half_w, half_h))
      return std::nullopt;
    const PassMap there =
        core::compose(lying.laid, PassMap{m.a, m.b, m.c, m.d, at.x - static_cast<double>(site.b.x),
                                          at.y - static_cast<double>(site.b.y)});
    for (std::int64_t y = 0; y < h; ++y) {
      const auto from = there({0.5 - half_w, static_cast<double>(y) + 0.5 - half_h});
      spline_row(lying.plane, from.x, from.y, there.a, there.b, w,
                 work.warped.data() + static_cast<std::size_t>(y) * uw);
    }
    // Normal equations of dx, dy, gain, offset.
    NormalSums sums;
    for (std::int64_t y = rim; y < h - rim; ++y) {
      const std::size_t i = static_cast<std::size_t>(y) * uw + static_cast<std::size_t>(rim);
      add_row(a.row(y) + rim, work.warped.data() + i, work.residual.data() + i,
              work.slope_x.data() + i, work.slope_y.data() + i, w - 2 * rim,
              round > 0 ? 1 / (2.5F * spread) : 0, sums);
    }
    const auto& s = sums.left;
    auto& g = sums.right;
    const auto count = static_cast<double>((w - 2 * rim) * (h - 2 * rim));
    Eigen::Matrix4d normal;
    normal << s[0], s[1], s[2], s[3], s[1], s[4], s[5], s[6], s[2], s[5], s[7], s[8], s[3], s[6],
        s[8], s[9];
    normal.diagonal().array() += 1e-9 * count;
    const Eigen::Matrix4d total = normal;
    // Noise has slopes of its own, which measure nothing: a way along which there is hardly more
    // (an edge's) is held where it was expected.
    const Eigen::Matrix2d seen = normal.topLeftCorner<2, 2>();
    const Eigen::SelfAdjointEigenSolver<Eigen::Matrix2d> axes(seen);
    const Eigen::Array2d all = axes.eigenvalues().array(),
                         real = all - slope_of_noise * of_noise * s[9];
    const std::array<bool, 2> blind{real[0] < least_real * all[0], real[1] < least_real * all[1]};
    if (blind[0] && blind[1] && round > 2) return std::nullopt;
    const Eigen::Vector2d firm(blind[0] ? 1e3 * all[0] : real[0],
                               blind[1] ? 1e3 * all[1] : real[1]);
    normal.topLeftCorner<2, 2>() =
        axes.eigenvectors() * firm.asDiagonal() * axes.eigenvectors().transpose();
    normal(2, 2) = std::max(s[7] - of_noise * s[9], 0.02 * s[7]) + 1e-9 * count;
    Eigen::Matrix4d held = normal;
    if (round > 0) {
      const double hold = noise / (expected_within * expected_within);
      held(0, 0) += hold, held(1, 1) += hold;
      g[0] -= hold * moved[0], g[1] -= hold * moved[1];
    }
    const Eigen::Vector4d d = held.ldlt().solve(Eigen::Vector4d(g[0], g[1], g[2], g[3]));
    if (!d.allFinite() || d[2] < 0.4 || d[2] > 2.5) return std::nullopt;
    const auto gain = static_cast<float>(d[2]), offset = static_cast<float>(d[3]);
    work.sizes.resize(static_cast<std::size_t>((w - 2 * rim) * (h - 2 * rim)));
    float* absolute = work.sizes.data();
    for (std::int64_t y = rim; y < h - rim; ++y, absolute += w - 2 * rim) {
      const std::size_t i = static_cast<std::size_t>(y) * uw + static_cast<std::size_t>(rim);
      const float *ra = a.row(y) + rim, *rb = work.warped.data() + i;
      float* re = work.residual.data() + i;
      for (std::int64_t x = 0; x < w - 2 * rim; ++x)
        re[x] = rb[x] - gain * ra[x] - offset, absolute[x] = std::abs(re[x]);
    }
    // Where a patch has edges, a hundredth of a pixel already leaves more than flat parts' noise,
    // and that is no dust.
    const double slope = std::sqrt((s[0] + s[4]) / s[9]), still_off = round < 2 ? 0.2 : 0.03;
    spread = 1.4826F * median_of(work.sizes);
    of_noise = round < 1 ? 0 : static_cast<double>(spread * spread / (1 + gain * gain));
    spread += static_cast<float>(still_off * slope) + 1e-6F;
    // Where a step turns back, the next goes as the chord says.
    const double length = std::hypot(d[0], d[1]),
                 turned_back = -before.dot(d.head<2>()) / (before.squaredNorm() + 1e-12);
    if (turned_back > 0.1) pace *= std::max(0.3, 1 / (1 + turned_back));
    const double step = std::min(pace, 2.0 / (length + 1e-9));
    before = d.head<2>();
    at.x += step * (m.a * d[0] + m.c * d[1]), at.y += step * (m.b * d[0] + m.d * d[1]);
    moved += step * d.head<2>();
    noise = static_cast<double>(spread) * static_cast<double>(spread);
    if (round < 2) continue;
    const double in_sigmas = d.head<2>().dot(normal.topLeftCorner<2, 2>() * d.head<2>()) / noise;
    if (length > 0.003 && in_sigmas > 0.01) continue;
    double error = 0, value = 0, square = 0, weights = 0, sum_x = 1e-12, sum_y = 1e-12, at_x = 0,
           at_y = 0;
    for (std::int64_t y = rim; y < h - rim; ++y)
      for (std::int64_t x = rim; x < w - rim; ++x) {
        const auto i = static_cast<std::size_t>(y) * uw + static_cast<std::size_t>(x);
        const double r = static_cast<double>(work.residual[i]),
                     q = r / (2.5 * static_cast<double>(spread)), k = 1 / (1 + q * q),
                     v = static_cast<double>(work.warped[i]),
                     gx = static_cast<double>(work.slope_x[i]),
                     gy = static_cast<double>(work.slope_y[i]);
        error += k * r * r, value += k * v, square += k * v * v, weights += k;
        sum_x += k * gx * gx, at_x += k * gx * gx * (static_cast<double>(x) + 0.5 - half_w);
        sum_y += k * gy * gy, at_y += k * gy * gy * (static_cast<double>(y) + 0.5 - half_h);
      }
    const double variance = square / weights - value * value / (weights * weights);
    if (variance <= 0 || error / weights > (1 - least_correlation * least_correlation) * variance)
      return std::nullopt;
    const Eigen::Matrix4d inverse = normal.inverse(),
                          covariance =
                              inverse * total * inverse * (error / weights * of_correlated);
    Eigen::Matrix2d along =
        axes.eigenvectors().transpose() * covariance.topLeftCorner<2, 2>() * axes.eigenvectors();
    for (const int i : {0, 1})
      if (blind[static_cast<std::size_t>(i)])
        along.row(i).setZero(), along.col(i).setZero(), along(i, i) = 1e6;
    if (!(along.diagonal().minCoeff() > 0) || std::sqrt(along.diagonal().minCoeff()) > most_sigma)
      return std::nullopt;
    Eigen::Matrix2d map;
    map << m.a, m.c, m.b, m.d;
    Eigen::Matrix2d c =
        map * axes.eigenvectors() * along * axes.eigenvectors().transpose() * map.transpose();
    c.diagonal().array() += own_error * own_error * std::abs(m.a * m.d - m.b * m.c);
    const Eigen::Matrix2d info = c.inverse();
    Match found;
    // It was measured where its edges lie, which need not be its middle: across them for each axis.
    const double u = at_x / sum_x, v = at_y / sum_y;
    found.a = {centre.x + u, centre.y + v};
    found.b = {at.x + m.a * u + m.c * v, at.y + m.b * u + m.d * v};
    found.info = {info(0, 0), info(0, 1), info(1, 1)}, found.strip = site.strip;
    return found;
  }
  return std::nullopt;
}

}  // namespace

std::vector<Match> measure(const std::vector<Site>& sites, const std::vector<image::Plane>& a,
                           const std::vector<image::Plane>& b) {
  const auto part = [&](std::size_t first) {
    std::vector<Match> found;
    Work work;
    for (std::size_t i = first; i < sites.size(); i += 2)
      if (auto m = align(sites[i], a[i], b[i], work)) found.push_back(*m);
    return found;
  };
  auto other = std::async(std::launch::async, part, std::size_t{1});
  std::vector<Match> all = part(0);
  const std::vector<Match> more = other.get();
  all.insert(all.end(), more.begin(), more.end());
  return all;
}

}  // namespace lapwright::lap
