#include <algorithm>
#include <cmath>
#include <cstdio>

#include "frames/comb.h"
#include "frames/frames.h"

namespace lapwright::frames {
namespace {

constexpr double degree = 3.14159265358979323846 / 180;
constexpr double most_turn = 9 * degree;  // of a hand
constexpr double slide_mm = 6;  // strips slide 1-4 mm and are cut -2/+4 mm: trade.md 1.1 and 2

constexpr double rim_mm = 3;    // film that may leave the window: no picture reaches it, and ends are not known better

struct Band {  // one strip's place seen in the window
  int index = 0;  // by the nearest whole pocket; may lie outside the sleeve
  double edge = 0;
  bool film = false;
};

struct Across {
  double angle = 0, shift = 0, score = 0;
  std::vector<Band> bands;
};

double best_angle(const FilmMap& map, Along axis, Spot<RunSpace> pivot, double reach) {
  double best = 0, most = -1;
  const auto attempt = [&](double angle, std::int64_t stride) {
    const double energy = edge_energy(project(map, axis, angle, pivot, -1e9, 1e9, stride));
    if (energy > most) most = energy, best = angle;
  };
  for (double a = -reach; a <= reach + 1e-9; a += 0.25 * degree) attempt(a, 2);
  const double coarse = best;
  most = -1;
  for (int k = -5; k <= 5; ++k) attempt(coarse + k * 0.05 * degree, 1);
  return best;
}

/// The best single strip anywhere in the window: how much it looks like strips run this way.
double best_strip(const Profile& profile, const Comb& comb) {
  double best = 0;
  const double end = profile.from + profile.step * static_cast<double>(profile.open.size());
  for (double edge = profile.from - 2; edge + comb.width < end + 2; edge += 0.15) {
    const StripScore s = score_strip(profile, comb, edge);
    if (s.seen >= 2) best = std::max(best, s.score);
  }
  return best;
}

/// The comb's place modulo one pocket, and which pockets in view hold film.
Across place_across(const FilmMap& map, const Comb& comb, Spot<RunSpace> pivot) {
  Across result;
  result.angle = best_angle(map, Along::across, pivot, most_turn);
  const Profile profile = project(map, Along::across, result.angle, pivot, -1e9, 1e9, 1);
  const double end = profile.from + profile.step * static_cast<double>(profile.open.size());
  const double pitch = comb.pitch;
  const double slack = std::min(std::clamp(pitch - comb.width, 0.2, 5.0), 3.0) * 0.5;
  double top = -1;
  for (double shift = -pitch / 2; shift < pitch / 2; shift += 0.2) {
    double sum = 0, seen = 0, off = 0;
    for (int i = static_cast<int>(std::floor((profile.from - shift - comb.width) / pitch)); i * pitch + shift < end; ++i) {
      const double planned = i * pitch + shift;
      const auto inside = profile.mean(planned + 0.2 * comb.width, planned + 0.8 * comb.width);
      if (!inside || *inside > 0.4) continue;
      StripScore s;
      const double edge = best_edge(profile, comb, planned, slack, s);
      sum += s.score * s.seen, seen += s.seen, off += (edge - planned) * s.score * s.seen;
    }
    if (seen < 1) continue;
    const double score = sum / seen - 0.0005 * std::abs(shift);
    if (score > top) top = score, result.score = sum / seen, result.shift = shift + (sum > 0 ? off / sum : 0);
  }
  if (top < 0) return result;
  for (int i = static_cast<int>(std::floor((profile.from - result.shift - comb.width) / pitch)); i * pitch + result.shift < end; ++i) {
    const double edge = i * pitch + result.shift;
    const auto inside = profile.mean(edge + 0.15 * comb.width, edge + 0.85 * comb.width);
    if (!inside) continue;
    Band band{i, edge, *inside < 0.4};
    if (band.film) {
      StripScore s;
      band.edge = best_edge(profile, comb, edge, slack, s);
    }
    result.bands.push_back(band);
  }
  return result;
}

struct Pockets {
  int moved = 0;  // whole pockets to add
  bool certain = false;
};

/// How well open light parts into the page and bare glass, when the page lies moved by `shift` along one axis.
struct PageFit { double spread = 0, rest = 0; int inside = 0, outside = 0; };

/// `low`, `high`: the part of the other axis that is looked at.
PageFit page_fit(const FilmMap& map, const profile::SleeveProfile& sleeve, double angle, Spot<RunSpace> pivot, Along axis,
                 double shift, double low, double high) {
  const auto corner = to_run(sleeve)({0, 0}), far = to_run(sleeve)({sleeve.page.width.mm(), sleeve.page.height.mm()});
  const bool across = axis == Along::across;
  const double first = (across ? corner.y : corner.x) + shift, last = (across ? far.y : far.x) + shift;
  const double c = std::cos(angle), s = std::sin(angle);
  double sum[2] = {0, 0}, squares[2] = {0, 0};
  int n[2] = {0, 0};
  const std::int64_t width = map.picture.width();
  for (std::int64_t y = 1; y + 1 < map.picture.height(); y += 3)
    for (std::int64_t x = 1; x + 1 < width; x += 3) {
      const std::uint8_t* open = map.is_open.data() + y * width + x;
      if (!open[0] || !open[-1] || !open[1] || !open[-width] || !open[width]) continue;
      const auto p = map.to_run({static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5});
      const double along = pivot.x + c * (p.x - pivot.x) + s * (p.y - pivot.y);
      const double v = pivot.y - s * (p.x - pivot.x) + c * (p.y - pivot.y);
      const double at = across ? v : along, other = across ? along : v;
      if (other < low || other > high || std::abs(at - first) < 2 || std::abs(at - last) < 2) continue;
      const int k = at > first && at < last ? 0 : 1;
      const double d = map.density(map.picture.row(y) + x * 3);
      ++n[k], sum[k] += d, squares[k] += d * d;
    }
  PageFit fit;
  fit.inside = n[0], fit.outside = n[1];
  for (int k = 0; k < 2; ++k)
    if (n[k] > 0) fit.rest += squares[k] - sum[k] * sum[k] / n[k];
  fit.rest /= std::max(1, n[0] + n[1]);
  if (n[0] > 0 && n[1] > 0) fit.spread = sum[0] / n[0] - sum[1] / n[1];
  return fit;
}

/// Two sheets of a sleeve take 0.065 to 0.10 (trade.md 2); `other` is the answer it is weighed against.
bool tells(const PageFit& fit, const PageFit& other) {
  return fit.inside > 150 && fit.outside > 150 && fit.spread > 0.03 && fit.rest < 0.4 * other.rest;
}

Pockets whole_pockets(const FilmMap& map, const profile::SleeveProfile& sleeve, const Across& across, Spot<RunSpace> pivot) {
  const int count = sleeve.strips.count;
  struct Answer { int moved = 0, beyond = 0, absent = 0; double off = 0; };
  std::vector<Answer> answers;
  for (int moved = -2; moved <= 2; ++moved) {
    Answer a{moved, 0, 0, std::abs(across.shift + moved * sleeve.strips.pitch.mm())};
    for (const Band& b : across.bands) {
      const int strip = b.index - moved;
      const bool in_sleeve = strip >= 0 && strip < count;
      if (b.film && !in_sleeve) ++a.beyond;
      if (!b.film && in_sleeve) ++a.absent;
    }
    answers.push_back(a);
  }
  std::sort(answers.begin(), answers.end(), [](const Answer& a, const Answer& b) { return a.off < b.off; });
  // Film where the sleeve has no pocket refutes an answer; a pocket without film may simply be empty.
  std::erase_if(answers, [](const Answer& a) { return a.beyond > 0; });
  if (answers.empty()) return {};
  const Answer nearest = answers[0];
  if (nearest.absent == 0) {
    // Exact as it stands; the others ask for an empty pocket that nobody expects, or for pockets out of view.
    const bool other = std::any_of(answers.begin() + 1, answers.end(), [](const Answer& a) { return a.absent == 0; });
    return {nearest.moved, !other};
  }
  if (answers.size() == 1) return {nearest.moved, true};
  const Answer fuller = *std::min_element(answers.begin(), answers.end(), [](const Answer& a, const Answer& b) { return a.absent < b.absent; });
  // An empty pocket, or a sleeve moved by a pocket? The page's edge beside bare glass can tell.
  const auto fit = [&](int moved) {
    return page_fit(map, sleeve, across.angle, pivot, Along::across, across.shift + moved * sleeve.strips.pitch.mm(), 0, sleeve.strips.length.mm());
  };
  const PageFit here = fit(nearest.moved), there = fit(fuller.moved);
  if (tells(here, there)) return {nearest.moved, true};
  if (fuller.moved != nearest.moved && tells(there, here)) return {fuller.moved, true};
  return {nearest.moved, false};
}

struct AlongRun {
  double shift = 0;
  bool known = false, at_least = false;
};

double middle(std::vector<double> v) {
  std::sort(v.begin(), v.end());
  return v[v.size() / 2];
}

/// From the ends of the strips in view.
AlongRun place_along(const FilmMap& map, const profile::SleeveProfile& sleeve, const Across& across, Spot<RunSpace> pivot,
                     double width, double first_edge) {
  const double length = sleeve.strips.length.mm(), advance = sleeve.frame.advance.mm();
  std::vector<double> starts, ends, start_borders, end_borders;
  for (const Band& b : across.bands) {
    if (!b.film) continue;
    std::vector<Profile> sides;
    sides.push_back(project(map, Along::run, across.angle, pivot, b.edge + 0.3, b.edge + 1.8, 1));
    sides.push_back(project(map, Along::run, across.angle, pivot, b.edge + width - 1.8, b.edge + width - 0.3, 1));
    for (const Profile& p : sides) {
      // First and last place in view, first and last film.
      double view_a = 1e9, view_b = -1e9, film_a = 1e9, film_b = -1e9;
      int run = 0;
      for (std::size_t i = 0; i < p.open.size(); ++i) {
        if (p.weight[i] < 1) continue;
        const double at = p.from + (static_cast<double>(i) + 0.5) * p.step;
        view_a = std::min(view_a, at), view_b = std::max(view_b, at);
        run = p.open[i] < 0.5 * p.weight[i] ? run + 1 : 0;
        if (run * p.step < 3) continue;
        film_a = std::min(film_a, at - run * p.step), film_b = std::max(film_b, at);
      }
      if (film_b < film_a) continue;
      if (film_a > view_a + 2.5) starts.push_back(film_a);
      else if (view_a < -1) start_borders.push_back(view_a);  // film runs out of view where it should have begun before
      if (film_b < view_b - 2.5) ends.push_back(film_b - length);
      else if (view_b > length + 1) end_borders.push_back(view_b - length);
    }
  }
  AlongRun result;
  const auto whole_frames_short = [&](double e) {
    const double k = std::round(std::abs(e) / advance);
    return k >= 1 && std::abs(std::abs(e) - k * advance) < slide_mm;
  };
  const auto agree = [](const std::vector<double>& v, double about) {
    return std::count_if(v.begin(), v.end(), [&](double e) { return std::abs(e - about) < 4; });
  };
  const bool has_start = starts.size() >= 2, has_end = ends.size() >= 2;
  if (has_start && has_end) {
    const double s = middle(starts), e = middle(ends);
    if (std::abs(s - e) < 2 * slide_mm) return {(s + e) / 2, true, false};
  }
  // Film that leaves the view where it should have begun: moved that far at least; by how much the other end says.
  if (start_borders.size() > starts.size() && middle(start_borders) < -slide_mm - 1) {
    const double least = middle(start_borders);
    return has_end && middle(ends) < least ? AlongRun{middle(ends), true, false} : AlongRun{least, true, true};
  }
  if (end_borders.size() > ends.size() && middle(end_borders) > slide_mm + 1) {
    const double least = middle(end_borders);
    return has_start && middle(starts) > least ? AlongRun{middle(starts), true, false} : AlongRun{least, true, true};
  }
  // One end alone: film beyond its pocket is a shift; film that stops short may be a short strip.
  if (has_start && !(has_end && middle(ends) < -slide_mm)) {
    const double s = middle(starts);
    if (s < slide_mm || (agree(starts, s) >= 5 && !whole_frames_short(s) && !has_end)) return {s, true, false};
  }
  if (has_end && !(has_start && middle(starts) > slide_mm)) {
    const double e = middle(ends);
    if (e > -slide_mm || (agree(ends, e) >= 5 && !whole_frames_short(e) && !has_start)) return {e, true, false};
  }
  // Short strips, or a sleeve moved by about as much? The page's edge beside bare glass can tell.
  for (const auto* seen : {&starts, &ends}) {
    if (seen->size() < 2 || std::abs(middle(*seen)) < slide_mm) continue;
    const double block = (sleeve.strips.count - 1) * sleeve.strips.pitch.mm() + width;
    const auto fit = [&](double shift) { return page_fit(map, sleeve, across.angle, pivot, Along::run, shift, first_edge, first_edge + block); };
    if (tells(fit(middle(*seen)), fit(0))) return {middle(*seen), true, false};
  }
  return result;
}

std::string millimetres(double mm) {
  char text[32];
  std::snprintf(text, sizeof text, "%.0f mm", std::abs(mm));
  return text;
}

std::string advice(double dx, double dy, double turned, bool at_least, bool certain) {
  std::string lies, move;
  const auto join = [](std::string& to, const std::string& more) { to += (to.empty() ? "" : " and ") + more; };
  const std::string least = at_least ? "at least " : "";
  if (std::abs(dx) >= 1) {
    join(lies, least + millimetres(dx) + " too far to the " + (dx > 0 ? "right" : "left"));
    join(move, least + millimetres(dx) + " to the " + (dx > 0 ? "left" : "right"));
  }
  if (std::abs(dy) >= 1) {
    join(lies, least + millimetres(dy) + " too far towards the " + (dy > 0 ? "front" : "hinge"));
    join(move, least + millimetres(dy) + " towards the " + (dy > 0 ? "hinge" : "front"));
  }
  std::string text = certain ? "the sleeve lies " : "the sleeve seems to lie ";
  if (!lies.empty()) text += lies + ": move it " + move;
  if (std::abs(turned) >= 0.7) {
    char turn[80];
    std::snprintf(turn, sizeof turn, "%.1f degrees %s", std::abs(turned), turned > 0 ? "anticlockwise" : "clockwise");
    text += lies.empty() ? std::string("askew: turn it ") + turn : std::string(", and turn it ") + turn;
  }
  return text + ".";
}

/// What this pass must show, in sleeve millimetres: beyond the film's rim at the block's own sides, within the lap at others.
Rect<SleeveSpace> needed_part(const Rect<SleeveSpace>& covers, const Rect<SleeveSpace>& block, double lap_spare_mm) {
  const Micrometres spare = Micrometres::from_mm(lap_spare_mm);
  const Rect<SleeveSpace> lapped = covers.grown(-spare), film = block.grown(-Micrometres::from_mm(rim_mm));
  const auto least = [](bool outer, Micrometres at_film, Micrometres at_lap) { return outer ? at_film : at_lap; };
  const Micrometres l = least(covers.x <= film.x, film.x, lapped.x), t = least(covers.y <= film.y, film.y, lapped.y);
  const Micrometres r = least(covers.right() >= film.right(), film.right(), lapped.right());
  const Micrometres b = least(covers.bottom() >= film.bottom(), film.bottom(), lapped.bottom());
  return {l, t, r - l, b - t};
}

/// The part of the bed that this pass shows: where `covers` ends at the page's edge, the window goes on.
bool shown(const Affine<SleeveSpace, BedSpace>& measured, const Affine<SleeveSpace, BedSpace>& planned, const Rect<BedSpace>& window,
           const Rect<SleeveSpace>& covers, const profile::SleeveProfile& sleeve, double lap_spare_mm) {
  const Rect<SleeveSpace> needed = needed_part(covers, sleeve.block(), lap_spare_mm);
  if (needed.empty()) return true;
  const Micrometres far{500000}, near{1000};
  const Micrometres l = covers.x <= near ? covers.x - far : covers.x, t = covers.y <= near ? covers.y - far : covers.y;
  const Micrometres r = covers.right() >= sleeve.page.width - near ? covers.right() + far : covers.right();
  const Micrometres b = covers.bottom() >= sleeve.page.height - near ? covers.bottom() + far : covers.bottom();
  const Rect<BedSpace> pass = core::bounds(planned, Rect<SleeveSpace>{l, t, r - l, b - t}).intersect(window);
  return pass.grown({500}).contains(core::bounds(measured, needed));
}

}  // namespace

Result<Look> find_lay(image::RowSource& picture, const Rect<BedSpace>& window, const Affine<SleeveSpace, BedSpace>& planned,
                      const Rect<SleeveSpace>& covers, const profile::SleeveProfile& sleeve, double lap_spare_mm) {
  Look look;
  look.lay = planned;
  const double px = picture.ppi().mm_per_pixel();
  const Affine<SleeveSpace, RunSpace> run = to_run(sleeve);
  const Affine<PassSpace, BedSpace> on_bed{px, 0, 0, px, window.x.mm(), window.y.mm()};
  auto mapped = map_film(picture, 100, 0.13, compose(run, compose(planned.inverse(), on_bed)));
  if (!mapped) return fail(mapped.error());
  const FilmMap& map = *mapped;
  if (map.picture.width() < 20 || map.picture.height() < 20) return fail(Fault::bad_data, "the quick look is too small to be read");
  if (*std::max_element(map.open.begin(), map.open.end()) < 1500) {
    look.say = "hardly any light comes through: close the lid, take its white cover out, and see that the film light is on.";
    return look;
  }
  if (map.film_share < 0.005) {
    look.film = false;
    look.say = "no film lies under the window: lay the sleeve as shown.";
    return look;
  }
  look.found = true, look.covers_needed = true;
  const Comb comb = comb_of(sleeve);
  const Spot<PassSpace> centre{static_cast<double>(map.picture.width()) / 2, static_cast<double>(map.picture.height()) / 2};
  const Spot<RunSpace> pivot = map.to_run(centre);
  const Across across = place_across(map, comb, pivot);
  const double this_way = best_strip(project(map, Along::across, across.angle, pivot, -1e9, 1e9, 1), comb);
  const double crosswise_angle = best_angle(map, Along::run, pivot, most_turn);
  const double that_way = best_strip(project(map, Along::run, crosswise_angle, pivot, -1e9, 1e9, 1), comb);
  if (that_way > 0.65 && this_way < 0.55 && that_way > this_way + 0.25 && across.score < 0.35) {
    look.found = false, look.covers_needed = false;
    look.say = "the strips run across where they should run along: turn the sleeve by a quarter turn.";
    return look;
  }
  if (across.score < 0.45 || across.bands.empty()) return look;  // film, but nothing to measure by

  const Pockets pockets = whole_pockets(map, sleeve, across, pivot);
  const double u = across.shift + pockets.moved * comb.pitch;
  const AlongRun along = place_along(map, sleeve, across, pivot, comb.width, u);
  const double w = along.shift;
  const double c = std::cos(across.angle), s = std::sin(across.angle);
  const Affine<RunSpace, RunSpace> moved{c, s, -s, c, pivot.x + c * (w - pivot.x) - s * (u - pivot.y),
                                         pivot.y + s * (w - pivot.x) + c * (u - pivot.y)};
  look.lay = compose(planned, compose(run.inverse(), compose(moved, run)));
  look.certain = pockets.certain;
  const Spot<SleeveSpace> at = covers.centre_mm();
  const Spot<BedSpace> is = look.lay(at), should = planned(at);
  look.off_mm = std::hypot(is.x - should.x, is.y - should.y);
  const auto turn = compose(look.lay, planned.inverse());
  look.off_degrees = std::atan2(turn.b, turn.a) / degree;
  look.covers_needed = shown(look.lay, planned, window, covers, sleeve, lap_spare_mm);
  if (!look.covers_needed) look.say = advice(is.x - should.x, is.y - should.y, look.off_degrees, along.at_least, look.certain);
  return look;
}

Result<double> film_share(image::RowSource& picture, const Affine<SleeveSpace, PassSpace>& lies, const Rect<SleeveSpace>& area,
                          const profile::SleeveProfile& sleeve) {
  const Affine<SleeveSpace, RunSpace> run = to_run(sleeve);
  auto map = map_film(picture, 100, 0.13, compose(run, lies.inverse()));
  if (!map) return fail(map.error());
  const auto to_sleeve = compose(run.inverse(), map->to_run);
  std::int64_t seen = 0, film = 0;
  for (std::int64_t y = 0; y < map->picture.height(); ++y)
    for (std::int64_t x = 0; x < map->picture.width(); ++x) {
      const auto p = to_sleeve({static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5});
      if (p.x < area.x.mm() || p.y < area.y.mm() || p.x > area.right().mm() || p.y > area.bottom().mm()) continue;
      ++seen;
      film += 1 - map->is_open[static_cast<std::size_t>(y * map->picture.width() + x)];
    }
  return seen > 0 ? static_cast<double>(film) / static_cast<double>(seen) : 0.0;
}

}  // namespace lapwright::frames
