#include "lap/model.h"

#include <algorithm>
#include <cmath>
#include <tuple>

#include "lap/skyline.h"

namespace lapwright::lap {
namespace {

// Priors, one sigma. Carriages wobble by some 60 um over some 40 mm (registration.md).
constexpr double knot_mm = 5, wobble_mm = 0.08, bend_mm = 0.015, finer_mm = 0.015,
                 least_finer_mm = 3e-4;
// Sideways its rails are straight but for some 20 um over their length.
constexpr double sideways_mm = 0.03, sideways_bend_mm = 0.008;
// One bed captured both passes: where b lies as a or half round, its axes agree; a quarter turn
// shows the bed's own ratio.
struct Likeness {
  double axis, shear;
};
constexpr Likeness same_bed{1.5e-4, 7e-5}, quarter_turn{1e-3, 3e-4};
constexpr double lens_mm = 0.004;                 // at the ends of the sensor's line
constexpr double along_mm = 3, across_mm = 0.03;  // of a slide

/// Third differences: between what is seen, a curve goes on bending as it did.
constexpr std::array<double, 4> bend{-1, 3, -3, 1};
double bend_at(const std::vector<double>& v, std::size_t i) {
  double sum = 0;
  for (std::size_t j = 0; j < bend.size(); ++j) sum += bend[j] * v[i + j];
  return sum;
}

struct Basis {
  std::size_t first = 0;
  std::array<double, 4> w{};
};
Basis basis(const Curve& c, double row) {
  const auto n = static_cast<int>(c.coefficients.size());
  const double t = std::clamp((row - c.first_row) / c.knot_rows, 0.0, static_cast<double>(n - 3));
  const int first = std::min(static_cast<int>(t), n - 4);
  const double u = t - first, v = 1 - u;
  return {static_cast<std::size_t>(first),
          {v * v * v / 6, (3 * u * u * u - 6 * u * u + 4) / 6, (3 * v * v * v - 6 * v * v + 4) / 6,
           u * u * u / 6}};
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

void add(Curve& to, const Curve& more) {
  while (to.coefficients.size() < more.coefficients.size()) to = halved(to);
  for (std::size_t i = 0; i < more.coefficients.size(); ++i)
    to.coefficients[i] += more.coefficients[i];
}

}  // namespace

Model::Model(const std::vector<Match>& matches, const Placement& a,
             const Affine<SleeveSpace, PassSpace>& start, const FitOptions& options)
    : matches_(&matches),
      strips_(static_cast<std::size_t>(options.strips)),
      a_row_{a.affine.b, a.affine.d, a.affine.f, {}, {}} {
  double low = 1e300, high = -1e300, a_low = 1e300, a_high = -1e300;
  for (const Match& m : matches) {
    places_.push_back(sleeve_at(a, m.a));
    centre_.x += places_.back().x / static_cast<double>(matches.size()),
        centre_.y += places_.back().y / static_cast<double>(matches.size());
    const double row = a_row(places_.back());
    low = std::min(low, m.b.y), high = std::max(high, m.b.y), a_low = std::min(a_low, row),
    a_high = std::max(a_high, row);
  }
  // a's own axes, turned: scale and shear are those of the bed that captured a.
  const auto turn = core::compose(start, a.affine.inverse());
  const double k = std::sqrt(std::abs(turn.determinant())), sign = turn.determinant() < 0 ? -1 : 1;
  const double c = (turn.a + sign * turn.d) / (2 * k), s = (turn.b - sign * turn.c) / (2 * k),
               l = std::hypot(c, s);
  const PassMap rotation{k * c / l, k * s / l, -sign * k * s / l, sign * k * c / l, 0, 0};
  quarter_ = std::abs(s) > std::abs(c);
  base_ = core::compose(rotation, a.affine);
  const auto want = start(centre_), have = base_(centre_);
  base_.e += want.x - have.x, base_.f += want.y - have.y;
  origin_ = base_(centre_);
  per_mm_ = std::sqrt(std::abs(base_.determinant()));
  global_.fill(0);
  lens_ = options.width_px > 0;
  if (lens_) middle_ = half_ = options.width_px / 2;
  slide_.assign(strips_, {});
  free_.assign(strips_, false);
  {
    const Spot<PassSpace> along = options.strips_right ? Spot<PassSpace>{base_.a, base_.b}
                                                       : Spot<PassSpace>{base_.c, base_.d};
    const double x = along.x / per_mm_, y = along.y / per_mm_,
                 u = 1 / std::pow(along_mm * per_mm_, 2), v = 1 / std::pow(across_mm * per_mm_, 2);
    slide_prior_ = {u * x * x + v * y * y, (u - v) * x * y, u * y * y + v * x * x};
  }
  const double a_per_mm = std::sqrt(std::abs(a.affine.determinant()));
  own_.dx = own_.dy = empty_curve(low, high, knot_mm * per_mm_);
  followed_.dx = followed_.dy = empty_curve(a_low, a_high, knot_mm * a_per_mm);
  a_to_b_row_ = quarter_ ? 0 : rotation.d;
  for (Curves* curve : {&own_, &followed_})
    for (std::size_t axis = 0; axis < 2; ++axis) {
      const bool travel = (axis == 1) != (curve == &followed_ && quarter_);
      curve->ridge_px[axis] = (travel ? wobble_mm : sideways_mm) * per_mm_;
      curve->bend_px[axis] = (travel ? bend_mm : sideways_bend_mm) * per_mm_;
    }
  followed_.of_a = finer_followed_.of_a = true;
  arrange();
}

Placement Model::b() const {
  Placement p{affine(), own_.dx, own_.dy};
  add(p.dx, finer_own_.dx), add(p.dy, finer_own_.dy);
  p.followed = a_row_, p.followed.dx = followed_.dx, p.followed.dy = followed_.dy;
  add(p.followed.dx, finer_followed_.dx), add(p.followed.dy, finer_followed_.dy);
  p.bow = bow();
  return p;
}

void Model::refer_to(const std::vector<std::size_t>& still) {
  Spot<PassSpace> mean;
  for (const std::size_t k : still)
    mean.x += slide_[k].x / static_cast<double>(still.size()),
        mean.y += slide_[k].y / static_cast<double>(still.size());
  global_[0] += mean.x, global_[1] += mean.y;
  for (std::size_t k = 0; k < strips_; ++k)
    slide_[k].x -= mean.x, slide_[k].y -= mean.y, free_[k] = true;
  for (const std::size_t k : still) hold_strip(k);
}

void Model::halve_knots() {
  const auto finer = [&](const Curves& smooth, Curves& fine) {
    fine.dx = halved(fine.size() > 0 ? fine.dx : smooth.dx);
    std::fill(fine.dx.coefficients.begin(), fine.dx.coefficients.end(), 0.0);
    fine.dy = fine.dx;
    fine.ridge_px = {finer_mm * per_mm_, finer_mm * per_mm_};
  };
  finer(own_, finer_own_), finer(followed_, finer_followed_);
  arrange();
}

void Model::tame_finer() {
  for (const std::size_t axis : {0U, 1U}) {
    std::vector<double> sizes;
    for (const Curves* c : {&finer_own_, &finer_followed_})
      for (const double v : (axis == 0 ? c->dx : c->dy).coefficients)
        if (std::abs(v) > 1e-5 * per_mm_) sizes.push_back(std::abs(v));
    if (sizes.empty()) continue;
    const auto m = sizes.begin() + static_cast<std::ptrdiff_t>(sizes.size() / 2);
    std::nth_element(sizes.begin(), m, sizes.end());
    const double ridge = std::clamp(3 * *m, least_finer_mm * per_mm_, finer_mm * per_mm_);
    finer_own_.ridge_px[axis] = finer_followed_.ridge_px[axis] = ridge;
  }
}

Spot<PassSpace> Curves::operator()(double row) const {
  if (size() == 0) return {};
  const Basis on = basis(dx, row);
  Spot<PassSpace> at;
  for (std::size_t k = 0; k < 4; ++k)
    at.x += on.w[k] * dx.coefficients[on.first + k],
        at.y += on.w[k] * dy.coefficients[on.first + k];
  return at;
}

std::vector<Spot<PassSpace>> Model::errors() const {
  const auto now = affine();
  std::vector<Spot<PassSpace>> out(matches_->size());
  for (std::size_t i = 0; i < out.size(); ++i) out[i] = error(i, now);
  return out;
}

Spot<PassSpace> Model::error(std::size_t i, const Affine<SleeveSpace, PassSpace>& now) const {
  const Match& m = (*matches_)[i];
  const auto p = now(places_[i]);
  Spot<PassSpace> bent = bow()(p.x);
  for (const Curves* c : curves()) {
    const auto d = (*c)(c->of_a ? a_row(places_[i]) : p.y);
    bent.x += d.x, bent.y += d.y;
  }
  const auto k = static_cast<std::size_t>(m.strip);
  const Spot<PassSpace> slid = m.strip >= 0 && k < strips_ ? slide_[k] : Spot<PassSpace>{};
  return {m.b.x - p.x - bent.x - slid.x, m.b.y - p.y - bent.y - slid.y};
}

double Model::strain() const {
  double sum = 0;
  for (const Curves* c : curves())
    for (std::size_t axis = 0; axis < 2; ++axis) {
      const auto& k = (axis == 0 ? c->dx : c->dy).coefficients;
      for (const double w : k) sum += std::pow(w / c->ridge_px[axis], 2);
      for (std::size_t i = 0; c->bend_px[axis] > 0 && i + bend.size() <= k.size(); ++i)
        sum += std::pow(bend_at(k, i) / c->bend_px[axis], 2);
    }
  for (std::size_t i = 6; lens_ && i < globals; ++i)
    sum += std::pow(global_[i] / (lens_mm * per_mm_), 2);
  for (const auto& d : slide_) sum += slide_prior_.squared(d.x, d.y);
  return sum;
}

bool Model::step(const LeftOut& left_out) {
  const std::size_t at_global = unknowns_of_curves(), at_strip = at_global + globals,
                    size = at_strip + 2 * strips_;
  const auto now = affine();
  // Each match moves with few unknowns: of the curves with knots, each by as much in x as in y, and
  // with some that are common to all.
  struct Knot {
    std::size_t at;
    double w;
  };
  struct Common {
    std::size_t at;
    double x, y;
  };
  std::vector<Knot> knots;
  std::vector<Common> commons;
  std::vector<std::array<std::size_t, 2>> begins{{0, 0}};
  knots.reserve(16 * matches_->size()), commons.reserve(12 * matches_->size());
  begins.reserve(matches_->size() + 1);
  for (std::size_t i = 0; i < matches_->size(); ++i) {
    const Match& m = (*matches_)[i];
    if (m.weight > 0 && !(left_out && left_out(i))) {
      const auto plain = base_(places_[i]), at = now(places_[i]);
      const double ux = plain.x - origin_.x, uy = plain.y - origin_.y;
      for (const Curves* c : curves()) {
        if (c->size() == 0) continue;
        const Basis on = basis(c->dx, c->of_a ? a_row(places_[i]) : at.y);
        for (std::size_t k = 0; k < 4; ++k) knots.push_back({2 * c->place[on.first + k], on.w[k]});
      }
      std::sort(knots.begin() + static_cast<std::ptrdiff_t>(begins.back()[0]), knots.end(),
                [](const Knot& p, const Knot& q) { return p.at < q.at; });
      commons.insert(commons.end(), {{at_global, 1, 0},
                                     {at_global + 1, 0, 1},
                                     {at_global + 2, -uy, ux},
                                     {at_global + 3, ux, 0},
                                     {at_global + 4, 0, uy},
                                     {at_global + 5, uy, ux}});
      if (lens_) {
        const double t = std::clamp((at.x - middle_) / half_, -1.5, 1.5);
        commons.insert(commons.end(), {{at_global + 6, t * t, 0},
                                       {at_global + 7, t * t * t, 0},
                                       {at_global + 8, 0, t * t},
                                       {at_global + 9, 0, t * t * t}});
      }
      if (const auto k = static_cast<std::size_t>(m.strip);
          m.strip >= 0 && k < strips_ && is_free(k))
        commons.insert(commons.end(), {{at_strip + 2 * k, 1, 0}, {at_strip + 2 * k + 1, 0, 1}});
    }
    begins.push_back({knots.size(), commons.size()});
  }
  std::vector<std::size_t> first(size);
  for (std::size_t i = 0; i < size; ++i) first[i] = i >= at_global ? 0 : i;
  const auto reach = [&](std::size_t i, std::size_t j) {
    first[std::max(i, j)] = std::min(first[std::max(i, j)], std::min(i, j));
  };
  for (std::size_t i = 0; i + 1 < begins.size(); ++i)
    for (std::size_t k = begins[i][0]; k < begins[i + 1][0]; ++k)
      reach(knots[k].at, knots[begins[i][0]].at), reach(knots[k].at + 1, knots[begins[i][0]].at);
  for (const Curves* c : curves())
    for (std::size_t i = 0; c->bend_px[0] > 0 && i + bend.size() <= c->size(); ++i)
      for (std::size_t j = i; j < i + bend.size(); ++j)
        for (std::size_t l = i; l < i + bend.size(); ++l)
          reach(2 * c->place[j], 2 * c->place[l]), reach(2 * c->place[j] + 1, 2 * c->place[l] + 1);
  Skyline system(first);

  const auto prior = [&](std::size_t i, double value, double sigma) {
    system.add(i, i, 1 / (sigma * sigma)), system.add_right(i, -value / (sigma * sigma));
  };
  const Likeness like = quarter_ ? quarter_turn : same_bed;
  const double lens = lens_ ? lens_mm * per_mm_ : 1;
  const std::array<double, globals> sigma{1e6,        1e6,  0.1,  like.axis, like.axis,
                                          like.shear, lens, lens, lens,      lens};
  for (std::size_t i = 0; i < globals; ++i) prior(at_global + i, global_[i], sigma[i]);
  for (const Curves* c : curves())
    for (std::size_t axis = 0; axis < 2; ++axis) {
      const auto& v = axis == 0 ? c->dx.coefficients : c->dy.coefficients;
      for (std::size_t i = 0; i < v.size(); ++i)
        prior(2 * c->place[i] + axis, v[i], c->ridge_px[axis]);
      for (std::size_t i = 0; c->bend_px[axis] > 0 && i + bend.size() <= v.size(); ++i) {
        const double w = 1 / (c->bend_px[axis] * c->bend_px[axis]), have = bend_at(v, i);
        for (std::size_t j = 0; j < bend.size(); ++j) {
          const std::size_t row = 2 * c->place[i + j] + axis;
          system.add_right(row, -w * bend[j] * have);
          for (std::size_t l = 0; l <= j; ++l)
            system.add(row, 2 * c->place[i + l] + axis, w * bend[j] * bend[l]);
        }
      }
    }
  for (std::size_t k = 0; k < strips_; ++k) {
    const Information p = free_[k] ? slide_prior_ : Information{};
    const std::size_t x = at_strip + 2 * k, y = x + 1;
    system.add(x, x, p.xx), system.add(y, x, p.xy), system.add(y, y, p.yy);
    system.add_right(x, -p.xx * slide_[k].x - p.xy * slide_[k].y),
        system.add_right(y, -p.xy * slide_[k].x - p.yy * slide_[k].y);
  }
  for (std::size_t i = 0; i < matches_->size(); ++i) {
    if (begins[i] == begins[i + 1]) continue;
    const double weight = (*matches_)[i].weight;
    const Information& f = (*matches_)[i].info;
    const double xx = weight * f.xx, xy = weight * f.xy, yy = weight * f.yy;
    const auto r = error(i, now);
    const double rx = xx * r.x + xy * r.y, ry = xy * r.x + yy * r.y;
    for (std::size_t j = begins[i][0]; j < begins[i + 1][0]; ++j) {
      const std::size_t at = knots[j].at, from = system.first(at);
      double *row_x = system.row(at), *row_y = system.row(at + 1);
      system.add_right(at, knots[j].w * rx), system.add_right(at + 1, knots[j].w * ry);
      for (std::size_t l = begins[i][0]; l < j; ++l) {
        const double w = knots[j].w * knots[l].w;
        const std::size_t k = knots[l].at - from;
        row_x[k] += w * xx, row_x[k + 1] += w * xy, row_y[k] += w * xy, row_y[k + 1] += w * yy;
      }
      const double w = knots[j].w * knots[j].w;
      row_x[at - from] += w * xx, row_y[at - from] += w * xy, row_y[at + 1 - from] += w * yy;
    }
    for (std::size_t j = begins[i][1]; j < begins[i + 1][1]; ++j) {
      const Common& c = commons[j];
      const double ix = xx * c.x + xy * c.y, iy = xy * c.x + yy * c.y;
      double* row = system.row(c.at);  // a border's rows begin at 0
      system.add_right(c.at, ix * r.x + iy * r.y);
      for (std::size_t l = begins[i][0]; l < begins[i + 1][0]; ++l)
        row[knots[l].at] += ix * knots[l].w, row[knots[l].at + 1] += iy * knots[l].w;
      for (std::size_t l = begins[i][1]; l <= j; ++l)
        row[commons[l].at] += ix * commons[l].x + iy * commons[l].y;
    }
  }
  const auto found = system.solve();
  if (!found) return false;
  const std::vector<double>& d = *found;
  for (Curves* c : {&own_, &followed_, &finer_own_, &finer_followed_})
    for (std::size_t i = 0; i < c->size(); ++i)
      c->dx.coefficients[i] += d[2 * c->place[i]], c->dy.coefficients[i] += d[2 * c->place[i] + 1];
  for (std::size_t i = 0; i < globals; ++i) global_[i] += d[at_global + i];
  for (std::size_t k = 0; k < strips_; ++k)
    if (is_free(k)) slide_[k].x += d[at_strip + 2 * k], slide_[k].y += d[at_strip + 2 * k + 1];
  return true;
}

void Model::arrange() {
  struct Knot {
    double row;
    Curves* of;
    std::size_t index;
  };
  std::vector<Knot> all;
  const double a_middle = a_row(centre_);
  for (Curves* c : {&own_, &followed_, &finer_own_, &finer_followed_}) {
    c->place.resize(c->size());
    for (std::size_t i = 0; i < c->size(); ++i) {
      const double row = c->dx.first_row + (static_cast<double>(i) - 1) * c->dx.knot_rows;
      all.push_back({!c->of_a   ? row
                     : quarter_ ? 1e12 + row
                                : origin_.y + a_to_b_row_ * (row - a_middle),
                     c, i});
    }
  }
  std::sort(all.begin(), all.end(), [](const Knot& p, const Knot& q) { return p.row < q.row; });
  for (std::size_t i = 0; i < all.size(); ++i) all[i].of->place[all[i].index] = i;
}

Affine<SleeveSpace, PassSpace> Model::affine() const {
  Affine<SleeveSpace, PassSpace> m = base_;
  const auto turned = [&](double x, double y) {
    return std::pair{x * (1 + global_[3]) + y * (global_[5] - global_[2]),
                     y * (1 + global_[4]) + x * (global_[5] + global_[2])};
  };
  std::tie(m.a, m.b) = turned(base_.a, base_.b);
  std::tie(m.c, m.d) = turned(base_.c, base_.d);
  m.e = origin_.x + global_[0] - m.a * centre_.x - m.c * centre_.y;
  m.f = origin_.y + global_[1] - m.b * centre_.x - m.d * centre_.y;
  return m;
}

}  // namespace lapwright::lap
