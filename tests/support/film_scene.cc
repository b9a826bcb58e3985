#include "support/film_scene.h"

#include <algorithm>
#include <cmath>

#include "support/edge_print.h"

namespace lapwright::support {
namespace {

constexpr double pi = 3.14159265358979323846;

double unit(std::uint64_t x) {  // a well-mixed hash in [0, 1)
  x ^= x >> 33, x *= 0xff51afd7ed558ccdULL, x ^= x >> 33, x *= 0xc4ceb9fe1a85ec53ULL, x ^= x >> 33;
  return static_cast<double>(x >> 11) / 9007199254740992.0;
}
double unit(std::int64_t a, std::int64_t b, std::int64_t c) {
  return unit(static_cast<std::uint64_t>(a) * 0x9e3779b97f4a7c15ULL +
              static_cast<std::uint64_t>(b) * 0xc2b2ae3d27d4eb4fULL +
              static_cast<std::uint64_t>(c) * 0x165667b19e3779f9ULL + 0x27d4eb2f165667c5ULL);
}

/// Smooth value noise of unit cell size, 0..1.
double noise(double x, double y, std::int64_t seed) {
  const double fx = std::floor(x), fy = std::floor(y);
  const auto i = static_cast<std::int64_t>(fx), j = static_cast<std::int64_t>(fy);
  const auto ease = [](double t) { return t * t * t * (t * (t * 6 - 15) + 10); };
  const double u = ease(x - fx), v = ease(y - fy);
  const double a = unit(i, j, seed), b = unit(i + 1, j, seed), c = unit(i, j + 1, seed),
               d = unit(i + 1, j + 1, seed);
  return (a * (1 - u) + b * u) * (1 - v) + (c * (1 - u) + d * u) * v;
}

/// 0 outside, 1 inside, over a transition of `soft` around the edge (signed distance, positive
/// inside).
double edge(double distance, double soft) { return std::clamp(distance / soft + 0.5, 0.0, 1.0); }

double rounded_box(double x, double y, double hw, double hh, double r) {  // positive inside
  const double dx = std::abs(x) - (hw - r), dy = std::abs(y) - (hh - r);
  const double out = std::hypot(std::max(dx, 0.0), std::max(dy, 0.0));
  return r - out - std::min(std::max(dx, dy), 0.0);
}

/// A strip of letter-like strokes along `t` (mm), in a band 1 mm high centred on v = 0: ink 0..1.
double letters(double t, double v, std::int64_t seed) {
  const double cell = 0.9, word = std::floor(t / 9.5);
  const double in_word = t - word * 9.5;
  const auto k = static_cast<std::int64_t>(std::floor(in_word / cell));
  if (in_word < 0.5 || k > 5 || unit(seed, static_cast<std::int64_t>(word), 991) < 0.15) return 0;
  const double x = (in_word - static_cast<double>(k) * cell) / cell * 3, y = (v + 0.5) * 5;
  if (x >= 2.4 || y < 0 || y >= 5) return 0;
  const auto bits =
      static_cast<std::int64_t>(unit(seed * 131 + static_cast<std::int64_t>(word), k, 77) * 32768);
  const auto cx = static_cast<std::int64_t>(x / 0.8), cy = static_cast<std::int64_t>(y);
  return ((bits >> (cy * 3 + cx)) & 1) ? 1.0 : 0.0;
}

}  // namespace

profile::SleeveProfile sleeve_135_7x5() {
  profile::SleeveProfile s;
  s.name = "135-7x5";
  s.about = "35 mm, seven strips of five";
  s.page = {{216000}, {279000}};
  s.film = profile::Film::f135;
  s.frame = {{36000}, {24000}, {38000}};
  s.strips = {7, 5, {{18000}, {14000}}, {36200}, {190000}, profile::Run::right};
  return s;
}

profile::SleeveProfile sleeve_120_3x4() {
  profile::SleeveProfile s;
  s.name = "120-3x4";
  s.about = "120, three strips of four 6 x 6";
  s.page = {{270000}, {230000}};
  s.film = profile::Film::f120;
  s.frame = {{56000}, {56000}, {61000}};
  s.strips = {3, 4, {{20000}, {14000}}, {65000}, {244000}, profile::Run::right};
  return s;
}

Scene::Scene(const profile::SleeveProfile& sleeve, const SceneOptions& options)
    : sleeve_(sleeve), options_(options) {
  const int n = sleeve.strips.count * sleeve.strips.frames;
  for (int i = 0; i < n; ++i) {
    const int frame = i % sleeve.strips.frames;
    const double spare =
        sleeve.strips.length.mm() - sleeve.frame.advance.mm() * sleeve.strips.frames;
    const double jitter = (unit(options.seed, i, 3) - 0.5) * 2 * options.frame_gap_jitter_mm;
    starts_.push_back(spare / 2 + (sleeve.frame.advance.mm() - sleeve.frame.width.mm()) / 2 +
                      frame * sleeve.frame.advance.mm() + jitter);
    if (const auto own = options.frame_start_mm.find(i); own != options.frame_start_mm.end()) starts_.back() = own->second;
  }
}

bool Scene::locate(Spot<SleeveSpace> mm, int& strip, double& along, double& across) const {
  const auto& s = sleeve_.strips;
  const double c = s.run == profile::Run::right ? mm.y - s.first.y.mm() : mm.x - s.first.x.mm();
  strip = static_cast<int>(std::floor(c / s.pitch.mm()));
  if (!options_.tilted_degrees.empty()) {  // a tilted one may reach over its pocket's line
    const int planned = strip;
    for (const int k : {planned, planned - 1, planned + 1})
      if (k >= 0 && k < s.count && in_strip(mm, k, along, across) && across >= 0 && across <= width()) {
        strip = k;
        return true;
      }
  }
  return strip >= 0 && strip < s.count && in_strip(mm, strip, along, across);
}

/// The film's own places of what lies at `mm` if strip `strip` lies there.
bool Scene::in_strip(Spot<SleeveSpace> mm, int strip, double& along, double& across) const {
  const auto& s = sleeve_.strips;
  const bool right = s.run == profile::Run::right;
  along = right ? mm.x - s.first.x.mm() : mm.y - s.first.y.mm();
  across = (right ? mm.y - s.first.y.mm() : mm.x - s.first.x.mm()) - strip * s.pitch.mm();
  const auto index = static_cast<std::size_t>(strip);
  if (index < options_.slid_mm.size()) along -= options_.slid_mm[index];
  if (index < options_.tilted_degrees.size()) {
    const double t = options_.tilted_degrees[index] * pi / 180, a = along - s.length.mm() / 2, b = across - width() / 2;
    along = s.length.mm() / 2 + std::cos(t) * a + std::sin(t) * b;
    across = width() / 2 - std::sin(t) * a + std::cos(t) * b;
  }
  const bool turned = options_.turned_strips.count(strip) != 0;
  if (turned != (options_.mirrored_strips.count(strip) != 0)) along = s.length.mm() - along;
  if (turned) across = width() - across;
  return true;
}

Spot<SleeveSpace> Scene::place(int strip, double along, double across) const {
  const auto& s = sleeve_.strips;
  const bool turned = options_.turned_strips.count(strip) != 0;
  if (turned) across = width() - across;
  if (turned != (options_.mirrored_strips.count(strip) != 0)) along = s.length.mm() - along;
  const auto index = static_cast<std::size_t>(strip);
  if (index < options_.tilted_degrees.size()) {
    const double t = options_.tilted_degrees[index] * pi / 180, a = along - s.length.mm() / 2, b = across - width() / 2;
    along = s.length.mm() / 2 + std::cos(t) * a - std::sin(t) * b;
    across = width() / 2 + std::sin(t) * a + std::cos(t) * b;
  }
  if (index < options_.slid_mm.size()) along += options_.slid_mm[index];
  across += strip * s.pitch.mm();
  if (s.run == profile::Run::right) return {s.first.x.mm() + along, s.first.y.mm() + across};
  return {s.first.x.mm() + across, s.first.y.mm() + along};
}

/// Start and end of the piece of film that `along` lies on or next to.
std::pair<double, double> Scene::film_at(int strip, double along) const {
  if (options_.piece_mm > 0) {
    std::pair<double, double> best{0, 0};
    double nearest = 1e9;
    for (int j = 0; j < sleeve_.strips.frames; ++j) {
      if (options_.missing_frames.count(strip * sleeve_.strips.frames + j)) continue;
      const auto [a, b] = exposed(strip, j);
      const double off = std::abs(along - (a + b) / 2);
      if (off < nearest) nearest = off, best = {(a + b - options_.piece_mm) / 2, (a + b + options_.piece_mm) / 2};
    }
    return best;
  }
  const auto index = static_cast<std::size_t>(strip);
  if (index < options_.cut_mm.size() && options_.cut_mm[index].second > options_.cut_mm[index].first) return options_.cut_mm[index];
  return {0, sleeve_.strips.length.mm()};
}

std::pair<double, double> Scene::exposed(int strip, int frame) const {
  const double a = starts_[static_cast<std::size_t>(strip * sleeve_.strips.frames + frame)];
  return {a, a + sleeve_.frame.width.mm()};
}

double Scene::true_share(int strip, int frame) const {
  if (options_.empty_strips.count(strip) || options_.missing_frames.count(strip * sleeve_.strips.frames + frame)) return 0;
  const auto [a, b] = exposed(strip, frame);
  const auto [from, to] = film_at(strip, (a + b) / 2);
  return std::max(0.0, std::min(b, to) - std::max(a, from)) / (b - a);
}

std::vector<Spot<SleeveSpace>> Scene::true_corners(int strip, int frame) const {
  if (true_share(strip, frame) <= 0) return {};
  auto [a, b] = exposed(strip, frame);
  const auto [from, to] = film_at(strip, (a + b) / 2);
  a = std::max(a, from), b = std::min(b, to);
  const double top = (width() - sleeve_.frame.height.mm()) / 2, bottom = top + sleeve_.frame.height.mm();
  std::vector<Spot<SleeveSpace>> out{place(strip, a, top), place(strip, b, top), place(strip, b, bottom), place(strip, a, bottom)};
  double turn = 0;
  for (std::size_t k = 0; k < 4; ++k) {
    const auto &p = out[k], &q = out[(k + 1) % 4];
    turn += p.x * q.y - q.x * p.y;
  }
  if (turn < 0) std::swap(out[1], out[3]);
  return out;
}

std::array<float, 3> Scene::plain() const { return transmission({}, 0, 0, 1, 0, options_.mounted); }

Rect<SleeveSpace> Scene::true_frame(int strip, int frame) const {
  const auto& s = sleeve_.strips;
  double along = starts_[static_cast<std::size_t>(strip * s.frames + frame)];
  if ((options_.turned_strips.count(strip) != 0) != (options_.mirrored_strips.count(strip) != 0))
    along = s.length.mm() - along - sleeve_.frame.width.mm();
  if (static_cast<std::size_t>(strip) < options_.slid_mm.size())
    along += options_.slid_mm[static_cast<std::size_t>(strip)];
  const double width = sleeve_.film == profile::Film::f135 ? 34.975 : sleeve_.film_width().mm();
  const double across = strip * s.pitch.mm() + (width - sleeve_.frame.height.mm()) / 2;
  const auto um = [](double v) { return Micrometres::from_mm(v); };
  if (s.run == profile::Run::right)
    return {um(s.first.x.mm() + along), um(s.first.y.mm() + across), sleeve_.frame.width,
            sleeve_.frame.height};
  return {um(s.first.x.mm() + across), um(s.first.y.mm() + along), sleeve_.frame.height,
          sleeve_.frame.width};
}

std::array<float, 3> Scene::picture(int index, double u, double v) const {
  if (options_.black_frames.count(index)) return {1, 1, 1};
  auto light = options_.shown ? options_.shown(index, u, v) : drawn(index, u, v);
  if (const auto more = options_.stops.find(index); more != options_.stops.end())
    for (float& c : light) c *= static_cast<float>(std::exp2(more->second));
  return light;
}

std::array<float, 3> Scene::drawn(int index, double u, double v) const {
  const std::int64_t seed = options_.burst
                                ? options_.seed * 1000
                                : options_.seed * 1000 + index / std::max(1, options_.burst_of);
  const double mm_x = u * sleeve_.frame.width.mm(), mm_y = v * sleeve_.frame.height.mm();
  const double horizon = 0.3 + 0.35 * unit(seed, 1, 1);
  double light = v < horizon
                     ? 0.55 - 0.25 * v / horizon + 0.2 * (noise(mm_x / 6, mm_y / 2.5, seed) - 0.5)
                     : 0.10 + 0.16 * noise(mm_x / 2.3, mm_y / 1.7, seed + 1);
  double warm = v < horizon ? -0.12 : 0.08;
  for (int k = 0; k < 7; ++k) {  // figures and houses
    const double cx = unit(seed, k, 11), cy = horizon + (unit(seed, k, 12) - 0.35) * 0.6,
                 w = 0.03 + 0.13 * unit(seed, k, 13), h = 0.05 + 0.28 * unit(seed, k, 14);
    const double inside =
        edge(rounded_box((u - cx) * 1.5, v - cy, w, h, k % 2 ? w * 0.9 : 0.01), 0.006);
    const double tone = std::pow(unit(seed, k, 15), 2.0) * 0.8 + 0.01;
    light = light * (1 - inside) +
            inside * tone * (0.8 + 0.4 * noise(mm_x * 1.1, mm_y * 1.1, seed + 20 + k));
    warm = warm * (1 - inside) + inside * (unit(seed, k, 16) - 0.5) * 0.7;
  }
  light *= 0.75 + 0.5 * (0.6 * noise(mm_x * 2.1, mm_y * 2.1, seed + 2) +
                         0.4 * noise(mm_x * 6.3, mm_y * 6.3, seed + 3));
  if (options_.night) {
    light *= 0.03;
    for (int k = 0; k < 3; ++k) {  // lamps
      const double x = u - unit(seed, k, 31), y = (v - unit(seed, k, 32)) / 1.5;
      light += 0.7 * std::exp(-(x * x + y * y) / (2 * 0.012 * 0.012));
    }
  }
  light = std::clamp(light, 0.002, 1.0);
  return {static_cast<float>(std::clamp(light * (1 + warm), 0.001, 1.0)), static_cast<float>(light),
          static_cast<float>(std::clamp(light * (1 - warm), 0.001, 1.0))};
}

std::array<float, 3> Scene::positive_at(Spot<SleeveSpace> mm) const {
  int strip = 0;
  double along = 0, across = 0;
  if (!locate(mm, strip, along, across)) return {0, 0, 0};
  const double width = sleeve_.film == profile::Film::f135 ? 34.975 : sleeve_.film_width().mm();
  const double v = (across - (width - sleeve_.frame.height.mm()) / 2) / sleeve_.frame.height.mm();
  for (int j = 0; j < sleeve_.strips.frames; ++j) {
    const int index = strip * sleeve_.strips.frames + j;
    const double u = (along - starts_[static_cast<std::size_t>(index)]) / sleeve_.frame.width.mm();
    if (u >= 0 && u < 1 && v >= 0 && v < 1)
      return options_.blank_frames.count(index) ? std::array<float, 3>{0, 0, 0}
                                                : picture(index, u, v);
  }
  return {0, 0, 0};
}

/// One code every 19 mm on the lower edge, the data nearer to it; what letters are there stand between them.
double Scene::edge_code(int strip, double along, double from_edge, double letter) const {
  constexpr double module = 0.33, step = 19, high = 0.85;
  const double at = along - sleeve_.strips.length.mm() / (2 * sleeve_.strips.frames) - options_.edge_off_mm;  // from the first picture's middle
  const int count = static_cast<int>(std::floor(at / step + 0.5));
  const double in = at - count * step + module * 31 / 2;  // from the code's start
  if (in < -2 || in > module * 31 + 1) return letter;
  const auto k = static_cast<int>(std::floor(in / module));
  if (in < 0 || k >= 31 || from_edge < 0.15 || from_edge > 0.15 + 2 * high) return 0;
  const int half = options_.edge_first + 2 * strip * sleeve_.strips.frames + count, frame = (half - (half & 1)) / 2;
  const std::string modules = from_edge > 0.15 + high
                                  ? edge_clock(true)
                                  : edge_data(options_.edge_film / 16, options_.edge_film % 16, (frame + 64) % 64, half & 1);
  return modules[static_cast<std::size_t>(k)] == '1' ? 1 : 0;
}

std::array<float, 3> Scene::at(Spot<SleeveSpace> mm) const {
  const double pocket = std::pow(10.0, -0.065);  // two sheets of polypropylene: CALC, trade.md 2
  if (mm.x < 0 || mm.y < 0 || mm.x > sleeve_.page.width.mm() || mm.y > sleeve_.page.height.mm())
    return {1, 1, 1};
  const auto clear = static_cast<float>(pocket);
  int strip = 0;
  double along = 0, across = 0;
  if (!locate(mm, strip, along, across) || options_.empty_strips.count(strip))
    return {clear, clear, clear};
  const double width = this->width();
  const auto [from, to] = film_at(strip, along);
  const double soft = 0.03;
  const double film = edge(std::min({along - from, to - along, across, width - across}), soft);
  if (film <= 0) return {clear, clear, clear};
  double hole = 0, ink = 0;
  if (sleeve_.film == profile::Film::f135) {
    const double from_edge = std::min(across, width - across);
    if (options_.perforations) {
      const double phase = along - 4.75 * std::floor(along / 4.75) - 2.375;
      hole = edge(rounded_box(phase, from_edge - 2.01 - 1.397, 0.9905, 1.397, 0.51),
                  soft);  // trade.md 1.1
    }
    if (options_.lettering)
      ink = letters(along, (from_edge - 1.0) / 1.0,
                    options_.seed * 100 + strip * 2 + (across > width / 2 ? 1 : 0));
    if (options_.edge_film > 0 && across > width / 2 && options_.codeless_strips.count(strip) == 0)
      ink = edge_code(strip, along, from_edge, ink);
  }
  const double v = (across - (width - sleeve_.frame.height.mm()) / 2) / sleeve_.frame.height.mm();
  Light light;
  double window = 0;
  for (int j = 0; j < sleeve_.strips.frames; ++j) {
    const int index = strip * sleeve_.strips.frames + j;
    const double d = along - starts_[static_cast<std::size_t>(index)];
    const double e = edge(std::min({d, sleeve_.frame.width.mm() - d, v * sleeve_.frame.height.mm(),
                                    (1 - v) * sleeve_.frame.height.mm()}),
                          0.06);
    if (e <= 0 || options_.missing_frames.count(index)) continue;
    window = std::max(window, e);
    if (options_.blank_frames.count(index)) continue;
    const auto seen =
        picture(index, std::clamp(d / sleeve_.frame.width.mm(), 0.0, 1.0), std::clamp(v, 0.0, 1.0));
    for (std::size_t c = 0; c < 3; ++c) light.exposed[c] += e * static_cast<double>(seen[c]);
    light.grey += e * (0.3 * static_cast<double>(seen[0]) + 0.59 * static_cast<double>(seen[1]) +
                       0.11 * static_cast<double>(seen[2]));
  }
  return transmission(light, hole, ink, film, window, options_.mounted);
}

std::array<float, 3> Scene::transmission(const Light& light, double hole, double ink, double film, double window, bool mounted) const {
  const double pocket = std::pow(10.0, -0.065);
  static constexpr double base[3] = {0.32, 0.63, 0.72},
                          gamma[3] = {0.851 * 0.60, 0.60, 1.040 * 0.60};
  static constexpr double letter[3] = {0.62, 0.33,
                                       0.16};  // net density of edge print, orange on the positive
  std::array<float, 3> out{};
  for (std::size_t c = 0; c < 3; ++c) {
    double density = 0;
    const double exposed = light.exposed[c];
    if (options_.process == profile::Process::slide) {
      density = 3.2 / (1 + std::pow(exposed / 0.012, 0.75)) + 0.12 - 0.3 * ink;
    } else if (options_.process == profile::Process::bw_negative) {
      density = 0.28 + 0.62 * std::log10(1 + light.grey / 0.004) + 0.5 * ink;
    } else {
      density = base[c] + gamma[c] * std::log10(1 + exposed / 0.004) + letter[c] * ink;
    }
    if (options_.infrared) density = 0.045 + 0.02 * density;
    double through = std::pow(10.0, -density);
    if (mounted) through = window * through + (1 - window) * 1e-4;
    out[c] = static_cast<float>(pocket * (film * ((1 - hole) * through + hole) + (1 - film)));
  }
  return out;
}

image::Rgb16 render(const Scene& scene,
                    const std::function<Spot<SleeveSpace>(Spot<PassSpace>)>& where,
                    std::int64_t width, std::int64_t height, const Faults& faults) {
  image::Rgb16 out(width, height);
  std::uint64_t state = faults.seed * 0x9e3779b97f4a7c15ULL + 1;
  const auto random = [&] {
    state ^= state << 13, state ^= state >> 7, state ^= state << 17;
    return static_cast<double>(state >> 11) / 9007199254740992.0;
  };
  for (std::int64_t y = 0; y < height; ++y) {
    std::uint16_t* row = out.row(y);
    for (std::int64_t x = 0; x < width; ++x) {
      double sum[3] = {0, 0, 0};
      for (int k = 0; k < 4; ++k) {
        const auto t = scene.at(where({static_cast<double>(x) + (k & 1 ? 0.75 : 0.25),
                                       static_cast<double>(y) + (k & 2 ? 0.75 : 0.25)}));
        for (std::size_t c = 0; c < 3; ++c) sum[c] += static_cast<double>(t[c]) / 4;
      }
      for (std::size_t c = 0; c < 3; ++c) {
        double counts = sum[c] * faults.gain[c] * faults.full_scale;
        if (faults.noise > 0) {
          const double gauss =
              std::sqrt(-2 * std::log(random() + 1e-12)) * std::cos(2 * pi * random());
          counts += gauss * faults.noise * std::sqrt(0.1 + 0.9 * std::max(sum[c], 0.0));
        }
        row[x * 3 + static_cast<std::int64_t>(c)] =
            static_cast<std::uint16_t>(std::clamp(counts + 0.5, 0.0, 65535.0));
      }
    }
  }
  return out;
}

image::Rgb16 render(const Scene& scene, const Affine<SleeveSpace, PassSpace>& lay,
                    std::int64_t width, std::int64_t height, const Faults& faults) {
  const Affine<PassSpace, SleeveSpace> back = lay.inverse();
  image::Rgb16 out = render(
      scene, [back](Spot<PassSpace> p) { return back(p); }, width, height, faults);
  if (faults.dust_per_cm2 > 0) {
    const double px_per_mm = std::sqrt(std::abs(lay.determinant()));
    const double area_cm2 = static_cast<double>(width * height) / (px_per_mm * px_per_mm * 100);
    const int specks = static_cast<int>(area_cm2 * faults.dust_per_cm2);
    for (int k = 0; k < specks; ++k) {
      const double cx = unit(faults.seed, k, 501) * static_cast<double>(width),
                   cy = unit(faults.seed, k, 502) * static_cast<double>(height);
      const double r = (0.02 + 0.08 * unit(faults.seed, k, 503)) * px_per_mm + 0.4;
      for (auto y = static_cast<std::int64_t>(cy - r); y <= static_cast<std::int64_t>(cy + r); ++y)
        for (auto x = static_cast<std::int64_t>(cx - r); x <= static_cast<std::int64_t>(cx + r);
             ++x)
          if (x >= 0 && y >= 0 && x < width && y < height &&
              std::hypot(static_cast<double>(x) + 0.5 - cx, static_cast<double>(y) + 0.5 - cy) < r)
            for (int c = 0; c < 3; ++c)
              out.row(y)[x * 3 + c] = static_cast<std::uint16_t>(out.row(y)[x * 3 + c] / 3);
    }
  }
  return out;
}

}  // namespace lapwright::support
