#include "plan/chain.h"

#include <algorithm>
#include <cstdlib>

namespace lapwright::plan {
namespace {

struct State {
  std::int64_t cost = 0;
  Um from = 0;      // the next piece starts here; further is better
  int pieces = 0;
  int back = -1;    // index of the state before
  int item = -1;    // the piece between the two
  Um start = 0, end = 0;
};

/// The furthest place at or before `limit` that lies in one of the (ascending) spans.
std::optional<Um> furthest(const std::vector<Span>& spans, Um limit) {
  const auto after = std::upper_bound(spans.begin(), spans.end(), limit, [](Um v, const Span& s) { return v < s.lo; });
  if (after == spans.begin()) return {};
  return std::min((after - 1)->hi, limit);
}

void add(std::vector<int>& layer, std::vector<State>& all, const State& s) {
  for (const int i : layer) {
    const State& o = all[static_cast<std::size_t>(i)];
    if (o.cost <= s.cost && o.from >= s.from) return;
  }
  std::erase_if(layer, [&](int i) {
    const State& o = all[static_cast<std::size_t>(i)];
    return o.cost >= s.cost && o.from <= s.from;
  });
  layer.push_back(static_cast<int>(all.size()));
  all.push_back(s);
}

/// The items that no other one replaces: one that reaches as far both ways and is as long, for no more passes and seams.
std::vector<std::size_t> needed(const std::vector<Item>& items) {
  const auto replaces = [](const Item& a, const Item& b) {
    return a.lo <= b.lo && a.hi >= b.hi && a.longest >= b.longest && a.passes <= b.passes && a.cost <= b.cost;
  };
  std::vector<std::size_t> kept;
  for (std::size_t k = 0; k < items.size(); ++k) {
    bool replaced = false;
    for (std::size_t o = 0; o < items.size() && !replaced; ++o)
      replaced = o != k && replaces(items[o], items[k]) && (o < k || !replaces(items[k], items[o]));
    if (!replaced) kept.push_back(k);
  }
  return kept;
}

}  // namespace

std::optional<Chain> cover(Span whole, const std::vector<Item>& items, const Marks& marks, Needs needs) {
  std::vector<State> all;
  std::vector<std::vector<int>> layers(most_passes + 1);  // by passes so far
  std::vector<int> best(most_passes + 1, -1);             // finished chains
  add(layers[0], all, {.from = whole.lo});
  const std::vector<std::size_t> useful = needed(items);
  for (int n = 0; n <= most_passes; ++n) {
    const auto at = static_cast<std::size_t>(n);
    if (best[at] >= 0) {
      Chain c{.pieces = {}, .passes = n, .cost = all[static_cast<std::size_t>(best[at])].cost, .lap = needs.lap};
      for (int i = best[at]; all[static_cast<std::size_t>(i)].back >= 0;) {
        const State& s = all[static_cast<std::size_t>(i)];
        c.pieces.push_back({s.item, {s.start, s.end}});
        i = s.back;
      }
      std::reverse(c.pieces.begin(), c.pieces.end());
      return c;
    }
    for (const int index : std::vector<int>(layers[at])) {
      const State s = all[static_cast<std::size_t>(index)];
      for (const std::size_t k : useful) {
        const Item& item = items[k];
        const int after = n + item.passes;
        if (after > most_passes || s.from < item.lo) continue;
        const Um end = std::min(s.from + item.longest, item.hi);
        State next{.cost = s.cost + item.cost, .from = 0, .pieces = s.pieces + 1, .back = index,
                   .item = static_cast<int>(k), .start = s.from, .end = std::min(end, whole.hi)};
        if (end >= whole.hi) {
          int& done = best[static_cast<std::size_t>(after)];
          if (done < 0 || next.cost < all[static_cast<std::size_t>(done)].cost) {
            done = static_cast<int>(all.size());
            all.push_back(next);
          }
          continue;
        }
        const auto latest = marks.start_with(needs.picture, end);
        const auto seam_at = [&](std::optional<Um> at_mm, std::int64_t cost) {
          if (!at_mm || !latest) return;
          State t = next;
          t.cost += cost * item.passes;
          t.from = std::min({*at_mm - needs.inset, end - needs.lap, *latest});
          if (t.from > s.from) add(layers[static_cast<std::size_t>(after)], all, t);
        };
        seam_at(furthest(marks.gutters, end - needs.inset), 0);
        seam_at(furthest(marks.gaps, end - needs.inset), 1);
        seam_at(end - needs.inset, frame_seam);
      }
    }
  }
  return {};
}

Chain widen(Span whole, const std::vector<Item>& items, const Marks& marks, Needs needs, Chain chain) {
  if (chain.pieces.size() < 2) return chain;
  // The same kinds of pieces, so that only the laps change.
  std::vector<Item> same;
  for (const Chain::Piece& p : chain.pieces) {
    const bool known = std::any_of(same.begin(), same.end(), [&](const Item& i) { return i.id == p.item; });
    if (known) continue;
    same.push_back(items[static_cast<std::size_t>(p.item)]);
    same.back().id = p.item;
  }
  const auto raise = [&](Um Needs::* need, Um at_most) {
    Um good = needs.*need, bad = at_most + 1;
    for (Um next = at_most; bad - good > 1; next = good + (bad - good) / 2) {
      Needs more = needs;
      more.*need = next;
      auto wider = cover(whole, same, marks, more);
      if (wider && wider->passes == chain.passes && wider->cost <= chain.cost) {
        good = next;
        for (Chain::Piece& p : wider->pieces) p.item = same[static_cast<std::size_t>(p.item)].id;
        chain = std::move(*wider);
      } else {
        bad = next;
      }
    }
    needs.*need = good;
  };
  raise(&Needs::picture, needs.enough);
  raise(&Needs::lap, whole.length());
  return chain;
}

Marks Marks::of(const profile::SleeveProfile& sleeve, Axis axis) {
  const bool across = (sleeve.strips.run == profile::Run::right) == (axis == Axis::y);
  const auto span = [&](const Rect<SleeveSpace>& r) {
    return axis == Axis::x ? Span{r.x.value, r.right().value} : Span{r.y.value, r.bottom().value};
  };
  const int n = across ? sleeve.strips.count : sleeve.strips.frames;
  const auto frame = [&](int i) { return span(across ? sleeve.frame_area(i, 0) : sleeve.frame_area(0, i)); };
  const Span block = span(sleeve.block());
  constexpr Um beyond = 1'000'000;
  Marks m;
  for (int i = 0; i < n; ++i) m.frames.push_back(frame(i));
  m.gaps.push_back({block.lo - beyond, frame(0).lo});
  for (int i = 0; i + 1 < n; ++i) {
    if (frame(i + 1).lo >= frame(i).hi) m.gaps.push_back({frame(i).hi, frame(i + 1).lo});
    if (!across) continue;
    const Span a = span(sleeve.strip(i)), b = span(sleeve.strip(i + 1));
    if (b.lo >= a.hi) m.gutters.push_back({a.hi, b.lo});
  }
  m.gaps.push_back({frame(n - 1).hi, block.hi + beyond});
  return m;
}

Um Marks::picture(Span lap) const {
  Um sum = 0;
  for (const Span& f : frames) sum += std::max<Um>(0, std::min(f.hi, lap.hi) - std::max(f.lo, lap.lo));
  return sum;
}

std::optional<Um> Marks::start_with(Um picture, Um end) const {
  if (picture <= 0) return end;
  for (auto f = frames.rbegin(); f != frames.rend(); ++f) {
    const Um seen = std::min(f->hi, end) - f->lo;
    if (seen >= picture) return f->lo + seen - picture;
    picture -= std::max<Um>(0, seen);
  }
  return {};
}

Marks::Choice Marks::choose(Span room) const {
  const Um middle = (room.lo + room.hi) / 2;
  const auto nearest = [&](const std::vector<Span>& spans) -> std::optional<Um> {
    std::optional<Um> found;
    for (const Span& s : spans) {
      const Span in{std::max(s.lo, room.lo), std::min(s.hi, room.hi)};
      if (in.length() < 0) continue;
      const Um own = std::clamp((s.lo + s.hi) / 2, in.lo, in.hi);
      const Um at = s.length() > 100'000 ? std::clamp(middle, in.lo, in.hi) : own;
      if (!found || std::abs(at - middle) < std::abs(*found - middle)) found = at;
    }
    return found;
  };
  if (const auto at = nearest(gutters)) return {*at, Through::gutter};
  if (const auto at = nearest(gaps)) return {*at, Through::gap};
  return {middle, Through::frame};
}

}  // namespace lapwright::plan
