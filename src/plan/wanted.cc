#include "plan/wanted.h"

#include <algorithm>
#include <bit>
#include <map>

namespace lapwright::plan {
namespace {

using Bits = std::vector<std::uint64_t>;

bool has(const Bits& b, std::size_t i) { return b[i / 64] >> (i % 64) & 1U; }
void set(Bits& b, std::size_t i) { b[i / 64] |= std::uint64_t{1} << (i % 64); }
int count(const Bits& b) {
  int n = 0;
  for (const std::uint64_t w : b) n += std::popcount(w);
  return n;
}
int common(const Bits& a, const Bits& b) {
  int n = 0;
  for (std::size_t i = 0; i < a.size(); ++i) n += std::popcount(a[i] & b[i]);
  return n;
}
bool inside(const Bits& small, const Bits& large) {
  for (std::size_t i = 0; i < small.size(); ++i)
    if (small[i] & ~large[i]) return false;
  return true;
}

struct Candidate {
  int reach = 0;
  Bits areas;
};

bool fits(const Box& b, const Reach& r) {
  return b.x.lo >= r.x.lo && b.x.hi <= r.x.hi && b.x.length() <= r.x.longest && b.y.lo >= r.y.lo && b.y.hi <= r.y.hi &&
         b.y.length() <= r.y.longest;
}

/// Every set of areas that one pass can show, its low corner on areas' low edges; subsets of others left out.
std::vector<Candidate> candidates(const std::vector<Box>& areas, const std::vector<Reach>& reaches) {
  std::vector<Um> lefts, tops;
  for (const Box& b : areas) lefts.push_back(b.x.lo), tops.push_back(b.y.lo);
  for (auto* v : {&lefts, &tops}) {
    std::sort(v->begin(), v->end());
    v->erase(std::unique(v->begin(), v->end()), v->end());
  }
  const std::size_t words = (areas.size() + 63) / 64;
  std::vector<Candidate> out;
  for (std::size_t r = 0; r < reaches.size(); ++r) {
    std::map<Bits, bool> seen;
    for (const Um left : lefts) {
      Bits column(words);
      for (std::size_t i = 0; i < areas.size(); ++i)
        if (fits(areas[i], reaches[r]) && areas[i].x.lo >= left && areas[i].x.hi <= left + reaches[r].x.longest) set(column, i);
      for (const Um top : tops) {
        Bits bits(words);
        for (std::size_t i = 0; i < areas.size(); ++i)
          if (has(column, i) && areas[i].y.lo >= top && areas[i].y.hi <= top + reaches[r].y.longest) set(bits, i);
        if (count(bits) > 0 && seen.emplace(bits, true).second) out.push_back({static_cast<int>(r), bits});
      }
    }
  }
  std::stable_sort(out.begin(), out.end(), [](const Candidate& a, const Candidate& b) { return count(a.areas) > count(b.areas); });
  std::vector<Candidate> kept;
  for (Candidate& c : out) {
    const bool dominated = std::any_of(kept.begin(), kept.end(),
                                       [&](const Candidate& k) { return k.reach == c.reach && inside(c.areas, k.areas); });
    if (!dominated) kept.push_back(std::move(c));
  }
  return kept;
}

/// Set cover: exact by branching on the area with the fewest candidates, within a bounded number of steps; the greedy answer
/// is the first found.
class Cover {
 public:
  Cover(const std::vector<Candidate>& candidates, std::size_t areas, unsigned turns) : areas_(areas) {
    for (const Candidate& c : candidates)
      if (turns >> c.reach & 1U) candidates_.push_back(&c);
  }
  std::optional<std::vector<const Candidate*>> solve(const Bits& wanted, std::size_t at_most) {
    most_ = at_most;
    for (const Candidate* c : candidates_) largest_ = std::max(largest_, common(c->areas, wanted));
    std::vector<const Candidate*> chosen;
    branch(wanted, chosen);
    return best_;
  }

 private:
  void branch(const Bits& open, std::vector<const Candidate*>& chosen) {
    const int left = count(open);
    if (left == 0) {
      best_ = chosen;
      most_ = chosen.empty() ? 0 : chosen.size() - 1;
      return;
    }
    const auto bound = static_cast<std::size_t>((left + std::max(largest_, 1) - 1) / std::max(largest_, 1));
    if (chosen.size() + bound > most_ || ++steps_ > 4000) return;
    std::size_t hardest = 0, fewest = SIZE_MAX;
    for (std::size_t i = 0; i < areas_; ++i) {
      if (!has(open, i)) continue;
      std::size_t n = 0;
      for (const Candidate* c : candidates_) n += has(c->areas, i);
      if (n < fewest) fewest = n, hardest = i;
    }
    std::vector<const Candidate*> options;
    for (const Candidate* c : candidates_)
      if (has(c->areas, hardest)) options.push_back(c);
    std::stable_sort(options.begin(), options.end(), [&](const Candidate* a, const Candidate* b) {
      return common(a->areas, open) > common(b->areas, open);
    });
    for (const Candidate* c : options) {
      Bits next = open;
      for (std::size_t w = 0; w < next.size(); ++w) next[w] &= ~c->areas[w];
      chosen.push_back(c);
      branch(next, chosen);
      chosen.pop_back();
    }
  }

  std::size_t areas_;
  std::vector<const Candidate*> candidates_;
  std::optional<std::vector<const Candidate*>> best_;
  std::size_t most_ = 0;
  int largest_ = 0, steps_ = 0;
};

}  // namespace

std::vector<Gathering> gather(const std::vector<Box>& areas, const std::vector<Reach>& reaches) {
  const std::size_t words = (areas.size() + 63) / 64;
  Bits wanted(words);
  std::vector<int> too_large;
  for (std::size_t i = 0; i < areas.size(); ++i) {
    if (std::any_of(reaches.begin(), reaches.end(), [&](const Reach& r) { return fits(areas[i], r); }))
      set(wanted, i);
    else
      too_large.push_back(static_cast<int>(i));
  }
  const auto all = candidates(areas, reaches);
  std::vector<Gathering> out;
  std::size_t fewest = areas.size();
  for (unsigned turns = (1U << reaches.size()) - 1; turns > 0; --turns) {
    const auto chosen = Cover(all, areas.size(), turns).solve(wanted, fewest);
    if (!chosen) continue;
    if (chosen->size() < fewest) out.clear();
    fewest = chosen->size();
    Gathering g{.groups = {}, .too_large = too_large};
    Bits open = wanted;
    for (const Candidate* c : *chosen) {
      Gathering::Group group{.reach = c->reach, .shown = {}, .areas = {}};
      for (std::size_t i = 0; i < areas.size(); ++i) {
        if (!has(open, i) || !has(c->areas, i)) continue;
        open[i / 64] &= ~(std::uint64_t{1} << (i % 64));
        const Box& b = areas[i];
        if (group.areas.empty()) group.shown = b;
        group.shown.x = {std::min(group.shown.x.lo, b.x.lo), std::max(group.shown.x.hi, b.x.hi)};
        group.shown.y = {std::min(group.shown.y.lo, b.y.lo), std::max(group.shown.y.hi, b.y.hi)};
        group.areas.push_back(static_cast<int>(i));
      }
      if (!group.areas.empty()) g.groups.push_back(std::move(group));
    }
    out.push_back(std::move(g));
  }
  if (out.empty()) out.push_back({.groups = {}, .too_large = too_large});
  return out;
}

}  // namespace lapwright::plan
