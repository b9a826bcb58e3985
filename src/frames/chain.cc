#include "frames/chain.h"

#include <algorithm>
#include <cmath>

namespace lapwright::frames {
namespace {

// Costs and worths; an edge that stands out over a quarter of its length is worth 1.
constexpr double light_outside = 0.30;  // a mm of full light that no frame covers
constexpr double dark_inside = 0.02;    // a mm inside a frame without light
constexpr double bare_end = 0.045;      // a mm of film before the first frame or after the last beyond a usual gap
constexpr double overlapping = 0.75, overlapping_mm = 0.02;
constexpr double far_gap = 0.5, far_gap_mm = 0.09;
constexpr double plainly = 0.10;  // about 0.045 density
constexpr double nothing = -1e9;

/// What a strip shows, summed so that any part's mean is there at once.
class Evidence {
 public:
  Evidence(const StripView& view, const Extent& piece) : view_(view), n_(static_cast<std::int64_t>(view.columns())) {
    const std::size_t columns = view.columns(), bands = view.bands;
    sums_.assign((columns + 1) * bands, 0), film_.assign(columns + 1, 0), outside_ = dark_ = film_;
    least_ = std::max(4 * view.noise, 0.012);
    for (std::size_t k = 0; k < columns; ++k) {
      double lit = 0;
      for (std::size_t b = 0; b < bands; ++b) {
        const auto v = static_cast<double>(view.any[k * bands + b]);
        sums_[(k + 1) * bands + b] = sums_[k * bands + b] + v;
        lit += std::clamp((v - least_) / least_, 0.0, 1.0);
      }
      lit /= static_cast<double>(bands);
      const double place = view.place(static_cast<double>(k) + 0.5);
      // Next to the film's end the light shines round it.
      const bool inner = place > piece.first + 0.4 && place < piece.last - 0.4;
      film_[k + 1] = film_[k] + (place > piece.first && place < piece.last ? view.film[k] : 0);
      outside_[k + 1] = outside_[k] + (inner ? std::clamp(lit * 4 - 0.3, 0.0, 1.0) * view.step : 0);
      dark_[k + 1] = dark_[k] + (inner ? std::clamp(1 - lit * 10, 0.0, 1.0) * view.step : 0);
    }
  }
  double film(double a, double b) const { return (at(film_, b) - at(film_, a)) / (b - a); }  // outside counts as none
  double light(double a, double b) const { return b > a ? at(outside_, b) - at(outside_, a) : 0; }  // mm
  double dark(double a, double b) const { return b > a ? at(dark_, b) - at(dark_, a) : 0; }         // mm
  double content(double a, double b) const {
    double sum = 0;
    for (std::size_t band = 0; band < view_.bands; ++band) sum += mean(band, a, b);
    return sum / static_cast<double>(std::max<std::size_t>(view_.bands, 1));
  }

  /// That a picture begins (direction 1) or ends (-1) at column x: base outside, light inside, along much of its height.
  double edge(double x, int direction, std::vector<char>* which = nullptr, double* plain = nullptr) const {
    const auto window = [&](double near, double far) {
      const double a = x + direction * near / view_.step, b = x + direction * far / view_.step;
      return std::pair{std::min(a, b), std::max(a, b)};
    };
    const auto [oa, ob] = window(-0.65, -0.2);
    const auto [ia, ib] = window(0.15, 0.8);
    if (film(ia, ib) < 0.9) return 0;
    double step = 0, easily = 0, lit_outside = 0, contrast = 0, excess = 0;
    const double seen = std::max(0.55 * least_, 0.02);  // of several columns
    for (std::size_t b = 0; b < view_.bands; ++b) {
      const double outer = std::max(0.0, mean(b, oa, ob)), inner = std::max(0.0, mean(b, ia, ib));
      excess += std::max(0.0, outer - 0.15 * inner);  // optics smear a little of a picture over its edge
      if (outer > seen && outer > 0.3 * inner) ++lit_outside;
      const double share = std::clamp((inner - 2 * outer - 0.7 * seen) / seen, 0.0, 1.0);
      step += share, contrast += share * (inner - outer) / (inner + outer + 0.02);
      if (which && share > 0.3) (*which)[b] = 1;
      if (share > 0.3 && inner - outer > plainly) ++easily;
    }
    if (plain) *plain = easily / static_cast<double>(view_.bands);
    if (step <= 0) return 0;
    const auto bands = static_cast<double>(view_.bands);
    double worth = std::clamp((step / bands - 0.05) / 0.22, 0.0, 1.0) * contrast / step;
    worth *= std::clamp(1.25 - 3 * lit_outside / bands, 0.0, 1.0) * std::exp(-excess / bands / 0.05);
    if (film(oa, ob) < 0.9) worth *= 0.3;  // the film's own end, not a gap
    return worth;
  }

  /// Share of the height that anybody sees to be lit.
  double lit(double a, double b) const {
    double sum = 0;
    for (std::size_t band = 0; band < view_.bands; ++band) sum += mean(band, a, b) > plainly ? 1 : 0;
    return sum / static_cast<double>(view_.bands);
  }

  /// Where that edge lies, from the bands that show it; negative where it cannot be told.
  double refined(double x, int direction) const {
    std::vector<char> which(view_.bands, 0);
    edge(x, direction, &which);
    const double reach = 0.7 / view_.step;
    const auto first = static_cast<std::int64_t>(x - 3 / view_.step), last = static_cast<std::int64_t>(x + 3 / view_.step);
    std::vector<double> profile;
    for (std::int64_t k = first; k <= last; ++k) {
      double sum = 0, count = 0;
      for (std::size_t b = 0; b < view_.bands; ++b)
        if (which[b] && k >= 0 && k < n_) sum += static_cast<double>(view_.linear[static_cast<std::size_t>(k) * view_.bands + b]), ++count;
      profile.push_back(count > 0 ? sum / count : 0);
    }
    const double found = half_rise(profile, x - static_cast<double>(first), reach, direction, 0.3 / view_.step, 0.9 / view_.step);
    return found < 0 ? -1 : found + static_cast<double>(first);
  }

 private:
  double at(const std::vector<double>& sums, double x) const {
    const double c = std::clamp(x, 0.0, static_cast<double>(n_));
    const auto i = std::min(static_cast<std::int64_t>(c), n_ - 1);
    const auto k = static_cast<std::size_t>(i);
    return sums[k] + (sums[k + 1] - sums[k]) * (c - static_cast<double>(i));
  }
  double mean(std::size_t band, double a, double b) const {
    const auto sum = [&](double x) {
      const double c = std::clamp(x, 0.0, static_cast<double>(n_));
      const auto i = static_cast<std::size_t>(std::min(static_cast<std::int64_t>(c), n_ - 1));
      const double low = sums_[i * view_.bands + band], high = sums_[(i + 1) * view_.bands + band];
      return low + (high - low) * (c - static_cast<double>(i));
    };
    return b - a < 0.5 ? 0 : (sum(b) - sum(a)) / (b - a);
  }

  const StripView& view_;
  std::int64_t n_;
  double least_ = 0;
  std::vector<double> sums_, film_, outside_, dark_;
};

/// A frame that begins at some column, taken by itself.
struct Place { double value = nothing, end = 0; };

double gap_cost(double gap, const Format& f) {
  if (gap < 0.25) return overlapping - overlapping_mm * gap;
  if (gap > f.most_gap) return far_gap + far_gap_mm * (gap - f.most_gap);
  const double part = (gap - (f.advance - f.width)) / f.advance_spread;
  return std::min(0.35 * part * part, 0.45);
}

}  // namespace

std::vector<Extent> film_pieces(const StripView& view) {
  // A piece begins where whole columns turn to film for good; a dark speck is none, and a hole in one parts it not.
  std::vector<Extent> pieces;
  const auto n = static_cast<std::int64_t>(view.columns());
  const auto run = static_cast<std::int64_t>(4.0 / view.step), hole = static_cast<std::int64_t>(1.0 / view.step);
  std::int64_t seen = 0, open = 0;
  bool inside = false;
  for (std::int64_t k = 0; k < n; ++k) {
    const bool film = view.film[static_cast<std::size_t>(k)] > 0.6;
    seen = film ? seen + 1 : 0, open = film ? 0 : open + 1;
    if (!inside && seen >= run) pieces.push_back({view.place(static_cast<double>(k + 1 - run)), 0}), inside = true;
    if (inside && film) pieces.back().last = view.place(static_cast<double>(k + 1));
    if (open > hole) inside = false;
  }
  return pieces;
}

std::vector<Found> fit_chain(const StripView& view, const Extent& piece, const Format& format) {
  std::vector<Found> result;
  const auto n = static_cast<std::int64_t>(view.columns());
  if (n == 0 || piece.last - piece.first < 4) return result;
  const Evidence seen(view, piece);
  const double mm = 1 / view.step, width = format.width * mm;
  const auto index = [](std::int64_t i) { return static_cast<std::size_t>(i); };
  std::vector<double> left(index(n), 0), right(left);
  const auto from = std::max<std::int64_t>(0, static_cast<std::int64_t>(view.column(piece.first)));
  const auto to = std::min<std::int64_t>(n, static_cast<std::int64_t>(view.column(piece.last)) + 1);
  for (std::int64_t k = from; k < to; ++k) {
    left[index(k)] = seen.edge(static_cast<double>(k), 1);
    right[index(k)] = seen.edge(static_cast<double>(k), -1);
  }
  // A frame may begin before the film does, where the strip was cut into it.
  const std::int64_t begin = from - static_cast<std::int64_t>(width) - 1, places = to - begin;
  const auto reach = static_cast<std::int64_t>(std::ceil(format.width_spread * mm));
  std::vector<Place> alone(index(places));
  for (std::int64_t p = 0; p < places; ++p) {
    const double x = static_cast<double>(begin + p);
    const double on = seen.film(x, x + width);
    if (on < 0.2) continue;
    const double l = begin + p >= from ? left[index(begin + p)] : 0;
    double r = 0, end = x + width;
    for (std::int64_t off = -reach; off <= reach; ++off) {
      const auto e = static_cast<std::int64_t>(std::llround(x + width)) + off;
      if (e < from || e >= to) continue;
      const double value = right[index(e)] - 0.3 * std::abs(static_cast<double>(off)) / static_cast<double>(reach + 1);
      if (value > r) r = value, end = static_cast<double>(e);
    }
    const double dark = seen.dark(x, end);
    double value = l + r - dark_inside * dark;
    if (on < 0.97) {  // cut into: only what shows a picture counts, and where the film goes on a whole one is likelier
      const double visible = on * format.width;
      value -= 0.25 + 0.5 * (1 - on) + (dark > 0.7 * visible ? 4 : 0);
    }
    alone[index(p)] = {value, end};
  }
  // Chains, each place reached from the best one before it.
  std::vector<double> best(index(places), nothing);
  std::vector<std::int64_t> before(index(places), -1);
  const double usual = std::max(format.advance - format.width, 0.5) + 1;
  const auto bare = [&](double length) { return bare_end * std::max(0.0, length - usual); };
  const auto most = static_cast<std::int64_t>((2.1 * format.width + 2 * format.most_gap) * mm), least = static_cast<std::int64_t>(0.3 * width);
  std::int64_t top = -1;
  double top_value = nothing;
  for (std::int64_t p = 0; p < places; ++p) {
    if (alone[index(p)].value <= nothing) continue;
    const double x = static_cast<double>(begin + p);
    double reached = -light_outside * seen.light(static_cast<double>(from), x) - bare(view.place(x) - piece.first);
    for (std::int64_t q = std::max<std::int64_t>(0, p - most); q <= p - least; ++q) {
      if (best[index(q)] <= nothing) continue;
      const double end = alone[index(q)].end, gap = (x - end) * view.step;
      if (alone[index(p)].end < end + 2 * mm) continue;
      const double value = best[index(q)] - gap_cost(gap, format) - light_outside * seen.light(end, x);
      if (value > reached) reached = value, before[index(p)] = q;
    }
    best[index(p)] = reached + alone[index(p)].value;
    const double end = alone[index(p)].end;
    const double value = best[index(p)] - light_outside * seen.light(end, static_cast<double>(to)) - bare(piece.last - view.place(end));
    if (value > top_value) top_value = value, top = p;
  }
  for (; top >= 0; top = before[index(top)]) {
    Found f;
    const double x = static_cast<double>(begin + top), end = alone[index(top)].end;
    const auto e = static_cast<std::int64_t>(end);
    f.left = begin + top >= from ? left[index(begin + top)] : 0;
    f.right = e >= from && e < to ? right[index(e)] : 0;
    double a = f.left < 0.2 ? -1 : seen.refined(x, 1), b = f.right < 0.2 ? -1 : seen.refined(end, -1);
    if (a < 0) f.left = std::min(f.left, 0.15);
    if (b < 0) f.right = std::min(f.right, 0.15);
    if (a >= 0 && b >= 0 && std::abs(b - a - width) > 1.2 * format.width_spread * mm) {  // one of them is a picture's own line
      if (f.left < f.right) a = -1, f.left = std::min(f.left, 0.15);
      else b = -1, f.right = std::min(f.right, 0.15);
    }
    f.by_model = a < 0 && b < 0;
    if (a >= 0 && b >= 0) {
      double first = 0, last = 0;
      seen.edge(x, 1, nullptr, &first), seen.edge(end, -1, nullptr, &last);
      f.plain = std::min(first, last);
    }
    if (a < 0) a = b < 0 ? x : b - width;
    if (b < 0) b = a + width;
    // Where the strip was cut close beside a picture, no base is left to tell the edge by; the camera's width tells it.
    const auto cut_beside = [&](double at, double end_of_film, int direction) {
      const double off = direction * (view.place(at) - end_of_film), near = at + direction * 0.15 * mm, far = at + direction * 0.8 * mm;
      const double share = seen.lit(std::min(near, far), std::max(near, far));
      return format.measured && off > -0.1 && off < 1 && share >= 0.15 ? share : 0;
    };
    if (f.left < 0.5 && f.right >= 0.5)
      if (const double share = cut_beside(b - width, piece.first, 1); share > 0) a = b - width, f.left = 0.5, f.plain = share;
    if (f.right < 0.5 && f.left >= 0.5)
      if (const double share = cut_beside(a + width, piece.last, -1); share > 0) b = a + width, f.right = 0.5, f.plain = share;
    f.on_film = seen.film(a, b);
    f.content = seen.content(a + 0.5 * mm, b - 0.5 * mm);
    f.start = view.place(a), f.end = view.place(b);
    result.push_back(f);
  }
  std::reverse(result.begin(), result.end());
  std::erase_if(result, [](const Found& f) { return f.on_film < (f.by_model && f.content < 0.02 ? 0.9 : 0.2); });
  for (std::size_t k = 0; k + 1 < result.size(); ++k) {
    const double gap = result[k + 1].start - result[k].end;
    result[k].room = std::min(result[k].room, gap), result[k + 1].room = std::min(result[k + 1].room, gap);
  }
  return result;
}

}  // namespace lapwright::frames
