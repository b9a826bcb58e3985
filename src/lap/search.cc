#include "lap/search.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <future>

#include "lap/outline.h"
#include "lap/strips.h"

namespace lapwright::lap {
namespace {

constexpr std::int64_t thumb_by = 3;     // 150 -> 50 ppi
constexpr double perforation_mm = 4.75;  // READ trade.md 1.1
constexpr int least_agreeing = 8;        // blocks, to be looked at in cells
// What follows was chosen by judgement; tests/lap/false_acceptance_test.cc counts how the laps said
// to be sure turn out.
constexpr int least_cells = 14;
constexpr double least_fraction = 0.75, near_enough_mm = 0.34;
constexpr double usually_bad = 0.02, counts_against = 3, least_of_best = 0.15;
constexpr double nats_a_cell = 0.5;                     // neighbours say the same
constexpr double near_plan_mm = 15, far_nats = 3;       // a hand seldom misses by more
constexpr double repeats_from = 0.3, repeat_cells = 8;  // of cells, to be a rival at all
constexpr double doubt_a_cell = 0.25;
constexpr double clearly_no_rival = 60;
constexpr double plainly_seen = 30;  // cells
constexpr int excuses_plan = 4;      // cells, at a place near the plan where half of them agree
constexpr double slide_mm = 3.1;
constexpr double beside = 30;  // overview pixels: as far as a strip that slid may lie from the map
constexpr double outline_nats = 3, outline_agrees_mm = 8;

using OnPass = Affine<SleeveSpace, PassSpace>;

PassMap turned(const PassMap& planned, double degrees, bool mirrored) {
  const double t = degrees * 3.14159265358979323846 / 180, c = std::cos(t), s = std::sin(t);
  PassMap turn{c, s, -s, c, 0, 0};
  if (mirrored) turn = core::compose(turn, PassMap{-1, 0, 0, 1, 0, 0});
  PassMap linear = planned;
  linear.e = linear.f = 0;
  return core::compose(turn, linear);
}

std::vector<Agreement> agreements(const Overview& a, const Overview& b,
                                  const std::vector<PassMap>& maps, int blocks) {
  std::vector<Agreement> out(maps.size());
  const auto part = [&](std::size_t first) {
    for (std::size_t i = first; i < maps.size(); i += 2) out[i] = agreement(a, b, maps[i], blocks);
  };
  auto other = std::async(std::launch::async, part, std::size_t{1});
  part(0);
  other.get();
  return out;
}

double apart_mm(const PassMap& p, const PassMap& q, const Cells& at, double mm_per_pixel) {
  double worst = 0;
  for (const Cell& k : at.seen)
    if (k.seen == Seen::agrees) {
      const auto u = p(k.a), v = q(k.a);
      worst = std::max(worst, std::hypot(u.x - v.x, u.y - v.y) * mm_per_pixel);
    }
  return worst;
}

struct Candidate {
  PassMap a_to_b;
  Cells cells;
  std::optional<Break> ends;
  int quarter_turns = 0;
  bool mirrored = false;
  std::vector<Spot<PassSpace>> slides{};

  const Cells& kept() const { return ends ? ends->kept : cells; }
  /// Cells that do not agree, more than dust and noise explain.
  static double excess(const Cells& of) {
    return std::max(0.0, of.bad() - 1 - usually_bad * of.all());
  }
  double excess() const { return excess(kept()); }
  double worth() const { return kept().agreeing - counts_against * excess(); }
  bool promising() const {
    return kept().agreeing >= least_cells && kept().fraction() >= least_fraction;
  }
  /// Hardly anything speaks against it: no use in looking at what hands seldom do.
  bool clear() const { return promising() && !ends && excess(cells) < 1; }
};

class Search {
 public:
  Search(const Overview& a, const Overview& b, const PassMap& planned, const OnPass& on_a,
         const OnPass& planned_b, const profile::SleeveProfile& sleeve)
      : a_(a),
        b_(b),
        planned_(planned),
        on_a_(on_a),
        planned_b_(planned_b),
        sleeve_(sleeve),
        right_(sleeve.strips.run == profile::Run::right),
        cells_(every_cell(a)),
        looked_at_(cells_.size(), false) {}

  Found run(double sure) {
    gather();
    Found found;
    if (all_.empty()) return found;
    prefer_the_plan();
    Candidate best = std::move(all_[best_]);
    all_.erase(all_.begin() + static_cast<std::ptrdiff_t>(best_));  // the others are its rivals
    prove(best);
    found.a_to_b = best.a_to_b, found.cells = best.cells, found.ends = best.ends;
    found.quarter_turns = best.quarter_turns, found.mirrored = best.mirrored;
    found.slides = best.slides;
    if (!best.promising()) return found;
    found.wrong = std::clamp(wrong(best, found.rival), 1e-3, 1.0);
    found.sure = 1 - found.wrong >= sure;
    return found;
  }

 private:
  Cells cells_under(const PassMap& map) {
    learn_what_tells(map);
    return compare_cells(
        a_, b_, [&](Spot<PassSpace> p) { return map(p); }, near_enough_mm, true, &telling_);
  }

  void gather() {
    const bool along_x =
        std::abs(right_ ? on_a_.a : on_a_.c) > std::abs(right_ ? on_a_.b : on_a_.d);
    const bool turned_over =
        std::abs(planned_.a) < std::abs(planned_.b);  // the plan lays b a quarter turn from a
    auto later = std::async(std::launch::async, [&] { return thumb(a_, thumb_by, along_x); });
    std::array<std::optional<Thumb>, 2> tb{thumb(b_, thumb_by, along_x != turned_over), {}};
    const Thumb ta = later.get();
    const auto consider = [&](int quarter, bool mirrored, const std::vector<double>& degrees,
                              int most) {
      std::optional<Thumb>& of_b = tb[static_cast<std::size_t>(quarter % 2)];
      if (!of_b) of_b = thumb(b_, thumb_by, along_x == turned_over);
      std::vector<PassMap> linear, maps;
      for (const double d : degrees)
        linear.push_back(turned(planned_, 90.0 * quarter + d, mirrored));
      for (const Proposal& p :
           propose(ta, *of_b, static_cast<double>(thumb_by), linear, planned_, most))
        maps.push_back(p.a_to_b);
      for (const Agreement& g : agreements(a_, b_, maps, 90)) {
        if (g.agreeing < least_agreeing / 2) continue;
        Candidate c{g.a_to_b, cells_under(g.a_to_b), {}, quarter, mirrored};
        c.ends = break_at(c.cells);
        all_.push_back(std::move(c));
        if (all_.back().worth() > all_[best_].worth()) best_ = all_.size() - 1;
      }
    };
    const auto promising = [&] { return !all_.empty() && all_[best_].promising(); };
    consider(0, false, {0, -0.4, 0.4, -0.8, 0.8, -1.2, 1.2}, 8);
    if (all_.empty() || !all_[best_].clear()) {
      all_.clear(), best_ = 0;
      consider(0, false, {0, -0.4, 0.4, -0.8, 0.8, -1.2, 1.2, -1.7, 1.7, -2.3, 2.3, -3, 3}, 8);
    }
    if (!promising())
      for (const bool mirrored : {false, true})
        for (int quarter = mirrored ? 0 : 1; quarter < 4 && !promising(); ++quarter)
          consider(quarter, mirrored, {0, -1.25, 1.25, -2.5, 2.5}, 4);
  }

  /// Pictures that come again on other strips can agree over more film than a narrow lap shows,
  /// with much against them; a place near the plan that has nothing against it is the likelier one.
  void prefer_the_plan() {
    const Candidate& most = all_[best_];
    if (most.clear()) return;
    const double least = std::max(plainly_seen, least_of_best * most.kept().agreeing);
    for (std::size_t i = 0; i < all_.size(); ++i) {
      const Candidate& c = all_[i];
      if (c.quarter_turns == 0 && !c.mirrored && c.clear() && c.cells.agreeing >= least &&
          off_plan_mm(c.a_to_b, c.cells) < near_plan_mm &&
          (!all_[best_].clear() || c.worth() > all_[best_].worth()))
        best_ = i;
    }
  }

  /// With all the blocks there are, and strips that slid in their pockets where they went.
  void prove(Candidate& c) {
    const Strips strips(a_, on_a_, sleeve_);
    const Agreement whole = agreement(a_, b_, c.a_to_b, 400);
    if (whole.agreeing >= least_agreeing / 2) {
      Candidate better = proved(c, whole.a_to_b, strips);
      if (better.worth() >= c.worth() || better.promising()) c = std::move(better);
    }
    if (c.slides.empty()) c.slides = strips.slides(a_, b_, c.a_to_b);
  }

  Candidate proved(const Candidate& c, const PassMap& a_to_b, const Strips& strips) {
    learn_what_tells(a_to_b);
    Candidate better{a_to_b, {}, {}, c.quarter_turns, c.mirrored};
    better.slides = strips.slides(a_, b_, a_to_b);
    better.cells = compare_cells(
        a_, b_,
        [&](Spot<PassSpace> p) {
          const int k = strips.at(p);
          const Spot<PassSpace> s =
              k < 0 ? Spot<PassSpace>{} : better.slides[static_cast<std::size_t>(k)];
          return a_to_b({p.x + s.x, p.y + s.y});
        },
        near_enough_mm, true, &telling_);
    better.ends = break_at(better.cells);
    return better;
  }

  double off_plan_mm(const PassMap& map, const Cells& at) const {
    double x = 0, y = 0, n = 0;
    for (const Cell& k : at.seen)
      if (k.seen == Seen::agrees) {
        const auto u = map(k.a), v = planned_(k.a);
        x += u.x - v.x, y += u.y - v.y, n += 1;
      }
    return n > 0 ? std::hypot(x, y) / n * b_.mm_per_pixel : 1e9;
  }

  /// What repeats on a sleeve: perforations and frames along the strip, pockets across; a's pixels.
  std::vector<PassMap> repeats() const {
    const double advance = sleeve_.frame.advance.mm(), pitch = sleeve_.strips.pitch.mm();
    std::vector<std::array<double, 2>> shifts;  // along, across
    if (sleeve_.film == profile::Film::f135)
      for (const double k : {1.0, -1.0, 2.0, -2.0}) shifts.push_back({k * perforation_mm, 0});
    for (const double k : {1.0, -1.0, 2.0, -2.0}) shifts.push_back({k * advance, 0});
    for (const double k : {1.0, -1.0})
      for (const double l : {0.0, 1.0, -1.0}) shifts.push_back({l * advance, k * pitch});
    std::vector<PassMap> out;
    for (const auto& s : shifts) out.push_back(shift(s[0], s[1]));
    return out;
  }
  PassMap shift(double along_mm, double across_mm) const {
    const double x = right_ ? along_mm : across_mm, y = right_ ? across_mm : along_mm;
    return {1, 0, 0, 1, on_a_.a * x + on_a_.c * y, on_a_.b * x + on_a_.d * y};
  }

  Cells of_itself(const PassMap& map, const CellSet* only) const {
    return compare_cells(
        a_, a_, [&](Spot<PassSpace> p) { return map(p); }, near_enough_mm, true, only);
  }

  /// Adds to `telling_` the cells that the map puts on b and that do not look the same a little
  /// farther on in both directions, along or across: rows of holes, edges of strips and frames are
  /// everywhere.
  void learn_what_tells(const PassMap& map) {
    CellSet fresh;
    for (std::size_t i = 0; i < cells_.size(); ++i) {
      const auto p = map(middle_of(cells_[i]));
      if (looked_at_[i] || p.x < -beside || p.y < -beside ||
          p.x > static_cast<double>(b_.smooth.width) + beside ||
          p.y > static_cast<double>(b_.smooth.height) + beside)
        continue;
      looked_at_[i] = true, fresh.insert(fresh.end(), cells_[i]);
    }
    if (fresh.empty()) return;
    const double step = sleeve_.film == profile::Film::f135 ? perforation_mm : slide_mm;
    for (const auto& [on, back] : {std::pair{shift(step, 0), shift(-step, 0)},
                                   std::pair{shift(0, slide_mm), shift(0, -slide_mm)}}) {
      const Cells there = of_itself(on, &fresh), here = of_itself(back, &fresh);
      CellSet same = set_of(there, true);
      same.merge(set_of(here, true));
      for (const Cells* c : {&there, &here})
        for (const auto& differs : set_of(*c, false)) same.erase(differs);
      for (const auto& c : same) fresh.erase(c);
    }
    telling_.merge(fresh);
  }

  double wrong(const Candidate& best, int& rival) {
    const Cells& kept = best.kept();
    const CellSet held = set_of(kept, true);
    const bool as_planned = best.quarter_turns == 0 && !best.mirrored &&
                            off_plan_mm(best.a_to_b, best.cells) < near_plan_mm;
    double for_place = as_planned ? 0 : -far_nats;
    if (as_planned)
      if (const auto seen = outline_shift(b_, planned_b_, sleeve_);
          seen && std::hypot((*seen)[0], (*seen)[1]) < near_plan_mm + outline_agrees_mm)
        for_place += outline_nats;
    int tell = kept.agreeing;
    for (const PassMap& s :
         {shift(slide_mm, 0), shift(-slide_mm, 0), shift(0, slide_mm), shift(0, -slide_mm)})
      tell = std::min(tell, kept.agreeing - of_itself(s, &held).agreeing);
    double sum = std::exp(-nats_a_cell * (tell - 2 * best.excess()) - for_place);
    sum += 1 - std::exp(-doubt_a_cell * best.excess());
    rival = tell;
    const auto against = [&](double more, double place) {
      rival = std::min(rival, static_cast<int>(more));
      sum += std::exp(std::min(0.0, -nats_a_cell * more - for_place + place));
    };
    // Where a's own pictures repeat, b may show another of them, from a place that a does not show
    // at all: then only what does not repeat speaks for the place.
    const std::vector<PassMap> own = repeats();
    std::vector<Cells> repeated;
    double repeats = 0, differs = 0;
    for (const Agreement& g : agreements(a_, a_, own, 60)) {
      if (g.agreeing < 4) continue;
      Cells again = of_itself(g.a_to_b, &held);
      if (again.agreeing < repeat_cells || again.fraction() < repeats_from) continue;
      repeats += again.all(), differs += std::max(0.0, again.bad() - usually_bad * again.all());
      repeated.push_back(std::move(again));
    }
    // Half as much of that may be expected of the cells that have no other place in a.
    const double rate = repeats > 0 ? differs / repeats / 2 : 0;
    for (const Cells& again : repeated)
      against(again.bad() + rate * (kept.agreeing - again.all()) - 2 * best.excess(), -far_nats);
    std::vector<PassMap> maps;
    for (const PassMap& s : own) maps.push_back(core::compose(best.a_to_b, s));
    std::vector<Candidate> rivals = all_;
    for (const Agreement& g : agreements(a_, b_, maps, 60))
      if (g.agreeing >= 4) rivals.push_back({g.a_to_b, cells_under(g.a_to_b), {}, 0, false});
    struct Told {  // a place is one rival, however often it was proposed
      PassMap a_to_b;
      double more, place;
    };
    std::vector<Told> told;
    for (const Candidate& r : rivals) {
      // A small lap as planned may show less than a picture that comes again somewhere else.
      if (!as_planned && r.quarter_turns == 0 && !r.mirrored && r.cells.agreeing >= excuses_plan &&
          r.cells.fraction() > 0.5 && off_plan_mm(r.a_to_b, r.cells) < near_plan_mm)
        sum = 1;
      if (r.cells.agreeing < repeat_cells || r.cells.fraction() < repeats_from ||
          r.cells.agreeing < kept.agreeing * least_of_best ||
          apart_mm(r.a_to_b, best.a_to_b, best.cells, b_.mm_per_pixel) < 2)
        continue;
      // What does not agree at the rival speaks against it, as it does here; what agrees here and
      // is not what a shows there, too.
      // Where the best place is near the plan and holds over all rows, no bump excuses a rival.
      const bool excused = best.ends || !as_planned;
      double more = 2 * ((excused ? r.excess() : Candidate::excess(r.cells)) - best.excess());
      if (more < clearly_no_rival) {
        const PassMap there = core::compose(best.a_to_b.inverse(), r.a_to_b);
        const CellSet its = set_of(r.cells, true);
        const Cells here = of_itself(there, &held), back = of_itself(there.inverse(), &its);
        more += here.bad() + rate * (kept.agreeing - here.all());
        more -= back.bad() + rate * (r.cells.agreeing - back.all());
      }
      const double place = off_plan_mm(r.a_to_b, best.cells) < near_plan_mm ? 0 : -far_nats;
      const auto same = std::find_if(told.begin(), told.end(), [&](const Told& t) {
        return apart_mm(t.a_to_b, r.a_to_b, best.cells, b_.mm_per_pixel) < 2;
      });
      if (same == told.end())
        told.push_back({r.a_to_b, more, place});
      else
        same->more = std::min(same->more, more), same->place = std::max(same->place, place);
    }
    for (const Told& t : told) against(t.more, t.place);
    return sum;
  }

  const Overview &a_, &b_;
  const PassMap planned_;
  const OnPass on_a_, planned_b_;
  const profile::SleeveProfile& sleeve_;
  bool right_;
  CellSet telling_;
  std::vector<std::pair<int, int>> cells_;  // of a
  std::vector<bool> looked_at_;             // for telling_
  std::vector<Candidate> all_;
  std::size_t best_ = 0;
};

}  // namespace

Found search(const Overview& a, const Overview& b, const PassMap& planned,
             const Affine<SleeveSpace, PassSpace>& on_a,
             const Affine<SleeveSpace, PassSpace>& planned_b, const profile::SleeveProfile& sleeve,
             double sure) {
  return Search(a, b, planned, on_a, planned_b, sleeve).run(sure);
}

}  // namespace lapwright::lap
