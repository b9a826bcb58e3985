#include "plan/layout.h"

#include <algorithm>

namespace lapwright::plan {
namespace {

/// One way of tiling: `outer` is the axis along which the rows (or columns) follow each other.
struct Tiling {
  Axis outer = Axis::y;
  std::vector<Item> rows;        // one for each set of turns that covers the inner axis
  std::vector<unsigned> sets;    // that set, as bits
  std::vector<Chain> row_chains; // that subset's chain along the inner axis
  std::vector<std::vector<Item>> row_items;
  Chain chain;                   // of rows
};

const AxisReach& on(const Reach& r, Axis axis) { return axis == Axis::x ? r.x : r.y; }
Span on(const Box& b, Axis axis) { return axis == Axis::x ? b.x : b.y; }
Axis other(Axis axis) { return axis == Axis::x ? Axis::y : Axis::x; }

struct Area {
  Box box;
  const std::vector<Reach>& reaches;
  Marks marks_x, marks_y;
  Needs needs;
  const Marks& marks(Axis a) const { return a == Axis::x ? marks_x : marks_y; }
};

std::vector<Item> items_of(const Area& area, unsigned set, Axis axis) {
  std::vector<Item> items;
  for (std::size_t i = 0; i < area.reaches.size(); ++i) {
    if (!(set >> i & 1U)) continue;
    const AxisReach& r = on(area.reaches[i], axis);
    items.push_back({r.lo, r.hi, r.longest, 1, 0, static_cast<int>(i)});
  }
  return items;
}

/// Rows made from every set of turns: a row may be as high as the lowest of its turns allows.
Tiling all_rows(const Area& area, Axis outer) {
  Tiling t{.outer = outer, .rows = {}, .sets = {}, .row_chains = {}, .row_items = {}, .chain = {}};
  for (unsigned set = 1; set < 1U << area.reaches.size(); ++set) {
    const auto inner = items_of(area, set, other(t.outer));
    auto chain = cover(on(area.box, other(t.outer)), inner, area.marks(other(t.outer)), area.needs);
    if (!chain) continue;
    Item row{.lo = INT64_MIN / 4, .hi = INT64_MAX / 4, .longest = INT64_MAX / 4, .passes = chain->passes, .cost = chain->cost,
             .id = static_cast<int>(t.rows.size())};
    unsigned used = 0;
    for (const Chain::Piece& p : chain->pieces) used |= 1U << inner[static_cast<std::size_t>(p.item)].id;
    for (const Item& i : items_of(area, used, t.outer))
      row.lo = std::max(row.lo, i.lo), row.hi = std::min(row.hi, i.hi), row.longest = std::min(row.longest, i.longest);
    t.rows.push_back(row);
    t.sets.push_back(set);
    t.row_chains.push_back(std::move(*chain));
    t.row_items.push_back(inner);
  }
  return t;
}

/// The best chain of those rows that use only these turns.
std::optional<Tiling> tile(const Area& area, const Tiling& all, unsigned turns) {
  std::vector<Item> rows;
  std::vector<int> from;
  for (std::size_t i = 0; i < all.rows.size(); ++i) {
    if ((all.sets[i] & turns) != all.sets[i]) continue;
    rows.push_back(all.rows[i]);
    from.push_back(static_cast<int>(i));
  }
  auto chain = cover(on(area.box, all.outer), rows, area.marks(all.outer), area.needs);
  if (!chain) return {};
  for (Chain::Piece& p : chain->pieces) p.item = from[static_cast<std::size_t>(p.item)];
  Tiling t = all;
  t.chain = std::move(*chain);
  return t;
}

/// Ends of what each piece of a chain contributes, and the seams between them.
struct Cuts {
  std::vector<Marks::Choice> seams;
  std::vector<Span> own;
};
Cuts cuts(const Chain& chain, Span whole, const Marks& marks, Needs needs) {
  Cuts c;
  Um from = whole.lo;
  for (std::size_t i = 0; i < chain.pieces.size(); ++i) {
    Um to = whole.hi;
    if (i + 1 < chain.pieces.size()) {
      const Span lap{chain.pieces[i + 1].shown.lo, chain.pieces[i].shown.hi};
      // Where three pieces overlap, a seam must still come after the one before it.
      const Span room{std::max(lap.lo + needs.inset, from), lap.hi - needs.inset};
      c.seams.push_back(marks.choose(room));
      to = c.seams.back().at;
    }
    c.own.push_back({from, to});
    from = to;
  }
  return c;
}

Box box_of(Axis outer, Span along_outer, Span along_inner) {
  return outer == Axis::y ? Box{along_inner, along_outer} : Box{along_outer, along_inner};
}

Layout lay_out(const Area& area, Tiling t) {
  const Axis inner = other(t.outer);
  const Span whole_outer = on(area.box, t.outer), whole_inner = on(area.box, inner);
  t.chain = widen(whole_outer, t.rows, area.marks(t.outer), area.needs, std::move(t.chain));
  const Cuts outer_cuts = cuts(t.chain, whole_outer, area.marks(t.outer), area.needs);
  Layout out;
  std::vector<int> before, here;  // cells of the row before, and of this one
  std::vector<Chain> widened(t.rows.size());
  for (std::size_t r = 0; r < t.chain.pieces.size(); ++r) {
    const auto kind = static_cast<std::size_t>(t.chain.pieces[r].item);
    if (widened[kind].pieces.empty())
      widened[kind] = widen(whole_inner, t.row_items[kind], area.marks(inner), area.needs, t.row_chains[kind]);
    const Chain& row = widened[kind];
    const Cuts inner_cuts = cuts(row, whole_inner, area.marks(inner), area.needs);
    here.clear();
    for (std::size_t c = 0; c < row.pieces.size(); ++c) {
      const int index = static_cast<int>(out.cells.size());
      const Item& item = t.row_items[kind][static_cast<std::size_t>(row.pieces[c].item)];
      out.cells.push_back({item.id, box_of(t.outer, t.chain.pieces[r].shown, row.pieces[c].shown),
                           box_of(t.outer, outer_cuts.own[r], inner_cuts.own[c])});
      if (c > 0) {
        const Marks::Choice& s = inner_cuts.seams[c - 1];
        out.seams.push_back({index - 1, index, inner, s.at, s.through});
      }
      for (const int b : before) {
        const Span mine = on(out.cells.back().own, inner), theirs = on(out.cells[static_cast<std::size_t>(b)].own, inner);
        if (std::min(mine.hi, theirs.hi) <= std::max(mine.lo, theirs.lo)) continue;
        const Marks::Choice& s = outer_cuts.seams[r - 1];
        out.seams.push_back({b, index, t.outer, s.at, s.through});
      }
      here.push_back(index);
    }
    before = here;
  }
  return out;
}

}  // namespace

int Layout::through_frames() const {
  return static_cast<int>(std::count_if(seams.begin(), seams.end(), [](const Seam& s) { return s.through == Through::frame; }));
}

std::vector<Layout> layouts(const Box& box, const std::vector<Reach>& reaches, const profile::SleeveProfile& sleeve,
                            Needs needs) {
  const Area area{box, reaches, Marks::of(sleeve, Axis::x), Marks::of(sleeve, Axis::y), needs};
  std::vector<Tiling> best;
  const auto rank = [](const Tiling& t) { return std::pair(t.chain.passes, t.chain.cost / frame_seam); };
  const Tiling rows = all_rows(area, Axis::y), columns = all_rows(area, Axis::x);
  for (unsigned turns = 1; turns < 1U << reaches.size(); ++turns) {
    for (const Tiling* all : {&rows, &columns}) {
      auto t = tile(area, *all, turns);
      if (!t) continue;
      if (!best.empty() && rank(*t) > rank(best.front())) continue;
      if (!best.empty() && rank(*t) < rank(best.front())) best.clear();
      best.push_back(std::move(*t));
    }
  }
  std::vector<Layout> out;
  for (Tiling& t : best) out.push_back(lay_out(area, std::move(t)));
  return out;
}

std::optional<int> fewest_passes(const Box& box, const std::vector<Reach>& reaches, Needs needs) {
  const Area area{box, reaches, {}, {}, needs};
  std::optional<int> fewest;
  for (const Axis outer : {Axis::y, Axis::x}) {
    const auto t = tile(area, all_rows(area, outer), (1U << reaches.size()) - 1);
    if (t) fewest = std::min(t->chain.passes, fewest.value_or(t->chain.passes));
  }
  return fewest;
}

}  // namespace lapwright::plan
