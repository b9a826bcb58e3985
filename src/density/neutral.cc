#include "density/neutral.h"

#include <algorithm>
#include <cmath>
#include <map>

#include "density/stock_curve.h"

namespace lapwright::density {
namespace {

constexpr double cube = 0.02;       // D: a tint's size; half of it where a film's toe bends
constexpr double thinnest = 0.015;  // net D under which film base and toe are not told apart
constexpr double toe =
    0.108;  // D: a toe of 0.18 in log exposure on a film of slope 0.60 (from memory)
constexpr std::array<double, 10> knots{0, 0.02, 0.05, 0.10, 0.20, 0.35, 0.55, 0.80, 1.10, 1.50};
constexpr std::size_t n_knots = knots.size();
constexpr double last_width = 0.045;  // D: of the ridge in the end, where the film is straight
constexpr double blur = 0.3;      // of its width, what a toe leaves of it: noise is not made less
constexpr double own_light = 60;  // tints on the ridge that say as much of a picture's own light as
                                  // that it has none
constexpr double known_weight = 1500;  // tints that a place known to be neutral outweighs
constexpr double usual_tints = 400;    // of a picture, weights summed
constexpr std::size_t least_tints = 60;
constexpr double largest_weight = 15;  // of a plain patch: grey cards and the like are plain

using Deviation = std::array<std::array<double, n_knots>,
                             2>;  // of red and blue from the stock's axis, at the knots

double soft(double x) { return x > 30 ? x : std::log1p(std::exp(x)); }
double soft_inverse(double y) { return y > 30 ? y : std::log(std::expm1(std::max(y, 1e-9))); }

/// The stock's own axis: net density of a channel for a neutral of green net density `g`. Gain and
/// offset are taken for the straight part of a film whose layers all start from nothing.
double stock_axis(const profile::StockProfile& stock, std::size_t channel, double g) {
  if (stock.curve) {
    const StockCurve own = StockCurve::of(stock, channel), green = StockCurve::of(stock, 1);
    double low = -0.5, high = 4;
    for (int i = 0; i < 40; ++i) {
      const double middle = (low + high) / 2;
      (own(middle) < green(g) ? low : high) = middle;
    }
    return (low + high) / 2;
  }
  const double gain = channel_of(stock.gain, channel) / stock.gain.green,
               offset = (channel_of(stock.offset, channel) - stock.offset.green) / stock.gain.green;
  return toe / gain * soft(soft_inverse(g / toe) + offset / toe);
}

struct Place {
  std::size_t knot;  // and the next
  double part;
};
Place place(double g) {
  const auto after = std::upper_bound(knots.begin() + 1, knots.end() - 1, g);
  const auto k = static_cast<std::size_t>(after - knots.begin()) - 1;
  return {k, std::clamp((g - knots[k]) / (knots[k + 1] - knots[k]), 0.0, 1.0)};
}

/// What a film shows of a difference in exposure, of what it shows where it is straight.
double shown(double g) { return 1 - std::exp(-std::max(g, 0.0) / toe); }

struct Seen {
  double g, off[2];  // red and blue off the stock's axis
  double weight;
  int picture;  // -1: known
  Place at;
  double shown, width;  // of a difference; of the ridge: shares of what a straight film has
};

/// Solves a small symmetric system in place.
std::array<double, n_knots> solve(std::array<std::array<double, n_knots + 1>, n_knots> m) {
  for (std::size_t i = 0; i < n_knots; ++i) {
    for (std::size_t k = i + 1; k < n_knots; ++k) {
      const double f = m[k][i] / m[i][i];
      for (std::size_t j = i; j <= n_knots; ++j) m[k][j] -= f * m[i][j];
    }
  }
  std::array<double, n_knots> x{};
  for (std::size_t i = n_knots; i-- > 0;) {
    double sum = m[i][n_knots];
    for (std::size_t j = i + 1; j < n_knots; ++j) sum -= m[i][j] * x[j];
    x[i] = sum / m[i][i];
  }
  return x;
}

class Ridge {
 public:
  Ridge(std::vector<Seen> seen, const NeutralOptions& options)
      : seen_(std::move(seen)), options_(options) {}

  Deviation find() {
    Deviation d = start();
    for (const double wider : {2.0, 1.7, 1.4, 1.25, 1.1, 1.0, 1.0, 1.0, 1.0, 1.0}) {
      d = step(d, wider * last_width);
      find_lights(d, wider * last_width);
    }
    return d;
  }
  /// How many tints lie on the ridge near each knot.
  std::array<double, n_knots> support(const Deviation& d) const {
    std::array<double, n_knots> out{};
    for (const Seen& s : seen_) {
      const double w = s.weight * near(s, d, last_width);
      out[s.at.knot] += w * (1 - s.at.part), out[s.at.knot + 1] += w * s.at.part;
    }
    return out;
  }

 private:
  static double value(const Deviation& d, std::size_t c, const Place& at) {
    return d[c][at.knot] * (1 - at.part) + d[c][at.knot + 1] * at.part;
  }
  /// Off the stock's axis, the picture's own light taken out.
  double off(const Seen& s, std::size_t c) const {
    if (s.picture < 0 || lights_.empty()) return s.off[c];
    return s.off[c] - s.shown * lights_[static_cast<std::size_t>(s.picture)][c];
  }
  double near(const Seen& s, const Deviation& d, double width) const {
    const double r = off(s, 0) - value(d, 0, s.at), b = off(s, 1) - value(d, 1, s.at),
                 wide = width * s.width;
    const double t = (r * r + b * b) / (wide * wide);
    return 1 / ((1 + t) * (1 + t));
  }
  double weight(const Seen& s, const Deviation& d, double width) const {
    return s.picture < 0 ? s.weight : s.weight * near(s, d, width) / (s.width * s.width);
  }
  /// A picture's own light moves its neutrals all alike along the straight film: warm in the
  /// evening, cold in the shade. What one picture has of it is not to bend the axis where that
  /// picture is the one that tells. What all have in common is taken for the film.
  void find_lights(const Deviation& d, double width) {
    struct Sum {
      double off[2] = {}, weight = 0;
    };
    std::vector<Sum> sums;
    for (const Seen& s : seen_) {
      if (s.picture < 0) continue;
      const auto picture = static_cast<std::size_t>(s.picture);
      if (sums.size() <= picture) sums.resize(picture + 1);
      const double w = weight(s, d, width);
      for (std::size_t c = 0; c < 2; ++c)
        sums[picture].off[c] += w * s.shown * (s.off[c] - value(d, c, s.at));
      sums[picture].weight += w * s.shown * s.shown;
    }
    lights_.assign(sums.size(), {});
    for (std::size_t i = 0; i < sums.size(); ++i)
      for (std::size_t c = 0; c < 2; ++c)
        lights_[i][c] = sums[i].off[c] / (sums[i].weight + own_light);
  }
  /// The best of many straight deviations, by a wide kernel; the stock's own unless another is
  /// plainly better.
  Deviation start() const {
    constexpr double width = 0.05;
    std::vector<Seen> some;
    const std::size_t stride = std::max<std::size_t>(1, seen_.size() / 2500);
    for (std::size_t i = 0; i < seen_.size(); i += stride) some.push_back(seen_[i]);
    for (const Seen& s : seen_)
      if (s.picture < 0) some.push_back(s);
    double best = -1;
    Deviation chosen{};
    constexpr std::array<double, 5> steps{-1.6, -0.8, 0, 0.8, 1.6};
    for (const double ra : steps)
      for (const double rb : steps)
        for (const double ba : steps)
          for (const double bb : steps) {
            Deviation d{};
            for (std::size_t k = 0; k < n_knots; ++k) {
              const double grown = std::min(1.0, knots[k] / 0.2);
              d[0][k] = options_.free * 0.03 * (ra * grown + rb * (knots[k] - 0.4));
              d[1][k] = options_.free * 0.03 * (ba * grown + bb * (knots[k] - 0.4));
            }
            double sum = 0;
            for (const Seen& s : some) sum += s.weight * near(s, d, width);
            sum *= std::exp(-0.02 * (ra * ra + rb * rb + ba * ba + bb * bb));
            if (sum > best) best = sum, chosen = d;
          }
    return chosen;
  }
  Deviation step(const Deviation& d, double width) const {
    Deviation next{};
    std::array<std::array<std::array<double, n_knots + 1>, n_knots>, 2> m{};
    for (const Seen& s : seen_) {
      const double w = weight(s, d, width);
      const double share[2] = {1 - s.at.part, s.at.part};
      for (std::size_t c = 0; c < 2; ++c)
        for (std::size_t i = 0; i < 2; ++i) {
          for (std::size_t j = 0; j < 2; ++j)
            m[c][s.at.knot + i][s.at.knot + j] += w * share[i] * share[j];
          m[c][s.at.knot + i][n_knots] += w * share[i] * off(s, c);
        }
    }
    // In tints: one weighs 1/width^2 of evidence; the stock's axis and a smooth way between the
    // knots weigh by their own spread.
    const double tint = 0.03 * 0.03;
    for (std::size_t c = 0; c < 2; ++c) {
      for (std::size_t i = 0; i < n_knots; ++i) {
        const double spread = options_.free * (0.04 + 0.03 * std::min(knots[i], 1.0));
        m[c][i][i] += 6 * tint / (spread * spread);
      }
      m[c][0][0] += 1e6;  // at the base
      for (std::size_t i = 1; i + 1 < n_knots; ++i) {
        const double a = 1 / (knots[i] - knots[i - 1]), b = 1 / (knots[i + 1] - knots[i]);
        const std::array<double, 3> bend{a, -a - b, b};  // change of slope
        const double stiff = 8 * tint / (i < 5 ? 0.35 * 0.35 : 0.035 * 0.035);
        for (std::size_t p = 0; p < 3; ++p)
          for (std::size_t q = 0; q < 3; ++q)
            m[c][i - 1 + p][i - 1 + q] += stiff * bend[p] * bend[q];
      }
      next[c] = solve(m[c]);
    }
    return next;
  }

  std::vector<Seen> seen_;
  std::vector<std::array<double, 2>> lights_;  // of each picture, as `Deviation`
  NeutralOptions options_;
};

}  // namespace

std::array<double, 3> unmixed(const std::array<double, 3>& net,
                              const profile::StockProfile& stock) {
  if (!stock.crosstalk) return net;
  std::array<double, 3> out{};
  for (std::size_t i = 0; i < 3; ++i)
    for (std::size_t j = 0; j < 3; ++j) out[i] += (*stock.crosstalk)[i][j] * net[j];
  return out;
}

Palette palette(const Overview& o, const PixelRect<SheetSpace>& area,
                const std::array<double, 3>& base, const std::array<double, 3>& flare,
                const profile::StockProfile& stock) {
  std::map<std::array<int, 3>, std::array<double, 4>> cubes;
  for (std::int64_t y = area.y.value; y < area.bottom().value; ++y)
    for (std::int64_t x = area.x.value; x < area.right().value; ++x) {
      if (!o.flat(x, y)) continue;
      std::array<double, 3> net{};
      std::array<int, 3> key{};
      for (std::size_t c = 0; c < 3; ++c)
        net[c] = std::log10(std::max(base[c] - flare[c], 1.0) /
                            std::max(o.counts(x, y)[c] - flare[c], 1.0));
      net = unmixed(net, stock);
      for (std::size_t c = 0; c < 3; ++c) {
        key[c] =
            static_cast<int>(std::floor(net[c] < 0.2 ? net[c] / (cube / 2) : 10 + net[c] / cube));
      }
      if (net[1] < thinnest || net[0] < -0.05 || net[2] < -0.05 || net[1] > 2.2) continue;
      auto& sum = cubes[key];
      for (std::size_t c = 0; c < 3; ++c) sum[c] += net[c];
      sum[3] += 1;
    }
  Palette out;
  for (const auto& [key, sum] : cubes) {
    if (sum[3] < 2) continue;
    Tint t;
    for (std::size_t c = 0; c < 3; ++c) t.net[c] = static_cast<float>(sum[c] / sum[3]);
    t.weight = static_cast<float>(std::min(std::sqrt(sum[3] / 2), largest_weight));
    out.push_back(t);
  }
  return out;
}

NeutralAxis neutral_axis(const std::vector<Palette>& pictures, const profile::StockProfile& stock,
                         const std::vector<std::array<double, 3>>& known,
                         const NeutralOptions& options) {
  NeutralAxis axis;
  std::vector<Seen> seen;
  const auto add = [&](double r, double g, double b, double weight, int picture) {
    seen.push_back({g,
                    {r - stock_axis(stock, 0, g), b - stock_axis(stock, 2, g)},
                    weight,
                    picture,
                    place(g),
                    shown(g),
                    std::hypot(shown(g), blur)});
  };
  for (const Palette& p : pictures) {
    if (p.size() < least_tints / 4) continue;
    // A picture of many tints says more than one of few, but not as many times as it has tints.
    double all = 0;
    for (const Tint& t : p) all += static_cast<double>(t.weight);
    const double voice = std::sqrt(usual_tints / std::max(all, usual_tints / 20));
    for (const Tint& t : p)
      add(static_cast<double>(t.net[0]), static_cast<double>(t.net[1]),
          static_cast<double>(t.net[2]), voice * static_cast<double>(t.weight), axis.pictures);
    ++axis.pictures;
  }
  for (const auto& k : known) add(k[0], k[1], k[2], known_weight, -1);
  Deviation found{};
  if (seen.size() >= least_tints || known.size() >= 2) {
    Ridge all(seen, options);
    found = all.find();
    const auto support = all.support(found);
    double total = 0, told = 0;
    for (std::size_t k = 1; k < n_knots; ++k) total += support[k];
    axis.from = 9;
    for (std::size_t k = 1; k < n_knots; ++k)
      if (support[k] > std::max(6.0, 0.01 * total))
        axis.from = std::min(axis.from, knots[k]), axis.to = std::max(axis.to, knots[k]), told += 1;
    if (axis.to <= axis.from) axis.from = axis.to = 0;
    if (options.halves && axis.pictures >= 4) {
      std::array<Deviation, 2> half{};
      for (int side = 0; side < 2; ++side) {
        std::vector<Seen> part;
        for (const Seen& s : seen)
          if (s.picture < 0 || s.picture % 2 == side) part.push_back(s);
        half[static_cast<std::size_t>(side)] = Ridge(std::move(part), options).find();
      }
      double sum = 0, n = 0;
      for (std::size_t k = 1; k < n_knots; ++k)
        if (knots[k] >= axis.from && knots[k] <= axis.to)
          for (std::size_t c = 0; c < 2; ++c)
            sum += std::pow(half[0][c][k] - half[1][c][k], 2), n += 1;
      axis.halves_differ = n > 0 ? std::sqrt(sum / n) : 1;
      // Halves do not show what all pictures have in common: an evening is warm in each of them.
      axis.sure = 0.8 / (1 + std::pow(axis.halves_differ / 0.03, 2)) * std::min(1.0, told / 5);
    } else {
      axis.halves_differ = known.size() >= 3 ? 0.01 : 0.1;
      axis.sure = std::min(1.0, static_cast<double>(known.size()) / 5);
    }
    if (known.size() >= 3) axis.sure = std::max(axis.sure, 0.9);
  }
  axis.curve[1] = {{0, 0}, {1, 1}};
  for (const std::size_t c : {std::size_t{0}, std::size_t{2}}) {
    double before = -1;
    for (std::size_t k = 0; k < n_knots; ++k) {
      const double at = k == 0 ? 0 : stock_axis(stock, c, knots[k]) + found[c / 2][k];
      if (at < before + 0.01) continue;
      axis.curve[c][std::round(at * 10000) / 10000] = knots[k];
      before = at;
    }
  }
  return axis;
}

}  // namespace lapwright::density
