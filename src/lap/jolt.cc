#include "lap/jolt.h"

#include <algorithm>
#include <cmath>

namespace lapwright::lap {
namespace {

// Chosen by judgement; tests/lap/false_acceptance_test.cc counts how it turns out.
constexpr double least_nats = 8, neighbours = 2;  // so many places say the same
constexpr double most_when_lost = 0.3, least_when_kept = 0.65;
constexpr double least_lost = 6;

double likelihood(double found, double all) {
  const double p = std::clamp(all > 0 ? found / all : 0.5, 0.02, 0.98);
  return found * std::log(p) + (all - found) * std::log(1 - p);
}

}  // namespace

std::optional<double> jolt_at(std::vector<Tried> tried) {
  std::sort(tried.begin(), tried.end(),
            [](const Tried& p, const Tried& q) { return p.row < q.row; });
  const auto all = static_cast<double>(tried.size()),
             found = static_cast<double>(
                 std::count_if(tried.begin(), tried.end(), [](const Tried&t) { return t.found; }));
  const double even = likelihood(found, all);
  double best = least_nats * neighbours, before = 0, n = 0;
  std::optional<double> at;
  for (std::size_t i = 0; i + 1 < tried.size(); ++i) {
    n += 1, before += tried[i].found ? 1 : 0;
    if (tried[i + 1].row <= tried[i].row) continue;
    const double after = found - before, m = all - n, first = before / n, second = after / m;
    if (std::min(first, second) > most_when_lost || std::max(first, second) < least_when_kept ||
        (first < second ? n : m) < least_lost)
      continue;
    const double gain = likelihood(before, n) + likelihood(after, m) - even;
    if (gain > best) best = gain, at = (tried[i].row + tried[i + 1].row) / 2;
  }
  return at;
}

}  // namespace lapwright::lap
