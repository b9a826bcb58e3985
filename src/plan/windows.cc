#include "plan/windows.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace lapwright::plan {
namespace {

struct Open {
  Rect<BedSpace> shown;
  std::vector<int> areas;
};

Pixels up(Micrometres length, Ppi ppi) {
  return {(length.value * ppi.value + 25399) / 25400};
}

bool allowed(const Rect<BedSpace>& shown, const profile::BedProfile& bed, Ppi ppi) {
  return (!bed.limits.pixels_per_line || up(shown.width, ppi) <= *bed.limits.pixels_per_line) &&
         (!bed.limits.lines || up(shown.height, ppi) <= *bed.limits.lines);
}

}  // namespace

Windows windows_for(const std::vector<Rect<BedSpace>>& areas, Micrometres margin,
                    const profile::BedProfile& bed, Ppi ppi) {
  Windows out;
  const Rect<BedSpace>& w = bed.window;
  std::vector<Open> open;
  for (std::size_t i = 0; i < areas.size(); ++i) {
    const Rect<BedSpace>& a = areas[i];
    const Rect<BedSpace> shown = a.grown(margin).intersect(w);
    if (w.contains(a) && allowed(shown, bed, ppi)) {
      open.push_back({shown, {static_cast<int>(i)}});
      continue;
    }
    Windows::Cut cut{.area = static_cast<int>(i)};
    const Rect<BedSpace> whole = a.grown(margin);
    cut.too_large = whole.width > w.width || whole.height > w.height || !allowed(whole, bed, ppi);
    const auto move = [](Micrometres low, Micrometres high, Micrometres from, Micrometres to) {
      return low < from ? (from - low).mm() : high > to ? (to - high).mm() : 0.0;
    };
    cut.move_mm = {move(whole.x, whole.right(), w.x, w.right()),
                   move(whole.y, whole.bottom(), w.y, w.bottom())};
    out.cut.push_back(cut);
  }
  const auto seconds = [&](const Rect<BedSpace>& r) { return bed.seconds(ppi, up(r.height, ppi)); };
  // The pair that saves most is merged first, until none saves anything.
  for (;;) {
    double most = 0;
    std::size_t first = 0, second = 0;
    for (std::size_t i = 0; i < open.size(); ++i)
      for (std::size_t k = i + 1; k < open.size(); ++k) {
        const auto both = open[i].shown.hull(open[k].shown);
        if (!allowed(both, bed, ppi)) continue;
        const double saved = seconds(open[i].shown) + seconds(open[k].shown) - seconds(both);
        if (saved > most) most = saved, first = i, second = k;
      }
    if (most <= 0) break;
    open[first].shown = open[first].shown.hull(open[second].shown);
    open[first].areas.insert(open[first].areas.end(), open[second].areas.begin(),
                             open[second].areas.end());
    open.erase(open.begin() + static_cast<std::ptrdiff_t>(second));
  }
  std::sort(open.begin(), open.end(), [](const Open& a, const Open& b) {
    return std::pair(a.shown.y, a.shown.x) < std::pair(b.shown.y, b.shown.x);
  });
  for (Open& o : open) {
    std::sort(o.areas.begin(), o.areas.end());
    out.groups.push_back({o.shown, std::move(o.areas)});
  }
  return out;
}

Pass pass_of(const Rect<BedSpace>& shown, const Lay& lay, const profile::SleeveProfile& sleeve,
             const profile::BedProfile& bed, Ppi ppi) {
  Pass p;
  p.lay = lay;
  const Rect<BedSpace>& w = bed.window;
  const Micrometres whole_mm{(shown.bottom().value + 999) / 1000 * 1000};
  const Micrometres bottom = std::min(whole_mm, w.bottom());
  const auto down = [&](Micrometres length) { return length.value * ppi.value / 25400; };
  p.width.value = std::min(up(shown.width, ppi).value, down(w.width));
  p.height.value = std::min(up(bottom - shown.y, ppi).value, down(bottom - w.y));
  if (bed.limits.pixels_per_line) p.width = std::min(p.width, *bed.limits.pixels_per_line);
  if (bed.limits.lines) p.height = std::min(p.height, *bed.limits.lines);
  const Micrometres width = to_micrometres(p.width, ppi), height = to_micrometres(p.height, ppi);
  const Micrometres left = std::max(w.x, std::min(shown.x, w.right() - width));
  p.window = {left, bottom - height, width, height};
  p.covers = core::bounds(lay.sleeve_to_bed.inverse(), p.window)
                 .intersect({{0}, {0}, sleeve.page.width, sleeve.page.height});
  p.bytes = p.width.value * p.height.value * core::bytes_per_pixel;
  p.seconds = bed.seconds(ppi, p.height);
  return p;
}

Lay lay_of(const Affine<SleeveSpace, BedSpace>& m) {
  Lay lay;
  lay.sleeve_to_bed = m;
  lay.mirrored = m.determinant() < 0;
  const double sign = lay.mirrored ? -1 : 1;
  const double degrees = std::atan2(sign * m.b, sign * m.a) * 180 / std::numbers::pi;
  lay.turn = static_cast<int>(std::lround(degrees / 90) + 4) % 4 * 90;
  return lay;
}

}  // namespace lapwright::plan
