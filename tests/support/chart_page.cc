#include "support/chart_page.h"

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <random>
#include <set>
#include <sstream>

namespace lapwright::support {
namespace {

using profile::Process;

constexpr double pocket_density = 0.065;  // CALC trade.md 2
constexpr double full_scale = 60000;

/// 0 far left, a straight line of slope 1 far right.
double bend(double x, double width) {
  return x > 25 * width ? x : width * std::log1p(std::exp(x / width));
}

Triple times(const std::array<Triple, 3>& m, const Triple& v) {
  Triple out{};
  for (std::size_t i = 0; i < 3; ++i)
    for (std::size_t j = 0; j < 3; ++j) out[i] += m[i][j] * v[j];
  return out;
}

Triple scaled(const Triple& v, double k) { return {v[0] * k, v[1] * k, v[2] * k}; }

std::array<Triple, 3> inverse(const std::array<Triple, 3>& m) {
  std::array<Triple, 3> out{};
  double det = 0;
  for (std::size_t i = 0; i < 3; ++i) {
    for (std::size_t j = 0; j < 3; ++j) {
      const auto a = (j + 1) % 3, b = (j + 2) % 3, c = (i + 1) % 3, d = (i + 2) % 3;
      out[i][j] = m[a][c] * m[b][d] - m[a][d] * m[b][c];
    }
    det += m[0][i] * out[i][0];
  }
  for (auto& row : out) row = scaled(row, 1 / det);
  return out;
}

/// What one picture shows: things of many colours, some of them grey, under a light of its own.
class Picture {
 public:
  explicit Picture(std::mt19937& random) {
    std::normal_distribution<double> normal(0, 1);
    std::uniform_real_distribution<double> unit(0, 1);
    const double light = std::pow(2.0, std::clamp(0.6 * normal(random), -1.5, 1.5)),
                 warm = 0.06 * normal(random);
    light_ = {light * (1 + warm), light, light * (1 - warm)};
    const double kind = unit(random);
    if (kind < 0.35)
      ground_ = {0.30, 0.38, 0.55};  // sky
    else if (kind < 0.6)
      ground_ = {0.07, 0.12, 0.035};  // leaves
    else
      ground_ = {0.20, 0.19, 0.175};  // stone
    horizon_ = 0.3 + 0.4 * unit(random);
    const double second = std::exp(-1.9 + 0.6 * normal(random));
    below_ = {second * (1 + 0.08 * normal(random)), second, second * (1 + 0.08 * normal(random))};
    for (Thing& t : things_) {
      t = {unit(random),
           unit(random),
           0.03 + 0.16 * unit(random),
           0.03 + 0.2 * unit(random),
           unit(random) < 0.5,
           {}};
      const double bright = std::min(0.9, std::exp(-1.75 + 0.85 * normal(random)));
      // Saturations of a real place: most things are dull, a few are not (from memory).
      const double saturation = unit(random) < 0.35 ? 0.03 : 0.35 * std::abs(normal(random));
      const double hue = 6.283185307 * unit(random);
      for (std::size_t c = 0; c < 3; ++c)
        t.colour[c] =
            bright *
            std::max(0.05, 1 + saturation * std::cos(hue + 2.0944 * static_cast<double>(c)));
    }
  }
  Triple at(double u, double v) const {
    Triple colour = v < horizon_ ? scaled(ground_, 0.8 + 0.5 * v) : scaled(below_, 0.75 + 0.5 * u);
    for (const Thing& t : things_) {
      const double x = (u - t.x) / t.w, y = (v - t.y) / t.h;
      if (t.round ? x * x + y * y < 1 : std::abs(x) < 1 && std::abs(y) < 1)
        colour = scaled(t.colour, 1 - 0.25 * x);
    }
    for (std::size_t c = 0; c < 3; ++c) colour[c] *= light_[c];
    return colour;
  }

 private:
  struct Thing {
    double x, y, w, h;
    bool round;
    Triple colour;
  };
  Triple light_{}, ground_{}, below_{};
  double horizon_ = 0;
  std::array<Thing, 14> things_{};
};

enum class Shows { picture, chart, greys, wedge };

struct Grid {
  int columns, rows;
  double size;  // share of a cell that its patch fills
};
constexpr Grid chart_grid{6, 4, 0.8}, grey_grid{7, 1, 0.9}, wedge_grid{21, 1, 1.0};

Rect<SleeveSpace> inner(const Rect<SleeveSpace>& frame, const Grid& grid, int i) {
  const double w = frame.width.mm() / grid.columns, h = frame.height.mm() / grid.rows;
  const double x = frame.x.mm() + (i % grid.columns + 0.5) * w,
               y = frame.y.mm() + (i / grid.columns + 0.5) * h;
  const double kw = w * grid.size * 0.6, kh = h * grid.size * 0.6;  // well inside the patch
  const auto um = [](double mm) { return Micrometres::from_mm(mm); };
  return {um(x - kw / 2), um(y - kh / 2), um(kw), um(kh)};
}

}  // namespace

FilmModel FilmModel::made(unsigned seed, Process process, bool chromogenic, double spread) {
  std::mt19937 random(seed * 7919 + 13);
  std::uniform_real_distribution<double> plus_minus(-spread, spread);
  FilmModel f;
  f.process = process;
  for (std::size_t i = 0; i < 3; ++i) f.leak[i][i] = 1;
  const double steep = 0.60 + 0.04 * plus_minus(random);
  switch (process) {
    case Process::colour_negative: {
      // Bases from memory (trade.md 4.3), contrasts as READ there with some spread; the layers'
      // speeds as on its control strip.
      f.base = {0.28 + 0.06 * plus_minus(random), 0.63 + 0.06 * plus_minus(random),
                0.80 + 0.10 * plus_minus(random)};
      f.gamma = {steep * 0.851 * (1 + 0.03 * plus_minus(random)), steep,
                 steep * 1.040 * (1 + 0.03 * plus_minus(random))};
      f.speed = {0.8 + 0.018 + 0.03 * plus_minus(random), 0.8,
                 0.8 + 0.2 + 0.03 * plus_minus(random)};
      for (double& t : f.toe) t = 0.20 + 0.06 * plus_minus(random);
      for (double& r : f.range) r = 2.7 + 0.3 * plus_minus(random);
      f.held_back = 0.03 + 0.02 * plus_minus(random);
      for (std::size_t i = 0; i < 3; ++i)
        for (std::size_t j = 0; j < 3; ++j)
          if (i != j) f.leak[i][j] = 0.035 + 0.025 * plus_minus(random);
      break;
    }
    case Process::bw_negative:
      f.base = chromogenic ? Triple{0.30, 0.52, 0.60} : Triple{0.27, 0.28, 0.29};
      for (double& b : f.base) b += 0.05 * plus_minus(random);
      f.gamma = chromogenic ? Triple{steep * 1.02, steep, steep * 0.95}
                            : Triple{steep, steep, steep * 1.01};
      f.speed = {0.8, 0.8, 0.8};
      f.toe = {0.2, 0.2, 0.2};
      f.range = {2.6, 2.6, 2.6};
      break;
    case Process::slide:
      f.base = {0.16, 0.15, 0.17};
      f.gamma = {1.75, 1.75, 1.75};
      for (double& g : f.gamma) g += 0.05 * plus_minus(random);
      f.speed = {0.42, 0.42, 0.42};
      for (double& r : f.range) r = 3.1 + 0.1 * plus_minus(random);
      break;
  }
  return f;
}

Triple FilmModel::densities(const Triple& light) const {
  Triple log_e{};
  for (std::size_t c = 0; c < 3; ++c) log_e[c] = std::log10(std::max(light[c], 1e-5) / 0.18);
  if (process == Process::bw_negative) {
    const double grey =
        std::log10(std::max(0.25 * light[0] + 0.6 * light[1] + 0.15 * light[2], 1e-5) / 0.18);
    log_e = {grey, grey, grey};
  }
  const double mean = (log_e[0] + log_e[1] + log_e[2]) / 3;
  Triple net{};
  for (std::size_t c = 0; c < 3; ++c) {
    const double x = log_e[c] + 1.5 * held_back * (log_e[c] - mean) + speed[c];
    if (process == Process::slide)
      net[c] = range[c] / (1 + std::exp(4 * gamma[c] * x / range[c]));
    else
      net[c] = gamma[c] * (bend(x, toe[c]) - bend(x - range[c], shoulder));
  }
  Triple d = times(leak, net);
  for (std::size_t c = 0; c < 3; ++c) d[c] += base[c];
  return d;
}

namespace {

std::vector<Triple> patches_of(const std::filesystem::path& file) {
  std::ifstream in(file);
  std::vector<Triple> out;
  std::string line;
  bool data = false;
  while (std::getline(in, line)) {
    if (line.starts_with("BEGIN_DATA"))
      data = line.find("FORMAT") == std::string::npos;
    else if (line.starts_with("END_DATA"))
      data = false;
    else if (data) {
      std::istringstream words(line);
      std::string name;
      Triple lab{};
      if (words >> name >> lab[0] >> lab[1] >> lab[2]) out.push_back(lab);
    }
  }
  return out;
}

}  // namespace

std::vector<Triple> chart_lab() {
  std::set<std::filesystem::path> charts;
  std::error_code trouble;
  for (std::filesystem::directory_iterator it("/usr/share/color/argyll/ref", trouble), end;
       !trouble && it != end; it.increment(trouble))
    if (it->path().extension() == ".cie") charts.insert(it->path());
  for (const auto& chart : charts)
    if (auto patches = patches_of(chart); patches.size() == 24) return patches;
  return {};
}

std::vector<Triple> chart_light() {
  constexpr std::array<Triple, 3> xyz_of_rgb{
      {{0.4124, 0.3576, 0.1805}, {0.2126, 0.7152, 0.0722}, {0.0193, 0.1192, 0.9505}}};
  constexpr std::array<Triple, 3> bradford{
      {{0.8951, 0.2664, -0.1614}, {-0.7502, 1.7135, 0.0367}, {0.0389, -0.0685, 1.0296}}};
  constexpr Triple d50{0.9642, 1, 0.8249};
  const Triple d65 = times(xyz_of_rgb, {1, 1, 1}), cone50 = times(bradford, d50),
               cone65 = times(bradford, d65);
  std::vector<Triple> out;
  for (const Triple& lab : chart_lab()) {
    const double fy = (lab[0] + 16) / 116;
    const Triple f{fy + lab[1] / 500, fy, fy - lab[2] / 200};
    Triple xyz{};
    for (std::size_t i = 0; i < 3; ++i)
      xyz[i] = d50[i] * (f[i] > 6.0 / 29 ? f[i] * f[i] * f[i] : 3 * 36.0 / 841 * (f[i] - 4.0 / 29));
    Triple cone = times(bradford, xyz);
    for (std::size_t i = 0; i < 3; ++i) cone[i] *= cone65[i] / cone50[i];
    out.push_back(times(inverse(xyz_of_rgb), times(inverse(bradford), cone)));
  }
  return out;
}

double ChartPage::light(std::size_t channel, double u, double v) const {
  const double line = (across ? v : u) - middle, travel = ((across ? u : v) + 1) / 2;
  return (1 - bow[channel] * line * line) *
         (1 - drift * (1 - std::exp(-2 * travel)) / (1 - std::exp(-2.0)));
}

profile::SleeveProfile ChartPage::sleeve(int strips) {
  profile::SleeveProfile s;
  s.name = "chart-" + std::to_string(strips) + "x4";
  s.about = "35 mm, strips of four";
  s.page = {{190000}, {31400 + strips * 36200}};
  s.film = profile::Film::f135;
  s.frame = {{36000}, {24000}, {38000}};
  s.strips = {strips, 4, {{15000}, {12000}}, {36200}, {153000}, profile::Run::right};
  return s;
}

ChartPage ChartPage::made(const FilmModel& film, const ChartPageOptions& o) {
  const auto profile = sleeve(o.strips);
  const int frames = o.strips * 4;
  const auto block = profile.block().grown({4000});
  ChartPage page{};
  page.strips = o.strips;
  page.origin = {block.x.mm(), block.y.mm()};
  const double mm = o.ppi.mm_per_pixel();
  page.picture = image::Rgb16(core::to_pixels(block.width, o.ppi).value,
                              core::to_pixels(block.height, o.ppi).value);
  const double exposed = std::pow(2.0, o.exposure);

  // What the frames show.
  std::mt19937 random(o.seed * 104729 + 7);
  const auto patches = chart_light();
  std::vector<Shows> shows(static_cast<std::size_t>(frames), Shows::picture);
  if (o.with_targets) shows[1] = Shows::chart, shows[6] = Shows::greys;
  if (o.with_wedge) shows[9] = Shows::wedge;
  std::vector<Picture> pictures;
  for (int i = 0; i < frames; ++i) pictures.emplace_back(random);
  const auto grey = [](double stops) { return scaled({0.18, 0.18, 0.18}, std::pow(2.0, stops)); };
  const auto step = [](int i) {
    return scaled({0.9, 0.9, 0.9}, std::pow(10.0, 0.9 - 0.15 * (20 - i)));
  };
  for (int i = 0; i < frames; ++i) {
    const auto area = profile.frame_area(i / 4, i % 4);
    const auto which = shows[static_cast<std::size_t>(i)];
    for (int k = 0; which == Shows::chart && k < 24; ++k)
      page.chart.push_back({inner(area, chart_grid, k), patches[static_cast<std::size_t>(k)]});
    for (int k = 0; which == Shows::greys && k < 7; ++k)
      page.greys.push_back({inner(area, grey_grid, k), grey(k - 3)});
    for (int k = 0; which == Shows::wedge && k < 21; ++k)
      page.wedge.push_back({inner(area, wedge_grid, k), step(k)});
  }
  const auto cell = [](const Grid& g, double u, double v) {
    const double x = u * g.columns, y = v * g.rows;
    const double dx = std::abs(x - std::floor(x) - 0.5), dy = std::abs(y - std::floor(y) - 0.5);
    return dx > g.size / 2 || dy > g.size / 2
               ? -1
               : static_cast<int>(y) * g.columns + static_cast<int>(x);
  };
  const auto scene = [&](int frame, double u, double v) -> Triple {
    switch (shows[static_cast<std::size_t>(frame)]) {
      case Shows::chart: {
        const int k = cell(chart_grid, u, v);
        return k < 0 ? Triple{0.02, 0.02, 0.02} : patches[static_cast<std::size_t>(k)];
      }
      case Shows::greys: {
        const int k = cell(grey_grid, u, v);
        return k < 0 ? Triple{0.02, 0.02, 0.02} : grey(k - 3);
      }
      case Shows::wedge:
        return step(std::min(20, static_cast<int>(u * 21)));
      case Shows::picture:
        break;
    }
    return pictures[static_cast<std::size_t>(frame)].at(u, v);
  };

  const auto plain = film.densities({0, 0, 0});
  const double width = static_cast<double>(page.picture.width()),
               height = static_cast<double>(page.picture.height());
  std::uniform_real_distribution<double> plus_minus(-1, 1);
  const unsigned of_light = o.light_seed != 0 ? o.light_seed : o.seed;
  random.seed(of_light * 104729 + 11);
  page.middle = 0.15 * plus_minus(random), page.drift = o.drift, page.across = o.across;
  Triple lamp{};
  for (std::size_t c = 0; c < 3; ++c)
    page.bow[c] = o.bow * (1 + 0.15 * plus_minus(random)), lamp[c] = full_scale * (c == 0   ? 1.0
                                                                                   : c == 1 ? 0.97
                                                                                            : 0.91);
  page.open_light = scaled({lamp[0], lamp[1], lamp[2]}, std::pow(10.0, -pocket_density));
  std::normal_distribution<float> normal(0, 1);
  std::minstd_rand quick(of_light * 31 + 5);
  const double edge = 34.975;
  for (std::int64_t y = 0; y < page.picture.height(); ++y) {
    std::uint16_t* row = page.picture.row(y);
    const double py =
        page.origin.y + (static_cast<double>(y) + 0.5) * mm - profile.strips.first.y.mm();
    const int strip = static_cast<int>(std::floor(py / profile.strips.pitch.mm()));
    const double across = py - strip * profile.strips.pitch.mm();
    for (std::int64_t x = 0; x < page.picture.width(); ++x) {
      const double along =
          page.origin.x + (static_cast<double>(x) + 0.5) * mm - profile.strips.first.x.mm();
      Triple density{};
      bool is_film = strip >= 0 && strip < o.strips && across < edge && along >= 0 &&
                     along < profile.strips.length.mm();
      if (is_film) {
        const double in = std::min(across, edge - across),
                     at = along - 4.75 * std::floor(along / 4.75) - 2.375;
        if (in > 2.01 && in < 4.8 && std::abs(at) < 0.99) is_film = false;
      }
      if (is_film) {
        density = plain;
        const double u = (along - (153.0 - 4 * 38.0) / 2 - 1) / 38,
                     v = (across - (edge - 24) / 2) / 24;
        const int frame = static_cast<int>(std::floor(u));
        const double inside = (u - frame) * 38 / 36;
        if (frame >= 0 && frame < 4 && inside < 1 && v >= 0 && v < 1)
          density = film.densities(scaled(scene(strip * 4 + frame, inside, v), exposed));
      }
      const double sx = 2 * (static_cast<double>(x) + 0.5) / width - 1,
                   sy = 2 * (static_cast<double>(y) + 0.5) / height - 1;
      for (std::size_t c = 0; c < 3; ++c) {
        const double light = lamp[c] * page.light(c, sx, sy);
        const double t = std::pow(10.0, -pocket_density - density[c]);
        const double counts =
            light * (t + o.flare) + normal(quick) * o.noise * std::sqrt(0.05 + 0.95 * t);
        row[x * 3 + static_cast<std::int64_t>(c)] =
            static_cast<std::uint16_t>(std::clamp(counts + 0.5, 0.0, 65535.0));
      }
    }
  }
  const auto gap = profile.strip(0);
  page.rebate = {gap.x + Micrometres::from_mm(37.8), gap.y + Micrometres::from_mm(8),
                 Micrometres::from_mm(1.4), Micrometres::from_mm(16)};
  return page;
}

}  // namespace lapwright::support
