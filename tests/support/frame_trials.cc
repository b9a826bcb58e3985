#include "support/frame_trials.h"

#include <algorithm>
#include <cmath>
#include <cstdio>

namespace lapwright::support {
namespace {

using profile::Film;
using profile::Process;
using profile::SleeveProfile;

constexpr double degree = 3.14159265358979323846 / 180;

struct Chance {
  std::uint64_t state;
  explicit Chance(std::uint64_t seed) : state(seed * 0x9e3779b97f4a7c15ULL + 0x1234567) {
    for (int k = 0; k < 4; ++k) unit();
  }
  double unit() {
    state += 0x9e3779b97f4a7c15ULL;
    std::uint64_t z = state;
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9ULL, z = (z ^ (z >> 27)) * 0x94d049bb133111ebULL, z ^= z >> 31;
    return static_cast<double>(z >> 11) / 9007199254740992.0;
  }
  double between(double a, double b) { return a + (b - a) * unit(); }
  double off(double a) { return between(-a, a); }
  int below(int n) { return std::min(n - 1, static_cast<int>(unit() * n)); }
};

SleeveProfile sleeve(Film film, double w, double h, double advance, int count, int frames, double pitch, double length, double film_width = 0) {
  const auto um = [](double mm) { return Micrometres::from_mm(mm); };
  SleeveProfile s;
  s.name = "trial", s.about = "trial", s.film = film;
  s.frame = {um(w), um(h), um(advance)};
  s.strips = {count, frames, {um(18), um(14)}, um(pitch), um(length), profile::Run::right};
  if (film_width > 0) s.strips.width = um(film_width);
  s.page = {um(length + 30), um(pitch * count + 26)};
  return s;
}

struct Kind {
  const char* name;
  SleeveProfile (*sleeve)();
  double gap_from, gap_to, gate;  // mm; how far the camera's gate may differ
};

SleeveProfile full() { return sleeve(Film::f135, 36, 24, 38, 5, 5, 36.2, 190); }
SleeveProfile loose() { return sleeve(Film::f135, 36, 24, 38, 4, 6, 41, 228); }
SleeveProfile panes() { return sleeve(Film::sheet, 36, 24, 54, 4, 4, 54, 216, 50); }

const Kind kinds[] = {
    {"135 full", full, 0.8, 3.5, 0.4},
    {"135 half", [] { return sleeve(Film::f135, 18, 24, 19, 4, 10, 36.2, 190); }, 0.8, 1.9, 0.2},
    {"135 panoramic", [] { return sleeve(Film::f135, 65, 24, 66.5, 4, 3, 36.2, 205); }, 0.8, 3.5, 0.4},
    {"120 6x4.5", [] { return sleeve(Film::f120, 41.5, 56, 46, 3, 4, 64, 186); }, 2, 8, 0.6},
    {"120 6x6", [] { return sleeve(Film::f120, 56, 56, 62, 3, 3, 64, 190); }, 2, 9, 0.6},
    {"120 6x7", [] { return sleeve(Film::f120, 69, 56, 75, 3, 3, 64, 226); }, 2, 8, 1},
    {"120 6x9", [] { return sleeve(Film::f120, 84, 56, 92, 4, 2, 63, 184); }, 2, 8, 0.8},
    {"sheet film", [] { return sleeve(Film::sheet, 95, 120, 104, 2, 2, 130, 208, 125.5); }, 8, 10, 1},
    {"mounted slides", panes, 16, 20, 0.5},
    {"loose strips", loose, 0.8, 3.5, 0.4},
    {"slid and tilted", full, 0.8, 3.5, 0.4},
    {"uneven gaps", full, 0.8, 3.5, 0.4},
    {"overlapping", full, 0.8, 3.5, 0.4},
    {"half-wound", full, 0.8, 3.5, 0.4},
    {"blank", full, 0.8, 3.5, 0.4},
    {"black", full, 0.8, 3.5, 0.4},
    {"very thin", full, 0.8, 3.5, 0.4},
    {"cut into", full, 0.8, 3.5, 0.4},
    {"empty and short", full, 0.8, 3.5, 0.4},
    {"turned, reversed", full, 0.8, 3.5, 0.4},
    {"night", full, 0.8, 3.5, 0.4},
    {"burst", full, 0.8, 3.5, 0.4},
    {"120 overlapping", [] { return sleeve(Film::f120, 56, 56, 62, 3, 3, 64, 190); }, 2, 9, 0.6},
    {"120 night, thin", [] { return sleeve(Film::f120, 56, 56, 62, 3, 3, 64, 190); }, 2, 9, 0.6},
};

/// Dark all round, with a few lights: a falling off that leaves nothing at the sides.
std::array<float, 3> at_night(std::array<float, 3> light, double u, double v, double darkness) {
  const double r = std::hypot(u - 0.5, (v - 0.5) * 0.8) / 0.5;
  const double fall = std::clamp(1.15 - r, 0.0, 1.0) * darkness;
  for (float& c : light) c *= static_cast<float>(0.002 + fall * fall);
  return light;
}

/// Where the frames of a strip lie and what film there is, from the strip's start.
void lay_strip(const std::string& kind, const Kind& k, int strip, SleeveProfile& scene, SceneOptions& o, Chance& chance, double roll_gap) {
  const int n = scene.strips.frames;
  const double w = scene.frame.width.mm(), length = scene.strips.length.mm();
  std::vector<double> gaps;
  for (int j = 0; j + 1 < n; ++j) {
    double gap = scene.film == Film::f135 ? std::clamp(roll_gap + chance.off(0.3), k.gap_from, k.gap_to) : chance.between(k.gap_from, k.gap_to);
    if (kind == "uneven gaps") gap = chance.between(k.gap_from, k.gap_to);
    gaps.push_back(gap);
  }
  if (kind == "overlapping" || kind == "120 overlapping") gaps[static_cast<std::size_t>(chance.below(n - 1))] = -chance.between(0.5, 9);
  if (kind == "half-wound" && strip % 2 == 0) gaps[static_cast<std::size_t>(chance.below(n - 1))] = -w * chance.between(0.35, 0.6);
  double used = n * w;
  for (const double g : gaps) used += g;
  double at = (length - used) / 2;
  const double first = at;
  for (int j = 0; j < n; ++j) {
    o.frame_start_mm[strip * n + j] = at;
    if (j + 1 < n) at += w + gaps[static_cast<std::size_t>(j)];
  }
  std::pair<double, double> film{std::min(0.0, first - 0.4), std::max(length, first + used + 0.4)};
  if (chance.unit() < 0.5 || kind == "cut into" || kind == "empty and short") {  // cut in its gaps
    const double gap = std::max(0.8, roll_gap);
    film = {first - chance.between(0.3, gap), first + used + chance.between(0.3, gap)};
  }
  if (kind == "cut into") {
    if (strip % 3 != 1) film.first = first + w * chance.between(0.08, 0.6);
    if (strip % 3 != 0) film.second = first + used - w * chance.between(0.08, 0.6);
  }
  if (kind == "empty and short" && strip % 2 == 0) {
    const int keep = 1 + chance.below(n - 1);
    const bool at_end = chance.unit() < 0.4;
    for (int j = 0; j < n; ++j)
      if (at_end ? j < n - keep : j >= keep) o.missing_frames.insert(strip * n + j);
    const double pause = chance.between(0.3, 0.7);
    if (at_end) film.first = o.frame_start_mm[strip * n + n - keep] - pause;
    else film.second = o.frame_start_mm[strip * n + keep - 1] + w + pause;
  }
  o.cut_mm.push_back(film);
}

double visible(const Scene& scene, int strip, double along0, double across0, double along1, double across1, double in_along, double in_across,
               double least = 0.08) {
  const auto plain = scene.plain();
  int seen = 0;
  for (int k = 0; k < 40; ++k) {
    const double t = 0.03 + 0.94 * (k + 0.5) / 40;
    std::array<double, 3> mean{};
    for (int d = 0; d < 5; ++d) {
      const double in = 0.15 + 0.15 * d;
      const auto light = scene.at(scene.place(strip, along0 + (along1 - along0) * t + in_along * in, across0 + (across1 - across0) * t + in_across * in));
      for (std::size_t c = 0; c < 3; ++c) mean[c] += static_cast<double>(light[c]) / 5;
    }
    double contrast = 0;
    for (std::size_t c = 0; c < 3; ++c) contrast = std::max(contrast, std::abs(std::log10(mean[c] / static_cast<double>(plain[c]))));
    seen += contrast >= least ? 1 : 0;
  }
  return seen / 40.0;
}

struct Truth {
  std::vector<Spot<SleeveSpace>> corners;
  bool clear = false, doubtful = false;
};

Truth truth_of(const FrameTrial& t, int strip, int frame) {
  Truth out;
  for (const auto& p : t.scene.true_corners(strip, frame)) out.corners.push_back(t.moved(p));
  const int n = t.scene.sleeve().strips.frames, index = strip * n + frame;
  const auto [a, b] = t.scene.exposed(strip, frame);
  double room = 1e9;
  for (int j = 0; j < n; ++j) {
    if (j == frame || t.scene.true_share(strip, j) <= 0) continue;
    const auto [c, d] = t.scene.exposed(strip, j);
    room = std::min(room, std::max(c - b, a - d));
  }
  const double width = t.scene.sleeve().film_width().mm(), height = t.scene.sleeve().frame.height.mm();
  const double top = (width - height) / 2, bottom = top + height;
  const double left = visible(t.scene, strip, a, top, a, bottom, 1, 0), right = visible(t.scene, strip, b, top, b, bottom, -1, 0);
  const double upper = visible(t.scene, strip, a, top, b, top, 0, 1), lower = visible(t.scene, strip, a, bottom, b, bottom, 0, -1);
  out.doubtful = t.options.blank_frames.count(index) != 0 || room < -0.3 || t.scene.true_share(strip, frame) < 0.995 ||
                 std::min(visible(t.scene, strip, a, top, a, bottom, 1, 0, 0.05), visible(t.scene, strip, b, top, b, bottom, -1, 0, 0.05)) < 0.05;
  out.clear = !out.doubtful && room >= 0.4 && std::min({left, right, upper, lower}) >= 0.33;
  return out;
}

double area(const std::vector<Spot<SleeveSpace>>& p) {
  double sum = 0;
  for (std::size_t i = 0; i < p.size(); ++i) {
    const auto& a = p[i];
    const auto& b = p[(i + 1) % p.size()];
    sum += a.x * b.y - b.x * a.y;
  }
  return sum / 2;
}

/// Clipped to the half planes of a clockwise (y down) convex polygon.
std::vector<Spot<SleeveSpace>> clipped(std::vector<Spot<SleeveSpace>> p, const std::vector<Spot<SleeveSpace>>& by) {
  for (std::size_t i = 0; i < by.size() && !p.empty(); ++i) {
    const auto a = by[i], b = by[(i + 1) % by.size()];
    const auto side = [&](Spot<SleeveSpace> q) { return (b.x - a.x) * (q.y - a.y) - (b.y - a.y) * (q.x - a.x); };
    std::vector<Spot<SleeveSpace>> out;
    for (std::size_t k = 0; k < p.size(); ++k) {
      const auto s = p[k], e = p[(k + 1) % p.size()];
      const double u = side(s), v = side(e);
      if (u >= 0) out.push_back(s);
      if ((u < 0) != (v < 0)) out.push_back({s.x + (e.x - s.x) * u / (u - v), s.y + (e.y - s.y) * u / (u - v)});
    }
    p = out;
  }
  return p;
}

}  // namespace

double overlap(const std::vector<Spot<SleeveSpace>>& a, const std::vector<Spot<SleeveSpace>>& b) {
  const auto common = clipped(a, b);
  const double i = common.size() < 3 ? 0 : area(common);
  return i / (area(a) + area(b) - i);
}

std::vector<std::string> frame_kinds() {
  std::vector<std::string> out;
  for (const Kind& k : kinds) out.emplace_back(k.name);
  return out;
}

image::Rgb16 FrameTrial::picture() const {
  Faults faults;
  faults.noise = 150.0 * ppi / 150, faults.dust_per_cm2 = 0.3, faults.seed = seed;
  image::Rgb16 out = render(scene, compose(core::mm_to_pixels<SleeveSpace, PassSpace>(origin, {ppi}), moved), width, height, faults);
  for (std::int64_t y = 0; y < height; ++y)
    for (std::int64_t x = 0; x < width; ++x) {
      const double across = 2 * (static_cast<double>(x) + 0.5) / static_cast<double>(width) - 1, down = (static_cast<double>(y) + 0.5) / static_cast<double>(height);
      const double light = 1 - bow * across * across - drift * down;
      for (std::int64_t c = 0; c < 3; ++c)
        out.row(y)[x * 3 + c] = static_cast<std::uint16_t>(std::min(65535.0, light * (out.row(y)[x * 3 + c] + flare * faults.full_scale)));
    }
  return out;
}

FrameTrial frame_trial(const std::string& kind, unsigned seed, const Pictures& pictures) {
  const Kind* k = std::find_if(std::begin(kinds), std::end(kinds), [&](const Kind& each) { return kind == each.name; });
  std::uint64_t mix = 1469598103934665603ULL;
  for (const char c : kind) mix = (mix ^ static_cast<unsigned char>(c)) * 1099511628211ULL;
  Chance chance(mix ^ (seed * 0x2545f4914f6cdd1dULL));
  const SleeveProfile known = k->sleeve();
  SleeveProfile film = known;
  film.frame.width = film.frame.width + Micrometres::from_mm(chance.off(k->gate));
  film.frame.height = film.frame.height + Micrometres::from_mm(chance.off(std::min(k->gate, 0.3)));
  SceneOptions o;
  o.seed = seed;
  static constexpr Process processes[] = {Process::colour_negative, Process::bw_negative, Process::slide};
  o.process = kind == "mounted slides" ? Process::slide : processes[seed % 3];
  o.perforations = o.lettering = film.film == Film::f135;
  const int n = film.strips.frames, count = film.strips.count;
  const double roll_gap = chance.between(k->gap_from, k->gap_to);
  if (film.film == Film::sheet) {
    o.piece_mm = kind == "mounted slides" ? 50 : 100, o.mounted = kind == "mounted slides";
    for (int i = 0; i < count; ++i)
      for (int j = 0; j < n; ++j) {
        const double pocket = film.strips.length.mm() / n;
        o.frame_start_mm[i * n + j] = (j + 0.5) * pocket - film.frame.width.mm() / 2 + chance.off((pocket - o.piece_mm) / 2 * 0.9);
        if (chance.unit() < 0.1) o.missing_frames.insert(i * n + j);
      }
  } else {
    for (int i = 0; i < count; ++i) lay_strip(kind, *k, i, film, o, chance, roll_gap);
  }
  const double slack = film.strips.pitch.mm() - film.film_width().mm(), length = film.strips.length.mm();
  for (int i = 0; i < count; ++i) {
    o.slid_mm.push_back(o.piece_mm > 0 ? chance.off(1) : chance.off(kind == "loose strips" || kind == "slid and tilted" ? 5 : 2));
    double tilt = chance.off(std::atan(0.8 * slack / length) / degree);
    if (kind != "loose strips" && kind != "slid and tilted") tilt *= 0.3;
    o.tilted_degrees.push_back(o.mounted ? chance.off(0.6) : tilt);
  }
  if (kind == "empty and short" || seed % 4 == 1) o.empty_strips.insert(chance.below(count));
  const int frames = count * n;
  for (int i = 0; i < frames; ++i) {
    if (kind == "blank" && chance.unit() < 0.2) o.blank_frames.insert(i);
    if (kind == "black" && chance.unit() < 0.3) o.black_frames.insert(i);
    if (kind == "very thin") o.stops[i] = -3;
    if (kind == "120 night, thin" && chance.unit() < 0.4) o.stops[i] = -3;
  }
  if (kind == "turned, reversed")
    for (int i = 0; i < count; ++i) {
      if (chance.unit() < 0.5) o.turned_strips.insert(i);
      if (chance.unit() < 0.4) o.mirrored_strips.insert(i);
    }
  if (kind == "burst") o.burst = true;
  const bool night = kind == "night" || kind == "120 night, thin";
  const double darkness = chance.between(0.3, 1);
  const int first = chance.below(1000);
  if (pictures) {
    o.shown = [=](int index, double u, double v) {
      const int which = first + (kind == "burst" ? 0 : index * 7);
      auto light = pictures(which, u, v);
      return night && index % 2 == 0 ? at_night(light, u, v, darkness) : light;
    };
  } else {
    o.night = night;
  }
  FrameTrial t{kind, seed, known, o, Scene(film, o), 150, {}, {}, 0, 0};
  static constexpr int resolutions[] = {150, 120, 150, 200, 150};
  t.ppi = resolutions[chance.below(5)];
  const auto block = known.block();
  const double margin = 14, turn = chance.off(1.5) * degree, dx = chance.off(5), dy = chance.off(5);
  t.origin = {std::max(0.0, block.x.mm() - margin), std::max(0.0, block.y.mm() - margin)};
  t.width = static_cast<std::int64_t>((block.right().mm() + margin - t.origin.x) * t.ppi / 25.4);
  t.height = static_cast<std::int64_t>((block.bottom().mm() + margin - t.origin.y) * t.ppi / 25.4);
  t.bow = chance.between(0, 0.05), t.drift = chance.off(0.02), t.flare = chance.between(0, 0.0006);
  const auto c = block.centre_mm();
  const double co = std::cos(turn), si = std::sin(turn);
  t.moved = {co, si, -si, co, c.x - co * c.x + si * c.y + dx, c.y - si * c.x - co * c.y + dy};
  return t;
}

void FrameTally::add(const FrameTally& o) {
  strips += o.strips, strips_right += o.strips_right, clear += o.clear, clear_sure += o.clear_sure, iou_sum += o.iou_sum;
  iou_worst = std::min(iou_worst, o.iou_worst);
  doubtful += o.doubtful, doubtful_marked += o.doubtful_marked, sure += o.sure, sure_right += o.sure_right, nowhere += o.nowhere;
}

FrameTally judged(const FrameTrial& t, const std::vector<FoundFrame>& found, const std::function<void(const std::string&)>& tell) {
  FrameTally out;
  const int n = t.scene.sleeve().strips.frames;
  const auto say = [&](int strip, int frame, const std::string& what) {
    if (tell) tell(t.kind + " seed " + std::to_string(t.seed) + " strip " + std::to_string(strip + 1) + (frame >= 0 ? " frame " + std::to_string(frame + 1) : "") + ": " + what);
  };
  const auto decimals = [](double v) {
    char text[32];
    std::snprintf(text, sizeof text, "%.3f", v);
    return std::string(text);
  };
  for (int i = 0; i < t.scene.sleeve().strips.count; ++i) {
    std::vector<Truth> truth;
    std::vector<int> index;
    for (int j = 0; j < n; ++j)
      if (t.scene.true_share(i, j) > 0) truth.push_back(truth_of(t, i, j)), index.push_back(j);
    std::vector<FoundFrame> mine;
    for (const FoundFrame& f : found)
      if (f.strip == i + 1) mine.push_back(f);
    ++out.strips;
    if (mine.size() == truth.size()) ++out.strips_right;
    else say(i, -1, std::to_string(mine.size()) + " frames, " + std::to_string(truth.size()) + " there");
    std::vector<double> best(truth.size(), 0), sure(truth.size(), 0);
    for (const FoundFrame& f : mine) {
      double most = 0;
      std::size_t which = 0;
      for (std::size_t k = 0; k < truth.size(); ++k) {
        const double v = overlap({f.corners.begin(), f.corners.end()}, truth[k].corners);
        if (v > most) most = v, which = k;
      }
      if (most < 0.5) ++out.nowhere, say(i, -1, "a frame where none is, sure " + decimals(f.sure));
      if (f.sure >= 0.9) {
        ++out.sure, out.sure_right += most >= 0.9 ? 1 : 0;
        if (most < 0.9) say(i, most > 0 ? index[which] : -1, "sure " + decimals(f.sure) + " and wrong, IoU " + decimals(most));
      }
      if (!truth.empty() && most > best[which]) best[which] = most, sure[which] = f.sure;
    }
    for (std::size_t k = 0; k < truth.size(); ++k) {
      if (truth[k].clear) {
        ++out.clear, out.iou_sum += best[k], out.iou_worst = std::min(out.iou_worst, best[k]);
        if (sure[k] >= 0.9) ++out.clear_sure;
        if (best[k] < 0.95) say(i, index[k], "clear, IoU " + decimals(best[k]) + " sure " + decimals(sure[k]));
      }
      if (truth[k].doubtful) {
        ++out.doubtful;
        if (sure[k] < 0.9) ++out.doubtful_marked;
        else say(i, index[k], "doubtful, but sure " + decimals(sure[k]) + ", IoU " + decimals(best[k]));
      }
    }
  }
  return out;
}

}  // namespace lapwright::support
