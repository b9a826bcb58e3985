#include "lap/same_lay.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "lap/cells.h"
#include "lap/estimate.h"
#include "lap/sites.h"

namespace lapwright::lap {
namespace {

constexpr double overview_ppi = 150;
constexpr std::size_t most_sites = 240;
constexpr std::int64_t side = 48, margin = 12;  // pixels of a patch, and how far it may lie off
constexpr double base_part = 0.05;              // of the film, from the thinnest
constexpr double tukey = 4.5, least_stiff = 0.02;
constexpr double scale_sigma = 1e-3;  // of an axis, to another focus
using PassMap = Affine<PassSpace, PassSpace>;

double median(std::vector<double> v) {
  if (v.empty()) return 0;
  const auto m = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), m, v.end());
  return *m;
}

float base_density(const Overview& o) {
  std::vector<float> film;
  for (std::size_t i = 0; i < o.film.values.size(); ++i)
    if (o.film.values[i] > 0.5F) film.push_back(o.density.values[i]);
  if (film.empty()) return 1;
  const auto m =
      film.begin() + static_cast<std::ptrdiff_t>(base_part * static_cast<double>(film.size()));
  std::nth_element(film.begin(), m, film.end());
  return *m;
}

double deviation(const image::Plane& p) {
  double n = 0, sum = 0, square = 0;
  for (const float v : p.values)
    n += 1, sum += static_cast<double>(v),
        square += static_cast<double>(v) * static_cast<double>(v);
  return n > 0 ? std::sqrt(std::max(0.0, square / n - sum * sum / (n * n))) : 0;
}

/// b's edges as high as a's: the base is thinner in infrared.
void alike_contrast(const image::Plane& a, image::Plane& b) {
  const double k = deviation(a) / std::max(1e-4, deviation(b));
  for (float& v : b.values) v = static_cast<float>(k * static_cast<double>(v));
}

/// One axis: off = shift + scale * (at - middle), by places each known to its own sigma.
struct Axis {
  struct Place {
    double at = 0, off = 0, information = 0;
  };
  double shift = 0, scale = 0, middle = 0, spread = 0;
  std::size_t agree = 0;

  double left(const Place& p) const { return p.off - shift - scale * (p.at - middle); }

  void fit(const std::vector<Place>& places) {
    std::vector<double> offs, ats;
    for (const Place& p : places) offs.push_back(p.off), ats.push_back(p.at);
    shift = median(offs), middle = median(ats), scale = 0;
    for (int round = 0; round < 8; ++round) {
      std::vector<double> away;
      for (const Place& p : places) away.push_back(std::abs(left(p)));
      spread = std::max(0.02, 1.4826 * median(away));
      double n = 0, x = 0, xx = 1 / (scale_sigma * scale_sigma), y = 0, xy = 0;
      for (const Place& p : places) {
        const double e = left(p) / (tukey * spread);
        if (std::abs(e) >= 1) continue;
        const double w = std::pow(1 - e * e, 2) /
                         (spread * spread + (p.information > 0 ? 1 / p.information : 1e6)),
                     u = p.at - middle;
        n += w, x += w * u, xx += w * u * u, y += w * p.off, xy += w * u * p.off;
      }
      const double d = n * xx - x * x;
      if (!(d > 0)) return;
      shift = (y * xx - xy * x) / d, scale = (n * xy - x * y) / d;
    }
    agree = 0;
    double sum = 0;
    for (const Place& p : places)
      if (const double e = left(p); std::abs(e) < tukey * spread) ++agree, sum += e * e;
    spread = agree > 0 ? std::sqrt(sum / static_cast<double>(agree)) : 0;
  }
};

/// Patches around the places that agree, the sharpest first but from all over the picture. `cells`
/// are b's, looked for in a: what is sharp in infrared is so in visible light, too, and not the
/// other way round.
std::vector<Site> sites_of(const Cells& cells, const Overview& a, const Overview& b,
                           const image::RowSource& pa, const image::RowSource& pb) {
  std::vector<Cell> found;
  std::vector<double> off_x, off_y;
  for (const Cell& c : cells.seen) {
    if (c.seen == Seen::lost || std::max(c.stiff_x, c.stiff_y) < least_stiff) continue;
    found.push_back(c);
    if (c.stiff_x >= least_stiff) off_x.push_back(c.off_x);
    if (c.stiff_y >= least_stiff) off_y.push_back(c.off_y);
  }
  const std::size_t step = std::max<std::size_t>(1, found.size() / most_sites);
  const auto fa = static_cast<double>(a.factor), fb = static_cast<double>(b.factor);
  const double dx = median(off_x), dy = median(off_y);
  std::vector<Site> out;
  for (std::size_t i = 0; i < found.size(); i += step) {
    // The sharpest of its neighbours.
    const Cell* best = &found[i];
    for (std::size_t j = i; j < std::min(found.size(), i + step); ++j)
      if (found[j].stiff_x + found[j].stiff_y > best->stiff_x + best->stiff_y) best = &found[j];
    Site s;
    s.a = {std::llround((best->a.x + dx) * fa) - side / 2,
           std::llround((best->a.y + dy) * fa) - side / 2, side, side};
    s.b = {std::llround(best->a.x * fb) - side / 2 - margin,
           std::llround(best->a.y * fb) - side / 2 - margin, side + 2 * margin, side + 2 * margin};
    if (s.a.x < 0 || s.a.y < 0 || s.a.x + side > pa.width() || s.a.y + side > pa.height() ||
        s.b.x < 0 || s.b.y < 0 || s.b.x + s.b.width > pb.width() ||
        s.b.y + s.b.height > pb.height())
      continue;
    s.expected = {1, 0, 0, 1, -dx * fb, -dy * fb};
    out.push_back(s);
  }
  return out;
}

}  // namespace

Result<std::optional<SameLay>> same_lay(image::RowSource& a, image::RowSource& b, double most_mm,
                                        SecondLight light) {
  const auto oa = overview(a, overview_ppi), ob = overview(b, overview_ppi);
  if (!oa) return fail(oa.error());
  if (!ob) return fail(ob.error());
  if (oa->factor != ob->factor) return std::optional<SameLay>();
  const Cells cells = compare_cells(
      *ob, *oa, [](Spot<PassSpace> p) { return p; }, most_mm, false);
  const std::vector<Site> sites = sites_of(cells, *oa, *ob, a, b);
  std::vector<Box> in_a, in_b;
  for (const Site& s : sites) in_a.push_back(s.a), in_b.push_back(s.b);
  constexpr std::array<double, 3> alike{1.0 / 3, 1.0 / 3, 1.0 / 3};
  auto pa = gather(a, in_a, CountTable(oa->open, alike));
  if (!pa) return fail(pa.error());
  auto pb = gather(b, in_b, CountTable(ob->open, alike));
  if (!pb) return fail(pb.error());
  if (light == SecondLight::infrared) {
    // What the dyes draw is not there in infrared: no film is denser than its base. Light, not
    // density, is what a pixel at an edge has a share of.
    const float least_light = std::pow(10.0F, -base_density(*oa));
    for (std::vector<image::Plane>* planes : {&*pa, &*pb})
      for (image::Plane& plane : *planes)
        for (float& v : plane.values) v = std::max(least_light, std::pow(10.0F, -v));
    for (std::size_t i = 0; i < sites.size(); ++i) alike_contrast((*pa)[i], (*pb)[i]);
  }
  std::vector<Axis::Place> x, y;
  for (const Match& m : measure(sites, *pa, *pb)) {
    // An edge says where it lies across itself only.
    if (m.info.xx > 4) x.push_back({m.a.x, m.b.x - m.a.x, m.info.xx});
    if (m.info.yy > 4) y.push_back({m.a.y, m.b.y - m.a.y, m.info.yy});
  }
  if (std::min(x.size(), y.size()) < least_patches) return std::optional<SameLay>();
  Axis along_x, along_y;
  along_x.fit(x), along_y.fit(y);
  SameLay out;
  out.a_to_b = {1 + along_x.scale,
                0,
                0,
                1 + along_y.scale,
                along_x.shift - along_x.scale * along_x.middle,
                along_y.shift - along_y.scale * along_y.middle};
  out.residual_px =
      std::sqrt((along_x.spread * along_x.spread + along_y.spread * along_y.spread) / 2);
  out.places = static_cast<int>(std::min(along_x.agree, along_y.agree));
  const double mm = a.ppi().mm_per_pixel();
  if (out.places < least_patches ||
      2 * std::min(along_x.agree, along_y.agree) < std::min(x.size(), y.size()) ||
      std::hypot(along_x.shift, along_y.shift) * mm > most_mm || out.residual_px * mm > 0.1)
    return std::optional<SameLay>();
  return std::optional<SameLay>(out);
}

}  // namespace lapwright::lap
