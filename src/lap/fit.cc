#include "lap/fit.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <tuple>

#include "lap/skyline.h"

namespace lapwright::lap {
namespace {

// Priors, one sigma. Carriages wobble by some 60 um over some 40 mm (registration.md).
constexpr double wobble_mm = 0.08, bend_mm = 0.05, finer_mm = 0.015;
// One bed captured both passes: where b lies as a or half round, its axes agree; a quarter turn shows the bed's own ratio.
struct Likeness { double axis, shear; };
constexpr Likeness same_bed{1.5e-4, 7e-5}, quarter_turn{1e-3, 3e-4};
constexpr double slid_px = 0.2, slid_mm = 0.012, along_mm = 3, across_mm = 0.03;  // of a slide, one sigma
constexpr double tukey = 4.5, slid_gain = 40;
constexpr std::size_t globals = 6;  // shift x, y, turn, scale x, y, shear

struct Basis { std::size_t first = 0; std::array<double, 4> w{}; };
Basis basis(const Curve& c, double row) {
  const auto n = static_cast<int>(c.coefficients.size());
  const double t = std::clamp((row - c.first_row) / c.knot_rows, 0.0, static_cast<double>(n - 3));
  const int first = std::min(static_cast<int>(t), n - 4);
  const double u = t - first, v = 1 - u;
  return {static_cast<std::size_t>(first), {v * v * v / 6, (3 * u * u * u - 6 * u * u + 4) / 6, (3 * v * v * v - 6 * v * v + 4) / 6, u * u * u / 6}};
}

Curve empty_curve(double low, double high, double knot) {
  Curve c;
  c.first_row = low - 6 * knot;  // room to fall back to nothing outside the evidence
  c.knot_rows = knot;
  c.coefficients.assign(static_cast<std::size_t>(std::ceil((high - low) / knot) + 12 + 3), 0.0);
  return c;
}

/// The same curve on knots half as far apart (Lane and Riesenfeld 1980, degree 3).
Curve halved(const Curve& c) {
  Curve out;
  out.first_row = c.first_row, out.knot_rows = c.knot_rows / 2;
  const auto& o = c.coefficients;
  // Coefficient i sits at knot i - 1; the new ones at half knots from -1/2 on.
  for (std::size_t i = 0; i + 1 < o.size(); ++i) {
    out.coefficients.push_back((o[i] + o[i + 1]) / 2);
    if (i + 2 < o.size()) out.coefficients.push_back((o[i] + 6 * o[i + 1] + o[i + 2]) / 8);
  }
  return out;
}

/// dx and dy over rows of b, or of a where they follow a.
struct Curves {
  Curve dx, dy;
  bool of_a = false;
  double ridge_px = 1, bend_px = 0;  // priors; 0: none on bends
  std::vector<std::size_t> place;    // of each knot's two unknowns in the system: 2 * place, 2 * place + 1
  std::size_t size() const { return dx.coefficients.size(); }
  Spot<PassSpace> operator()(double row) const { return {dx(row), dy(row)}; }
};

void add(Curve& to, const Curve& more) {
  while (to.coefficients.size() < more.coefficients.size()) to = halved(to);
  for (std::size_t i = 0; i < more.coefficients.size(); ++i) to.coefficients[i] += more.coefficients[i];
}

class Model {
 public:
  Model(const std::vector<Match>& matches, const Placement& a, const Affine<SleeveSpace, PassSpace>& start, const FitOptions& options)
      : matches_(&matches), strips_(static_cast<std::size_t>(options.strips)), a_row_{a.affine.b, a.affine.d, a.affine.f, {}, {}} {
    double low = 1e300, high = -1e300, a_low = 1e300, a_high = -1e300;
    for (const Match& m : matches) {
      places_.push_back(sleeve_at(a, m.a));
      centre_.x += places_.back().x / static_cast<double>(matches.size()), centre_.y += places_.back().y / static_cast<double>(matches.size());
      const double row = a_row(places_.back());
      low = std::min(low, m.b.y), high = std::max(high, m.b.y), a_low = std::min(a_low, row), a_high = std::max(a_high, row);
    }
    // a's own axes, turned: scale and shear are those of the bed that captured a.
    const auto turn = core::compose(start, a.affine.inverse());
    const double k = std::sqrt(std::abs(turn.determinant())), sign = turn.determinant() < 0 ? -1 : 1;
    const double c = (turn.a + sign * turn.d) / (2 * k), s = (turn.b - sign * turn.c) / (2 * k), l = std::hypot(c, s);
    const PassMap rotation{k * c / l, k * s / l, -sign * k * s / l, sign * k * c / l, 0, 0};
    quarter_ = std::abs(s) > std::abs(c);
    base_ = core::compose(rotation, a.affine);
    const auto want = start(centre_), have = base_(centre_);
    base_.e += want.x - have.x, base_.f += want.y - have.y;
    origin_ = base_(centre_);
    per_mm_ = std::sqrt(std::abs(base_.determinant()));
    global_.fill(0);
    slide_.assign(strips_, {});
    free_.assign(strips_, false);
    {
      const Spot<PassSpace> along = options.strips_right ? Spot<PassSpace>{base_.a, base_.b} : Spot<PassSpace>{base_.c, base_.d};
      const double x = along.x / per_mm_, y = along.y / per_mm_, u = 1 / std::pow(along_mm * per_mm_, 2), v = 1 / std::pow(across_mm * per_mm_, 2);
      slide_prior_ = {u * x * x + v * y * y, (u - v) * x * y, u * y * y + v * x * x};
    }
    if (options.curve) {
      const double a_per_mm = std::sqrt(std::abs(a.affine.determinant()));
      own_.dx = own_.dy = empty_curve(low, high, options.knot_mm * per_mm_);
      followed_.dx = followed_.dy = empty_curve(a_low, a_high, options.knot_mm * a_per_mm);
      a_to_b_row_ = quarter_ ? 0 : rotation.d;
      for (Curves* curve : {&own_, &followed_}) curve->ridge_px = wobble_mm * per_mm_, curve->bend_px = bend_mm * per_mm_;
      followed_.of_a = finer_followed_.of_a = true;
    }
    arrange();
  }

  Placement b() const {
    Placement p{affine(), own_.dx, own_.dy};
    add(p.dx, finer_own_.dx), add(p.dy, finer_own_.dy);
    p.followed = a_row_, p.followed.dx = followed_.dx, p.followed.dy = followed_.dy;
    add(p.followed.dx, finer_followed_.dx), add(p.followed.dy, finer_followed_.dy);
    return p;
  }
  /// The same matches, kept elsewhere.
  void use(const std::vector<Match>& matches) { matches_ = &matches; }
  const std::vector<Spot<PassSpace>>& slide() const { return slide_; }
  double per_mm() const { return per_mm_; }
  bool quarter_turned() const { return quarter_; }
  /// A strip that slid has a shift of its own; one that is held has none.
  void free_strip(std::size_t k) { free_[k] = true; }
  bool is_free(std::size_t k) const { return free_[k]; }
  void hold_strip(std::size_t k) { slide_[k] = {}, free_[k] = false; }
  /// The same places told from where the strips in `still` lie, which did not slide then.
  void refer_to(const std::vector<std::size_t>& still) {
    Spot<PassSpace> mean;
    for (const std::size_t k : still) mean.x += slide_[k].x / static_cast<double>(still.size()), mean.y += slide_[k].y / static_cast<double>(still.size());
    global_[0] += mean.x, global_[1] += mean.y;
    for (std::size_t k = 0; k < strips_; ++k) slide_[k].x -= mean.x, slide_[k].y -= mean.y, free_[k] = true;
    for (const std::size_t k : still) hold_strip(k);
  }

  /// Fine curves beside the smooth ones, on knots half as far apart at each call; they begin at nothing.
  void halve_knots() {
    const auto finer = [&](const Curves& smooth, Curves& fine) {
      fine.dx = halved(fine.size() > 0 ? fine.dx : smooth.dx);
      std::fill(fine.dx.coefficients.begin(), fine.dx.coefficients.end(), 0.0);
      fine.dy = fine.dx;
      fine.ridge_px = finer_mm * per_mm_;
    };
    finer(own_, finer_own_), finer(followed_, finer_followed_);
    arrange();
  }

  /// Where match i was measured, less where the model puts it.
  Spot<PassSpace> error(std::size_t i) const {
    const Match& m = (*matches_)[i];
    const auto p = affine()(places_[i]);
    Spot<PassSpace> bent;
    for (const Curves* c : curves()) {
      const auto d = (*c)(c->of_a ? a_row(places_[i]) : p.y);
      bent.x += d.x, bent.y += d.y;
    }
    const auto k = static_cast<std::size_t>(m.strip);
    const Spot<PassSpace> slid = m.strip >= 0 && k < strips_ ? slide_[k] : Spot<PassSpace>{};
    return {m.b.x - p.x - bent.x - slid.x, m.b.y - p.y - bent.y - slid.y};
  }

  /// What the priors say against the curves and slides as they are, in sigmas squared.
  double strain() const {
    double sum = 0;
    for (const Curves* c : curves())
      for (const Curve* v : {&c->dx, &c->dy}) {
        const auto& k = v->coefficients;
        for (const double w : k) sum += w * w / (c->ridge_px * c->ridge_px);
        for (std::size_t i = 1; c->bend_px > 0 && i + 1 < k.size(); ++i) sum += std::pow((k[i - 1] - 2 * k[i] + k[i + 1]) / c->bend_px, 2);
      }
    for (const auto& d : slide_) sum += slide_prior_.squared(d.x, d.y);
    return sum;
  }

  /// One Gauss-Newton step with each match's weight times `of(i)`.
  template <class Of>
  bool step(const Of& of) {
    const std::size_t at_global = unknowns_of_curves(), at_strip = at_global + globals, size = at_strip + 2 * strips_;
    const auto now = affine();
    // Each match moves with few unknowns: by as much in x, in y.
    struct Term { std::size_t at; double x, y; };
    std::vector<Term> terms;
    std::vector<std::size_t> begins{0};
    const auto curve_terms = [&](const Curves& c, double row) {
      if (c.size() == 0) return;
      const Basis b = basis(c.dx, row);
      for (std::size_t k = 0; k < 4; ++k) terms.push_back({2 * c.place[b.first + k], b.w[k], 0}), terms.push_back({2 * c.place[b.first + k] + 1, 0, b.w[k]});
    };
    for (std::size_t i = 0; i < matches_->size(); ++i) {
      const Match& m = (*matches_)[i];
      if (m.weight * of(i) > 0) {
        const auto plain = base_(places_[i]);
        const double ux = plain.x - origin_.x, uy = plain.y - origin_.y;
        for (const Curves* c : curves()) curve_terms(*c, c->of_a ? a_row(places_[i]) : now(places_[i]).y);
        terms.push_back({at_global, 1, 0}), terms.push_back({at_global + 1, 0, 1}), terms.push_back({at_global + 2, -uy, ux});
        terms.push_back({at_global + 3, ux, 0}), terms.push_back({at_global + 4, 0, uy}), terms.push_back({at_global + 5, uy, ux});
        if (const auto k = static_cast<std::size_t>(m.strip); m.strip >= 0 && k < strips_ && is_free(k)) terms.push_back({at_strip + 2 * k, 1, 0}), terms.push_back({at_strip + 2 * k + 1, 0, 1});
      }
      begins.push_back(terms.size());
    }
    std::vector<std::size_t> first(size);
    for (std::size_t i = 0; i < size; ++i) first[i] = i >= at_global ? 0 : i;
    const auto reach = [&](std::size_t i, std::size_t j) { first[std::max(i, j)] = std::min(first[std::max(i, j)], std::min(i, j)); };
    for (std::size_t i = 0; i + 1 < begins.size(); ++i) {
      std::size_t lowest = size;
      for (std::size_t t = begins[i]; t < begins[i + 1]; ++t) lowest = std::min(lowest, terms[t].at);
      for (std::size_t t = begins[i]; t < begins[i + 1]; ++t) reach(terms[t].at, lowest);
    }
    for (const Curves* c : curves())
      for (std::size_t i = 1; c->bend_px > 0 && i + 1 < c->size(); ++i)
        for (std::size_t j = i - 1; j <= i + 1; ++j)
          for (std::size_t l = i - 1; l <= i + 1; ++l) reach(2 * c->place[j], 2 * c->place[l]), reach(2 * c->place[j] + 1, 2 * c->place[l] + 1);
    Skyline system(first);

    const auto prior = [&](std::size_t i, double value, double sigma) {
      system.add(i, i, 1 / (sigma * sigma)), system.add_right(i, -value / (sigma * sigma));
    };
    const Likeness like = quarter_ ? quarter_turn : same_bed;
    const std::array<double, globals> sigma{1e6, 1e6, 0.1, like.axis, like.axis, like.shear};
    for (std::size_t i = 0; i < globals; ++i) prior(at_global + i, global_[i], sigma[i]);
    for (const Curves* c : curves())
      for (std::size_t axis = 0; axis < 2; ++axis) {
        const auto& v = axis == 0 ? c->dx.coefficients : c->dy.coefficients;
        for (std::size_t i = 0; i < v.size(); ++i) prior(2 * c->place[i] + axis, v[i], c->ridge_px);
        for (std::size_t i = 1; c->bend_px > 0 && i + 1 < v.size(); ++i) {
          const double w = 1 / (c->bend_px * c->bend_px), bend = v[i - 1] - 2 * v[i] + v[i + 1];
          const std::array<double, 3> k{1, -2, 1};
          for (std::size_t j = 0; j < 3; ++j) {
            const std::size_t row = 2 * c->place[i - 1 + j] + axis;
            system.add_right(row, -w * k[j] * bend);
            for (std::size_t l = 0; l <= j; ++l) system.add(row, 2 * c->place[i - 1 + l] + axis, w * k[j] * k[l]);
          }
        }
      }
    for (std::size_t k = 0; k < strips_; ++k) {
      const Information p = free_[k] ? slide_prior_ : Information{};
      const std::size_t x = at_strip + 2 * k, y = x + 1;
      system.add(x, x, p.xx), system.add(y, x, p.xy), system.add(y, y, p.yy);
      system.add_right(x, -p.xx * slide_[k].x - p.xy * slide_[k].y), system.add_right(y, -p.xy * slide_[k].x - p.yy * slide_[k].y);
    }
    for (std::size_t i = 0; i < matches_->size(); ++i) {
      if (begins[i] == begins[i + 1]) continue;
      const double weight = (*matches_)[i].weight * of(i);
      const Information& f = (*matches_)[i].info;
      const auto r = error(i);
      for (std::size_t j = begins[i]; j < begins[i + 1]; ++j) {
        const Term& t = terms[j];
        const double ix = weight * (f.xx * t.x + f.xy * t.y), iy = weight * (f.xy * t.x + f.yy * t.y);
        system.add_right(t.at, ix * r.x + iy * r.y);
        for (std::size_t l = begins[i]; l <= j; ++l) system.add(t.at, terms[l].at, ix * terms[l].x + iy * terms[l].y);
      }
    }
    const auto found = system.solve();
    if (!found) return false;
    const std::vector<double>& d = *found;
    for (Curves* c : {&own_, &followed_, &finer_own_, &finer_followed_})
      for (std::size_t i = 0; i < c->size(); ++i) c->dx.coefficients[i] += d[2 * c->place[i]], c->dy.coefficients[i] += d[2 * c->place[i] + 1];
    for (std::size_t i = 0; i < globals; ++i) global_[i] += d[at_global + i];
    for (std::size_t k = 0; k < strips_; ++k)
      if (is_free(k)) slide_[k].x += d[at_strip + 2 * k], slide_[k].y += d[at_strip + 2 * k + 1];
    return true;
  }

 private:
  double a_row(Spot<SleeveSpace> s) const { return a_row_.x * s.x + a_row_.y * s.y + a_row_.at; }

  std::array<const Curves*, 4> curves() const { return {&own_, &followed_, &finer_own_, &finer_followed_}; }
  std::size_t unknowns_of_curves() const {
    std::size_t n = 0;
    for (const Curves* c : curves()) n += 2 * c->size();
    return n;
  }

  /// Knots of all curves in the order of b's rows where a's run alongside, so that the system stays a narrow band.
  void arrange() {
    struct Knot { double row; Curves* of; std::size_t index; };
    std::vector<Knot> all;
    const double a_middle = a_row(centre_);
    for (Curves* c : {&own_, &followed_, &finer_own_, &finer_followed_}) {
      c->place.resize(c->size());
      for (std::size_t i = 0; i < c->size(); ++i) {
        const double row = c->dx.first_row + (static_cast<double>(i) - 1) * c->dx.knot_rows;
        all.push_back({!c->of_a ? row : quarter_ ? 1e12 + row : origin_.y + a_to_b_row_ * (row - a_middle), c, i});
      }
    }
    std::sort(all.begin(), all.end(), [](const Knot& p, const Knot& q) { return p.row < q.row; });
    for (std::size_t i = 0; i < all.size(); ++i) all[i].of->place[all[i].index] = i;
  }

  Affine<SleeveSpace, PassSpace> affine() const {
    Affine<SleeveSpace, PassSpace> m = base_;
    const auto turned = [&](double x, double y) {
      return std::pair{x * (1 + global_[3]) + y * (global_[5] - global_[2]), y * (1 + global_[4]) + x * (global_[5] + global_[2])};
    };
    std::tie(m.a, m.b) = turned(base_.a, base_.b);
    std::tie(m.c, m.d) = turned(base_.c, base_.d);
    m.e = origin_.x + global_[0] - m.a * centre_.x - m.c * centre_.y;
    m.f = origin_.y + global_[1] - m.b * centre_.x - m.d * centre_.y;
    return m;
  }

  const std::vector<Match>* matches_;
  std::vector<Spot<SleeveSpace>> places_;
  std::size_t strips_;
  Follow a_row_;
  Spot<SleeveSpace> centre_;
  Spot<PassSpace> origin_;
  Affine<SleeveSpace, PassSpace> base_;
  bool quarter_ = false;
  double per_mm_ = 1, a_to_b_row_ = 0;
  std::array<double, globals> global_{};
  std::vector<bool> free_;
  Information slide_prior_;  // along the pocket a strip slides freely, across hardly
  Curves own_, followed_, finer_own_, finer_followed_;
  std::vector<Spot<PassSpace>> slide_;
};

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
  const double scale = std::max(1.0, std::sqrt(median(of_fine.empty() ? squared : of_fine) / 1.386));  // 1.386: median of chi squared, 2 degrees
  const double limit = tukey * scale * wide;
  for (std::size_t i = 0; i < matches.size(); ++i) {
    const double q = squared[i] / (limit * limit);
    matches[i].weight = q < 1 ? (1 - q) * (1 - q) : 0;
  }
  return scale;
}

constexpr auto every = [](std::size_t) { return 1.0; };

/// How badly matches left out of the fit are foretold, in their own sigmas squared; three parts, each left out once.
double foretold(const Model& from, const std::vector<Match>& matches) {
  constexpr double most = 60;
  double sum = 0, n = 0;
  for (std::size_t part = 0; part < 3; ++part) {
    const auto left_out = [&](std::size_t i) { return (i * 2654435761U >> 8) % 3 == part; };
    Model model = from;
    for (int round = 0; round < 2; ++round)
      if (!model.step([&](std::size_t i) { return left_out(i) ? 0.0 : 1.0; })) return 1e300;
    for (std::size_t i = 0; i < matches.size(); ++i) {
      if (!left_out(i) || matches[i].coarse) continue;
      const auto e = model.error(i);
      sum += std::min(most, matches[i].info.squared(e.x, e.y)), n += 1;
    }
  }
  return n > 0 ? sum / n : 1e300;
}

/// What matches and priors together say against the model; a match that does not belong counts only so much.
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

/// The strips that share one place, the most matches together: these stayed and the others slid. All where there are none.
std::vector<std::size_t> most_alike(const Model& model, const std::vector<Match>& matches, std::size_t strips) {
  std::vector<double> held(strips, 0.01);
  for (const Match& m : matches)
    if (m.strip >= 0 && m.strip < static_cast<int>(strips)) held[static_cast<std::size_t>(m.strip)] += m.weight;
  const double near = std::max(2 * slid_px, 3 * slid_mm * model.per_mm());
  std::vector<std::size_t> best;
  double most = -1;
  for (std::size_t k = 0; k < strips; ++k) {
    std::vector<std::size_t> like;
    double sum = 0;
    for (std::size_t j = 0; j < strips; ++j)
      if (std::hypot(model.slide()[j].x - model.slide()[k].x, model.slide()[j].y - model.slide()[k].y) < near) like.push_back(j), sum += held[j];
    if (sum > most) most = sum, best = like;
  }
  return best;
}

}  // namespace

Fitted fit(std::vector<Match>& matches, const Placement& a, const Affine<SleeveSpace, PassSpace>& start, const FitOptions& options) {
  Fitted out;
  out.b.affine = start;
  out.knot_mm = options.knot_mm;
  out.strip_px.assign(static_cast<std::size_t>(options.strips), {});
  if (matches.size() < 3) return out;
  Model model(matches, a, start, options);
  for (Match& m : matches) m.weight = 1;
  double scale = 1;
  const auto settle = [&](int rounds, double wide) {
    for (int round = 0; round < rounds; ++round) {
      if (!model.step(every)) return false;
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
      if (model.is_free(k) || std::count_if(matches.begin(), matches.end(), [&](const Match& m) { return m.strip == static_cast<int>(k); }) < 5) continue;
      Model tried = model;
      std::vector<Match> as_weighed = matches;
      tried.free_strip(k);
      tried.use(as_weighed);
      for (int round = 0; round < 3; ++round) {
        for (Match& m : as_weighed)
          if (m.strip == static_cast<int>(k) && round == 0) m.weight = 1;
        if (!tried.step(every)) break;
        reweigh(tried, as_weighed, 3);
      }
      const double now = cost(tried, as_weighed, scale);
      if (now < best) best = now, better_matches = std::move(as_weighed), better.emplace(std::move(tried));
    }
    if (!better) break;
    matches = better_matches, model = std::move(*better);
    model.use(matches);
    settle(2, 1.5), settle(2, 1);
  }
  for (int round = 0; round < 2; ++round) {
    model.refer_to(most_alike(model, matches, out.strip_px.size()));
    for (std::size_t k = 0; k < out.strip_px.size(); ++k)
      if (std::hypot(model.slide()[k].x, model.slide()[k].y) < std::max(slid_px, slid_mm * model.per_mm())) model.hold_strip(k);
    settle(3, 1);
  }
  if (options.curve && options.finer_knots) {
    double best = foretold(model, matches), knot = options.knot_mm;
    Model finer = model, chosen = model;
    std::vector<Match> weighed = matches, chosen_weighed = matches;
    while (knot > (model.quarter_turned() ? 1.5 : 0.7)) {
      finer.halve_knots(), knot /= 2;
      finer.use(weighed);
      for (const double wide : {3.0, 1.5, 1.0}) {
        if (!finer.step(every)) break;
        reweigh(finer, weighed, wide);
      }
      const double now = foretold(finer, weighed);
      if (now < 0.9 * best) best = now, chosen = finer, chosen_weighed = weighed, out.knot_mm = knot;
    }
    if (out.knot_mm < options.knot_mm) {
      matches = chosen_weighed, model = chosen;
      model.use(matches);
      settle(3, 1);
    }
  }
  out.b = model.b();
  out.strip_px = model.slide();
  double sum = 0, information = 0;
  for (std::size_t i = 0; i < matches.size(); ++i) {
    const Match& m = matches[i];
    if (m.weight <= 0 || m.coarse) continue;
    const auto e = model.error(i);
    sum += m.weight * m.info.squared(e.x, e.y), information += m.weight * (m.info.xx + m.info.yy), ++out.used;
  }
  out.residual_px = information > 0 ? std::sqrt(sum / information) : 0;
  return out;
}

}  // namespace lapwright::lap
