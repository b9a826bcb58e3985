#include "bench/lap_grid.h"

#include "bench/cases.h"

namespace lapwright::bench {
namespace {

bool well_inside(const PassTruth& t, Spot<PassSpace> p) {
  const double rim = rim_mm * t.spec().ppi / 25.4;
  return p.x > rim && p.y > rim && p.x < static_cast<double>(t.width()) - rim &&
         p.y < static_cast<double>(t.height()) - rim;
}

void add(const PassTruth& a, const PassTruth& b, Spot<SleeveSpace> s, int strip,
         std::vector<LapPoint>& out) {
  const auto p = a.shows(s);
  if (well_inside(a, p) && well_inside(b, b.shows(s))) out.push_back({p, s, strip});
}

}  // namespace

std::vector<LapPoint> lap_grid(const PassTruth& a, const PassTruth& b) {
  const auto sleeve = bench_sleeve();
  std::vector<LapPoint> out;
  for (int k = 0; k < sleeve.strips.count; ++k) {
    const auto area = sleeve.strip(k);
    for (double y = area.y.mm() + 0.5; y < area.bottom().mm(); y += 1.7)
      for (double x = area.x.mm() + 0.5; x < area.right().mm(); x += 1.7) add(a, b, {x, y}, k, out);
  }
  return out;
}

std::vector<LapPoint> gutter_grid(const PassTruth& a, const PassTruth& b) {
  const auto sleeve = bench_sleeve();
  std::vector<LapPoint> out;
  for (int k = 0; k + 1 < sleeve.strips.count; ++k) {
    const double y = (sleeve.strip(k).bottom().mm() + sleeve.strip(k + 1).y.mm()) / 2;
    for (double x = sleeve.strip(k).x.mm(); x < sleeve.strip(k).right().mm(); x += 1.7)
      add(a, b, {x, y}, k, out);
  }
  return out;
}

}  // namespace lapwright::bench
