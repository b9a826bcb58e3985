#include "bed/area.h"

#include <algorithm>
#include <cmath>

namespace lapwright::bed {
namespace {

constexpr double most_adjusted_mm = 1.0;
constexpr double most_clipped_mm = 0.1;

double value(const Surface& s, const Option& o) {
  auto v = s.numbers(o.index);
  return v && !v->empty() ? v->front() : 0;
}
Result<> missing() {
  return fail(
      Fault::bad_data,
      "the device shows no options for the area that are understood (left, top and right, "
      "bottom or width, height in mm or pixels); lapwright beds --probe lists what it shows");
}
std::string mm_text(double mm) { return number_text(std::round(mm * 1000) / 1000) + " mm"; }

/// The unit's value nearest to `v` that the option takes; an error beyond its range.
Result<double> fitted(const Option& o, double v, double units_per_mm) {
  if (o.span) {
    const double slack = most_clipped_mm * units_per_mm + (o.unit == Unit::pixel ? 1 : 0);
    if (v < o.span->min - slack || v > o.span->max + slack)
      return fail(Fault::bad_data,
                  "option " + o.name + ": the window asks for " + mm_text(v / units_per_mm) +
                      "; the device allows " + mm_text(o.span->min / units_per_mm) + " to " +
                      mm_text(o.span->max / units_per_mm) + "; correct the bed profile's window");
    if (o.span->quant > 0)
      v = o.span->min + std::round((v - o.span->min) / o.span->quant) * o.span->quant;
    v = std::clamp(v, o.span->min, o.span->max);
  }
  return o.kind == Kind::whole ? std::round(v) : v;
}

}  // namespace

Result<double> area_units_per_mm(Surface& s, double ppi, double highest) {
  Area a = find_area(s);
  if (!a.complete()) return fail(missing().error());
  const bool pixel = a.end[0]->unit == Unit::pixel ||
                     (a.end[0]->unit == Unit::none && a.end[0]->kind == Kind::whole);
  if (!pixel) return 1.0;
  if (!a.end[0]->span || highest <= 0) return ppi / 25.4;
  const auto reach_at = [&](double dpi) {
    for (int index : [&] {
           std::vector<int> all;
           for (const Option* o : find_resolutions(s).options)
             if (o->number()) all.push_back(o->index);
           return all;
         }())
      (void)s.set(index, std::vector<double>{dpi});
    const Area now = find_area(s);
    return now.complete() && now.end[0]->span ? now.end[0]->span->max : 0.0;
  };
  // Pixels of the resolution that is set have a range that moves with it; else they are the
  // device's finest.
  const double other = std::abs(highest - ppi) > 0.5 ? highest : ppi / 2;
  const double there = reach_at(other), here = reach_at(ppi);
  const bool moves = there > 0 && here > 0 && std::abs(there / here - 1) > 0.05;
  return (moves ? ppi : highest) / 25.4;
}

std::optional<Rect<BedSpace>> area_range(const Surface& s, double k) {
  const Area a = find_area(s);
  if (!a.complete()) return std::nullopt;
  double low[2], high[2];
  for (int i = 0; i < 2; ++i) {
    const auto &b = a.begin[i]->span, &e = a.end[i]->span;
    if (!e) return std::nullopt;
    // A change of source may move only the far edge's range: it is the one to trust.
    low[i] = a.extent[i] ? (b ? b->min : 0) : e->min;
    high[i] = a.extent[i] ? low[i] + e->max : e->max;
    if (b && !a.extent[i] && b->min > low[i] && b->max <= e->max) low[i] = b->min;
  }
  const auto um = [&](double v) { return Micrometres::from_mm(v / k); };
  return Rect<BedSpace>{um(low[0]), um(low[1]), um(high[0]) - um(low[0]), um(high[1]) - um(low[1])};
}

Result<Rect<BedSpace>> set_area(Surface& s, const Rect<BedSpace>& window, double k,
                                std::vector<std::pair<std::string, std::string>>& asked) {
  const double near_edge[2] = {window.x.mm(), window.y.mm()},
               far_edge[2] = {window.right().mm(), window.bottom().mm()};
  std::vector<std::pair<std::string, std::string>> now;
  Rect<BedSpace> got;
  for (int round = 0; round < 3; ++round) {
    now.clear();
    for (int step = 0; step < 4; ++step) {
      // Far edges first, so that an area that grows is never turned inside out.
      const int axis = step % 2;
      Area a = find_area(s);
      if (!a.complete()) return fail(missing().error());
      const bool extent = a.extent[axis];
      const bool begin = extent ? step < 2 : step >= 2;
      const Option& o = begin ? *a.begin[axis] : *a.end[axis];
      const double mm = begin    ? near_edge[axis]
                        : extent ? far_edge[axis] - near_edge[axis]
                                 : far_edge[axis];
      const bool last = round == 2;
      auto v = fitted(o, mm * k, k);
      const int index = o.index;
      const std::string name = o.name;
      if (!v) {
        // Some ranges follow the other edge; they are given two rounds to settle.
        if (last) return fail(v.error());
        const double edge = std::clamp(mm * k, o.span->min, o.span->max);
        (void)s.set(index, std::vector<double>{edge});
        continue;
      }
      now.emplace_back(name, number_text(*v));
      if (auto r = s.set(index, std::vector<double>{*v}); !r && last) return fail(r.error());
    }
    const Area a = find_area(s);
    if (!a.complete()) return fail(missing().error());
    double begin[2], end[2];
    bool close = true;
    std::string off;
    for (int i = 0; i < 2; ++i) {
      begin[i] = value(s, *a.begin[i]) / k;
      end[i] = value(s, *a.end[i]) / k + (a.extent[i] ? begin[i] : 0);
      const auto differ = [&](double is, double want, const Option& o) {
        if (std::abs(is - want) <= most_adjusted_mm) return;
        close = false;
        off = "option " + o.name + ": asked for an edge at " + mm_text(want) +
              ", the device set it at " + mm_text(is) + "; it takes " + allowed(o);
      };
      differ(begin[i], near_edge[i], *a.begin[i]);
      differ(end[i], far_edge[i], *a.end[i]);
    }
    const auto um = [](double mm) { return Micrometres::from_mm(mm); };
    got = {um(begin[0]), um(begin[1]), um(end[0]) - um(begin[0]), um(end[1]) - um(begin[1])};
    if (close && round > 0 && now.size() == 4) break;
    if (round == 2 && !close) return fail(Fault::bad_data, off);
  }
  asked.insert(asked.end(), now.begin(), now.end());
  return got;
}

}  // namespace lapwright::bed
