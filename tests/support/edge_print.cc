#include "support/edge_print.h"

#include <algorithm>
#include <array>
#include <bitset>
#include <cmath>

namespace lapwright::support {
namespace {

double below(double x, double sigma) { return 0.5 * std::erfc(-x / (sigma * 1.41421356237)); }
double bar(double x, double a, double b, double sigma) {
  return below(x - a, sigma) - below(x - b, sigma);
}

/// A track seen through the lens, tabled along it.
class Track {
 public:
  Track(const std::string& modules, double module, double sigma)
      : length_(module * static_cast<double>(modules.size())) {
    for (double u = -margin; u < length_ + margin; u += step) {
      double sum = 0;
      for (std::size_t i = 0; i < modules.size(); ++i) {
        const double a = module * static_cast<double>(i);
        if (modules[i] == '1' && std::abs(u - a) < module + 6 * sigma)
          sum += bar(u, a, a + module, sigma);
      }
      table_.push_back(sum);
    }
  }
  double at(double u) const {
    const double k = (u + margin) / step;
    if (k < 0 || k + 1 >= static_cast<double>(table_.size())) return 0;
    const auto i = static_cast<std::size_t>(k);
    return table_[i] +
           (table_[std::min(i + 1, table_.size() - 1)] - table_[i]) * (k - static_cast<double>(i));
  }

 private:
  static constexpr double margin = 1.5, step = 0.005;
  double length_;
  std::vector<double> table_;
};

struct Stroke {
  double u0, v0, u1, v1;
};  // of a letter
struct Line {
  double x0, y0, x1, y1, wide, density;
};  // a scratch, in the view
struct Speck {
  double x, y, radius;
};

double to_line(const Line& l, double x, double y) {
  const double dx = l.x1 - l.x0, dy = l.y1 - l.y0;
  const double t = std::clamp(((x - l.x0) * dx + (y - l.y0) * dy) / (dx * dx + dy * dy), 0.0, 1.0);
  return std::hypot(x - l.x0 - t * dx, y - l.y0 - t * dy);
}

}  // namespace

double Rolls::normal() {
  const double a = std::max(next(), 1e-12), b = next();
  return std::sqrt(-2 * std::log(a)) * std::cos(6.283185307179586 * b);
}

std::string edge_clock(bool long_form) {
  std::string modules = "11111";
  for (int i = 0; i < (long_form ? 23 : 15); ++i) modules += i % 2 ? '1' : '0';
  return modules + "111";
}

std::string edge_data(int part1, int part2, std::optional<int> frame, bool half,
                      bool wrong_parity) {
  std::string told = std::bitset<7>(static_cast<unsigned>(part1)).to_string() + "0" +
                     std::bitset<4>(static_cast<unsigned>(part2)).to_string();
  if (frame)
    told += std::bitset<6>(static_cast<unsigned>(*frame)).to_string() + (half ? "1" : "0") + "0";
  const bool odd = std::count(told.begin(), told.end(), '1') % 2 != 0;
  return "101010" + told + (odd != wrong_parity ? "1" : "0") + "0101";
}

image::Rgb16 draw_edge(const std::vector<PrintedCode>& codes, const EdgeLook& look, double length,
                       double from, double high, double tilt) {
  const double pixel = 25.4 / look.ppi, sigma = std::hypot(look.blur, pixel * 0.29);
  Rolls rolls(look.seed);
  std::vector<Track> clocks, datas;
  for (const PrintedCode& c : codes)
    clocks.emplace_back(c.clock, look.module, sigma),
        datas.emplace_back(c.data, look.module, sigma);
  const double data_to = film_across - look.from_edge, data_from = data_to - look.data_high,
               clock_from = data_from - look.clock_high;

  // Letters stand between the codes on the lower edge, and anywhere on the upper one.
  std::vector<Stroke> strokes;
  const double least = -length - 10, most = length + 10;
  if (look.lettering)
    for (int lower = 0; lower < 2; ++lower) {
      const double base = lower ? film_across - 0.35 : 1.6;
      for (double u = least; u < most; u += 0.82) {
        bool free = rolls.next() < 0.7;
        for (const PrintedCode& c : codes)
          if (lower && u > c.at - 1.3 &&
              u < c.at + look.module * static_cast<double>(c.data.size()) + 0.5)
            free = false;
        if (!free) continue;
        for (int k = 0; k < 3; ++k) {
          const double a = u + 0.27 * rolls.whole(0, 2), b = base - 1.15 + 0.4 * rolls.whole(0, 2);
          if (rolls.next() < 0.5)
            strokes.push_back({a, base - 1.15, a + 0.14, base});
          else
            strokes.push_back({u, b, u + 0.68, b + 0.14});
        }
      }
    }
  std::vector<Line> scratches;
  for (double k = look.scratches * length / 10; k > rolls.next(); k -= 1) {
    const double x = rolls.between(0, length), y = from + rolls.between(0, high),
                 heading = rolls.next() < 0.6 ? 0.02 * rolls.normal() : rolls.between(-1.6, 1.6);
    const double far = rolls.between(1, 12);
    scratches.push_back({x, y, x + far * std::cos(heading), y + far * std::sin(heading),
                         rolls.between(0.015, 0.05), rolls.next() < 0.6 ? -0.25 : 0.4});
  }
  std::vector<Speck> dust;
  for (double k = look.dust * length / 10; k > rolls.next(); k -= 1)
    dust.push_back({rolls.between(0, length), from + rolls.between(0, high),
                    0.02 + 0.09 * std::pow(rolls.next(), 3)});

  const auto width = static_cast<std::int64_t>(length / pixel),
             height = static_cast<std::int64_t>(high / pixel);
  image::Rgb16 picture(width, height);
  constexpr std::array<double, 3> masked{0.32, 0.63, 0.72},
      share{1, 0.6, 0.3};  // base densities READ trade.md 4.3
  const double cs = std::cos(tilt), sn = std::sin(tilt);
  for (std::int64_t j = 0; j < height; ++j)
    for (std::int64_t i = 0; i < width; ++i) {
      const double x0 = (static_cast<double>(i) + 0.5) * pixel,
                   y0 = from + (static_cast<double>(j) + 0.5) * pixel;
      double x = cs * x0 + sn * y0, y = -sn * x0 + cs * y0;
      x += look.wobble * std::sin(6.283185307 * x / look.wobble_period + look.wobble_phase) +
           look.shear * (y > film_across / 2 ? y - film_across : y);
      const bool back = look.mirrored != look.turned;
      const double u = back ? length - x : x, v = look.turned ? film_across - y : y;
      const double film = bar(v, 0, film_across, sigma);
      double print = 0;
      if (v > film_across / 2) {
        for (std::size_t k = 0; k < codes.size(); ++k) {
          const double at = u - codes[k].at;
          if (at < -1 || at > look.module * 31 + 1) continue;
          print += clocks[k].at(at) * bar(v, clock_from, data_from, sigma) +
                   datas[k].at(at) * bar(v, data_from, data_to, sigma);
        }
      }
      for (const Stroke& s : strokes)
        if (u > s.u0 - 0.3 && u < s.u1 + 0.3 && v > s.v0 - 0.3 && v < s.v1 + 0.3)
          print = std::max(print, bar(u, s.u0, s.u1, sigma) * bar(v, s.v0, s.v1, sigma));
      double hole = 0;
      const double from_edge = std::min(v, film_across - v);
      if (look.perforations) {
        const double along = u - 4.75 * std::floor(u / 4.75);
        hole = bar(along, 1.385, 3.366, sigma) * bar(from_edge, 2.01, 4.804, sigma);
      }
      double seen = 0;
      if (look.picture && from_edge > 5.4) seen = 0.5 + 0.4 * std::sin(9.5 * u) * std::sin(2 * v);
      double extra = 0;
      for (const Line& l : scratches)
        if (const double d = to_line(l, x0, y0); d < l.wide + 3 * sigma)
          extra += l.density * bar(d, -l.wide, l.wide, sigma);
      for (const Speck& s : dust)
        if (const double d = std::hypot(x0 - s.x, y0 - s.y); d < s.radius + 3 * sigma)
          extra += 0.8 * bar(d, -s.radius, s.radius, sigma);
      for (std::size_t c = 0; c < 3; ++c) {
        double density = look.slide
                             ? 2.6 - look.contrast * share[c] * print
                             : masked[c] + look.contrast * share[c] * print + seen * share[c];
        density = std::max(0.05, density + extra);
        const double light =
            (1 - film * (1 - hole)) * 0.86 + film * (1 - hole) * 0.86 * std::pow(10.0, -density);
        const double counts =
            60000 * light + look.noise * std::sqrt(light + 0.001) * rolls.normal();
        picture.row(j)[i * 3 + static_cast<std::int64_t>(c)] =
            static_cast<std::uint16_t>(std::clamp(counts, 1.0, 65535.0));
      }
    }
  return picture;
}

}  // namespace lapwright::support
