#include "lap/light.h"

#include <algorithm>
#include <cmath>

namespace lapwright::lap {
namespace {

constexpr std::int64_t side = 6;  // overview pixels: 1 mm at 150 ppi
constexpr double shadow = 0.003;  // added before the logarithm in overview.cc
constexpr std::size_t most_cells = 6000;

double median(std::vector<double> v) {
  if (v.empty()) return 0;
  const auto m = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), m, v.end());
  return *m;
}

}  // namespace

LightFound compare_light(const Overview& a, const Overview& b, const PassWarp& a_to_b) {
  LightFound out;
  const std::int64_t w = a.density.width, h = a.density.height;
  std::array<std::vector<double>, 3> ratio;
  std::vector<double> row;
  const auto all = static_cast<std::size_t>((w / side) * (h / side));
  const std::size_t every = std::max<std::size_t>(1, all / (most_cells * 3));
  std::size_t number = 0;
  for (std::int64_t y = 0; y + side <= h; y += side)
    for (std::int64_t x = 0; x + side <= w; x += side) {
      if (number++ % every) continue;
      const auto c =
          a_to_b({static_cast<double>(x) + side / 2.0, static_cast<double>(y) + side / 2.0});
      if (c.x < side || c.y < side || c.x > static_cast<double>(b.density.width - side) ||
          c.y > static_cast<double>(b.density.height - side))
        continue;
      std::array<double, 3> sa{}, sb{};
      bool usable = true;
      float low = 9, high = -9;
      for (std::int64_t j = 0; j < side && usable; ++j)
        for (std::int64_t i = 0; i < side; ++i) {
          const auto p =
              a_to_b({static_cast<double>(x + i) + 0.5, static_cast<double>(y + j) + 0.5});
          const double fx = p.x - 0.5, fy = p.y - 0.5;
          const auto ix = static_cast<std::int64_t>(std::floor(fx)),
                     iy = static_cast<std::int64_t>(std::floor(fy));
          if (ix < 0 || iy < 0 || ix + 1 >= b.density.width || iy + 1 >= b.density.height) {
            usable = false;
            break;
          }
          const double u = fx - static_cast<double>(ix), v = fy - static_cast<double>(iy);
          const float d = a.density.row(y + j)[x + i];
          low = std::min(low, d), high = std::max(high, d);
          for (std::size_t k = 0; k < 3; ++k) {
            const float *r0 = b.channel[k].row(iy) + ix, *r1 = b.channel[k].row(iy + 1) + ix;
            const auto t = [](float dense) {
              return std::pow(10.0, -static_cast<double>(dense)) - shadow;
            };
            sa[k] += t(a.channel[k].row(y + j)[x + i]);
            sb[k] += (t(r0[0]) * (1 - u) + t(r0[1]) * u) * (1 - v) +
                     (t(r1[0]) * (1 - u) + t(r1[1]) * u) * v;
          }
        }
      // Not where edges could mislead, nor deep shadow where stray light and noise rule.
      if (!usable || high - low > 0.6F ||
          std::min({sa[0], sa[1], sa[2], sb[0], sb[1], sb[2]}) < 0.01 * side * side)
        continue;
      for (std::size_t k = 0; k < 3; ++k)
        ratio[k].push_back(std::log10(sa[k] * a.open[k]) - std::log10(sb[k] * b.open[k]));
      row.push_back(c.y / static_cast<double>(b.density.height));
    }
  out.cells = static_cast<int>(row.size());
  if (row.size() < 20) return out;
  const auto [first, last] = std::minmax_element(row.begin(), row.end());
  const bool drifts =
      *last - *first > 0.3;  // a short stretch of rows says nothing about the whole pass
  const double middle_row = median(row);
  for (std::size_t k = 0; k < 3; ++k) {
    double middle = median(ratio[k]), slope = 0;
    std::vector<double> off;
    for (const double r : ratio[k]) off.push_back(std::abs(r - middle));
    double spread = std::max(0.0005, 1.48 * median(off));
    for (int round = 0; round < 8; ++round) {
      double n = 0, x = 0, y = 0, xx = 0, xy = 0;
      off.clear();
      for (std::size_t i = 0; i < row.size(); ++i) {
        const double t = row[i] - middle_row, e = ratio[k][i] - middle - slope * t,
                     q = e / (4 * spread);
        off.push_back(std::abs(e));
        if (q * q >= 1) continue;
        const double weight = (1 - q * q) * (1 - q * q);
        n += weight, x += weight * t, y += weight * ratio[k][i], xx += weight * t * t,
            xy += weight * t * ratio[k][i];
      }
      if (n < 1) break;
      const double var = xx - x * x / n;
      slope = drifts && var > 0 ? (xy - x * y / n) / var : 0;
      middle = (y - slope * x) / n;
      spread = std::max(0.0005, 1.48 * median(off));
    }
    out.light.gain[k] = std::pow(10.0, middle - slope * middle_row);
    out.light.drift[k] = slope;
    out.percent[k] = (std::pow(10.0, -middle) - 1) * 100;
  }
  return out;
}

}  // namespace lapwright::lap
