#include "lap/fit.h"

#include <algorithm>
#include <cmath>
#include <future>
#include <optional>

#include "lap/model.h"

namespace lapwright::lap {
namespace {

constexpr double slid_px = 0.2, slid_mm = 0.012;  // a slide is more than either
constexpr double tukey = 4.5, slid_gain = 40;
constexpr double clearly_better = 0.9;  // finer knots must foretell by as much better

double median(std::vector<double> v) {
  if (v.empty()) return 0;
  const auto m = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), m, v.end());
  return *m;
}

/// Tukey's weights on each match's own covariance; gives the scale of the errors in sigmas.
double reweigh(const Model& model, std::vector<Match>& matches, double wide) {
  std::vector<double> squared(matches.size()), of_fine;
  for (std::size_t i = 0; i < matches.size(); ++i) {
    const auto e = model.error(i);
    squared[i] = matches[i].info.squared(e.x, e.y);
    if (!matches[i].coarse) of_fine.push_back(squared[i]);
  }
  const double scale = std::max(1.0, std::sqrt(median(of_fine.empty() ? squared : of_fine) /
                                               1.386));  // 1.386: median of chi squared, 2 degrees
  const double limit = tukey * scale * wide;
  for (std::size_t i = 0; i < matches.size(); ++i) {
    const double q = squared[i] / (limit * limit);
    matches[i].weight = q < 1 ? (1 - q) * (1 - q) : 0;
  }
  return scale;
}

/// How badly matches left out of the fit are foretold, in their own sigmas squared; three parts,
/// each left out once.
double foretold(const Model& from, const std::vector<Match>& matches) {
  constexpr double most = 60;
  struct Sum {
    double squared = 0, n = 0;
  };
  const auto of_part = [&](std::size_t part) {
    const auto left_out = [&](std::size_t i) { return (i * 2654435761U >> 8) % 3 == part; };
    Model model = from;
    Sum sum;
    for (int round = 0; round < 2; ++round)
      if (!model.step(left_out)) return sum;
    for (std::size_t i = 0; i < matches.size(); ++i) {
      if (!left_out(i) || matches[i].coarse) continue;
      const auto e = model.error(i);
      sum.squared += std::min(most, matches[i].info.squared(e.x, e.y)), sum.n += 1;
    }
    return sum;
  };
  auto other = std::async(std::launch::async, of_part, std::size_t{0});
  double squared = 0, n = 0;
  for (const Sum& s : {of_part(1), of_part(2), other.get()}) {
    if (s.n == 0) return 1e300;
    squared += s.squared, n += s.n;
  }
  return squared / n;
}

/// What matches and priors together say against the model; a match that does not belong counts only
/// so much.
double cost(const Model& model, const std::vector<Match>& matches, double scale) {
  const double most = 9 * tukey * tukey;
  double sum = 0;
  for (std::size_t i = 0; i < matches.size(); ++i) {
    const auto e = model.error(i);
    const double q = std::min(1.0, matches[i].info.squared(e.x, e.y) / (scale * scale * most));
    sum += most / 3 * (1 - (1 - q) * (1 - q) * (1 - q));
  }
  return sum + model.strain();
}

/// The strips that share one place, the most matches together: these stayed and the others slid.
/// All where there are none.
std::vector<std::size_t> most_alike(const Model& model, const std::vector<Match>& matches,
                                    std::size_t strips) {
  std::vector<double> held(strips, 0.01);
  for (const Match& m : matches)
    if (m.strip >= 0 && m.strip < static_cast<int>(strips))
      held[static_cast<std::size_t>(m.strip)] += m.weight;
  const double near = std::max(2 * slid_px, 3 * slid_mm * model.per_mm());
  std::vector<std::size_t> best;
  double most = -1;
  for (std::size_t k = 0; k < strips; ++k) {
    std::vector<std::size_t> like;
    double sum = 0;
    for (std::size_t j = 0; j < strips; ++j)
      if (std::hypot(model.slide()[j].x - model.slide()[k].x,
                     model.slide()[j].y - model.slide()[k].y) < near)
        like.push_back(j), sum += held[j];
    if (sum > most) most = sum, best = like;
  }
  return best;
}

}  // namespace

Fitted fit(std::vector<Match>& matches, const Placement& a,
           const Affine<SleeveSpace, PassSpace>& start, const FitOptions& options) {
  Fitted out;
  out.b.affine = start;
  out.strip_px.assign(static_cast<std::size_t>(options.strips), {});
  if (matches.size() < 3) return out;
  Model model(matches, a, start, options);
  for (Match& m : matches) m.weight = 1;
  double scale = 1;
  const auto settle = [&](int rounds, double wide) {
    for (int round = 0; round < rounds; ++round) {
      if (!model.step()) return false;
      scale = reweigh(model, matches, wide);
    }
    return true;
  };
  if (!settle(3, 3) || !settle(2, 1.5) || !settle(2, 1)) return out;
  // One after the other, the strip that explains the most by a shift of its own gets one.
  for (std::size_t freed = 0; freed < out.strip_px.size(); ++freed) {
    const double before = cost(model, matches, scale);
    double best = before - slid_gain;
    std::optional<Model> better;
    std::vector<Match> better_matches;
    for (std::size_t k = 0; k < out.strip_px.size(); ++k) {
      if (model.is_free(k) || std::count_if(matches.begin(), matches.end(), [&](const Match& m) {
                                return m.strip == static_cast<int>(k);
                              }) < 5)
        continue;
      Model tried = model;
      std::vector<Match> as_weighed = matches;
      tried.free_strip(k);
      tried.use(as_weighed);
      for (int round = 0; round < 3; ++round) {
        for (Match& m : as_weighed)
          if (m.strip == static_cast<int>(k) && round == 0) m.weight = 1;
        if (!tried.step()) break;
        reweigh(tried, as_weighed, 3);
      }
      const double now = cost(tried, as_weighed, scale);
      if (now < best)
        best = now, better_matches = std::move(as_weighed), better.emplace(std::move(tried));
    }
    if (!better) break;
    matches = better_matches, model = std::move(*better);
    model.use(matches);
    settle(2, 1.5), settle(2, 1);
  }
  const auto hold_still = [&] {
    bool held = false;
    for (std::size_t k = 0; k < out.strip_px.size(); ++k)
      if (std::hypot(model.slide()[k].x, model.slide()[k].y) <
          std::max(slid_px, slid_mm * model.per_mm()))
        held = held || model.is_free(k), model.hold_strip(k);
    return held;
  };
  for (int round = 0; round < 2; ++round) {
    model.refer_to(most_alike(model, matches, out.strip_px.size()));
    hold_still();
    settle(3, 1);
  }
  if (options.finer_knots) {
    double best = foretold(model, matches);
    Model finer = model;
    std::vector<Match> weighed = matches, chosen_weighed;
    std::optional<Model> chosen;
    // Where rows of both cross, every knot meets every other: fine ones would cost too much.
    const int halvings = model.quarter_turned() ? 2 : 4;
    for (int i = 0; i < halvings; ++i) {
      finer.halve_knots();
      finer.use(weighed);
      for (const double wide : {3.0, 1.5, 1.5, 1.0, 1.0}) {
        if (!finer.step()) break;
        reweigh(finer, weighed, wide);
        finer.tame_finer();
      }
      const double now = foretold(finer, weighed);
      if (now < clearly_better * best) best = now, chosen = finer, chosen_weighed = weighed;
    }
    if (chosen) {
      matches = chosen_weighed, model = *chosen;
      model.use(matches);
      settle(3, 1);
      if (hold_still()) settle(3, 1);
    }
  }
  out.b = model.b();
  out.strip_px = model.slide();
  double sum = 0, information = 0;
  for (std::size_t i = 0; i < matches.size(); ++i) {
    const Match& m = matches[i];
    if (m.weight <= 0 || m.coarse) continue;
    const auto e = model.error(i);
    sum += m.weight * m.info.squared(e.x, e.y), information += m.weight * (m.info.xx + m.info.yy),
        ++out.used;
  }
  out.residual_px = information > 0 ? std::sqrt(sum / information) : 0;
  return out;
}

}  // namespace lapwright::lap
