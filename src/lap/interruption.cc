#include "lap/interruption.h"

#include <algorithm>
#include <cmath>

namespace lapwright::lap {
namespace {

constexpr double most_uneven = 0.08;     // density, of one part of a pass against the other
constexpr double least_sharp = 0.6;      // gradient energy, of a pass against the other
constexpr double alike_sharp = 0.78;     // the same, of what only moved, with no doubt
constexpr double tolerance_mm = 0.25;    // here only what the cells show is asked for
constexpr double clearly_beside = 0.05;  // correlation
constexpr std::size_t least_cells = 12;

template <class T>
double median(std::vector<T> v) {
  if (v.empty()) return 0;
  const auto m = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), m, v.end());
  return static_cast<double>(*m);
}

struct Lit {
  explicit Lit(const Cells& cells) : few(cells.seen.size() < least_cells) {
    std::vector<float> thin, sharp, off;
    for (const Cell& c : cells.seen) thin.push_back(c.thinner), sharp.push_back(c.sharper);
    thinner = median(thin), sharper = median(sharp);
    for (const float t : thin) off.push_back(std::abs(t - static_cast<float>(thinner)));
    spread = median(off);
  }
  double thinner = 0, sharper = 1, spread = 0;
  bool few = true;
};

double sharp_alike(const Lit& p, const Lit& q) {
  return std::min(p.sharper, q.sharper) / std::max(p.sharper, q.sharper);
}

/// Stray light makes all of the film thinner, and what is out of focus all of it less sharp; what
/// only moved is here thinner and there denser.
bool otherwise(const Lit& p, const Lit& q) {
  const double thinner = std::abs(p.thinner - q.thinner), spread = std::max(p.spread, q.spread);
  return (thinner > most_uneven && thinner > spread) || sharp_alike(p, q) < least_sharp;
}

}  // namespace

Interruption cause_of(const Overview& a, const Overview& b, const PassMap& a_to_b,
                      const Cells& cells, const Break& ends) {
  Cells kept, lost;
  for (const Cell& c : cells.seen) (((c.b.y < ends.row) == ends.kept_before) ? kept : lost).add(c);
  const Shifted found = shifted(a, b, a_to_b, lost);
  const bool beside = found.best > found.here + clearly_beside;
  if (beside) {  // its light is compared where it went
    const PassMap moved{a_to_b.a, a_to_b.b,           a_to_b.c,
                        a_to_b.d, a_to_b.e + found.x, a_to_b.f + found.y};
    CellSet cells_of_it = set_of(lost, true);
    cells_of_it.merge(set_of(lost, false));
    lost = compare_cells(a, b, moved, tolerance_mm, false, &cells_of_it);
  }
  const Lit before(kept), after(lost);
  const bool lit = otherwise(before, after);
  const bool sure =
      lit ? found.here >= found.best : beside && sharp_alike(before, after) > alike_sharp;
  return {lit ? Cause::light : Cause::moved, sure && !before.few && !after.few};
}

}  // namespace lapwright::lap
