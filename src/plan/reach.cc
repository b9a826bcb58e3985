#include "plan/reach.h"

#include <algorithm>

namespace lapwright::plan {
namespace {

constexpr Um mm = 1000;

Um floor_mm(Um v) { return v >= 0 ? v / mm * mm : -((-v + mm - 1) / mm * mm); }

struct BedAxis {
  Span window, usable;
  Um before = 0, after = 0, longest = 0;
};

std::optional<AxisReach> reach_of(Um page, bool reversed, const BedAxis& bed) {
  AxisReach r;
  r.page = page;
  r.reversed = reversed;
  r.window = bed.window;
  r.usable = bed.usable;
  r.page_low = {bed.window.lo - bed.before, bed.window.hi + bed.after - page};
  if (r.page_low.length() < 0) return {};
  if (reversed) {
    r.lo = r.page_low.lo + page - r.usable.hi;
    r.hi = r.page_low.hi + page - r.usable.lo;
  } else {
    r.lo = r.usable.lo - r.page_low.hi;
    r.hi = r.usable.hi - r.page_low.lo;
  }
  r.longest = std::min(r.usable.length(), bed.longest);
  return r;
}

}  // namespace

Um AxisReach::place(Span seen) const {
  Span free = reversed ? Span{seen.hi - page + usable.lo, seen.lo - page + usable.hi}
                       : Span{usable.lo - seen.lo, usable.hi - seen.hi};
  free = {std::max(free.lo, page_low.lo), std::min(free.hi, page_low.hi)};
  if (free.length() <= 0) return free.lo;
  for (const Um edge : {window.lo, window.hi - page})
    if (edge >= free.lo && edge <= free.hi) return edge;
  const Um middle = (free.lo + free.hi) / 2, whole = floor_mm(middle + mm / 2);
  return whole >= free.lo && whole <= free.hi ? whole : middle;
}

Span AxisReach::to_bed(Span s, Um low) const {
  return reversed ? Span{low + page - s.hi, low + page - s.lo} : Span{low + s.lo, low + s.hi};
}

Span AxisReach::to_sleeve(Span b, Um low) const {
  return reversed ? Span{low + page - b.hi, low + page - b.lo} : Span{b.lo - low, b.hi - low};
}

std::vector<Reach> reaches(Size page, const profile::BedProfile& bed, Ppi ppi, Count count) {
  const auto& w = bed.window;
  const auto longest = [&](const std::optional<Pixels>& limit, Um rounding) {
    return limit ? limit->value * 25400 / ppi.value - rounding : std::int64_t{1} << 60;
  };
  const auto whole = [&](Um length) { return length * ppi.value / 25400 * 25400 / ppi.value; };
  BedAxis x{{w.x.value, w.right().value}, {w.x.value, w.right().value}, bed.overhang.left.value, bed.overhang.right.value,
            longest(bed.limits.pixels_per_line, 0)};
  // br-y goes up to the next whole millimetre, so a limit on lines must leave room for it.
  BedAxis y{{w.y.value, w.bottom().value}, {w.y.value, floor_mm(w.bottom().value)}, bed.overhang.back.value,
            bed.overhang.front.value, longest(bed.limits.lines, mm)};
  if (count == Count::whole_pixels) {
    x.longest = std::min(x.longest, whole(x.usable.length()));
    y.longest = std::min(y.longest, whole(y.usable.length()));
  }
  std::vector<Reach> out;
  for (const int turn : {0, 90, 180, 270}) {
    const bool swapped = turn == 90 || turn == 270;
    // Which sleeve axes run against the bed's: 90 has x_bed = -y, 180 both, 270 has y_bed = -x.
    const bool against_x = turn == 90 || turn == 180, against_y = turn == 180 || turn == 270;
    const auto sensor = reach_of(swapped ? page.height.value : page.width.value, against_x, x);
    const auto carriage = reach_of(swapped ? page.width.value : page.height.value, against_y, y);
    if (!sensor || !carriage || sensor->longest <= 0 || carriage->longest <= 0) continue;
    out.push_back({turn, swapped ? *carriage : *sensor, swapped ? *sensor : *carriage});
  }
  return out;
}

Affine<SleeveSpace, BedSpace> sleeve_to_bed(int turn, Size page, Um x, Um y) {
  const double px = static_cast<double>(x) / 1000, py = static_cast<double>(y) / 1000;
  const double w = page.width.mm(), h = page.height.mm();
  Affine<SleeveSpace, BedSpace> m;
  switch (turn) {
    case 90: m.a = 0, m.b = 1, m.c = -1, m.d = 0, m.e = px + h, m.f = py; break;
    case 180: m.a = -1, m.b = 0, m.c = 0, m.d = -1, m.e = px + w, m.f = py + h; break;
    case 270: m.a = 0, m.b = -1, m.c = 1, m.d = 0, m.e = px, m.f = py + w; break;
    default: m.e = px, m.f = py;
  }
  return m;
}

}  // namespace lapwright::plan
