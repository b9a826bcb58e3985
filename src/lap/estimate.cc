#include "lap/estimate.h"

#include <algorithm>
#include <cmath>
#include <future>
#include <map>
#include <numbers>

#include "lap/sites.h"
#include "lap/strips.h"

namespace lapwright::lap {
namespace {

constexpr double overview_error =
    0.04;  // overview pixels: of its own, since it is made of a few rows only
constexpr double coarse_error = 0.1, coarse_apart_mm = 1.5;
// Of a place that is seen: as much as three matches of that error, or a sharp one, say.
constexpr double seen_mm = 4, seen_px = 0.35, seen_matches = 3, kept_weight = 0.3;
constexpr std::size_t sites_at_once = 500;  // bounds what is held of the passes

std::vector<Box> boxes(const std::vector<Site>& from, bool of_a) {
  std::vector<Box> out;
  for (const Site& s : from) out.push_back(of_a ? s.a : s.b);
  return out;
}

/// How much each channel counts: its structure over its noise, which in density falls with the
/// light that comes through.
std::array<double, 3> weights(const Overview& o) {
  std::array<double, 3> w{};
  double all = 0;
  for (std::size_t c = 0; c < 3; ++c) {
    double n = 0, sum = 0, square = 0, light = 0;
    for (std::size_t i = 0; i < o.film.values.size(); i += 7) {
      if (o.film.values[i] < 0.5F) continue;
      const auto d = static_cast<double>(o.channel[c].values[i]);
      n += 1, sum += d, square += d * d,
          light +=
          static_cast<double>(std::exp(-o.channel[c].values[i] * std::numbers::ln10_v<float>)) *
          o.open[c];
    }
    w[c] = n > 0 ? std::sqrt(std::max(0.0, square / n - sum * sum / (n * n))) * light / n : 0;
    all += w[c];
  }
  if (all <= 0) return {1.0 / 3, 1.0 / 3, 1.0 / 3};
  for (double& v : w) v /= all;
  return w;
}

SitePlan full_resolution(Ppi ppi, double scale_a, double scale_b, bool quarter_turned) {
  SitePlan plan;
  plan.scale_a = scale_a, plan.scale_b = scale_b;
  // Wide along the sensor's line and low along the carriage, whose fine errors a high patch would
  // average away.
  if (quarter_turned)
    plan.width = plan.height = ppi.value >= 1000 ? 40 : 32;
  else if (ppi.value >= 2000)
    plan.width = 64, plan.height = 32;
  else
    plan.width = 48, plan.height = ppi.value >= 500 ? 24 : 18;
  plan.margin = 8, plan.row_mm = 0.5, plan.count = 2500, plan.grain = ppi.value >= 500;
  return plan;
}

class Estimator {
 public:
  Estimator(const Input& a, const Overview& oa, const Placement& placed, const Input& b,
            const Overview& ob, const profile::SleeveProfile& sleeve)
      : a_(a),
        b_(b),
        oa_(oa),
        ob_(ob),
        sleeve_(sleeve),
        fa_(static_cast<double>(oa.factor)),
        fb_(static_cast<double>(ob.factor)),
        placed_(placed),
        strips_(oa, core::scaled(placed.affine, 1 / fa_), sleeve) {}

  Result<Estimate> run(const Affine<SleeveSpace, PassSpace>& rough,
                       const std::vector<Spot<PassSpace>>& slides) {
    out_.b.affine = rough;
    const PassMap ab = core::compose(rough, placed_.affine.inverse());
    quarter_turned_ = std::abs(ab.b) > std::abs(ab.a);
    how_.width_px = static_cast<double>(b_.picture->width());
    how_.strips = sleeve_.strips.count,
    how_.strips_right = sleeve_.strips.run == profile::Run::right;
    const PassMap on_overviews = core::compose(core::scaled(rough, 1 / fb_),
                                               core::scaled(placed_.affine, 1 / fa_).inverse());
    for (const auto& s : slides)
      slid_px_.push_back({(on_overviews.a * s.x + on_overviews.c * s.y) * fb_,
                          (on_overviews.b * s.x + on_overviews.d * s.y) * fb_});
    const std::vector<Match> coarse = from_overviews();
    if (out_.patches < least_patches) return out_;
    out_.light = compare_light(oa_, ob_, warp(true));
    const bool same_ppi = a_.picture->ppi() == b_.picture->ppi();
    if ((oa_.factor > 1 || ob_.factor > 1) && same_ppi)
      if (auto r = from_passes(coarse); !r) return fail(r.error());
    return out_;
  }

 private:
  /// Overview pixels of a to those of b as placed so far; with what slid, where that is asked for.
  PassWarp warp(bool with_slides) const {
    return [this, with_slides](Spot<PassSpace> p) {
      const auto q = out_.b(sleeve_at(placed_, {p.x * fa_, p.y * fa_}));
      const int k = with_slides ? strips_.at(p) : -1;
      const Spot<PassSpace> s = k >= 0 ? slid_px_[static_cast<std::size_t>(k)] : Spot<PassSpace>{};
      return Spot<PassSpace>{(q.x + s.x) / fb_, (q.y + s.y) / fb_};
    };
  }
  StripOf strip_of() const {
    return [this](Spot<PassSpace> p) { return strips_.at(p); };
  }

  std::vector<Match> from_overviews() {
    SitePlan plan;
    plan.width = plan.height = 24, plan.margin = 8, plan.row_mm = 3, plan.count = 600;
    const std::vector<Site> sites = choose_sites(oa_, ob_, warp(true), strip_of(), plan);
    std::vector<Match> matches =
        measure(sites, cut(oa_.density, boxes(sites, true)), cut(ob_.density, boxes(sites, false)));
    for (Match& m : matches) {
      m.a = {m.a.x * fa_, m.a.y * fa_}, m.b = {m.b.x * fb_, m.b.y * fb_};
      const double k =
          1 / (1 + overview_error * overview_error * std::max(m.info.xx, m.info.yy)) / (fb_ * fb_);
      m.info = {m.info.xx * k, m.info.xy * k, m.info.yy * k};
    }
    const Fitted found = fit(matches, placed_, out_.b.affine, how_);
    out_.patches = found.used;
    if (found.used >= least_patches) take(found);
    return matches;
  }

  Result<> from_passes(const std::vector<Match>& coarse) {
    auto tables = std::async(std::launch::async, [&] {
      const auto weight = weights(oa_);
      return std::pair{CountTable(oa_.open, weight), CountTable(ob_.open, weight)};
    });
    const std::vector<Site> sites =
        choose_sites(oa_, ob_, warp(true), strip_of(),
                     full_resolution(a_.picture->ppi(), fa_, fb_, quarter_turned_));
    const auto [density_of_a, density_of_b] = tables.get();
    const CountTable &density_a = density_of_a, &density_b = density_of_b;
    std::vector<Match> fine;
    for (std::size_t from = 0; from < sites.size(); from += sites_at_once) {
      const std::vector<Site> some(sites.begin() + static_cast<std::ptrdiff_t>(from),
                                   sites.begin() + static_cast<std::ptrdiff_t>(std::min(
                                                       sites.size(), from + sites_at_once)));
      auto later = std::async(std::launch::async,
                              [&] { return gather(*b_.picture, boxes(some, false), density_b); });
      auto pa = gather(*a_.picture, boxes(some, true), density_a);
      auto pb = later.get();
      if (!pa) return fail(pa.error());
      if (!pb) return fail(pb.error());
      for (const Match& m : measure(some, *pa, *pb)) fine.push_back(m);
    }
    // Where full resolution measured nothing, the overviews still say something; elsewhere they
    // would only pull, all the same way.
    std::vector<double> rows;
    for (const Match& m : fine) rows.push_back(m.a.y);
    std::sort(rows.begin(), rows.end());
    const double near = coarse_apart_mm / oa_.mm_per_pixel * fa_;
    for (Match m : coarse) {
      const auto first = std::lower_bound(rows.begin(), rows.end(), m.a.y - near),
                 last = std::upper_bound(first, rows.end(), m.a.y + near);
      if (m.weight <= 0 || last - first > 1) continue;
      const double most = 1 / (coarse_error * fb_ * coarse_error * fb_),
                   k = std::min(1.0, most / std::max(m.info.xx, m.info.yy));
      m.info.xx *= k, m.info.xy *= k, m.info.yy *= k, m.coarse = true;
      fine.push_back(m);
    }
    FitOptions how = how_;
    how.finer_knots = true;
    const Fitted found = fit(fine, placed_, out_.b.affine, how);
    if (found.used >= least_patches) take(found), see(fine);
    return {};
  }

  void see(const std::vector<Match>& fine) {
    struct Sum {
      double n = 0, x = 0, y = 0;
      Spot<PassSpace> a, b;
    };
    std::map<std::pair<int, int>, Sum> places;
    const double step = seen_mm / oa_.mm_per_pixel * fa_;
    for (const Match& m : fine) {
      if (m.coarse || m.weight < kept_weight) continue;
      Sum& s = places[{static_cast<int>(m.a.x / step), static_cast<int>(m.a.y / step)}];
      s.n += 1, s.a.x += m.a.x, s.a.y += m.a.y, s.b.x += m.b.x, s.b.y += m.b.y;
      // What it says of one way whatever it says of the other.
      s.x += m.info.xx - m.info.xy * m.info.xy / m.info.yy,
          s.y += m.info.yy - m.info.xy * m.info.xy / m.info.xx;
    }
    constexpr double enough = seen_matches / (seen_px * seen_px);
    for (const auto& [place, s] : places)
      if (s.x >= enough || s.y >= enough)
        out_.seen.push_back(
            {{s.a.x / s.n, s.a.y / s.n}, {s.b.x / s.n, s.b.y / s.n}, s.x >= enough, s.y >= enough});
  }

  void take(const Fitted& f) {
    out_.b = f.b, out_.residual_px = f.residual_px, out_.patches = f.used;
    slid_px_ = f.strip_px;
    out_.slid.clear();
    const auto back = out_.b.affine.inverse();
    for (std::size_t k = 0; k < slid_px_.size(); ++k) {
      const auto& s = slid_px_[k];
      if (s.x == 0 && s.y == 0) continue;
      const double x = back.a * s.x + back.c * s.y, y = back.b * s.x + back.d * s.y;
      const bool right = sleeve_.strips.run == profile::Run::right;
      out_.slid.push_back({static_cast<int>(k), right ? x : y, right ? y : x});
    }
  }

  const Input &a_, &b_;
  const Overview &oa_, &ob_;
  const profile::SleeveProfile& sleeve_;
  double fa_, fb_;
  Placement placed_;
  Strips strips_;
  FitOptions how_;
  bool quarter_turned_ = false;
  std::vector<Spot<PassSpace>> slid_px_;  // per strip, pass pixels of b
  Estimate out_;
};

}  // namespace

Result<Estimate> estimate(const Input& a, const Overview& oa, const Placement& a_placement,
                          const Input& b, const Overview& ob,
                          const Affine<SleeveSpace, PassSpace>& rough,
                          const std::vector<Spot<PassSpace>>& slides,
                          const profile::SleeveProfile& sleeve) {
  return Estimator(a, oa, a_placement, b, ob, sleeve).run(rough, slides);
}

}  // namespace lapwright::lap
