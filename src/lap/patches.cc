#include "lap/patches.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <future>
#include <optional>

namespace lapwright::lap {
namespace {

double cubic(const image::Plane& p, double x, double y) {  // Catmull-Rom at continuous position
  const double fx = x - 0.5, fy = y - 0.5;
  const auto ix = static_cast<std::int64_t>(std::floor(fx)), iy = static_cast<std::int64_t>(std::floor(fy));
  const auto weights = [](double t, double* w) {
    w[0] = ((-0.5 * t + 1) * t - 0.5) * t, w[1] = (1.5 * t - 2.5) * t * t + 1;
    w[2] = ((-1.5 * t + 2) * t + 0.5) * t, w[3] = (0.5 * t - 0.5) * t * t;
  };
  double wx[4], wy[4], sum = 0;
  weights(fx - static_cast<double>(ix), wx), weights(fy - static_cast<double>(iy), wy);
  for (std::int64_t j = 0; j < 4; ++j) {
    const float* row = p.row(iy - 1 + j) + ix - 1;
    sum += wy[j] * (wx[0] * static_cast<double>(row[0]) + wx[1] * static_cast<double>(row[1]) + wx[2] * static_cast<double>(row[2]) + wx[3] * static_cast<double>(row[3]));
  }
  return sum;
}

std::optional<Match> align(const Site& site, const image::Plane& a, const image::Plane& b) {
  const std::int64_t n = a.width;
  const auto un = static_cast<std::size_t>(n);
  const double middle = static_cast<double>(n) / 2;
  const Spot<PassSpace> centre{static_cast<double>(site.a.x) + middle, static_cast<double>(site.a.y) + middle};
  const PassMap& m = site.expected;
  const Spot<PassSpace> start = m(centre);
  Spot<PassSpace> at = start;
  std::vector<double> warped(un * un), residual(un * un);
  double spread = 0;
  for (int round = 0; round < 14; ++round) {
    for (std::int64_t y = 0; y < n; ++y)
      for (std::int64_t x = 0; x < n; ++x) {
        const double u = static_cast<double>(x) + 0.5 - middle, v = static_cast<double>(y) + 0.5 - middle;
        const double bx = at.x + m.a * u + m.c * v - static_cast<double>(site.b.x), by = at.y + m.b * u + m.d * v - static_cast<double>(site.b.y);
        if (bx < 2 || by < 2 || bx > static_cast<double>(b.width) - 2.5 || by > static_cast<double>(b.height) - 2.5) return std::nullopt;
        warped[static_cast<std::size_t>(y * n + x)] = cubic(b, bx, by);
      }
    Eigen::Matrix4d h = Eigen::Matrix4d::Zero();
    Eigen::Vector4d g = Eigen::Vector4d::Zero();
    double count = 0;
    for (std::int64_t y = 1; y + 1 < n; ++y)
      for (std::int64_t x = 1; x + 1 < n; ++x) {
        const auto i = static_cast<std::size_t>(y * n + x);
        const float* row = a.row(y) + x;
        const double gx = (warped[i + 1] - warped[i - 1] + static_cast<double>(row[1] - row[-1])) / 4;
        const double gy = (warped[i + un] - warped[i - un] + static_cast<double>(row[n] - row[-n])) / 4;
        const double value = static_cast<double>(*row);
        const Eigen::Vector4d j(gx, gy, -value, -1);
        const double q = round > 2 ? residual[i] / (2.5 * spread) : 0;  // dust of one pass pulls less
        const double w = 1 / (1 + q * q);
        h += w * j * j.transpose(), g -= w * warped[i] * j;
        count += 1;
      }
    h.diagonal().array() += 1e-9 * count;
    const Eigen::LDLT<Eigen::Matrix4d> solver(h);
    const Eigen::Vector4d d = solver.solve(g);
    if (!d.allFinite() || d[2] < 0.4 || d[2] > 2.5) return std::nullopt;
    double sum = 0, value = 0, square = 0;
    for (std::int64_t y = 1; y + 1 < n; ++y)
      for (std::int64_t x = 1; x + 1 < n; ++x) {
        const auto i = static_cast<std::size_t>(y * n + x);
        residual[i] = warped[i] - d[2] * static_cast<double>(a.row(y)[x]) - d[3];
        sum += residual[i] * residual[i], value += warped[i], square += warped[i] * warped[i];
      }
    spread = std::sqrt(sum / count) + 1e-6;
    const double step = std::min(1.0, 2.0 / (std::hypot(d[0], d[1]) + 1e-9));
    at.x += step * (m.a * d[0] + m.c * d[1]), at.y += step * (m.b * d[0] + m.d * d[1]);
    if (std::hypot(d[0], d[1]) < 0.003 && round > 3) {
      const double variance = square / count - value * value / (count * count);
      if (variance <= 0 || sum / count > 0.4 * variance) return std::nullopt;  // correlation below about 0.8
      const Eigen::Matrix4d cov = h.inverse() * (sum / count);
      const double worst = std::sqrt(std::max(cov(0, 0), cov(1, 1)));
      const double scale = std::sqrt(std::abs(m.determinant()));
      if (worst > 0.4) return std::nullopt;
      return Match{centre, at, scale * worst + 0.01, 1, false};
    }
  }
  return std::nullopt;
}

}  // namespace

std::vector<Site> choose_sites(const Overview& a, const Overview& b, const PassWarp& a_to_b, double scale_a, double scale_b, std::int64_t side,
                               std::int64_t margin, double row_mm, int count) {
  const std::int64_t w = a.density.width, h = a.density.height, bw = b.density.width, bh = b.density.height;
  const double patch = static_cast<double>(side) / scale_a;  // overview pixels
  const double rim_b = (static_cast<double>(side) * 0.75 + static_cast<double>(margin) + 4) / scale_b + 1;
  const auto inside = [&](double x, double y) {
    if (x < patch / 2 + 2 || y < patch / 2 + 2 || x > static_cast<double>(w) - patch / 2 - 2 || y > static_cast<double>(h) - patch / 2 - 2) return false;
    const auto p = a_to_b({x, y});
    return p.x > rim_b && p.y > rim_b && p.x < static_cast<double>(bw) - rim_b && p.y < static_cast<double>(bh) - rim_b;
  };
  // The common area on a coarse raster, to space the sites.
  const double row_step = std::max(row_mm / a.mm_per_pixel, patch);
  double area = 0;
  for (double y = 4; y < static_cast<double>(h); y += 8)
    for (double x = 4; x < static_cast<double>(w); x += 8) area += inside(x, y) ? 64 : 0;
  const double column_step = std::max(patch, area / row_step / std::max(count, 1));
  const auto look = static_cast<std::int64_t>(std::max(2.0, std::min(patch / 2, 8.0)));
  const auto quality = [&](double cx, double cy) {
    double xx = 0, xy = 0, yy = 0, film = 0;
    const auto ix = static_cast<std::int64_t>(cx), iy = static_cast<std::int64_t>(cy);
    for (std::int64_t y = std::max<std::int64_t>(1, iy - look); y <= std::min(h - 2, iy + look); ++y)
      for (std::int64_t x = std::max<std::int64_t>(1, ix - look); x <= std::min(w - 2, ix + look); ++x) {
        const double gx = static_cast<double>(a.density.row(y)[x + 1] - a.density.row(y)[x - 1]), gy = static_cast<double>(a.density.row(y + 1)[x] - a.density.row(y - 1)[x]);
        xx += gx * gx, xy += gx * gy, yy += gy * gy, film += static_cast<double>(a.film.row(y)[x]);
      }
    if (film < 1) return 0.0;
    return (xx + yy) / 2 - std::sqrt((xx - yy) * (xx - yy) / 4 + xy * xy);
  };
  std::vector<Site> out;
  int line = 0;
  for (double y = patch / 2 + 2; y < static_cast<double>(h); y += row_step, ++line)
    for (double x = patch / 2 + 2 + (line % 2) * column_step / 2; x < static_cast<double>(w); x += column_step) {
      double best = 0, best_x = 0, best_y = 0;
      for (int k = 0; k < 4; ++k) {  // within the cell, a few places across: the rows stay together, which saves reading
        const double px = x + (k - 1.5) * std::max(0.0, column_step - patch) / 4;
        if (!inside(px, y)) continue;
        if (const double q = quality(px, y); q > best) best = q, best_x = px, best_y = y;
      }
      if (best < 2e-4) continue;
      Site s;
      s.a = {static_cast<std::int64_t>(best_x * scale_a) - side / 2, static_cast<std::int64_t>(best_y * scale_a) - side / 2, side, side};
      const double ax = static_cast<double>(s.a.x) + static_cast<double>(side) / 2, ay = static_cast<double>(s.a.y) + static_cast<double>(side) / 2;
      const auto warp = [&](double u, double v) {
        const auto p = a_to_b({u / scale_a, v / scale_a});
        return Spot<PassSpace>{p.x * scale_b, p.y * scale_b};
      };
      const double d = static_cast<double>(side) / 2;
      const auto c = warp(ax, ay), r = warp(ax + d, ay), l = warp(ax - d, ay), t = warp(ax, ay - d), u = warp(ax, ay + d);
      PassMap& m = s.expected;
      m.a = (r.x - l.x) / (2 * d), m.b = (r.y - l.y) / (2 * d), m.c = (u.x - t.x) / (2 * d), m.d = (u.y - t.y) / (2 * d);
      m.e = c.x - m.a * ax - m.c * ay, m.f = c.y - m.b * ax - m.d * ay;
      const auto half_x = static_cast<std::int64_t>(std::ceil(d * (std::abs(m.a) + std::abs(m.c)))) + margin + 3;
      const auto half_y = static_cast<std::int64_t>(std::ceil(d * (std::abs(m.b) + std::abs(m.d)))) + margin + 3;
      s.b = {static_cast<std::int64_t>(c.x) - half_x, static_cast<std::int64_t>(c.y) - half_y, 2 * half_x, 2 * half_y};
      const auto fits = [](const Box& box, double width, double height) {
        return box.x >= 0 && box.y >= 0 && static_cast<double>(box.x + box.width) <= width && static_cast<double>(box.y + box.height) <= height;
      };
      if (fits(s.a, static_cast<double>(w) * scale_a, static_cast<double>(h) * scale_a) && fits(s.b, static_cast<double>(bw) * scale_b, static_cast<double>(bh) * scale_b)) out.push_back(s);
    }
  return out;
}

std::vector<Match> measure(const std::vector<Site>& sites, const std::vector<image::Plane>& a, const std::vector<image::Plane>& b) {
  const auto part = [&](std::size_t first) {
    std::vector<Match> found;
    for (std::size_t i = first; i < sites.size(); i += 2)
      if (auto m = align(sites[i], a[i], b[i])) found.push_back(*m);
    return found;
  };
  auto other = std::async(std::launch::async, part, std::size_t{1});
  std::vector<Match> all = part(0), more = other.get();
  all.insert(all.end(), more.begin(), more.end());
  return all;
}

std::vector<image::Plane> cut(const image::Plane& from, const std::vector<Box>& boxes) {
  std::vector<image::Plane> out;
  for (const Box& b : boxes) {
    image::Plane p(b.width, b.height);
    for (std::int64_t y = 0; y < b.height; ++y) std::copy_n(from.row(b.y + y) + b.x, b.width, p.row(y));
    out.push_back(std::move(p));
  }
  return out;
}

}  // namespace lapwright::lap
