#include "lap/trial.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <set>

#include "lap/strips.h"

namespace lapwright::lap {
namespace {

constexpr double proved_mm = 0.25;      // cells lie that near where a lap is good
constexpr double most_unproved = 0.02;  // of the cells
constexpr double most_off = 2.5;  // pixels: a cell that is off by more agrees better elsewhere
constexpr double band_mm = 4, least_stiff = 0.15, stiff_slide = 0.5, tells = 0.02;
constexpr std::size_t cells_of_most = 6;  // that most of them can be spoken of
// Of good laps' bands of rows 79 in 80 are within 0.09; bumps were seen at 0.13 that missed by 0.8.
constexpr double most_band_mm = 0.12, most_drift_mm = 0.17;
// The first and the last rows have no others behind them that would show a bump: where they tell of
// one direction only, they must lie as nearly all good ones do.
constexpr double most_end_band_mm = 0.085;
constexpr double least_of_strip = 0.6, most_across_mm = 0.25, least_slid_mm = 0.1, alike_mm = 0.4;
constexpr double most_far_mm = 20, most_rows_mm = 7;  // 19 of 20 good laps are within both
constexpr double most_rows_finer_mm = 3.5;  // where full resolution was looked at, grain tells, too
constexpr int least_cells_of_strip = 3;
// Carriages wobble by some 60 um over some 40 mm along their travel and by 20 um sideways
// (registration.md); what is more than twice that is none.
constexpr double swing_over_mm = 5, swing_step_mm = 1;
struct Swing {
  double most_mm, most_over_mm;  // from the middle, and from one place to the next
};
constexpr Swing along_travel{0.25, 0.12}, sideways{0.25, 0.04};
constexpr double most_veil = 0.08;   // density, of dense film against clear film
constexpr double least_sharp = 0.6;  // gradient energy, of a pass against the other
constexpr float clear_film = 0.55F, dense_film = 0.95F;  // density
constexpr std::int64_t film_step = 12;                   // overview pixels

double median(std::vector<float> v) {
  if (v.empty()) return 0;
  const auto m = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), m, v.end());
  return static_cast<double>(*m);
}

Strips strips_of(const Overview& a, const Placement& a_on_sleeve,
                 const profile::SleeveProfile& sleeve) {
  return {a, core::scaled(a_on_sleeve.affine, 1 / static_cast<double>(a.factor)), sleeve};
}

/// How far cells lie from where they should, on average.
struct Drift {
  double x = 0, y = 0, stiff_x = 0, stiff_y = 0;
  std::vector<float> all_x, all_y;  // of the cells that tell
  void add(const Cell& c) {
    x += c.off_x * c.stiff_x, y += c.off_y * c.stiff_y;
    stiff_x += c.stiff_x, stiff_y += c.stiff_y;
    if (c.stiff_x > tells) all_x.push_back(static_cast<float>(c.off_x));
    if (c.stiff_y > tells) all_y.push_back(static_cast<float>(c.off_y));
  }
  bool one_way() const { return std::min(stiff_x, stiff_y) <= least_stiff; }
  double pixels() const {
    return std::hypot(stiff_x > least_stiff ? x / stiff_x : 0,
                      stiff_y > least_stiff ? y / stiff_y : 0);
  }
  /// Of most of the cells. Corners of holes are sharp and, sampled as coarsely as here, seem to lie
  /// up to a pixel off, all that come in one phase alike: they weigh much on an average.
  double most_pixels() const { return std::hypot(median(all_x), median(all_y)); }
};

bool swings(const Curve& c, double mm_per_row, const Swing& most) {
  if (c.coefficients.empty()) return false;
  const double last = c.first_row + c.knot_rows * static_cast<double>(c.coefficients.size());
  for (double r = c.first_row; r < last; r += swing_step_mm / mm_per_row) {
    const double here = c(r) * mm_per_row, there = c(r + swing_over_mm / mm_per_row) * mm_per_row;
    if (std::abs(here) > most.most_mm || std::abs(there - here) > most.most_over_mm) return true;
  }
  return false;
}

class Judge {
 public:
  Judge(const Overview& a, const Overview& b, const Placement& a_on_sleeve,
        const Placement& b_on_sleeve, const std::vector<Slid>& slid, const std::vector<Twin>& seen,
        const profile::SleeveProfile& sleeve)
      : a_(a),
        b_(b),
        a_on_sleeve_(a_on_sleeve),
        b_on_sleeve_(b_on_sleeve),
        slid_(slid),
        seen_(seen),
        right_(sleeve.strips.run == profile::Run::right),
        strips_(strips_of(a, a_on_sleeve, sleeve)) {}

  Trial run() {
    trial_.cells = compare_cells(
        a_, b_, [this](Spot<PassSpace> p) { return placed(p); }, proved_mm, false);
    trial_.ends = break_at(trial_.cells);
    drift(), film(), carriages();
    if (!trial_.ends) moved_together();
    return std::move(trial_);
  }

 private:
  Spot<PassSpace> placed(Spot<PassSpace> p) const {
    const auto fa = static_cast<double>(a_.factor), fb = static_cast<double>(b_.factor);
    auto s = sleeve_at(a_on_sleeve_, {p.x * fa, p.y * fa});
    const int k = strips_.at(p);
    for (const Slid& slid : slid_)
      if (slid.strip == k)
        s = {s.x + (right_ ? slid.along_mm : slid.across_mm),
             s.y + (right_ ? slid.across_mm : slid.along_mm)};
    const auto q = b_on_sleeve_(s);
    return {q.x / fb, q.y / fb};
  }

  void carriages() {
    const Placement& b = b_on_sleeve_;
    const auto a_to_b = core::compose(b.affine, a_on_sleeve_.affine.inverse());
    const bool quarter = std::abs(a_to_b.b) > std::abs(a_to_b.a);
    const double mm = b_.mm_per_pixel / static_cast<double>(b_.factor);
    trial_.swings = swings(b.dx, mm, sideways) || swings(b.dy, mm, along_travel) ||
                    swings(b.followed.dx, mm, quarter ? along_travel : sideways) ||
                    swings(b.followed.dy, mm, quarter ? sideways : along_travel);
  }

  /// Cell by cell a pixel is not much; of a band of rows, or of a strip, it is.
  void drift() {
    std::map<std::int64_t, Drift> bands;
    std::map<int, Drift> by_strip;
    for (const Cell& c : trial_.cells.seen) {
      const int k = strips_.at(c.a);
      of_strip_[k].add(c);
      if (c.seen != Seen::agrees) continue;
      by_strip[k].add(c);
      if (beside_slide(c)) continue;
      bands[static_cast<std::int64_t>(c.b.y * b_.mm_per_pixel / band_mm)].add(c);
    }
    for (const auto& [band, drift] : bands) {
      const bool at_end = band == bands.begin()->first || band == bands.rbegin()->first;
      const double counts = at_end && drift.one_way() ? most_band_mm / most_end_band_mm : 1;
      double off = drift.pixels() * counts;
      // What moved has most of its cells beside. In the outermost rows it may be a few of the last.
      if (!at_end && std::min(drift.all_x.size(), drift.all_y.size()) >= cells_of_most)
        off = std::min(off, 2 * drift.most_pixels());
      trial_.worst_band_mm = std::max(trial_.worst_band_mm, off * a_.mm_per_pixel);
    }
    for (const auto& [strip, drift] : by_strip)
      if (strip >= 0 && drift.pixels() * a_.mm_per_pixel > most_drift_mm) trial_.astray = strip;
    for (const Slid& slid : slid_)
      if (const Drift& d = by_strip[slid.strip];
          of_strip_[slid.strip].agreeing < least_cells_of_strip ||
          std::min(d.stiff_x, d.stiff_y) < stiff_slide)
        trial_.astray = slid.strip;
    for (const auto& [strip, of] : of_strip_)
      if (strip >= 0 && of.all() >= least_cells_of_strip && of.fraction() < least_of_strip)
        trial_.astray = strip;
  }

  /// What is seen of a strip that slid, or over the edge of one beside it, moved by itself.
  bool beside_slide(const Cell& c) const {
    if (slid_.empty()) return false;
    constexpr double around = 9;  // overview pixels, all that a cell looks at
    const int k = strips_.at(c.a);
    for (const double x : {-around, around})
      for (const double y : {-around, around})
        if (strips_.at({c.a.x + x, c.a.y + y}) != k) return true;
    return k < 0 ||
           std::any_of(slid_.begin(), slid_.end(), [&](const Slid& s) { return s.strip == k; });
  }

  /// The film that both passes show, with structure or without.
  void film() {
    std::map<int, int> of_strips;
    struct Told {  // one way, along x or along y
      double first = 1e9, last = -1e9;
      std::vector<Spot<PassSpace>> at;  // overview pixels of a
      void add(Spot<PassSpace> a, double row) {
        at.push_back(a), first = std::min(first, row), last = std::max(last, row);
      }
    };
    std::array<Told, 2> ways;
    const auto agrees = [&](Spot<PassSpace> a, double row, bool x, bool y) {
      if (x) ways[0].add(a, row);
      if (y) ways[1].add(a, row);
    };
    // Soft cells agree along an edge wherever they lie. Where nothing finer was looked at they must
    // do, unless they agree better elsewhere.
    const bool finer = trial_.finer = !seen_.empty();
    for (const Cell& c : trial_.cells.seen)
      if (c.seen == Seen::agrees)
        agrees(c.a, c.b.y, (!finer || c.stiff_x > tells) && std::abs(c.off_x) < most_off,
               (!finer || c.stiff_y > tells) && std::abs(c.off_y) < most_off);
    const auto fa = static_cast<double>(a_.factor), fb = static_cast<double>(b_.factor);
    for (const Twin& t : seen_) agrees({t.a.x / fa, t.a.y / fa}, t.b.y / fb, t.tells_x, t.tells_y);
    const auto w = static_cast<double>(a_.film.width), h = static_cast<double>(a_.film.height);
    for (std::int64_t y = film_step / 2; y < a_.film.height; y += film_step)
      for (std::int64_t x = film_step / 2; x < a_.film.width; x += film_step) {
        if (a_.film.row(y)[x] < 0.5F) continue;
        const Spot<PassSpace> p{static_cast<double>(x), static_cast<double>(y)}, q = placed(p);
        if (q.x < 0 || q.y < 0 || q.x >= static_cast<double>(b_.film.width) ||
            q.y >= static_cast<double>(b_.film.height))
          continue;
        ++of_strips[strips_.at(p)];
        for (const Told& told : ways) {
          double nearest = w * w + h * h, rows = h;
          for (const auto& at : told.at)
            nearest = std::min(nearest, (at.x - p.x) * (at.x - p.x) + (at.y - p.y) * (at.y - p.y));
          if (!told.at.empty()) rows = std::max(told.first - q.y, q.y - told.last);
          trial_.unseen_mm = std::max(trial_.unseen_mm, std::sqrt(nearest) * a_.mm_per_pixel);
          trial_.unseen_rows_mm = std::max(trial_.unseen_rows_mm, rows * b_.mm_per_pixel);
        }
      }
    // One strip slid, or the sleeve moved and the rest of what moved shows nothing to tell by.
    if (slid_.empty()) return;
    for (const auto& [strip, places] : of_strips)
      if (strip >= 0 && places >= least_cells_of_strip &&
          of_strip_[strip].agreeing < least_cells_of_strip)
        trial_.astray = strip;
  }

  /// Strips that "slid" across their pockets, or several side by side up to where b ends: a strip
  /// does not do that by itself, but the sleeve does when it is bumped. One that slid along, with
  /// all of b before it or behind it, can be either.
  void moved_together() {
    std::map<int, std::pair<double, double>> rows;  // of b, by strip seen
    for (const Cell& c : trial_.cells.seen) {
      const int k = strips_.at(c.a);
      if (k < 0) continue;
      auto& r = rows.try_emplace(k, c.b.y, c.b.y).first->second;
      r.first = std::min(r.first, c.b.y), r.second = std::max(r.second, c.b.y);
    }
    std::vector<Slid> moved;
    for (const Slid& s : slid_)
      if (rows.count(s.strip) && std::hypot(s.along_mm, s.across_mm) > least_slid_mm)
        moved.push_back(s);
    if (moved.empty() || moved.size() == rows.size()) return;
    for (const Slid& s : moved)
      if (std::hypot(s.along_mm - moved[0].along_mm, s.across_mm - moved[0].across_mm) > alike_mm)
        return;
    for (const bool at_end : {true, false}) {
      double edge = at_end ? 1e9 : -1e9;
      for (const Slid& s : moved)
        edge = at_end ? std::min(edge, rows[s.strip].first) : std::max(edge, rows[s.strip].second);
      const auto beyond = std::count_if(rows.begin(), rows.end(), [&](const auto& r) {
        return at_end ? r.second.first >= edge : r.second.second <= edge;
      });
      if (beyond != static_cast<std::ptrdiff_t>(moved.size())) continue;
      if (moved.size() == 1 && std::abs(moved[0].across_mm) < most_across_mm) {
        trial_.astray = moved[0].strip;
        continue;
      }
      trial_.ends = Break{edge, at_end, {}};
      return;
    }
  }

  const Overview &a_, &b_;
  const Placement &a_on_sleeve_, &b_on_sleeve_;
  const std::vector<Slid>& slid_;
  const std::vector<Twin>& seen_;
  bool right_;
  Strips strips_;
  std::map<int, Cells> of_strip_;
  Trial trial_;
};

/// Where b's first or last rows of the lap do not agree, little of what came there may be seen.
bool ends_badly(const Cells& cells) {
  std::vector<const Cell*> by_row;
  for (const Cell& c : cells.seen) by_row.push_back(&c);
  std::sort(by_row.begin(), by_row.end(),
            [](const Cell* p, const Cell* q) { return p->b.y < q->b.y; });
  const auto bad = [](const Cell* c) { return c->seen != Seen::agrees; };
  const std::size_t n = by_row.size();
  return n >= 2 &&
         ((bad(by_row[0]) && bad(by_row[1])) || (bad(by_row[n - 1]) && bad(by_row[n - 2])));
}

}  // namespace

bool Trial::much_unseen() const {
  return unseen_mm > most_far_mm || unseen_rows_mm > (finer ? most_rows_finer_mm : most_rows_mm);
}

bool Trial::passed() const {
  return !astray && !swings && cells.bad() <= std::max(2.0, most_unproved * cells.all()) &&
         worst_band_mm <= most_band_mm && !much_unseen() && !ends_badly(cells);
}

Trial try_fit(const Overview& a, const Overview& b, const Placement& a_on_sleeve,
              const Placement& b_on_sleeve, const std::vector<Slid>& slid,
              const std::vector<Twin>& seen, const profile::SleeveProfile& sleeve) {
  return Judge(a, b, a_on_sleeve, b_on_sleeve, slid, seen, sleeve).run();
}

bool between_strips(const Cells& cells, double row, const Overview& a, const Placement& a_on_sleeve,
                    const profile::SleeveProfile& sleeve) {
  const Strips strips = strips_of(a, a_on_sleeve, sleeve);
  std::set<int> before, after;
  for (const Cell& c : cells.seen) (c.b.y < row ? before : after).insert(strips.at(c.a));
  before.erase(-1), after.erase(-1);
  return std::none_of(before.begin(), before.end(), [&](int k) { return after.count(k); });
}

std::optional<Haze> haze_of(const Cells& cells) {
  std::vector<float> thin, dense, sharper;
  for (const Cell& c : cells.seen) {
    if (c.seen == Seen::lost) continue;
    sharper.push_back(c.sharper);
    if (c.density_a < clear_film) thin.push_back(c.thinner);
    if (c.density_a > dense_film) dense.push_back(c.thinner);
  }
  const double veil = median(dense) - median(thin);
  if (thin.size() >= 8 && dense.size() >= 8 && veil > most_veil) return Haze{veil, 1};
  const double s = median(sharper);
  if (sharper.size() < 20 || (s > least_sharp && s < 1 / least_sharp)) return std::nullopt;
  return Haze{0, s};
}

}  // namespace lapwright::lap
