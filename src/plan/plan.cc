#include "plan/plan.h"

#include <algorithm>
#include <cmath>
#include <tuple>

#include "plan/refusal.h"
#include "plan/wanted.h"

namespace lapwright::plan {
namespace {

constexpr std::int64_t bigtiff_from = 4'187'593'114;  // 3.9 GiB, contract.md
constexpr Um mm = 1000;

Um ceil_mm(Um v) { return v >= 0 ? (v + mm - 1) / mm * mm : -(-v / mm * mm); }
std::int64_t pixels_up(Um length, Ppi ppi) { return (length * ppi.value + 25399) / 25400; }
std::int64_t pixels_down(Um length, Ppi ppi) { return length * ppi.value / 25400; }

Box box_of(const Rect<SleeveSpace>& r) { return {{r.x.value, r.right().value}, {r.y.value, r.bottom().value}}; }
Rect<SleeveSpace> rect_of(const Box& b) { return {{b.x.lo}, {b.y.lo}, {b.x.length()}, {b.y.length()}}; }

struct Draft {
  std::vector<Layout::Cell> cells;
  std::vector<Layout::Seam> seams;
  Rect<SleeveSpace> needed;
};

struct Task {
  const profile::SleeveProfile& sleeve;
  const profile::BedProfile& bed;
  Ppi ppi;
  const Options& options;
  Needs needs;
  std::vector<Reach> reaches;
  Rect<SleeveSpace> page() const { return {{0}, {0}, sleeve.page.width, sleeve.page.height}; }
};

/// Lays a pass and trims its window to what it must show: whole pixels, br-y on a whole millimetre.
Pass make_pass(const Task& task, const Layout::Cell& cell) {
  const Reach& r = task.reaches[static_cast<std::size_t>(cell.reach)];
  const Span along_sensor = r.swapped() ? cell.shown.y : cell.shown.x;
  const Span along_carriage = r.swapped() ? cell.shown.x : cell.shown.y;
  const Um low_x = r.along_sensor().place(along_sensor), low_y = r.along_carriage().place(along_carriage);
  const Span seen_x = r.along_sensor().to_bed(along_sensor, low_x), seen_y = r.along_carriage().to_bed(along_carriage, low_y);
  const Span usable_x = r.along_sensor().usable, usable_y = r.along_carriage().usable;

  Pass p;
  p.lay.turn = r.turn;
  p.lay.sleeve_to_bed = sleeve_to_bed(r.turn, task.sleeve.page, low_x, low_y);
  const auto& limits = task.bed.limits;
  p.width.value = std::min(pixels_up(seen_x.length(), task.ppi), pixels_down(usable_x.length(), task.ppi));
  if (limits.pixels_per_line) p.width = std::min(p.width, *limits.pixels_per_line);
  const Um width = to_micrometres(p.width, task.ppi).value;
  const Um left = std::max(usable_x.lo, std::min(seen_x.lo, usable_x.hi - width));
  const Um bottom = std::min(ceil_mm(seen_y.hi), usable_y.hi);
  p.height.value = std::min(pixels_up(bottom - seen_y.lo, task.ppi), pixels_down(bottom - usable_y.lo, task.ppi));
  if (limits.lines) p.height = std::min(p.height, *limits.lines);
  const Um height = to_micrometres(p.height, task.ppi).value;
  p.window = {{left}, {bottom - height}, {width}, {height}};
  const Span x = r.along_sensor().to_sleeve({left, left + width}, low_x);
  const Span y = r.along_carriage().to_sleeve({bottom - height, bottom}, low_y);
  p.covers = rect_of(r.swapped() ? Box{y, x} : Box{x, y}).intersect(task.page());
  p.bytes = p.width.value * p.height.value * core::bytes_per_pixel;
  p.seconds = task.bed.seconds(task.ppi, p.height);
  return p;
}

int relayings(const std::vector<Pass>& passes) {
  int n = 0;
  for (std::size_t i = 1; i < passes.size(); ++i) n += passes[i].lay.turn != passes[i - 1].lay.turn;
  return n;
}

/// An order in which every pass that has laps has one with an earlier pass, and the turn changes as seldom as may be.
std::vector<std::size_t> order_of(const Draft& draft) {
  const std::size_t n = draft.cells.size();
  std::vector<std::vector<std::size_t>> beside(n);
  for (const auto& s : draft.seams) {
    beside[static_cast<std::size_t>(s.a)].push_back(static_cast<std::size_t>(s.b));
    beside[static_cast<std::size_t>(s.b)].push_back(static_cast<std::size_t>(s.a));
  }
  const auto from = [&](std::size_t start) {
    std::vector<std::size_t> order{start};
    std::vector<bool> placed(n), touches(n);
    int changes = 0;
    const auto place = [&](std::size_t i) {
      placed[i] = true;
      for (const std::size_t j : beside[i]) touches[j] = true;
    };
    place(start);
    while (order.size() < n) {
      std::size_t next = n;
      int best = -1;
      for (std::size_t i = 0; i < n; ++i) {
        if (placed[i]) continue;
        const bool same = draft.cells[i].reach == draft.cells[order.back()].reach;
        const bool reachable = touches[i] || beside[i].empty();
        const int worth = (reachable ? 2 : 0) + (same ? 1 : 0);
        if (worth > best) best = worth, next = i;
      }
      changes += draft.cells[next].reach != draft.cells[order.back()].reach;
      place(next);
      order.push_back(next);
    }
    return std::pair(changes, order);
  };
  auto best = from(0);
  std::vector<int> tried{draft.cells[0].reach};
  for (std::size_t i = 1; i < n; ++i) {
    if (std::find(tried.begin(), tried.end(), draft.cells[i].reach) != tried.end()) continue;
    tried.push_back(draft.cells[i].reach);
    if (auto other = from(i); other.first < best.first) best = std::move(other);
  }
  return best.second;
}

Axis axis_of_sensor(int turn) { return turn == 90 || turn == 270 ? Axis::y : Axis::x; }

Plan assemble(const Task& task, const Draft& draft) {
  Plan plan;
  plan.sleeve = task.sleeve.name;
  plan.bed = task.bed.name;
  plan.ppi = task.ppi;
  const auto order = order_of(draft);
  std::vector<int> number(draft.cells.size());
  Rect<SleeveSpace> seen{};
  for (const std::size_t i : order) {
    Pass p = make_pass(task, draft.cells[i]);
    number[i] = p.number = static_cast<int>(plan.passes.size()) + 1;
    seen = seen.hull(p.covers);
    plan.totals.bytes += p.bytes;
    plan.totals.seconds += p.seconds;
    plan.passes.push_back(std::move(p));
  }
  plan.totals.passes = static_cast<int>(plan.passes.size());
  for (const auto& s : draft.seams) {
    Lap lap;
    lap.a = number[static_cast<std::size_t>(s.a)], lap.b = number[static_cast<std::size_t>(s.b)];
    if (lap.a > lap.b) std::swap(lap.a, lap.b);
    lap.area = plan.passes[static_cast<std::size_t>(lap.a) - 1].covers.intersect(plan.passes[static_cast<std::size_t>(lap.b) - 1].covers);
    lap.seam = {s.axis, {s.at}, s.through};
    plan.laps.push_back(lap);
  }
  std::sort(plan.laps.begin(), plan.laps.end(), [](const Lap& l, const Lap& r) { return std::pair(l.b, l.a) < std::pair(r.b, r.a); });
  // A window cut down to whole pixels may miss the outermost part of one.
  plan.needed = draft.needed.intersect(seen);
  plan.totals.joined_bytes =
      to_pixels(plan.needed.width, task.ppi).value * to_pixels(plan.needed.height, task.ppi).value * core::bytes_per_pixel;
  return plan;
}

/// What decides between plans, in the order in which it decides; smaller is better.
auto rank(const Plan& plan) {
  int frames = 0, across = 0;
  Um narrowest = INT64_MAX;
  for (const Lap& l : plan.laps) {
    frames += l.seam.through == Through::frame;
    across += axis_of_sensor(plan.passes[static_cast<std::size_t>(l.a) - 1].lay.turn) != l.seam.axis;
    narrowest = std::min(narrowest, l.seam.axis == Axis::x ? l.area.width.value : l.area.height.value);
  }
  return std::tuple(plan.totals.passes, frames, plan.laps.size(), relayings(plan.passes), across,
                    std::llround(plan.totals.seconds), -narrowest);
}

std::string size_text(std::int64_t bytes) {
  const auto tenths = std::llround(static_cast<double>(bytes) / (1 << 30) * 10);
  return std::to_string(tenths / 10) + "." + std::to_string(tenths % 10) + " GiB";
}

void add_cautions(const Task& task, Plan& plan) {
  auto& c = plan.cautions;
  const auto& ppi = task.bed.ppi;
  if (!ppi.empty() && std::find(ppi.begin(), ppi.end(), task.ppi) == ppi.end())
    c.push_back("the bed profile " + task.bed.name + " does not list " + std::to_string(task.ppi.value) + " ppi");
  for (const Pass& p : plan.passes)
    if (p.bytes > bigtiff_from)
      c.push_back("pass " + std::to_string(p.number) + " takes " + size_text(p.bytes) + " and is written as BigTIFF, which some programs cannot read");
  if (plan.totals.joined_bytes > bigtiff_from)
    c.push_back("the sheet takes " + size_text(plan.totals.joined_bytes) + " and is written as BigTIFF, which some programs cannot read");
  const auto all = static_cast<std::uint64_t>(plan.totals.bytes + plan.totals.joined_bytes);
  if (task.options.free_bytes && *task.options.free_bytes < all)
    c.push_back("passes and sheet take " + size_text(static_cast<std::int64_t>(all)) + " and the disk has " +
                size_text(static_cast<std::int64_t>(*task.options.free_bytes)) + " free");
  const auto frames = std::count_if(plan.laps.begin(), plan.laps.end(), [](const Lap& l) { return l.seam.through == Through::frame; });
  if (frames > 0)
    c.push_back(frames == 1 ? "one seam runs through frames" : std::to_string(frames) + " seams run through frames");
  if (task.options.wanted.empty() && !task.page().contains(task.sleeve.block().grown(task.options.margin)))
    c.push_back("the strips come closer than " + mm_text(task.options.margin.value) + " to the page's edge: lay it with care");
}

std::optional<Error> wrong_option(const Task& task) {
  const Options& o = task.options;
  const auto bad = [](const std::string& text) { return Error{Fault::bad_data, text}; };
  if (task.ppi.value < 25 || task.ppi.value > 25400) return bad("ppi " + std::to_string(task.ppi.value) + ": must be from 25 to 25400");
  const std::pair<const char*, Micrometres> lengths[] = {{"margin", o.margin}, {"smallest lap", o.smallest_lap},
                                                         {"placement tolerance", o.placement_tolerance}, {"lap check needs", o.lap_check_needs}};
  for (const auto& [name, v] : lengths)
    if (v.value < 0 || v.value > 1000 * mm) return bad(std::string(name) + " " + mm_text(v.value) + ": must be from 0 to 1000 mm");
  for (const auto& w : o.wanted)
    if (w.intersect(task.page()).empty())
      return bad("wanted area at x " + mm_text(w.x.value) + ", y " + mm_text(w.y.value) + " lies outside the page of " +
                 mm_number(task.sleeve.page.width.value) + " x " + mm_text(task.sleeve.page.height.value));
  return {};
}

/// Chosen areas: those too large for a pass in passes of their own, the rest gathered.
std::vector<Draft> draft_wanted(const Task& task, const std::vector<Box>& areas) {
  Draft common;
  for (const Box& b : areas) common.needed = common.needed.hull(rect_of(b));
  const std::vector<int> too_large = gather(areas, task.reaches).front().too_large;
  for (const int i : too_large) {
    auto all = layouts(areas[static_cast<std::size_t>(i)], task.reaches, task.sleeve, task.needs);
    const int base = static_cast<int>(common.cells.size());
    for (Layout::Seam s : all.front().seams) common.seams.push_back({s.a + base, s.b + base, s.axis, s.at, s.through});
    common.cells.insert(common.cells.end(), all.front().cells.begin(), all.front().cells.end());
  }
  std::vector<Box> rest;
  for (const Box& b : areas) {
    const bool shown = std::any_of(common.cells.begin(), common.cells.end(),
                                   [&](const Layout::Cell& c) { return rect_of(c.shown).contains(rect_of(b)); });
    const bool split = std::find(too_large.begin(), too_large.end(), static_cast<int>(&b - areas.data())) != too_large.end();
    if (!shown && !split) rest.push_back(b);
  }
  std::vector<Draft> drafts;
  for (const Gathering& g : gather(rest, task.reaches)) {
    Draft d = common;
    for (const auto& group : g.groups) d.cells.push_back({group.reach, group.shown, group.shown});
    std::stable_sort(d.cells.begin() + static_cast<std::ptrdiff_t>(common.cells.size()), d.cells.end(),
                     [](const Layout::Cell& a, const Layout::Cell& b) {
                       return std::tuple(a.reach, a.shown.y.lo, a.shown.x.lo) < std::tuple(b.reach, b.shown.y.lo, b.shown.x.lo);
                     });
    drafts.push_back(std::move(d));
  }
  return drafts;
}

}  // namespace

Affine<SleeveSpace, PassSpace> Pass::sleeve_to_pass(Ppi ppi) const {
  return compose(mm_to_pixels<BedSpace, PassSpace>({window.x.mm(), window.y.mm()}, ppi), lay.sleeve_to_bed);
}

Result<Plan> make_plan(const profile::SleeveProfile& sleeve, const profile::BedProfile& bed, Ppi ppi, const Options& options) {
  Task task{sleeve, bed, ppi, options, {}, {}};
  if (auto wrong = wrong_option(task)) return fail(std::move(*wrong));
  task.needs.lap = std::max(options.smallest_lap, 3 * options.placement_tolerance + options.lap_check_needs).value;
  task.needs.inset = options.placement_tolerance.value;
  task.reaches = reaches(sleeve.page, bed, ppi);

  std::vector<Box> areas;
  if (options.wanted.empty()) {
    areas.push_back(box_of(sleeve.block().grown(options.margin).intersect(task.page())));
  } else {
    for (const auto& w : options.wanted) areas.push_back(box_of(w.grown(options.margin).intersect(task.page())));
  }
  // Windows are whole pixels; where the part of a pixel that this costs would cost a pass, it is taken from the edge and laps.
  const auto finer = reaches(sleeve.page, bed, ppi, Count::whole_pixels);
  bool same = true;
  for (const Box& a : areas) {
    const auto fewest = fewest_passes(a, task.reaches, task.needs);
    if (!fewest) return fail(refusal(sleeve, bed, ppi, areas, task.needs));
    same = same && fewest_passes(a, finer, task.needs) == fewest;
  }
  if (same) task.reaches = finer;

  std::vector<Draft> drafts;
  if (options.wanted.empty()) {
    for (Layout& l : layouts(areas.front(), task.reaches, sleeve, task.needs))
      drafts.push_back({std::move(l.cells), std::move(l.seams), rect_of(areas.front())});
  } else {
    drafts = draft_wanted(task, areas);
  }
  std::optional<Plan> best;
  std::size_t chosen = 0;
  for (std::size_t i = 0; i < drafts.size(); ++i) {
    Plan p = assemble(task, drafts[i]);
    if (!best || rank(p) < rank(*best)) best = std::move(p), chosen = i;
  }
  if (!best->laps.empty()) {
    // The evenly spread plans have decided between turns and seams; the slack in the chosen one now goes where laps show picture.
    task.needs.enough = enough_picture;
    if (options.wanted.empty()) {
      Layout l = std::move(layouts(areas.front(), task.reaches, sleeve, task.needs)[chosen]);
      best = assemble(task, {std::move(l.cells), std::move(l.seams), rect_of(areas.front())});
    } else {
      const auto again = draft_wanted(task, areas);
      // Wider passes may leave other areas to gather; never for more passes.
      if (chosen < again.size() && again[chosen].cells.size() <= best->passes.size()) best = assemble(task, again[chosen]);
    }
  }
  add_cautions(task, *best);
  return std::move(*best);
}

}  // namespace lapwright::plan
