#include <algorithm>
#include <cmath>

#include "core/clock.h"
#include "frames/chain.h"
#include "frames/edge_votes.h"
#include "frames/frames.h"

namespace lapwright::frames {
namespace {

constexpr double steepest = 0.045;  // a strip against its page
constexpr double degree = 3.14159265358979323846 / 180;

double median(std::vector<double> values) {
  if (values.empty()) return 0;
  const auto at = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), at, values.end());
  return *at;
}

Format format_of(const profile::SleeveProfile& sleeve) {
  Format f;
  f.width = sleeve.frame.width.mm(), f.advance = sleeve.frame.advance.mm();
  const double gap = std::max(f.advance - f.width, 0.5);
  // Cameras' gates and gaps: trade.md 1.1 (135: gap 0.5 to 3.5 mm), 1.2 (120: 6x7 is 67 to 70 mm, gap 4 to 9 mm).
  f.width_spread = sleeve.film == profile::Film::f135 ? 0.8 : std::max(1.2, 0.035 * f.width);
  f.advance_spread = sleeve.film == profile::Film::f135 ? 1.8 : gap + 3.0;
  // Sheets and mounts lie one by one: their gap is no camera's.
  f.most_gap = sleeve.film == profile::Film::f135 ? 4 : sleeve.film == profile::Film::f120 ? std::max(gap + 2, 12.0) : f.width;
  return f;
}

/// The whole content's turn and shift against the plan.
struct Displacement { double angle = 0, across = 0; };

Displacement page_displacement(const FilmMap& map, const Comb& comb, Spot<RunSpace> pivot) {
  Displacement best;
  double most = -1;
  const auto try_angle = [&](double angle, std::int64_t stride) {
    const double energy = edge_energy(project(map, Along::across, angle, pivot, -1e9, 1e9, stride));
    if (energy > most) most = energy, best.angle = angle;
  };
  for (int k = -12; k <= 12; ++k) try_angle(k * 0.25 * degree, 2);
  const double coarse = best.angle;
  most = -1;
  for (int k = -5; k <= 5; ++k) try_angle(coarse + k * 0.05 * degree, 1);
  const Profile across = project(map, Along::across, best.angle, pivot, -1e9, 1e9, 1);
  double top = -1;
  const double reach = std::min(8.0, comb.count > 1 ? comb.pitch * 0.45 : 8.0);
  for (double shift = -reach; shift <= reach; shift += 0.2) {
    double centred = shift;
    const double score = score_comb(across, comb, shift, &centred) - 0.002 * std::abs(shift);
    if (score > top) top = score, best.across = centred;
  }
  return best;
}

/// One strip's own line: the page's, then its own tilt and place from short pieces along it.
StripLine strip_line(const FilmMap& map, const Comb& comb, const profile::SleeveProfile& sleeve, int strip,
                     const Displacement& page, Spot<RunSpace> pivot) {
  const double length = sleeve.strips.length.mm();
  StripLine line;
  line.width = comb.width;
  line.slope = std::tan(page.angle);
  line.pivot_along = pivot.x;
  // project() turns about the pivot: a line at turned height v passes the pivot's x at this height.
  const double v = strip * comb.pitch + page.across;
  line.edge = pivot.y + (v - pivot.y) / std::cos(page.angle);
  const double slack = std::clamp(comb.pitch - comb.width, 0.6, 5.0);
  const double piece = std::clamp(length / 8, 12.0, 40.0);
  std::vector<double> at, edge, weight;
  for (double a = -6; a + piece <= length + 6; a += piece / 2) {
    const Spot<RunSpace> middle{a + piece / 2, pivot.y};
    const Profile across = project(map, Along::across, page.angle, middle, a, a + piece, 1);
    const double expected = middle.y + (line.edge + (middle.x - line.pivot_along) * line.slope - middle.y) * std::cos(page.angle);
    StripScore score;
    const double found = best_edge(across, comb, expected, slack + 0.4, score);
    if (score.score < 0.35 || score.seen < 1) continue;
    at.push_back(middle.x), weight.push_back(score.score);
    edge.push_back(middle.y + (found - middle.y) / std::cos(page.angle) - line.edge - (middle.x - line.pivot_along) * line.slope);
  }
  if (at.size() < 2) {
    if (!edge.empty()) line.edge += edge[0];
    return line;
  }
  // The line that most pieces lie on, of all through two of them; then weighted through those.
  double level = median(edge), tilt = 0, most = -1;
  for (std::size_t i = 0; i < at.size(); ++i)
    for (std::size_t j = i + 1; j < at.size(); ++j) {
      const double steep = (edge[j] - edge[i]) / (at[j] - at[i]);
      if (std::abs(steep) > steepest) continue;
      double held = -4 * std::abs(steep);
      for (std::size_t k = 0; k < at.size(); ++k) {
        const double off = (edge[k] - edge[i] - steep * (at[k] - at[i])) / 0.3;
        held += weight[k] / (1 + off * off);
      }
      if (held > most) most = held, tilt = steep, level = edge[i] - steep * (at[i] - line.pivot_along);
    }
  for (int round = 0; round < 2; ++round) {
    double w = 0, x = 0, y = 0, xx = 0, xy = 0;
    for (std::size_t k = 0; k < at.size(); ++k) {
      const double dx = at[k] - line.pivot_along;
      if (std::abs(edge[k] - level - tilt * dx) > 0.35) continue;
      w += weight[k], x += weight[k] * dx, y += weight[k] * edge[k], xx += weight[k] * dx * dx, xy += weight[k] * dx * edge[k];
    }
    if (w <= 0) break;
    const double det = w * xx - x * x;
    if (det > 1) tilt = std::clamp((w * xy - x * y) / det, -steepest, steepest);
    level = (y - tilt * x) / w;
  }
  line.edge += level, line.slope += tilt;
  return line;
}

struct Strip {
  StripLine line;
  StripView view;
  std::vector<Extent> pieces;
  std::vector<Found> frames;
  double top = 0, bottom = 0;  // of the pictures, from the film's first edge
  bool rows_seen = false, both_rows = false;
};

void fit(Strip& strip, const Format& format) {
  strip.frames.clear();
  for (const Extent& piece : strip.pieces)
    for (const Found& f : fit_chain(strip.view, piece, format)) strip.frames.push_back(f);
}

/// Top and bottom of the pictures, from all that stand out clearly.
void find_rows(const FilmMap& map, Strip& strip, double height, bool slide, double reach) {
  const double top = (strip.line.width - height) / 2, step = map.mm_per_pixel;
  std::vector<double> tops, bottoms;
  for (const Found& f : strip.frames) {
    if (f.content < 0.05 || f.on_film < 0.9 || f.end - f.start < 8) continue;
    const auto rows = cross_profile(map, strip.line, f.start + 1, f.end - 1, top, slide, step);
    const double k = 1 / step;
    const double a = half_rise(rows, (top + cross_margin) * k, reach * k, 1, 0.3 * k, 0.9 * k);
    const double b = half_rise(rows, (top + height + cross_margin) * k, reach * k, -1, 0.3 * k, 0.9 * k);
    if (a > 0) tops.push_back(a * step - cross_margin);
    if (b > 0) bottoms.push_back(b * step - cross_margin);
  }
  strip.top = top, strip.bottom = top + height;
  strip.rows_seen = !tops.empty() || !bottoms.empty();
  strip.both_rows = !tops.empty() && !bottoms.empty();
  if (!tops.empty()) strip.top = median(tops);
  if (!bottoms.empty()) strip.bottom = median(bottoms);
  if (tops.empty()) strip.top = strip.bottom - height;
  if (bottoms.empty()) strip.bottom = strip.top + height;
}

/// One camera's gate is one height: a strip that shows another has taken one of its edges for a line of a picture or of the
/// perforations, the one that lies further from where it should.
void agree_on_height(std::vector<Strip>& strips, double nominal) {
  std::vector<double> heights;
  for (const Strip& s : strips)
    if (s.both_rows) heights.push_back(s.bottom - s.top);
  const double height = heights.size() >= 3 ? median(heights) : nominal;
  for (Strip& s : strips) {
    if (!s.rows_seen || (s.both_rows && std::abs(s.bottom - s.top - height) < (heights.size() >= 3 ? 0.25 : 0.7))) continue;
    const double top = (s.line.width - height) / 2;
    if (std::abs(s.top - top) < std::abs(s.bottom - top - height)) s.bottom = s.top + height;
    else s.top = s.bottom - height;
  }
}

/// 0.9 and more only where a person would not look again: both edges stand out along a seventh of their length and more, lie as far
/// apart as the roll's other frames' do, a gap parts the frame from its neighbours and film holds all of it.
double sureness(const Found& f, const Strip& strip, const Format& format, std::size_t neighbours_clear) {
  if (f.by_model) return neighbours_clear == 0 ? 0.25 : neighbours_clear == 1 ? 0.5 : 0.6;
  const double weak = std::min(f.left, f.right), strong = std::max(f.left, f.right);
  double sure = 0.5 + 0.2 * std::min(strong / 0.5, 1.0) + 0.22 * std::min(weak / 0.5, 1.0) + 0.07 * std::clamp((weak - 0.5) / 0.3, 0.0, 1.0);
  if (std::abs(f.end - f.start - format.width) > std::max(format.width_spread, 0.01 * format.width)) sure = std::min(sure, 0.7);
  if (f.plain < 0.15) sure = std::min(sure, 0.85);
  if (f.room < 0.3) sure = std::min(sure, 0.6);
  if (!strip.rows_seen) sure = std::min(sure, 0.6);
  if (f.on_film < 0.985) sure = std::min(sure, 0.5 + 0.3 * f.on_film);
  return std::clamp(sure, 0.05, 0.99);
}

/// "12", or a name with A before the first and after the last of a full strip, so that no other frame's number moves.
std::string name_of(int strip, int slot, const profile::SleeveProfile& sleeve) {
  const int n = sleeve.strips.frames, number = strip * n + slot + 1;
  if (slot >= 0 && slot < n) return std::to_string(number);
  if (slot < 0) return strip == 0 ? std::to_string(number) : std::to_string(strip * n) + "A";
  if (strip + 1 == sleeve.strips.count) return std::to_string(number);
  return std::to_string((strip + 1) * n) + "A";
}

constexpr int least_code_ppi = 200;  // two pixels a module and a little (trade.md 1.4)

/// The codes on both rebates of every strip.
Result<RollEdge> read_edges(image::RowSource& sheet, Spot<SleeveSpace> origin, const profile::SleeveProfile& sleeve,
                            const std::vector<Strip>& strips, bool slide) {
  const auto back = to_run(sleeve).inverse();
  const auto to_pixels = compose(core::mm_to_pixels<SleeveSpace, PassSpace>(origin, sheet.ppi()), back);
  std::vector<std::vector<SeenCode>> seen(strips.size());
  for (std::size_t i = 0; i < strips.size(); ++i) {
    const Strip& s = strips[i];
    if (s.pieces.empty()) continue;
    for (const bool other_edge : {false, true}) {
      const auto rebate = read_rebate(sheet, to_pixels, s.line, other_edge, s.pieces.front().first - 1, s.pieces.back().last + 1, slide);
      if (!rebate) return fail(rebate.error());
      for (const EdgeMark& mark : read_edge_codes(*rebate))
        seen[i].push_back({mark, other_edge, back(s.line.at(mark.along, other_edge ? s.line.width - 1 : 1))});
    }
  }
  return vote(seen, sleeve.strips.run == profile::Run::down);
}

}  // namespace

Result<Report> find(image::RowSource& sheet, Spot<SleeveSpace> origin, const profile::SleeveProfile& sleeve,
                    profile::Process process) {
  const core::Stopwatch watch;
  Report report;
  const bool slide = process == profile::Process::slide;
  const double px = sheet.ppi().mm_per_pixel();
  const Affine<SleeveSpace, RunSpace> run = to_run(sleeve);
  // Little of a sheet of film is base, and a slide's is so dark that its density scatters: no peak of it may show, and the
  // pockets' own would be taken for it if less than any film's were allowed.
  auto map = map_film(sheet, 150, 0.13, compose(run, Affine<PassSpace, SleeveSpace>{px, 0, 0, px, origin.x, origin.y}));
  if (!map) return fail(map.error());
  if (map->picture.width() < 20 || map->picture.height() < 20 || map->film_share < 0.005) {
    report.seconds = watch.seconds();
    return report;
  }
  const Comb comb = comb_of(sleeve);
  const double length = sleeve.strips.length.mm(), height = sleeve.frame.height.mm();
  const Spot<RunSpace> pivot{length / 2, ((comb.count - 1) * comb.pitch + comb.width) / 2};
  const Displacement page = page_displacement(*map, comb, pivot);

  Format format = format_of(sleeve);
  const double rebate = std::max(0.5, (comb.width - height) / 2);
  std::vector<Strip> strips(static_cast<std::size_t>(comb.count));
  for (int i = 0; i < comb.count; ++i) {
    Strip& s = strips[static_cast<std::size_t>(i)];
    s.line = strip_line(*map, comb, sleeve, i, page, pivot);
    s.view = straighten(*map, s.line, -20, length + 20, rebate, slide);
    s.pieces = film_pieces(s.view);
    fit(s, format);
  }
  // The camera's own gate and advance, from the frames that show both edges; then once more with them.
  std::vector<double> widths, advances;
  for (const Strip& s : strips)
    for (std::size_t k = 0; k < s.frames.size(); ++k) {
      const Found& f = s.frames[k];
      if (std::min(f.left, f.right) > 0.5) widths.push_back(f.end - f.start);
      if (k > 0 && f.left > 0.5 && s.frames[k - 1].left > 0.5) advances.push_back(f.start - s.frames[k - 1].start);
    }
  if (widths.size() >= 3) format.width = median(widths), format.width_spread = std::min(format.width_spread, 0.3), format.measured = true;
  if (advances.size() >= 3) format.advance = median(advances);

  std::vector<Numbered> numbered;
  const double row_reach = sleeve.film == profile::Film::f135 ? 0.7 : std::min(2.5, 0.8 * rebate);
  for (int i = 0; i < comb.count; ++i) {
    Strip& s = strips[static_cast<std::size_t>(i)];
    fit(s, format);
    find_rows(*map, s, height, slide, row_reach);
  }
  agree_on_height(strips, height);
  for (int i = 0; i < comb.count; ++i) {
    Strip& s = strips[static_cast<std::size_t>(i)];
    if (s.frames.empty()) continue;
    std::size_t clear = 0;
    for (const Found& f : s.frames) clear += f.by_model ? 0 : 1;
    const double planned = (length - (sleeve.frame.advance.mm() * (sleeve.strips.frames - 1) + sleeve.frame.width.mm())) / 2;
    const int count = static_cast<int>(s.frames.size());
    int slot = static_cast<int>(std::lround((s.frames[0].start - planned) / format.advance));
    slot = std::clamp(slot, std::min(0, sleeve.strips.frames - count), std::max(0, sleeve.strips.frames - count));
    if (count > sleeve.strips.frames) slot = s.frames.front().on_film < s.frames.back().on_film ? sleeve.strips.frames - count : 0;
    const auto back = run.inverse();
    for (const Found& f : s.frames) {
      Frame out;
      out.strip = i + 1;
      // Where pieces of film lie apart in a pocket, what lies between them is passed over.
      const int left = count - static_cast<int>(&f - s.frames.data());
      if (&f != s.frames.data()) {
        const int on = static_cast<int>(std::lround((f.start - (&f)[-1].start) / format.advance));
        slot += std::max(1, std::min(on, sleeve.strips.frames - left - slot));
      }
      out.frame = name_of(i, slot, sleeve);
      numbered.push_back({i + 1, slot, (f.start + f.end) / 2, {}});
      double a = f.start, b = f.end;
      for (const Extent& piece : s.pieces)
        if (f.end > piece.first && f.start < piece.last && (f.start + f.end) / 2 > piece.first - format.width / 2 &&
            (f.start + f.end) / 2 < piece.last + format.width / 2)
          a = std::max(a, piece.first), b = std::min(b, piece.last);
      const auto corner = [&](double along, double across) { return back(s.line.at(along, across)); };
      out.corners = {corner(a, s.top), corner(b, s.top), corner(b, s.bottom), corner(a, s.bottom)};
      if (sleeve.strips.run == profile::Run::down) std::swap(out.corners[1], out.corners[3]);
      out.sure = sureness(f, s, format, clear);
      if (out.sure >= 0.9) ++report.sure;
      report.frames.push_back(std::move(out));
    }
  }
  if (sleeve.film == profile::Film::f135 && sheet.ppi().value >= least_code_ppi) {
    const core::Stopwatch edge_watch;
    auto edge = read_edges(sheet, origin, sleeve, strips, slide);
    if (!edge) return fail(edge.error());
    report.edge = std::move(*edge);
    if (number_frames(numbered, report.edge, format.advance, sleeve.strips.frames)) {
      for (std::size_t k = 0; k < numbered.size(); ++k) {
        Frame& f = report.frames[k];
        f.frame = numbered[k].name, f.number_sure = numbered[k].sure;
        if (numbered[k].by_code) f.numbered_by = NumberedBy::code;
      }
    }
    // On a strip that lies the other way round than the others the picture's top left is at the lower right.
    for (const StripEdge& s : report.edge.strips)
      if (s.numbers && s.turned != report.edge.turned && s.mirrored == report.edge.mirrored)
        for (Frame& f : report.frames)
          if (f.strip == s.strip) std::rotate(f.corners.begin(), f.corners.begin() + 2, f.corners.end());
    report.edge_seconds = edge_watch.seconds();
  }
  report.seconds = watch.seconds();
  return report;
}

}  // namespace lapwright::frames
