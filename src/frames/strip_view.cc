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

constexpr double slide_floor = 0.003;  // of open light: what is darker is noise

struct Base {
  double counts[3] = {0, 0, 0};
  bool found = false;
};

/// The rebate beside the pictures, lettering left out; light is uneven, so it is told place by place along the strip.
class Rebate {
 public:
  Rebate(const Sampler& sample, const StripLine& line, double from, double to, double rebate, bool slide) : from_(from) {
    const double a = std::min(0.35, rebate * 0.3), b = std::max(a + 0.1, std::min(1.6, rebate - 0.4));
    const auto cells = static_cast<std::size_t>(std::max(1.0, std::ceil((to - from) / cell)));
    std::vector<std::vector<double>> values(cells * 3);
    std::vector<double> steps;
    for (double along = from; along < to; along += 0.3)
      for (int side = 0; side < 2; ++side)
        for (int k = 0; k < 4; ++k) {
          const double in = a + (b - a) * k / 3, across = side ? line.width - in : in;
          double rgb[3], next[3];
          if (!sample(line.at(along, across), rgb) || sample.open(rgb)) continue;
          const std::size_t c = std::min(cells - 1, static_cast<std::size_t>((along - from) / cell));
          for (std::size_t i = 0; i < 3; ++i) values[c * 3 + i].push_back(rgb[i]);
          if (sample(line.at(along + 2 * sample.map.mm_per_pixel, across), next) && !sample.open(next))
            steps.push_back(std::abs(rgb[1] - next[1]) / (std::max(rgb[1], 1.0) + (slide ? slide_floor * sample.map.open[1] : 0)));
        }
    whole_ = middle(values, 0, cells, slide);
    for (std::size_t c = 0; c < cells; ++c) {
      const Base here = middle(values, c > 0 ? c - 1 : 0, std::min(cells, c + 2), slide);
      cells_.push_back(here.found ? here : whole_);
    }
    if (!steps.empty()) {
      const auto at = steps.begin() + static_cast<std::ptrdiff_t>(steps.size() * 2 / 5);
      std::nth_element(steps.begin(), at, steps.end());
      noise_ = *at / 0.74;  // two fifths of |x - y| lie below 0.74 standard deviations of one
    }
  }
  bool found() const { return whole_.found; }
  double noise() const { return noise_; }  // of one sample, in `any`
  Base at(double along) const {
    const double x = std::clamp((along - from_) / cell - 0.5, 0.0, static_cast<double>(cells_.size() - 1));
    const auto i = std::min(static_cast<std::size_t>(x), cells_.size() - 1), j = std::min(i + 1, cells_.size() - 1);
    const double t = x - static_cast<double>(i);
    Base out = cells_[i];
    for (int c = 0; c < 3; ++c) out.counts[c] += t * (cells_[j].counts[c] - out.counts[c]);
    return out;
  }

 private:
  static constexpr double cell = 10;  // mm
  static Base middle(const std::vector<std::vector<double>>& values, std::size_t from, std::size_t to, bool slide) {
    Base base;
    for (std::size_t i = 0; i < 3; ++i) {
      std::vector<double> all;
      for (std::size_t c = from; c < to; ++c) all.insert(all.end(), values[c * 3 + i].begin(), values[c * 3 + i].end());
      base.found = all.size() > 60;
      if (!base.found) return base;
      const auto at = all.begin() + static_cast<std::ptrdiff_t>(static_cast<double>(all.size()) * (slide ? 0.35 : 0.65));
      std::nth_element(all.begin(), at, all.end());
      base.counts[i] = std::max(*at, 1.0);
    }
    return base;
  }
  double from_, noise_ = 0;
  Base whole_;
  std::vector<Base> cells_;
};

struct Lift { double any = 0, linear = 0; };

Lift lift(const FilmMap& map, const Base& base, const double (&rgb)[3], bool slide) {
  Lift l;
  for (std::size_t c = 0; c < 3; ++c) {
    if (slide) {
      const double floor = slide_floor * map.open[c];
      l.any += 1 - (base.counts[c] + floor) / (rgb[c] + floor);
      l.linear += (rgb[c] - base.counts[c]) / map.open[c];
    } else {
      const double q = 1 - rgb[c] / base.counts[c];
      l.any += q, l.linear += q;
    }
  }
  return {std::clamp(l.any / 3, -0.1, 1.0), std::clamp(l.linear / 3, -0.1, 1.0)};
}

/// How much of a column's rebate is film.
double rebate_film(const Sampler& sample, const StripLine& line, double along, double rebate) {
  const double a = std::min(0.35, rebate * 0.3), b = std::max(a + 0.1, std::min(1.7, rebate - 0.4));
  double film = 0, seen = 0;
  for (int k = 0; k < 12; ++k) {
    const double in = a + (b - a) * (k / 2) / 5;
    double rgb[3];
    if (!sample(line.at(along, k & 1 ? line.width - in : in), rgb)) continue;
    ++seen, film += sample.open(rgb) ? 0 : 1;
  }
  return seen > 6 ? film / seen : 0;
}

}  // namespace

StripView straighten(const FilmMap& map, const StripLine& line, double from, double to, double rebate, bool slide) {
  StripView view;
  view.from = from, view.step = map.mm_per_pixel, view.bands = 24;
  const auto columns = static_cast<std::size_t>(std::max(0.0, (to - from) / view.step));
  view.film.assign(columns, 0), view.any.assign(columns * view.bands, 0), view.linear.assign(columns * view.bands, 0);
  const Sampler sample(map);
  const Rebate beside(sample, line, from, to, rebate, slide);
  if (!beside.found()) return view;
  const double a = rebate + 0.7, high = (line.width - 2 * a) / static_cast<double>(view.bands);
  const int rows = std::max(2, static_cast<int>(high / std::max(map.mm_per_pixel, high / 10)));
  view.noise = beside.noise() / std::sqrt(rows);
  for (std::size_t k = 0; k < columns; ++k) {
    const double along = view.place(static_cast<double>(k) + 0.5);
    const double beside_film = rebate_film(sample, line, along, rebate);
    const Base base = beside.at(along);
    double film = 0, seen = 0;
    for (std::size_t band = 0; band < view.bands; ++band) {
      Lift sum;
      int here = 0;
      for (int r = 0; r < rows; ++r) {
        double rgb[3];
        if (!sample(line.at(along, a + (static_cast<double>(band) + (r + 0.5) / rows) * high), rgb)) continue;
        ++seen;
        const bool open = sample.open(rgb);
        film += open ? 0 : 1;
        if (open && !(slide && beside_film > 0.6)) continue;  // what a slide shows may be as clear as no film
        const Lift l = lift(map, base, rgb, slide);
        sum.any += l.any, sum.linear += l.linear, ++here;
      }
      if (here == 0) continue;
      view.any[k * view.bands + band] = static_cast<float>(sum.any / rows), view.linear[k * view.bands + band] = static_cast<float>(sum.linear / rows);
    }
    if (seen > 0.5 * rows * static_cast<double>(view.bands)) view.film[k] = std::max(beside_film, film / seen);
  }
  // Each band's own level where nothing is exposed, as far as it can be a fault of the light: gaps show it.
  for (std::size_t band = 0; band < view.bands; ++band) {
    std::vector<float> levels;
    for (std::size_t k = 0; k < columns; ++k)
      if (view.film[k] > 0.9) levels.push_back(view.any[k * view.bands + band]);
    if (levels.size() < 50) continue;
    const auto at = levels.begin() + static_cast<std::ptrdiff_t>(levels.size() / 25);
    std::nth_element(levels.begin(), at, levels.end());
    const float zero = std::clamp(*at + static_cast<float>(1.75 * view.noise), -0.03F, 0.03F);
    for (std::size_t k = 0; k < columns; ++k) view.any[k * view.bands + band] -= zero;
  }
  return view;
}

std::vector<double> cross_profile(const FilmMap& map, const StripLine& line, double along_from, double along_to, double rebate,
                                  bool slide, double step) {
  const auto rows = static_cast<std::size_t>((line.width + 2 * cross_margin) / step);
  std::vector<double> profile(rows, 0);
  const Sampler sample(map);
  const Rebate beside(sample, line, along_from, along_to, rebate, slide);
  if (!beside.found()) return profile;
  for (std::size_t k = 0; k < rows; ++k) {
    const double across = (static_cast<double>(k) + 0.5) * step - cross_margin;
    double sum = 0, seen = 0;
    for (double along = along_from; along < along_to; along += map.mm_per_pixel) {
      double rgb[3];
      if (!sample(line.at(along, across), rgb)) continue;
      ++seen;
      if (!sample.open(rgb) || (slide && across > rebate + 0.5 && across < line.width - rebate - 0.5))
        sum += lift(map, beside.at(along), rgb, slide).linear;
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
