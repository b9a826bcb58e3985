#include "lap/fit.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <future>
#include <optional>

#include "lap/model.h"
#include "lap/two_threads.h"

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
  const auto errors = model.errors();
  for (std::size_t i = 0; i < matches.size(); ++i) {
    const auto e = errors[i];
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
  std::array<Sum, 3> sums;
  const auto leave_out = [&](std::size_t part) {
    const auto left_out = [&](std::size_t i) { return (i * 2654435761U >> 8) % 3 == part; };
    Model model = from;
    for (int round = 0; round < 2; ++round)
      if (!model.step(left_out)) return;
    const auto errors = model.errors();
    for (std::size_t i = 0; i < matches.size(); ++i) {
      if (!left_out(i) || matches[i].coarse) continue;
      const auto e = errors[i];
      sums[part].squared += std::min(most, matches[i].info.squared(e.x, e.y)), sums[part].n += 1;
    }
  };
  on_two_threads(sums.size(), leave_out);
  double squared = 0, n = 0;
  for (const Sum& s : sums) {
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
  const auto errors = model.errors();
  for (std::size_t i = 0; i < matches.size(); ++i) {
    const auto e = errors[i];
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
    struct Tried {
      double cost = 0;
      std::optional<Model> model;
      std::vector<Match> weighed;
    };
    std::vector<Tried> tries(out.strip_px.size());
    const auto try_strip = [&](std::size_t k) {
      if (model.is_free(k) || std::count_if(matches.begin(), matches.end(), [&](const Match& m) {
                                return m.strip == static_cast<int>(k);
                              }) < 5)
        return;
      Tried& t = tries[k];
      t.model = model, t.weighed = matches;
      t.model->free_strip(k);
      t.model->use(t.weighed);
      for (int round = 0; round < 3; ++round) {
        for (Match& m : t.weighed)
          if (m.strip == static_cast<int>(k) && round == 0) m.weight = 1;
        if (!t.model->step()) break;
        reweigh(*t.model, t.weighed, 3);
      }
      t.cost = cost(*t.model, t.weighed, scale);
    };
    on_two_threads(tries.size(), try_strip);
    Tried* best = nullptr;
    for (Tried& t : tries)
      if (t.model && (!best || t.cost < best->cost)) best = &t;
    if (!best || best->cost >= cost(model, matches, scale) - slid_gain) break;
    matches = std::move(best->weighed), model = std::move(*best->model);
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
    // Each is judged while the next, finer one is made.
    struct Finer {
      Model model;
      std::vector<Match> weighed;
      std::future<double> foretold_by;
    };
    const auto judge = [](const Model& m, const std::vector<Match>& weighed) {
      return std::async(std::launch::async, [&] { return foretold(m, weighed); });
    };
    auto smooth = judge(model, matches);
    // Where rows of both cross, every knot meets every other: fine ones would cost too much.
    const std::size_t halvings = model.quarter_turned() ? 2 : 4;
    std::vector<Finer> tries;
    tries.reserve(halvings);  // what is judged stays in its place
    for (std::size_t i = 0; i < halvings; ++i) {
      const bool first = tries.empty();
      tries.push_back(
          {first ? model : tries.back().model, first ? matches : tries.back().weighed, {}});
      Finer& t = tries.back();
      t.model.halve_knots();
      t.model.use(t.weighed);
      for (const double wide : {3.0, 1.5, 1.5, 1.0, 1.0}) {
        if (!t.model.step()) break;
        reweigh(t.model, t.weighed, wide);
        t.model.tame_finer();
      }
      t.foretold_by = judge(t.model, t.weighed);
    }
    double best = smooth.get();
    const Finer* chosen = nullptr;
    for (Finer& t : tries)
      if (const double now = t.foretold_by.get(); now < clearly_better * best)
        best = now, chosen = &t;
    if (chosen) {
      matches = chosen->weighed, model = chosen->model;
      model.use(matches);
      settle(3, 1);
      if (hold_still()) settle(3, 1);
    }
  }
  out.b = model.b();
  out.strip_px = model.slide();
  double sum = 0, information = 0;
  const auto errors = model.errors();
  for (std::size_t i = 0; i < matches.size(); ++i) {
    const Match& m = matches[i];
    if (m.weight <= 0 || m.coarse) continue;
    const auto e = errors[i];
    sum += m.weight * m.info.squared(e.x, e.y), information += m.weight * (m.info.xx + m.info.yy),
        ++out.used;
  }
  out.residual_px = information > 0 ? std::sqrt(sum / information) : 0;
  return out;
}

}  // namespace lapwright::lap
