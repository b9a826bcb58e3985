#include "bed/window_check.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>

namespace lapwright::bed {
namespace {

constexpr double full = 65535;
constexpr int tiles_across = 12;
// Common practice, no source: an unlit window is a hundredth of full scale or less, an open one a
// third or more.
constexpr double unlit = 0.05, dim = 0.25;
constexpr double lit_part = 0.5;  // of the usual level: beyond it the light has ended
constexpr double even_enough = 0.75;
constexpr double most_clipped = 1e-3;  // share of the samples
constexpr double same_bits = 0.999;    // share of the samples whose low bits say nothing
constexpr int fewest_codes = 4;
constexpr std::uint64_t fewest_changes = 2000;  // for one level's noise
// Poisson: variance = mean on a straight scale (exponent 1). A curve y = x^(1/g) makes it 2 - g:
// 0.2 at 1.8, -0.2 at 2.2.
constexpr double linear_from = 0.6, curved_to = 0.35;
constexpr double most_error =
    0.1;  // a quarter of the way between the two, two and a half times over

double median_of(std::vector<double> v) {
  const auto middle = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), middle, v.end());
  return *middle;
}

/// Sixteen steps an octave; half a code and less is the first.
int step_of(double change) {
  return std::clamp(static_cast<int>(16 * std::log2(2 * change + 1)), 0, 255);
}
double change_at(double step) { return (std::exp2(step / 16) - 1) / 2; }

template <class Counts>
double median_change(const Counts& counts, std::uint64_t all) {
  double seen = 0;
  for (std::size_t i = 0; i < counts.size(); ++i) {
    const double next = seen + counts[i];
    if (next >= static_cast<double>(all) / 2)
      return change_at(static_cast<double>(i) + (static_cast<double>(all) / 2 - seen) / counts[i]);
    seen = next;
  }
  return 0;
}

struct Codes {
  explicit Codes(const std::vector<std::uint32_t>& all_counts) : counts(all_counts) {
    all = std::accumulate(counts.begin(), counts.end(), std::uint64_t{0});
  }
  const std::vector<std::uint32_t>& counts;
  std::uint64_t all = 0;

  double median() const {
    std::uint64_t seen = 0;
    for (std::size_t c = 0; c < counts.size(); ++c)
      if ((seen += counts[c]) * 2 >= all) return static_cast<double>(c) / full;
    return 0;
  }

  /// A tail falls towards its end; where it is cut, it piles up.
  double clipped() const {
    std::size_t top = counts.size() - 1;
    while (top > 0 && counts[top] == 0) --top;
    std::size_t next = top;
    while (next > 0 && (next == top || counts[next] == 0)) --next;
    const double share = static_cast<double>(counts[top]) / static_cast<double>(all);
    const bool at_end = static_cast<double>(top) >= 0.95 * full;
    const bool piled = counts[top] > counts[next] * (at_end ? 1U : 4U);
    return share > most_clipped && piled ? share : 0;
  }

  /// Bits above the low ones that are the same everywhere or only repeat the high ones.
  int bits() const {
    const auto used = std::count_if(counts.begin(), counts.end(), [](auto n) { return n > 0; });
    if (used < fewest_codes) return 0;
    for (int low = 8; low > 0; --low) {
      const std::size_t mask = (std::size_t{1} << low) - 1;
      std::vector<std::uint64_t> patterns(mask + 1, 0);
      std::uint64_t repeated = 0;
      for (std::size_t c = 0; c < counts.size(); ++c) {
        patterns[c & mask] += counts[c];
        if ((c & mask) == c >> (16 - low)) repeated += counts[c];
      }
      const std::uint64_t same = *std::max_element(patterns.begin(), patterns.end());
      if (static_cast<double>(std::max(same, repeated)) >= same_bits * static_cast<double>(all))
        return 16 - low;
    }
    return 16;
  }
};

/// First and last place where the means reach half of their median.
std::pair<std::size_t, std::size_t> lit_span(const std::vector<double>& means) {
  const double least = lit_part * median_of(means);
  std::size_t first = 0, last = means.size();
  while (first < last && means[first] < least) ++first;
  while (last > first && means[last - 1] < least) --last;
  return {first, last};
}

/// Weighted straight line through (log level, log variance).
struct Line {
  double w = 0, wx = 0, wy = 0, wxx = 0, wxy = 0;
  void add(double x, double y, double weight) {
    w += weight, wx += weight * x, wy += weight * y, wxx += weight * x * x, wxy += weight * x * y;
  }
  double spread() const { return wxx - wx * wx / w; }
  double slope() const { return (wxy - wx * wy / w) / spread(); }
};

std::string percent(double part) {
  const double p = std::round(part * 1000) / 10;
  std::string s = std::to_string(p);
  return s.substr(0, s.find('.') + 2) + " %";
}
std::string per_channel(const std::array<double, 3>& parts) {
  return "red " + percent(parts[0]) + ", green " + percent(parts[1]) + ", blue " +
         percent(parts[2]);
}
double least(const std::array<double, 3>& a) { return *std::min_element(a.begin(), a.end()); }
double most(const std::array<double, 3>& a) { return *std::max_element(a.begin(), a.end()); }

}  // namespace

Result<> WindowCheck::begin(const Format& format) {
  *this = {};
  format_ = format;
  if (format.width < tiles_across)
    return fail(Fault::bad_data, "the picture of the window is too narrow to be judged");
  for (Channel& c : channels_) {
    c.codes.assign(65536, 0);
    c.columns.assign(static_cast<std::size_t>(format.width), 0);
    c.noise.assign(levels, {});
  }
  tiles_.assign(tiles_across, {});
  tile_rows_ = format.height > 0 ? std::max<std::int64_t>(1, format.height / tiles_across) : 64;
  return {};
}

Result<> WindowCheck::rows(const std::uint16_t* samples, std::int64_t count) {
  for (std::int64_t i = 0; i < count; ++i) row(samples + i * format_.width * 3);
  return {};
}

void WindowCheck::row(const std::uint16_t* now) {
  const auto width = static_cast<std::size_t>(format_.width);
  std::array<double, 3> sums{};
  for (std::size_t x = 0; x < width; ++x)
    for (std::size_t c = 0; c < 3; ++c) {
      const std::uint16_t v = now[x * 3 + c];
      ++channels_[c].codes[v];
      channels_[c].columns[x] += v;
      sums[c] += v;
      tiles_[x * tiles_across / width][c] += v;
    }
  for (std::size_t c = 0; c < 3; ++c)
    channels_[c].rows.push_back(sums[c] / static_cast<double>(width));
  if (!before_.empty()) compare(before_.data(), now);
  before_.assign(now, now + width * 3);
  ++height_;
  if (++rows_in_tile_ < tile_rows_) return;
  for (std::size_t t = 0; t < tiles_across; ++t)
    for (double& sum : tiles_[t])
      sum /= static_cast<double>((tile_edge(t + 1) - tile_edge(t)) *
                                 static_cast<std::size_t>(tile_rows_));
  tile_means_.push_back(tiles_);
  tiles_.assign(tiles_across, {});
  rows_in_tile_ = 0;
}

/// The first column whose tile is `t`.
std::size_t WindowCheck::tile_edge(std::size_t t) const {
  return (t * static_cast<std::size_t>(format_.width) + tiles_across - 1) / tiles_across;
}

/// Two rows of the same sensor elements under the same light: what differs is noise, once a flicker
/// of the lamp is taken out.
void WindowCheck::compare(const std::uint16_t* before, const std::uint16_t* now) {
  const auto width = static_cast<std::size_t>(format_.width);
  for (std::size_t c = 0; c < 3; ++c) {
    const auto& rows = channels_[c].rows;
    const double flicker = rows[rows.size() - 2] > 0 ? rows.back() / rows[rows.size() - 2] : 1;
    for (std::size_t x = 0; x < width; ++x) {
      const double b = before[x * 3 + c] * flicker, n = now[x * 3 + c];
      const double level = (b + n) / 2;
      if (level <= 0 || level >= full) continue;
      ++channels_[c].noise[static_cast<std::size_t>(level / (full + 1) * levels)]
                          [static_cast<std::size_t>(step_of(std::abs(n - b)))];
    }
  }
}

/// Darkest over brightest of the tiles that lie wholly in the light.
double WindowCheck::evenness(std::size_t channel, const Stretch& columns,
                             const Stretch& rows) const {
  double darkest = std::numeric_limits<double>::max(), brightest = 0;
  const auto height = static_cast<std::size_t>(tile_rows_);
  for (std::size_t r = 0; r < tile_means_.size(); ++r) {
    if (r * height < rows.first || (r + 1) * height > rows.second) continue;
    for (std::size_t t = 0; t < tiles_across; ++t) {
      if (tile_edge(t) < columns.first || tile_edge(t + 1) > columns.second) continue;
      const double mean = tile_means_[r][t][channel];
      darkest = std::min(darkest, mean), brightest = std::max(brightest, mean);
    }
  }
  return brightest > 0 ? darkest / brightest : 0;
}

/// How the noise grows with the level, of all channels together: each has a gain of its own, so its
/// points are taken from their own middle.
void WindowCheck::fit_noise(WindowFigures& out) const {
  Line line;
  for (std::size_t c = 0; c < 3; ++c) {
    if (out.bits[c] == 0) continue;
    const double code = std::exp2(16 - out.bits[c]);
    Line own;
    std::vector<std::array<double, 3>> points;
    const auto all = static_cast<std::uint64_t>(format_.width * (height_ - 1));
    for (std::size_t l = 0; l < levels; ++l) {
      const auto& counts = channels_[c].noise[l];
      const auto n = std::accumulate(counts.begin(), counts.end(), std::uint64_t{0});
      // A few pixels are an edge of the light, not a level of it.
      if (n < std::max(fewest_changes, all / 100)) continue;
      const double change = median_change(counts, n);
      if (change < 3 * code) continue;  // less than the codes can show
      const std::array<double, 3> point = {std::log(static_cast<double>(l) + 0.5),
                                           2 * std::log(change), static_cast<double>(n)};
      points.push_back(point);
      own.add(point[0], point[1], point[2]);
    }
    for (const auto& [x, y, weight] : points)
      line.add(x - own.wx / own.w, y - own.wy / own.w, weight);
  }
  if (line.w <= 0 || line.spread() <= 0) return;
  out.noise_exponent = line.slope();
  // A deviation taken from the median of n changes is known to 1.16 / sqrt(n) (from memory), its
  // variance to twice that.
  out.noise_exponent_error = 2.33 / std::sqrt(line.spread());
  if (out.noise_exponent_error > most_error) return;
  if (out.noise_exponent >= linear_from) out.shape = Shape::linear;
  if (out.noise_exponent <= curved_to) out.shape = Shape::curved;
}

Result<WindowFigures> WindowCheck::figures() const {
  if (tile_means_.empty() || height_ < 2)
    return fail(Fault::bad_data, "the picture of the window has too few rows to be judged");
  WindowFigures out;
  const Stretch columns = lit_span(channels_[1].columns), rows = lit_span(channels_[1].rows);
  for (std::size_t c = 0; c < 3; ++c) {
    const Codes codes(channels_[c].codes);
    out.level[c] = codes.median();
    out.clipped[c] = codes.clipped();
    out.bits[c] = codes.bits();
    out.evenness[c] = evenness(c, columns, rows);
  }
  fit_noise(out);
  const auto at = [&](std::size_t pixel) {
    return to_micrometres({static_cast<std::int64_t>(pixel)}, format_.ppi);
  };
  out.lit = {format_.window.x + at(columns.first), format_.window.y + at(rows.first),
             at(columns.second - columns.first), at(rows.second - rows.first)};
  return out;
}

std::vector<Finding> findings(const WindowFigures& f, const Rect<BedSpace>& window) {
  std::vector<Finding> all;
  const auto add = [&](bool good, const std::string& say) { all.push_back({good, say}); };
  if (most(f.level) < unlit) {
    add(false, "the film light is off or does not reach the sensor (" + per_channel(f.level) +
                   " of full scale): switch the film unit on, take out the reflective mat");
    return all;  // the dark tells nothing more
  }
  add(least(f.level) >= dim,
      "light: " + per_channel(f.level) + " of full scale" +
          (least(f.level) >= dim ? ""
                                 : "; dim, dense film will be noisy: let the "
                                   "lamp warm up and check again"));
  add(most(f.clipped) <= 0, most(f.clipped) > 0
                                ? "clipped: " + per_channel(f.clipped) +
                                      " of the samples stand at the end of the scale; the exposure "
                                      "is too long for open light: look for exposure or gain "
                                      "options in lapwright beds --probe"
                                : "clipped: nothing");
  const int bits = *std::min_element(f.bits.begin(), f.bits.end());
  add(bits == 0 || bits >= 12,
      bits == 0    ? std::string("bits: cannot tell, the picture holds too few different values")
      : bits == 16 ? std::string("bits: all 16 carry something")
                   : "bits: " + std::to_string(bits) + " carry something, the low " +
                         std::to_string(16 - bits) + " are empty" +
                         (bits >= 12 ? ""
                                     : "; too few for film: look for a mode of 16 bits in "
                                       "lapwright beds --probe"));
  add(f.shape != Shape::curved,
      f.shape == Shape::linear
          ? std::string("linear: the noise grows with the light as on a straight scale")
      : f.shape == Shape::curved
          ? std::string("not linear: the noise says that a curve was laid over the data; look for "
                        "gamma or tone options in lapwright beds --probe")
          : std::string("linear: cannot tell from this picture"));
  const bool even = least(f.evenness) >= even_enough;
  add(even, "evenness: the darkest part has " + per_channel(f.evenness) + " of the brightest" +
                (even ? "" : "; wipe glass and film unit, take away what throws a shadow"));
  const Micrometres slack = Micrometres::from_mm(2);
  const bool covers = f.lit.grown({slack.value}).contains(window);
  const auto mm = [](Micrometres v) {
    std::string s = std::to_string(std::round(v.mm() * 10) / 10);
    return s.substr(0, s.find('.') + 2);
  };
  add(covers, covers ? std::string("window: lit to its edges")
                     : "window: only {x: " + mm(f.lit.x) + ", y: " + mm(f.lit.y) +
                           ", width: " + mm(f.lit.width) + ", height: " + mm(f.lit.height) +
                           "} is lit; make it the bed profile's window");
  return all;
}

}  // namespace lapwright::bed
