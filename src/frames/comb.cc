#include "frames/comb.h"

#include <algorithm>
#include <cmath>

namespace lapwright::frames {

std::optional<double> Profile::mean(double a, double b) const {
  const double i0 = (a - from) / step, i1 = (b - from) / step;
  double sum = 0, seen = 0, bins = 0, full = 0;
  const auto first = static_cast<std::int64_t>(std::floor(i0)), last = static_cast<std::int64_t>(std::ceil(i1));
  for (std::int64_t i = first; i < last; ++i) {
    const double part = std::min(i1, static_cast<double>(i + 1)) - std::max(i0, static_cast<double>(i));
    if (part <= 0) continue;
    full += part;
    if (i < 0 || i >= static_cast<std::int64_t>(open.size())) continue;
    const auto k = static_cast<std::size_t>(i);
    if (weight[k] <= 0) continue;
    bins += part;
    sum += part * open[k], seen += part * weight[k];
  }
  if (bins < 0.5 * full || seen <= 0) return std::nullopt;
  return sum / seen;
}

Profile project(const FilmMap& map, Along axis, double angle, Spot<RunSpace> pivot, double low, double high,
                std::int64_t stride) {
  const std::int64_t width = map.picture.width(), height = map.picture.height();
  const double c = std::cos(angle), s = std::sin(angle);
  const auto place = [&](double x, double y) {
    const Spot<RunSpace> p = map.to_run({x, y});
    const double dx = p.x - pivot.x, dy = p.y - pivot.y;
    const Spot<RunSpace> turned{pivot.x + c * dx + s * dy, pivot.y - s * dx + c * dy};
    return axis == Along::across ? std::pair{turned.y, turned.x} : std::pair{turned.x, turned.y};
  };
  Profile profile;
  profile.step = std::max(0.15, 0.75 * map.mm_per_pixel);
  double least = 1e300, most = -1e300;
  for (int k = 0; k < 4; ++k) {
    const double v = place(k & 1 ? static_cast<double>(width) : 0, k & 2 ? static_cast<double>(height) : 0).first;
    least = std::min(least, v), most = std::max(most, v);
  }
  profile.from = least;
  const auto bins = static_cast<std::size_t>((most - least) / profile.step) + 2;
  profile.open.assign(bins, 0), profile.weight.assign(bins, 0);
  const auto at0 = place(0.5, 0.5), dx = place(1.5, 0.5), dy = place(0.5, 1.5);
  const double ax = dx.first - at0.first, bx = dx.second - at0.second;
  const double ay = dy.first - at0.first, by = dy.second - at0.second;
  // One pixel of stride * stride, staggered so that every row and column is met: a regular grid would beat with the bins.
  const std::int64_t every = stride * stride;
  for (std::int64_t y = 0; y < height; ++y) {
    const std::uint8_t* row = map.is_open.data() + y * width;
    const double other = at0.second + by * static_cast<double>(y);
    double first = 0, last = static_cast<double>(width);
    if (std::abs(bx) > 1e-9) {  // the part of this row inside [low, high)
      const double a = (low - other) / bx, b = (high - other) / bx;
      first = std::max(first, std::ceil(std::min(a, b))), last = std::min(last, std::ceil(std::max(a, b)));
    } else if (other < low || other >= high) {
      continue;
    }
    const auto from = static_cast<std::int64_t>(std::min(first, last)), to = static_cast<std::int64_t>(last);
    for (std::int64_t x = from + (y * 7) % every; x < to; x += every) {
      const double at = at0.first + ax * static_cast<double>(x) + ay * static_cast<double>(y);
      const double bin = std::clamp((at - profile.from) / profile.step - 0.5, 0.0, static_cast<double>(bins - 2));
      const auto i = static_cast<std::size_t>(bin);
      const double part = bin - static_cast<double>(i);
      profile.open[i] += (1 - part) * row[x], profile.weight[i] += 1 - part;
      profile.open[i + 1] += part * row[x], profile.weight[i + 1] += part;
    }
  }
  return profile;
}

double edge_energy(const Profile& profile) {
  double energy = 0;
  const auto lag = static_cast<std::size_t>(std::max(1.0, std::round(0.45 / profile.step)));
  const double most = *std::max_element(profile.weight.begin(), profile.weight.end());
  for (std::size_t i = 0; i + lag < profile.open.size(); ++i) {
    const double a = profile.weight[i], b = profile.weight[i + lag];
    if (a < 0.1 * most || b < 0.1 * most) continue;
    const double jump = profile.open[i] / a - profile.open[i + lag] / b;
    energy += jump * jump * std::min(a, b) / most;
  }
  return energy;
}

Comb comb_of(const profile::SleeveProfile& sleeve) {
  return {sleeve.strips.count, sleeve.strips.pitch.mm(), sleeve.film_width().mm(), sleeve.film == profile::Film::f135};
}

StripScore score_strip(const Profile& across, const Comb& comb, double edge) {
  StripScore result;
  double sum = 0;
  const double other = edge + comb.width;
  const auto step = [&](double out_a, double out_b, double in_a, double in_b, double worth) {
    const auto out = across.mean(out_a, out_b), in = across.mean(in_a, in_b);
    if (!out || !in) return;
    result.seen += worth;
    sum += worth * std::clamp(*out - *in, 0.0, 1.0);
  };
  const double gutter = std::clamp(comb.pitch - comb.width, 0.4, 1.2);
  step(edge - 0.1 - 0.6 * gutter, edge - 0.1, edge + 0.15, edge + 1.6, 1);
  step(other + 0.1, other + 0.1 + 0.6 * gutter, other - 1.6, other - 0.15, 1);
  if (comb.perforated) {  // trade.md 1.1: 2.01 mm from the edge, 2.794 mm wide, 1.981 of every 4.750 mm open
    const double full = 1.981 / 4.750;
    const auto row = [&](double near, double sign) {
      const auto hole = across.mean(std::min(near + sign * 2.3, near + sign * 4.5), std::max(near + sign * 2.3, near + sign * 4.5));
      const auto margin = across.mean(std::min(near + sign * 0.3, near + sign * 1.7), std::max(near + sign * 0.3, near + sign * 1.7));
      const auto inner = across.mean(std::min(near + sign * 5.1, near + sign * 6.5), std::max(near + sign * 5.1, near + sign * 6.5));
      if (!hole || !margin || !inner) return;
      result.seen += 0.5;
      sum += 0.5 * std::clamp((*hole - std::max(*margin, *inner)) / full, 0.0, 1.0);
    };
    row(edge, 1), row(other, -1);
  }
  result.score = result.seen > 0 ? sum / result.seen : 0;
  return result;
}

double best_edge(const Profile& across, const Comb& comb, double edge, double reach, StripScore& score) {
  double best = edge, most = -1;
  score = {};
  for (double off = -reach; off <= reach + 1e-9; off += across.step / 2) {
    const StripScore here = score_strip(across, comb, edge + off);
    const double value = here.score * std::min(here.seen, 1.0) - 0.01 * std::abs(off) / std::max(reach, 0.1);
    if (value > most) most = value, best = edge + off, score = here;
  }
  return best;
}

double score_comb(const Profile& across, const Comb& comb, double shift, double* centred) {
  const double slack = std::clamp(comb.pitch - comb.width, 0.0, 5.0);
  double sum = 0, seen = 0, off = 0, weight = 0;
  for (int i = 0; i < comb.count; ++i) {
    const double planned = i * comb.pitch + shift;
    StripScore score;
    const double edge = best_edge(across, comb, planned, std::min(slack, 3.0) * 0.5, score);
    sum += score.score * score.seen, seen += score.seen;
    off += (edge - planned) * score.score * score.seen, weight += score.score * score.seen;
  }
  if (centred) *centred = shift + (weight > 0 ? off / weight : 0);
  return seen > 0 ? sum / seen : 0;
}

}  // namespace lapwright::frames
