#include "frames/strip_view.h"

#include <algorithm>
#include <cmath>

namespace lapwright::frames {
namespace {

struct Sampler {
  const FilmMap& map;
  Affine<RunSpace, PassSpace> back;
  explicit Sampler(const FilmMap& m) : map(m), back(m.to_run.inverse()) {}
  /// Bilinear counts; false outside the picture.
  bool operator()(Spot<RunSpace> p, double (&rgb)[3]) const {
    const auto q = back(p);
    const double x = q.x - 0.5, y = q.y - 0.5;
    const double fx = std::floor(x), fy = std::floor(y);
    const auto i = static_cast<std::int64_t>(fx), j = static_cast<std::int64_t>(fy);
    if (i < 0 || j < 0 || i + 1 >= map.picture.width() || j + 1 >= map.picture.height()) return false;
    const double u = x - fx, v = y - fy;
    const std::uint16_t* a = map.picture.row(j) + i * 3;
    const std::uint16_t* b = map.picture.row(j + 1) + i * 3;
    for (int c = 0; c < 3; ++c)
      rgb[c] = (a[c] * (1 - u) + a[c + 3] * u) * (1 - v) + (b[c] * (1 - u) + b[c + 3] * u) * v;
    return true;
  }
  bool open(const double (&rgb)[3]) const {
    const std::uint16_t counts[3] = {static_cast<std::uint16_t>(rgb[0]), static_cast<std::uint16_t>(rgb[1]), static_cast<std::uint16_t>(rgb[2])};
    return map.density(counts) < map.threshold;
  }
};

struct Base {
  double counts[3] = {0, 0, 0};
  bool found = false;
};

/// The rebate beside the pictures, lettering left out.
Base rebate_base(const Sampler& sample, const StripLine& line, double from, double to, double rebate, bool slide) {
  std::vector<double> values[3];
  const double a = std::min(0.35, rebate * 0.3), b = std::max(a + 0.1, std::min(1.6, rebate - 0.4));
  for (double along = from; along < to; along += 0.3)
    for (int side = 0; side < 2; ++side)
      for (int k = 0; k < 4; ++k) {
        const double in = a + (b - a) * k / 3;
        double rgb[3];
        if (!sample(line.at(along, side ? line.width - in : in), rgb) || sample.open(rgb)) continue;
        for (int c = 0; c < 3; ++c) values[c].push_back(rgb[c]);
      }
  Base base;
  base.found = values[0].size() > 60;
  if (!base.found) return base;
  for (int c = 0; c < 3; ++c) {
    const auto at = values[c].begin() + static_cast<std::ptrdiff_t>(static_cast<double>(values[c].size()) * (slide ? 0.35 : 0.65));
    std::nth_element(values[c].begin(), at, values[c].end());
    base.counts[c] = std::max(*at, 1.0);
  }
  return base;
}

struct Lift { double any = 0, linear = 0; };

Lift lift(const FilmMap& map, const Base& base, const double (&rgb)[3], bool slide) {
  Lift l;
  for (std::size_t c = 0; c < 3; ++c) {
    if (slide) {
      const double floor = 0.003 * map.open[c];
      l.any += 1 - (base.counts[c] + floor) / (rgb[c] + floor);
      l.linear += (rgb[c] - base.counts[c]) / map.open[c];
    } else {
      const double q = 1 - rgb[c] / base.counts[c];
      l.any += q, l.linear += q;
    }
  }
  return {std::clamp(l.any / 3, -0.1, 1.0), std::clamp(l.linear / 3, -0.1, 1.0)};
}

}  // namespace

StripView straighten(const FilmMap& map, const StripLine& line, double from, double to, double across_from, double across_to,
                     double rebate, bool slide) {
  StripView view;
  view.from = from, view.step = map.mm_per_pixel;
  const auto columns = static_cast<std::size_t>(std::max(0.0, (to - from) / view.step));
  view.film.assign(columns, 0), view.picture.assign(columns, 0), view.linear.assign(columns, 0);
  const Sampler sample(map);
  const Base base = rebate_base(sample, line, from, to, rebate, slide);
  if (!base.found) return view;
  const double a = across_from + 0.7, b = across_to - 0.7;
  const double step = std::max(map.mm_per_pixel, (b - a) / 220);
  for (std::size_t k = 0; k < columns; ++k) {
    const double along = view.place(static_cast<double>(k) + 0.5);
    double any = 0, linear = 0, film = 0, seen = 0;
    for (double across = a; across < b; across += step) {
      double rgb[3];
      if (!sample(line.at(along, across), rgb)) continue;
      ++seen;
      if (sample.open(rgb)) continue;
      ++film;
      const Lift l = lift(map, base, rgb, slide);
      any += l.any, linear += l.linear;
    }
    if (seen < 0.5 * (b - a) / step) continue;
    view.film[k] = film / seen, view.picture[k] = any / seen, view.linear[k] = linear / seen;
  }
  std::vector<double> quiet;
  for (std::size_t k = 0; k < columns; ++k)
    if (view.film[k] > 0.9) quiet.push_back(std::abs(view.picture[k]));
  if (quiet.size() > 20) {
    const auto at = quiet.begin() + static_cast<std::ptrdiff_t>(quiet.size() / 50);
    std::nth_element(quiet.begin(), at, quiet.end());
    view.noise = *at;
  }
  return view;
}

std::vector<double> cross_profile(const FilmMap& map, const StripLine& line, double along_from, double along_to, double rebate,
                                  bool slide, double step) {
  const auto rows = static_cast<std::size_t>((line.width + 2 * cross_margin) / step);
  std::vector<double> profile(rows, 0);
  const Sampler sample(map);
  const Base base = rebate_base(sample, line, along_from, along_to, rebate, slide);
  if (!base.found) return profile;
  for (std::size_t k = 0; k < rows; ++k) {
    const double across = (static_cast<double>(k) + 0.5) * step - cross_margin;
    double sum = 0, seen = 0;
    for (double along = along_from; along < along_to; along += map.mm_per_pixel) {
      double rgb[3];
      if (!sample(line.at(along, across), rgb)) continue;
      ++seen;
      if (!sample.open(rgb)) sum += lift(map, base, rgb, slide).linear;
    }
    profile[k] = seen > 0 ? sum / seen : 0;
  }
  return profile;
}

double half_rise(const std::vector<double>& profile, double at, double reach, int direction, double inner_from, double inner_to) {
  const auto value = [&](double i) {
    const double x = i - 0.5, f = std::floor(x);
    const auto k = static_cast<std::int64_t>(f);
    if (k < 0 || k + 1 >= static_cast<std::int64_t>(profile.size())) return 0.0;
    return profile[static_cast<std::size_t>(k)] * (1 - (x - f)) + profile[static_cast<std::size_t>(k) + 1] * (x - f);
  };
  // Each candidate is weighed by the step it makes against what lies just outside.
  double best = -1, most = 0.25;
  for (double off = -reach; off <= reach; off += 0.25) {
    const double x = at + off;
    double inner = 0, outer = 0;
    for (int k = 0; k < 5; ++k) {
      inner += value(x + direction * (inner_from + (inner_to - inner_from) * k / 4)) / 5;
      outer += std::max(0.0, value(x - direction * (1.2 + 0.5 * k))) / 5;
    }
    const double step = (inner - outer) / (inner + outer + 0.02) * std::exp(-outer / 0.05) - 0.1 * std::abs(off) / reach;
    if (step <= most) continue;
    const double half = outer + (inner - outer) / 2;
    for (double y = x - direction * 2.5; (y - x) * direction <= 2.5; y += direction * 0.05)
      if (value(y) >= half) {
        most = step, best = y;
        break;
      }
  }
  return best;
}

}  // namespace lapwright::frames
