#include "frames/edge_reader.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "frames/clock_track.h"

namespace lapwright::frames {
namespace {

constexpr int before = 2;             // modules looked at on both sides of the code
constexpr double least_sign = 0.3;    // a known module must show its side by so much
constexpr double least_margin = 0.4;  // a told one
constexpr double noises = 3.0;        // and so many times the noise of the known ones
constexpr double tallest = 1.1;       // mm: a track is at most about 1 mm high (trade.md 1.4)
constexpr double brightest = -2.2, darkest = 2.6;  // beyond: a scratch, dust

/// What most of a module shows: of points spread over it the middle ones, so that a scratch or a
/// speck over less than half does no harm.
double module_value(const Rebate& rebate, std::int64_t top, std::int64_t bottom, double a, double b,
                    std::vector<float>& values) {
  constexpr int points = 6;
  values.clear();
  for (int k = 0; k < points; ++k) {
    const double x = a + (b - a) * (k + 0.5) / points - 0.5;
    const auto i = static_cast<std::int64_t>(std::floor(x));
    const auto part = static_cast<float>(x - static_cast<double>(i));
    for (std::int64_t y = top; y < bottom; ++y) {
      const float* row = rebate.dark.row(y) + i;
      values.push_back(row[0] + (row[1] - row[0]) * part);
    }
  }
  const auto first = values.begin() + static_cast<std::ptrdiff_t>(values.size() * 3 / 10);
  const auto last = values.end() - static_cast<std::ptrdiff_t>(values.size() * 3 / 10);
  std::nth_element(values.begin(), first, values.end());
  std::nth_element(first, last - 1, values.end());
  double sum = 0;
  for (auto v = first; v != last; ++v) sum += static_cast<double>(*v);
  return sum / static_cast<double>(last - first);
}

/// The modules of a track from `before` ahead of its start to `before` behind its end.
using Track = std::vector<double>;

/// Takes out what each module takes from its neighbours; `part` is how much that is.
Track sharpened(const Track& track, double part) {
  if (part < 0.01) return track;
  // part * left + (1 - 2 part) * own + part * right = seen; the ends stand for themselves.
  const std::size_t n = track.size();
  Track c(n), out = track;
  const double own = 1 - 2 * part;
  for (std::size_t i = 1; i + 1 < n; ++i) {
    const double m = own - part * c[i - 1];
    c[i] = i + 2 < n ? part / m : 0;
    out[i] = (track[i] - part * out[i - 1] - (i + 2 == n ? part * track[n - 1] : 0)) / m;
  }
  for (std::size_t i = n - 2; i-- > 1;) out[i] -= c[i] * out[i + 1];
  return out;
}

struct Levels {
  double middle = 0, half = 0;
};

struct Attempt {
  EdgeMark mark;
  bool good = false;
};

class SiteReader {
 public:
  SiteReader(const Rebate& rebate, const Clock& clock) : rebate_(rebate), clock_(clock) {}

  Attempt read() const {
    Attempt best;
    const std::int64_t trim = (clock_.bottom - clock_.top) * 3 / 20;
    const Sampled clock =
        sampled(clock_.top + trim, std::max(clock_.top + trim + 1, clock_.bottom - trim));
    for (const int modules : {long_code, short_code})
      for (const bool forward : {true, false})
        for (int start = -long_code + 1; start < long_code;
             start += 2) {  // the first module is dark, as even ones are
          // The alternating part must be what was followed: from module 5 to the third last.
          const int a = forward ? start + 5 : start - (modules - 4),
                    b = forward ? start + modules - 4 : start - 5;
          if (a > -4 || b < 4) continue;
          const Attempt here = read_as(clock, modules, forward, start);
          if (here.good && here.mark.margin > best.mark.margin) best = here;
        }
    return best;
  }

 private:
  static constexpr int furthest = long_code + before;  // module from the followed wave's middle

  struct Sampled {
    std::array<double, 2 * furthest + 1> values{};
    std::array<bool, 2 * furthest + 1> there{};
  };

  Sampled sampled(std::int64_t top, std::int64_t bottom) const {
    Sampled out;
    std::vector<float> room;
    for (int m = -furthest; m <= furthest; ++m) {
      const auto k = static_cast<std::size_t>(m + furthest);
      const double a = clock_.column(m - 0.36), b = clock_.column(m + 0.36);
      out.there[k] = a >= 1 && b <= static_cast<double>(rebate_.dark.width) - 1;
      if (out.there[k]) out.values[k] = module_value(rebate_, top, bottom, a, b, room);
    }
    return out;
  }

  /// The modules in the code's own order; none where the picture ends.
  static Track track(const Sampled& sampled, int modules, bool forward, int start) {
    Track out;
    for (int i = -before; i < modules + before; ++i) {
      const int m = start + (forward ? i : -i) + furthest;
      if (m < 0 || m > 2 * furthest || !sampled.there[static_cast<std::size_t>(m)]) return {};
      out.push_back(sampled.values[static_cast<std::size_t>(m)]);
    }
    return out;
  }

  Attempt read_as(const Sampled& all, int modules, bool forward, int start) const {
    Attempt attempt;
    const std::int64_t tall = clock_.bottom - clock_.top;
    const Track clock = track(all, modules, forward, start);
    if (clock.empty()) return attempt;
    const auto at = [](const Track& t, int i) { return t[static_cast<std::size_t>(i + before)]; };
    Levels levels;
    double dark = 0, light = 0;
    int darks = 0, lights = 0;
    for (int i = 5; i <= modules - 4; ++i)
      i % 2 == 0 ? (dark += at(clock, i), ++darks) : (light += at(clock, i), ++lights);
    dark /= darks, light /= lights;
    levels = {(dark + light) / 2, (dark - light) / 2};
    if (levels.half <= 0.01) return attempt;
    // Where five are dark in a row, the middle one shows how far the lens lets a single one come.
    const double run = at(clock, 2) - levels.middle;
    const double part = std::clamp((1 - levels.half / std::max(run, levels.half)) / 4, 0.0, 0.18);
    const Track sharp = sharpened(clock, part);
    dark = light = 0;
    for (int i = 5; i <= modules - 4; ++i) (i % 2 == 0 ? dark : light) += at(sharp, i);
    levels = {(dark / darks + light / lights) / 2, (dark / darks - light / lights) / 2};
    if (levels.half <= 0.01) return attempt;
    double error = 0;
    int known = 0, weak = 0;
    for (int i = -1; i <= modules; ++i) {
      const bool is_dark = i >= 0 && i < modules && clock_dark(i, modules);
      const double z = (at(sharp, i) - levels.middle) / levels.half * (is_dark ? 1 : -1);
      const bool tells = i <= 5 || i >= modules - 4;  // where the code begins and ends
      if (z < least_sign && (tells || ++weak > 2)) return attempt;
      if (i >= 5 && i <= modules - 4) error += std::pow(std::clamp(z, -1.0, 3.0) - 1, 2), ++known;
    }
    for (const bool data_below : {true, false}) {
      const std::int64_t gap = std::max<std::int64_t>(tall / 6, 0);
      std::int64_t top = data_below ? clock_.bottom + gap : clock_.top - tall + gap / 2;
      std::int64_t bottom = data_below ? clock_.bottom + tall - gap / 2 : clock_.top - gap;
      top = std::max<std::int64_t>(top, 0), bottom = std::min(bottom, rebate_.dark.height);
      if (bottom - top < std::max<std::int64_t>(1, tall / 3)) continue;
      const Sampled beside = sampled(top, bottom);
      const Track data = track(beside, modules, forward, start);
      if (data.empty() ||
          (modules == short_code && ends_as_long(track(beside, long_code, forward, start), levels)))
        continue;
      read_data(sharpened(data, part), modules, levels, error, known, attempt.mark, attempt.good);
      if (!attempt.good) continue;
      EdgeMark& m = attempt.mark;
      m.forward = forward, m.clock_first = data_below;
      const double middle = start + (forward ? 1 : -1) * (modules - 1) / 2.0;
      m.along = rebate_.place(clock_.column(middle));
      m.module = (clock_.column(middle + 10) - clock_.column(middle - 10)) / 20 * rebate_.step;
      return attempt;
    }
    return attempt;
  }

  /// Whether the data goes on to where the long form stops, so that a short clock beside it is not
  /// its own.
  static bool ends_as_long(const Track& data, const Levels& levels) {
    for (int i = long_code - 4; !data.empty() && i < long_code; ++i)
      if ((data[static_cast<std::size_t>(i + before)] > levels.middle) != (i % 2 == 0))
        return false;
    return !data.empty();
  }

  void read_data(const Track& data, int modules, const Levels& clock, double error, int known,
                 EdgeMark& mark, bool& good) const {
    const auto at = [&](int i) { return data[static_cast<std::size_t>(i + before)]; };
    // Levels of the data's own known modules.
    double dark = 0, light = 0;
    int darks = 0, lights = 0;
    const auto side = [&](int i) { return i < 0 || i >= modules ? 0 : known_data(i, modules); };
    for (int i = -1; i <= modules; ++i)
      if (const int s = side(i); s == 1)
        dark += at(i), ++darks;
      else if (s == 0)
        light += at(i), ++lights;
    dark /= darks, light /= lights;
    const Levels levels{(dark + light) / 2, (dark - light) / 2};
    if (levels.half < 0.4 * clock.half || levels.half > 2.5 * clock.half) return;
    std::array<std::uint8_t, long_code> bits{};
    double margin = 1;
    int weak = 0;
    for (int i = -1; i <= modules; ++i) {
      const double z = (at(i) - levels.middle) / levels.half;
      const bool beside = i < 0 || i >= modules;  // may lie beyond the film's end, in open light
      if ((z < brightest && !beside) || z > darkest) return;
      const int s = side(i);
      if (s >= 0) {
        const double right = s == 1 ? z : -z;
        if (right < -least_sign || (right < least_sign && ++weak > 1))
          return;  // one may be hidden, none the other way
        error += std::pow(beside ? std::min(right, 1.0) - 1 : right - 1, 2), ++known;
      } else {
        margin = std::min(margin, std::abs(z));
      }
      if (i >= 0 && i < modules) bits[static_cast<std::size_t>(i)] = z > 0 ? 1 : 0;
    }
    const double noise = std::sqrt(error / known);
    if (margin < least_margin || margin < noises * noise) return;
    const auto code = decode({bits.data(), static_cast<std::size_t>(modules)});
    if (!code) return;
    mark.code = *code, mark.margin = margin, good = true;
  }

  const Rebate& rebate_;
  const Clock& clock_;
};

/// The clock as it was found; where data beside it waved alike, each half of the rows as well.
std::vector<Clock> tracks_of(const Clock& clock, double most_rows) {
  std::vector<Clock> tracks{clock};
  if (static_cast<double>(clock.bottom - clock.top) <= most_rows) return tracks;
  Clock half = clock;
  half.bottom = (clock.top + clock.bottom) / 2;
  tracks.push_back(half);
  half.top = half.bottom, half.bottom = clock.bottom;
  tracks.push_back(half);
  return tracks;
}

}  // namespace

std::vector<EdgeMark> read_edge_codes(const Rebate& rebate) {
  std::vector<EdgeMark> marks;
  if (rebate.dark.values.empty()) return marks;
  for (const ClockSite& site : clock_sites(rebate)) {
    const double along = rebate.place(site.column);
    const bool taken = std::any_of(marks.begin(), marks.end(), [&](const EdgeMark& m) {
      return std::abs(m.along - along) <
             0.5 * m.module * (m.code.half ? long_code : short_code) + 1;
    });
    if (taken) continue;
    const Clock clock = follow_clock(rebate, site);
    if (clock.last - clock.first < 10) continue;
    for (const Clock& c : tracks_of(clock, tallest / rebate.step))
      if (const Attempt attempt = SiteReader(rebate, c).read(); attempt.good) {
        marks.push_back(attempt.mark);
        break;
      }
  }
  std::sort(marks.begin(), marks.end(),
            [](const EdgeMark& a, const EdgeMark& b) { return a.along < b.along; });
  return marks;
}

}  // namespace lapwright::frames
