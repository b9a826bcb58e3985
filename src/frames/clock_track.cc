#include "frames/clock_track.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>

namespace lapwright::frames {
namespace {

constexpr double pi = 3.14159265358979323846;
constexpr double least_module = 0.25, most_module = 0.45;  // mm
constexpr double band = 0.25,
                 hop = 0.15;       // mm of rows taken together, and from one band to the next
constexpr int window_periods = 7;  // of the shortest form's fifteen alternating modules
constexpr double least_strength = 0.4;

using Wave = std::complex<double>;

/// Columns from `from` on of some rows averaged, and what changes slowly taken away.
struct Trace {
  std::int64_t from = 0;
  std::vector<double> values;
};

Trace trace(const Rebate& rebate, std::int64_t top, std::int64_t bottom, std::int64_t from,
            std::int64_t to) {
  const auto half = std::max<std::int64_t>(2, std::llround(0.66 / rebate.step));
  from = std::max<std::int64_t>(0, from), to = std::min(rebate.dark.width, to);
  const std::int64_t first = std::max<std::int64_t>(0, from - half),
                     last = std::min(rebate.dark.width, to + half);
  Trace t;
  t.from = from;
  if (to <= from) return t;
  std::vector<double> mean(static_cast<std::size_t>(last - first)), sums(mean.size() + 1);
  for (std::int64_t y = top; y < bottom; ++y) {
    const float* row = rebate.dark.row(y) + first;
    for (std::size_t x = 0; x < mean.size(); ++x) mean[x] += static_cast<double>(row[x]);
  }
  for (std::size_t x = 0; x < mean.size(); ++x) {
    mean[x] /= static_cast<double>(bottom - top);
    sums[x + 1] = sums[x] + mean[x];
  }
  for (std::int64_t x = from; x < to; ++x) {
    const auto i = static_cast<std::size_t>(std::max(first, x - half) - first),
               j = static_cast<std::size_t>(std::min(last, x + half + 1) - first);
    t.values.push_back(mean[static_cast<std::size_t>(x - first)] -
                       (sums[j] - sums[i]) / static_cast<double>(j - i));
  }
  return t;
}

struct Found {
  Wave wave;
  double strength = 0;
};

/// The wave of a period within columns [from, to), its phase as of column 0's left edge.
Found wave_at(const Trace& trace, double period, double from, double to) {
  const std::int64_t a = std::max(trace.from, std::int64_t{std::llround(from)});
  const std::int64_t b = std::min(trace.from + static_cast<std::int64_t>(trace.values.size()),
                                  std::int64_t{std::llround(to)});
  if (b - a < 4) return {};
  const Wave turn = std::polar(1.0, -2 * pi / period);
  Wave at = std::polar(1.0, -2 * pi * (static_cast<double>(a) + 0.5) / period), sum = 0, whole = 0;
  double energy = 0, mean = 0;
  for (std::int64_t k = a; k < b; ++k, at *= turn) {
    const double v = trace.values[static_cast<std::size_t>(k - trace.from)];
    sum += v * at, whole += at, energy += v * v, mean += v;
  }
  const auto n = static_cast<double>(b - a);
  mean /= n;
  sum -= mean * whole;
  energy -= n * mean * mean;
  if (energy < 1e-9) return {};
  return {sum * (2 / n), std::min(1.0, 2 * std::norm(sum) / (n * energy))};
}

struct Band {
  std::int64_t top, bottom;
};

std::vector<Band> bands_of(const Rebate& rebate) {
  std::vector<Band> bands;
  const auto tall = std::max<std::int64_t>(2, std::llround(band / rebate.step)),
             step = std::max<std::int64_t>(1, std::llround(hop / rebate.step));
  for (std::int64_t y = 0; y + tall <= rebate.dark.height; y += step)
    bands.push_back({y, y + tall});
  return bands;
}

}  // namespace

std::vector<ClockSite> clock_sites(const Rebate& rebate) {
  std::vector<ClockSite> sites;
  const auto n = static_cast<std::size_t>(rebate.dark.width);
  std::vector<Wave> waves(n + 1);
  std::vector<double> energy(n + 1), strength(n), best_period(n);
  for (const Band& rows : bands_of(rebate)) {
    const std::vector<double> s = trace(rebate, rows.top, rows.bottom, 0, rebate.dark.width).values;
    for (std::size_t k = 0; k < n; ++k) energy[k + 1] = energy[k] + s[k] * s[k];
    std::fill(strength.begin(), strength.end(), 0);
    for (double period = 2 * least_module / rebate.step; period <= 2 * most_module / rebate.step;
         period *= 1.03) {
      const Wave turn = std::polar(1.0, -2 * pi / period);
      Wave at = 1;
      for (std::size_t k = 0; k < n; ++k, at *= turn) waves[k + 1] = waves[k] + s[k] * at;
      const auto width = static_cast<std::size_t>(std::lround(window_periods * period));
      for (std::size_t k = 0; k + width <= n; ++k) {
        const double all = energy[k + width] - energy[k];
        const double here =
            2 * std::norm(waves[k + width] - waves[k]) / (static_cast<double>(width) * all + 1e-6);
        const std::size_t middle = k + width / 2;
        if (here > strength[middle]) strength[middle] = here, best_period[middle] = period;
      }
    }
    const auto apart = static_cast<std::size_t>(std::llround(1.2 / rebate.step));
    for (std::size_t k = 0; k < n; ++k) {
      if (strength[k] < least_strength) continue;
      const std::size_t a = k > apart ? k - apart : 0, b = std::min(n, k + apart + 1);
      if (std::max_element(strength.begin() + static_cast<std::ptrdiff_t>(a),
                           strength.begin() + static_cast<std::ptrdiff_t>(b)) -
              strength.begin() !=
          static_cast<std::ptrdiff_t>(k))
        continue;
      sites.push_back({static_cast<double>(k) + 0.5, (rows.top + rows.bottom) / 2, best_period[k],
                       strength[k]});
    }
  }
  std::sort(sites.begin(), sites.end(),
            [](const ClockSite& a, const ClockSite& b) { return a.strength > b.strength; });
  return sites;
}

double Clock::column(double module) const {
  // module = (2 (x / period) + (phase + bend(x)) / pi), solved for x; the bend is small and smooth.
  double x = (module * pi - phase) * period / (2 * pi);
  for (int round = 0; round < 4; ++round) {
    const double t = std::clamp((x - centre) / scale, -1.6, 1.6);
    x = (module * pi - phase - bend[0] - bend[1] * t - bend[2] * t * t) * period / (2 * pi);
  }
  return x;
}

Clock follow_clock(const Rebate& rebate, const ClockSite& site) {
  Clock clock;
  clock.period = site.period, clock.centre = site.column;
  const double reach = window_periods * site.period / 2;
  // The rows that wave alike.
  const auto tall = std::max<std::int64_t>(1, std::llround(0.1 / rebate.step));
  const auto window = [&](std::int64_t top, std::int64_t bottom, double far) {
    return trace(rebate, top, bottom, std::llround(site.column - far),
                 std::llround(site.column + far));
  };
  const auto here = [&](std::int64_t y) {
    const std::int64_t a = std::clamp<std::int64_t>(y - tall / 2, 0, rebate.dark.height - 1);
    return wave_at(window(a, std::min(a + tall, rebate.dark.height), reach), site.period,
                   site.column - reach, site.column + reach);
  };
  const auto half_band = std::max<std::int64_t>(1, std::llround(band / rebate.step / 2));
  const Found seed = wave_at(window(std::max<std::int64_t>(0, site.row - half_band),
                                    std::min(site.row + half_band, rebate.dark.height), reach),
                             site.period, site.column - reach, site.column + reach);
  const double loud = std::abs(seed.wave);
  const auto alike = [&](std::int64_t y) {
    const Found f = here(y);
    return std::real(f.wave * std::conj(seed.wave)) > 0.55 * loud * loud &&
           std::abs(std::arg(f.wave * std::conj(seed.wave))) < 0.7;
  };
  clock.top = clock.bottom = site.row;
  while (clock.top > 0 && alike(clock.top - 1)) --clock.top;
  while (clock.bottom < rebate.dark.height && alike(clock.bottom)) ++clock.bottom;
  if (clock.bottom - clock.top < 1) return clock;
  const Trace s = window(clock.top, clock.bottom, 17 * site.period);

  // The phase from period to period, as far as the wave goes on.
  clock.phase = std::arg(wave_at(s, site.period, site.column - reach, site.column + reach).wave);
  struct Step {
    double at, off, weight;
  };
  std::vector<Step> steps;
  for (const int way : {1, -1}) {
    double before = 0;
    for (int k = way > 0 ? 0 : -1; std::abs(k) < 15; k += way) {
      const double at = site.column + k * site.period;
      const Found f = wave_at(s, site.period, at - 1.5 * site.period, at + 1.5 * site.period);
      double off = std::arg(f.wave) - clock.phase;
      off -= 2 * pi * std::round((off - before) / (2 * pi));
      if (f.strength < 0.35 || std::abs(off - before) > 1.0) break;
      steps.push_back({at, off, f.strength}), before = off;
    }
  }
  if (steps.size() < 5) return clock;
  clock.scale = 8 * site.period;
  std::array<double, 3> fit{};
  for (int round = 0; round < 3; ++round) {
    std::array<std::array<double, 4>, 3>
        m{};  // normal equations of a parabola, bent no more than asked for
    for (const Step& p : steps) {
      const double t = (p.at - clock.centre) / clock.scale, v[3] = {1, t, t * t};
      const double left = p.off - fit[0] - fit[1] * t - fit[2] * t * t;
      const double w = p.weight * (round == 0 ? 1 : 1 / (1 + std::pow(left / 0.2, 2)));
      for (std::size_t i = 0; i < 3; ++i) {
        for (std::size_t j = 0; j < 3; ++j) m[i][j] += w * v[i] * v[j];
        m[i][3] += w * v[i] * p.off;
      }
    }
    m[2][2] += 0.3, m[1][1] += 1e-3;
    for (std::size_t i = 0; i < 3; ++i)
      for (std::size_t k = i + 1; k < 3; ++k) {
        const double q = m[k][i] / m[i][i];
        for (std::size_t j = i; j < 4; ++j) m[k][j] -= q * m[i][j];
      }
    for (std::size_t i = 3; i-- > 0;) {
      double rest = m[i][3];
      for (std::size_t j = i + 1; j < 3; ++j) rest -= m[i][j] * fit[j];
      fit[i] = rest / m[i][i];
    }
  }
  std::copy(fit.begin(), fit.end(), clock.bend);
  // Modules are counted from the dark one nearest the middle.
  const double module = 2 * site.column / site.period + (clock.phase + fit[0]) / pi;
  clock.phase -= 2 * pi * std::round(module / 2);
  double low = 1e300, high = -1e300;
  for (const Step& p : steps) low = std::min(low, p.at), high = std::max(high, p.at);
  clock.first = 2 * (low - site.column) / site.period - 2,
  clock.last = 2 * (high - site.column) / site.period + 2;
  return clock;
}

}  // namespace lapwright::frames
