#include "lap/light.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <future>

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

/// 10^-density less the shadow, between entries to a millionth part.
class Transmission {
 public:
  Transmission() {
    for (std::size_t i = 0; i < table_.size(); ++i)
      table_[i] =
          static_cast<float>(std::pow(10.0, -(lowest + static_cast<double>(i) / steps)) - shadow);
  }
  double operator()(float density) const {
    const float at = (std::clamp(density, lowest, highest) - lowest) * steps;
    const auto i = static_cast<std::size_t>(at);
    const float t = at - static_cast<float>(i);
    return static_cast<double>(table_[i] + (table_[i + 1] - table_[i]) * t);
  }

 private:
  static constexpr float lowest = -5, highest = 3, steps = 1024;  // an overview's go to 2.53
  std::array<float, 8 * 1024 + 2> table_;
};

/// Of cells: b's light against a's in each channel, density, and the row of b, parts of its height.
struct Ratios {
  std::array<std::vector<double>, 3> ratio;
  std::vector<double> row;
};

/// The cells number `first`, `first` + `every` and so on, before number `last`.
Ratios compare(const Overview& a, const Overview& b, const PassWarp& a_to_b, std::size_t first,
               std::size_t last, std::size_t every) {
  static const Transmission transmission;
  Ratios out;
  const auto across = static_cast<std::size_t>(a.density.width / side);
  for (std::size_t number = first; number < last; number += every) {
    const auto x = static_cast<std::int64_t>(number % across) * side,
               y = static_cast<std::int64_t>(number / across) * side;
    const auto c =
        a_to_b({static_cast<double>(x) + side / 2.0, static_cast<double>(y) + side / 2.0});
    if (c.x < side || c.y < side || c.x > static_cast<double>(b.density.width - side) ||
        c.y > static_cast<double>(b.density.height - side))
      continue;
    // Over a millimetre the map is straight.
    const auto right = a_to_b({static_cast<double>(x + side), static_cast<double>(y) + side / 2.0}),
               down = a_to_b({static_cast<double>(x) + side / 2.0, static_cast<double>(y + side)});
    const double rx = (right.x - c.x) * 2 / side, ry = (right.y - c.y) * 2 / side,
                 dx = (down.x - c.x) * 2 / side, dy = (down.y - c.y) * 2 / side;
    std::array<double, 3> sa{}, sb{};
    bool usable = true;
    float low = 9, high = -9;
    for (std::int64_t j = 0; j < side && usable; ++j)
      for (std::int64_t i = 0; i < side; ++i) {
        const double right_by = static_cast<double>(i) + 0.5 - side / 2.0,
                     down_by = static_cast<double>(j) + 0.5 - side / 2.0;
        const double fx = c.x + rx * right_by + dx * down_by - 0.5,
                     fy = c.y + ry * right_by + dy * down_by - 0.5;
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
          sa[k] += transmission(a.channel[k].row(y + j)[x + i]);
          sb[k] += (transmission(r0[0]) * (1 - u) + transmission(r0[1]) * u) * (1 - v) +
                   (transmission(r1[0]) * (1 - u) + transmission(r1[1]) * u) * v;
        }
      }
    // Not where edges could mislead, nor deep shadow where stray light and noise rule.
    if (!usable || high - low > 0.6F ||
        std::min({sa[0], sa[1], sa[2], sb[0], sb[1], sb[2]}) < 0.01 * side * side)
      continue;
    for (std::size_t k = 0; k < 3; ++k)
      out.ratio[k].push_back(std::log10(sa[k] * a.open[k]) - std::log10(sb[k] * b.open[k]));
    out.row.push_back(c.y / static_cast<double>(b.density.height));
  }
  return out;
}

}  // namespace

LightFound compare_light(const Overview& a, const Overview& b, const PassWarp& a_to_b) {
  LightFound out;
  const auto all = static_cast<std::size_t>((a.density.width / side) * (a.density.height / side));
  const std::size_t every = std::max<std::size_t>(1, all / (most_cells * 3));
  auto later = std::async(std::launch::async, compare, std::cref(a), std::cref(b),
                          std::cref(a_to_b), every, all, 2 * every);
  auto [ratio, row] = compare(a, b, a_to_b, 0, all, 2 * every);
  const Ratios rest = later.get();
  for (std::size_t k = 0; k < 3; ++k)
    ratio[k].insert(ratio[k].end(), rest.ratio[k].begin(), rest.ratio[k].end());
  row.insert(row.end(), rest.row.begin(), rest.row.end());
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
