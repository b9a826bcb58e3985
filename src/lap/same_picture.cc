#include "lap/same_picture.h"

#include <algorithm>
#include <cmath>
#include <vector>

namespace lapwright::lap {
namespace {

constexpr double step = 25.4 / 150;  // mm
constexpr double slow_mm = 2;        // half of the square whose mean is taken off
constexpr double inset_mm =
    2.6;  // so that the frame's edge, which is the same in every frame, is in no such mean
constexpr double structure = 0.012;  // D, RMS of what is left when noise is taken off
constexpr double over_noise = 2;     // and so many times the noise, in both
constexpr double stray =
    1500;  // counts of all channels, added: noise of the deepest shadows is no structure
constexpr double patch_mm = 1.6;
constexpr std::size_t patches = 16;

/// A part of a capture, reduced, and how to see it by sleeve place.
struct Part {
  image::Rgb16 picture;
  Affine<SleeveSpace, PassSpace> lies;
  /// Mean counts, by straight lines between pixels; false outside.
  bool at(Spot<SleeveSpace> s, std::array<double, 3>& out) const {
    const auto p = lies(s);
    const double x = p.x - 0.5, y = p.y - 0.5;
    if (!(x >= 0) || !(y >= 0) || x > static_cast<double>(picture.width() - 1) ||
        y > static_cast<double>(picture.height() - 1))
      return false;
    const auto i = std::min(static_cast<std::int64_t>(x),
                            std::max<std::int64_t>(0, picture.width() - 2)),
               j = std::min(static_cast<std::int64_t>(y),
                            std::max<std::int64_t>(0, picture.height() - 2));
    const double u = x - static_cast<double>(i), v = y - static_cast<double>(j);
    const std::uint16_t* top = picture.row(j) + i * 3;
    const std::uint16_t* low = picture.row(std::min(j + 1, picture.height() - 1)) + i * 3;
    const std::size_t right = picture.width() > 1 ? 3 : 0;
    for (std::size_t c = 0; c < 3; ++c)
      out[c] = (top[c] * (1 - u) + top[c + right] * u) * (1 - v) +
               (low[c] * (1 - u) + low[c + right] * u) * v;
    return true;
  }
};

/// What `capture` shows of the rectangle, at `ppi` or somewhat more; empty outside its picture.
Result<Part> part_of(const Capture& capture, double l, double t, double r, double b, double ppi) {
  double x0 = 1e300, y0 = 1e300, x1 = -1e300, y1 = -1e300;
  for (const auto& p :
       {capture.lies({l, t}), capture.lies({r, t}), capture.lies({l, b}), capture.lies({r, b})})
    x0 = std::min(x0, p.x), x1 = std::max(x1, p.x), y0 = std::min(y0, p.y), y1 = std::max(y1, p.y);
  image::RowSource& source = *capture.picture;
  const auto factor =
      std::max<std::int64_t>(1, static_cast<std::int64_t>(source.ppi().value / ppi));
  const double f = static_cast<double>(factor);
  const auto clip = [](double v, std::int64_t most) {
    return std::clamp<std::int64_t>(static_cast<std::int64_t>(std::clamp(v, -1e9, 1e9)), 0, most);
  };
  const std::int64_t left = clip(std::floor(x0 - 2 * f), source.width()),
                     top = clip(std::floor(y0 - 2 * f), source.height()),
                     right = clip(std::ceil(x1 + 2 * f), source.width()),
                     bottom = clip(std::ceil(y1 + 2 * f), source.height());
  Part part;
  if (right - left < factor || bottom - top < factor) return part;
  auto reduced = image::reduced(source, left, top, right - left, bottom - top, factor);
  if (!reduced) return fail(reduced.error());
  part.picture = std::move(*reduced);
  part.lies = capture.lies;
  part.lies.e -= static_cast<double>(left), part.lies.f -= static_cast<double>(top);
  part.lies = core::scaled(part.lies, 1 / f);
  return part;
}

/// Density on a grid of sleeve places; `known` is 0 where the capture does not show it.
struct Grid {
  std::int64_t width = 0, height = 0, border = 0;  // the frame lies inside the border
  std::vector<float> density, known;
  double noise = 0;           // RMS that single places' noise leaves in `density`
  double structure() const {  // RMS
    double square = 0, n = 0;
    for (std::int64_t y = border; y < height - border; ++y)
      for (std::int64_t x = border; x < width - border; ++x) {
        const auto i = static_cast<std::size_t>(y * width + x);
        square += static_cast<double>(known[i] * density[i] * density[i]),
            n += static_cast<double>(known[i]);
      }
    return n > 0 ? std::sqrt(std::max(0.0, square / n - noise * noise)) : 0;
  }
  float at(std::int64_t x, std::int64_t y) const {
    return density[static_cast<std::size_t>(y * width + x)];
  }
};

Grid grid_of(const Part& part, double l, double t, std::int64_t w, std::int64_t h,
             std::int64_t border) {
  Grid g{w, h, border, std::vector<float>(static_cast<std::size_t>(w * h)),
         std::vector<float>(static_cast<std::size_t>(w * h))};
  std::array<double, 3> counts{};
  for (std::int64_t y = 0; y < h; ++y)
    for (std::int64_t x = 0; x < w; ++x) {
      const auto i = static_cast<std::size_t>(y * w + x);
      if (part.picture.width() == 0 || !part.at({l + (static_cast<double>(x) + 0.5) * step,
                                                 t + (static_cast<double>(y) + 0.5) * step},
                                                counts))
        continue;
      const double sum = counts[0] + counts[1] + counts[2];
      g.density[i] = static_cast<float>(-std::log10(sum + stray)), g.known[i] = 1;
    }
  // Grain and noise of single places are no picture.
  Grid mean = g;
  for (std::int64_t y = 0; y < h; ++y)
    for (std::int64_t x = 0; x < w; ++x) {
      float total = 0, n = 0;
      for (std::int64_t j = std::max<std::int64_t>(0, y - 1); j <= std::min(h - 1, y + 1); ++j)
        for (std::int64_t i = std::max<std::int64_t>(0, x - 1); i <= std::min(w - 1, x + 1); ++i) {
          const auto k = static_cast<std::size_t>(j * w + i);
          total += g.density[k] * g.known[k], n += g.known[k];
        }
      mean.density[static_cast<std::size_t>(y * w + x)] = n > 0 ? total / n : 0;
    }
  // Where the picture is even, a place's difference from its mean is noise.
  std::vector<double> differs;
  for (std::size_t i = 0; i < g.density.size(); ++i)
    if (g.known[i] > 0)
      differs.push_back(std::abs(static_cast<double>(g.density[i] - mean.density[i])));
  if (!differs.empty()) {
    const auto middle = differs.begin() + static_cast<std::ptrdiff_t>(differs.size() / 2);
    std::nth_element(differs.begin(), middle, differs.end());
    g.noise = *middle * 1.483 * 1.06 / 3;
  }
  g.density = std::move(mean.density);
  // Less the mean of a square around: by sums from the corner on.
  const auto n = static_cast<std::int64_t>(slow_mm / step);
  std::vector<double> sum(static_cast<std::size_t>((w + 1) * (h + 1))), count(sum.size());
  const auto at = [&](std::int64_t x, std::int64_t y) {
    return static_cast<std::size_t>(y * (w + 1) + x);
  };
  for (std::int64_t y = 0; y < h; ++y)
    for (std::int64_t x = 0; x < w; ++x) {
      const auto i = static_cast<std::size_t>(y * w + x);
      sum[at(x + 1, y + 1)] = sum[at(x, y + 1)] + sum[at(x + 1, y)] - sum[at(x, y)] +
                              static_cast<double>(g.density[i] * g.known[i]);
      count[at(x + 1, y + 1)] = count[at(x, y + 1)] + count[at(x + 1, y)] - count[at(x, y)] +
                                static_cast<double>(g.known[i]);
    }
  for (std::int64_t y = 0; y < h; ++y)
    for (std::int64_t x = 0; x < w; ++x) {
      const auto x0 = std::max<std::int64_t>(0, x - n), x1 = std::min(w, x + n + 1),
                 y0 = std::max<std::int64_t>(0, y - n), y1 = std::min(h, y + n + 1);
      const double k =
          count[at(x1, y1)] - count[at(x0, y1)] - count[at(x1, y0)] + count[at(x0, y0)];
      const double s = sum[at(x1, y1)] - sum[at(x0, y1)] - sum[at(x1, y0)] + sum[at(x0, y0)];
      float& d = g.density[static_cast<std::size_t>(y * w + x)];
      d = k > 0 ? d - static_cast<float>(s / k) : 0;
    }
  return g;
}

/// Correlation of the frame in a with b moved by whole steps; what either does not show is left
/// out.
double correlation(const Grid& a, const Grid& b, std::int64_t dx, std::int64_t dy, bool mirrored,
                   std::int64_t every) {
  double n = 0, sa = 0, sb = 0, aa = 0, bb = 0, ab = 0;
  for (std::int64_t y = a.border; y < a.height - a.border; y += every)
    for (std::int64_t x = a.border; x < a.width - a.border; x += every) {
      const auto i = static_cast<std::size_t>(y * a.width + (mirrored ? a.width - 1 - x : x));
      const auto k = static_cast<std::size_t>((y + dy) * b.width + x + dx);
      if (a.known[i] == 0 || b.known[k] == 0) continue;
      const auto u = static_cast<double>(a.density[i]), v = static_cast<double>(b.density[k]);
      n += 1, sa += u, sb += v, aa += u * u, bb += v * v, ab += u * v;
    }
  if (n * static_cast<double>(every * every) <
      0.3 * static_cast<double>((a.width - 2 * a.border) * (a.height - 2 * a.border)))
    return -1;
  const double va = aa - sa * sa / n, vb = bb - sb * sb / n;
  return va > 0 && vb > 0 ? (ab - sa * sb / n) / std::sqrt(va * vb) : -1;
}

double between(double left, double middle, double right) {
  const double bend = left - 2 * middle + right;
  return bend < 0 ? std::clamp((left - right) / (2 * bend), -0.5, 0.5) : 0;
}

/// Mean square of what each pixel differs from the four around it by, in a square of the sleeve, of
/// counts' roots (in which shot noise is the same everywhere).
struct Detail {
  double square = 0, counts = 0;
};
Detail detail(const Part& part, double left, double top) {
  const image::Rgb16& p = part.picture;
  const auto back = part.lies.inverse();
  double sum = 0, counts = 0, n = 0;
  for (std::int64_t y = 1; y + 1 < p.height(); ++y) {
    const std::uint16_t *u = p.row(y) + 1, *above = p.row(y - 1) + 1,
                        *below = p.row(y + 1) + 1;  // green
    for (std::int64_t x = 1; x + 1 < p.width(); ++x) {
      const auto s = back({static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5});
      if (s.x < left || s.y < top || s.x > left + patch_mm || s.y > top + patch_mm) continue;
      const double d = 4 * std::sqrt(u[x * 3]) - std::sqrt(u[x * 3 - 3]) - std::sqrt(u[x * 3 + 3]) -
                       std::sqrt(above[x * 3]) - std::sqrt(below[x * 3]);
      sum += d * d, counts += u[x * 3], n += 1;
    }
  }
  return n > 0 ? Detail{sum / n, counts / n} : Detail{};
}

}  // namespace

Result<SamePicture> same_picture(const Capture& first, const Capture& second,
                                 const std::array<Spot<SleeveSpace>, 4>& corners, double most_mm,
                                 bool sharpness) {
  SamePicture out;
  std::array<double, 4> xs{}, ys{};
  for (std::size_t i = 0; i < 4; ++i) xs[i] = corners[i].x, ys[i] = corners[i].y;
  std::sort(xs.begin(), xs.end()), std::sort(ys.begin(), ys.end());
  const double l = xs[1] + inset_mm, r = xs[2] - inset_mm, t = ys[1] + inset_mm,
               b = ys[2] - inset_mm;
  const auto w = static_cast<std::int64_t>((r - l) / step),
             h = static_cast<std::int64_t>((b - t) / step);
  if (w < 16 || h < 16) return out;
  const auto reach = static_cast<std::int64_t>(std::ceil(most_mm / step));
  // Around the frame as well, so that what lies there takes the same part in both means.
  const std::int64_t border = reach + static_cast<std::int64_t>(slow_mm / step) + 1;
  const double rim = static_cast<double>(border) * step;
  auto one = part_of(first, l - rim, t - rim, r + rim, b + rim, 150),
       two = part_of(second, l - rim, t - rim, r + rim, b + rim, 150);
  if (!one) return fail(one.error());
  if (!two) return fail(two.error());
  const Grid a = grid_of(*one, l - rim, t - rim, w + 2 * border, h + 2 * border, border),
             c = grid_of(*two, l - rim, t - rim, w + 2 * border, h + 2 * border, border);
  const double noise = std::max(a.noise, c.noise);
  out.told = a.structure() > std::max(structure, over_noise * noise);

  const std::int64_t side = 2 * reach + 1;
  // Every other place first, then all around the best.
  std::int64_t bx = reach, by = reach;
  double best = -2;
  out.mirrored = -1;
  for (std::int64_t y = 0; y < side; y += 2)
    for (std::int64_t x = 0; x < side; x += 2) {
      if (const double v = correlation(a, c, x - reach, y - reach, false, 3); v > best)
        best = v, bx = x, by = y;
      out.mirrored = std::max(out.mirrored, correlation(a, c, x - reach, y - reach, true, 3));
    }
  const std::int64_t cx = bx, cy = by;
  best = -2;
  for (std::int64_t y = std::max<std::int64_t>(0, cy - 2); y <= std::min(side - 1, cy + 2); ++y)
    for (std::int64_t x = std::max<std::int64_t>(0, cx - 2); x <= std::min(side - 1, cx + 2); ++x)
      if (const double v = correlation(a, c, x - reach, y - reach, false, 1); v > best)
        best = v, bx = x, by = y;
  out.correlation = best;
  double fx = 0, fy = 0;
  const auto near = [&](std::int64_t x, std::int64_t y) {
    return correlation(a, c, x - reach, y - reach, false, 1);
  };
  if (bx > 0 && bx + 1 < side) fx = between(near(bx - 1, by), best, near(bx + 1, by));
  if (by > 0 && by + 1 < side) fy = between(near(bx, by - 1), best, near(bx, by + 1));
  out.off = {(static_cast<double>(bx - reach) + fx) * step,
             (static_cast<double>(by - reach) + fy) * step};
  if (!out.same()) return out;

  std::array<std::vector<double>, 3> ratio;
  for (std::int64_t y = 4; y < h - 4; y += 4)
    for (std::int64_t x = 4; x < w - 4; x += 4) {
      const Spot<SleeveSpace> s{l + (static_cast<double>(x) + 0.5) * step,
                                t + (static_cast<double>(y) + 0.5) * step};
      std::array<double, 3> p{}, q{};
      if (!one->at(s, p) || !two->at({s.x + out.off.x, s.y + out.off.y}, q)) continue;
      for (std::size_t k = 0; k < 3; ++k)
        if (p[k] > 200 && q[k] > 200) ratio[k].push_back(q[k] / p[k]);
    }
  for (std::size_t k = 0; k < 3; ++k)
    if (ratio[k].size() > 20) {
      const auto middle = ratio[k].begin() + static_cast<std::ptrdiff_t>(ratio[k].size() / 2);
      std::nth_element(ratio[k].begin(), middle, ratio[k].end());
      out.light[k] = *middle;
    }
  if (!sharpness) return out;

  // Where the first shows most: patches with the largest steps on the grid, apart from each other.
  const auto size = static_cast<std::int64_t>(patch_mm / step);
  struct Patch {
    double energy;
    double x, y;
  };
  std::vector<Patch> all;
  for (std::int64_t y = 0; y + size <= h; y += size)
    for (std::int64_t x = 0; x + size <= w; x += size) {
      double e = 0;
      for (std::int64_t j = y; j + 1 < y + size; ++j)
        for (std::int64_t i = x; i + 1 < x + size; ++i) {
          const double here = static_cast<double>(a.at(border + i, border + j));
          const double dx = static_cast<double>(a.at(border + i + 1, border + j)) - here,
                       dy = static_cast<double>(a.at(border + i, border + j + 1)) - here;
          e += dx * dx + dy * dy;
        }
      all.push_back({e, l + static_cast<double>(x) * step, t + static_cast<double>(y) * step});
    }
  std::sort(all.begin(), all.end(),
            [](const Patch& p, const Patch& q) { return p.energy > q.energy; });
  const double ppi = std::min(first.picture->ppi().value, second.picture->ppi().value);
  std::vector<double> ratios, even[2];
  std::vector<std::array<Detail, 2>> measured;
  const std::size_t last = all.size() - std::min(all.size(), patches);
  for (std::size_t i = 0; i < all.size(); ++i) {
    const bool most = i < patches, least = i >= std::max(patches, last);
    if (!most && !least) continue;
    const Patch& p = all[i];
    auto u = part_of(first, p.x, p.y, p.x + patch_mm, p.y + patch_mm, ppi);
    auto v = part_of(second, p.x + out.off.x, p.y + out.off.y, p.x + out.off.x + patch_mm,
                     p.y + out.off.y + patch_mm, ppi);
    if (!u) return fail(u.error());
    if (!v) return fail(v.error());
    const Detail gu = detail(*u, p.x, p.y), gv = detail(*v, p.x + out.off.x, p.y + out.off.y);
    if (most)
      measured.push_back({gu, gv});
    else
      even[0].push_back(gu.square), even[1].push_back(gv.square);
  }
  // What the evenest places show is noise.
  double noise_of[2] = {0, 0};
  for (std::size_t k = 0; k < 2; ++k)
    if (even[k].size() >= 4) {
      std::sort(even[k].begin(), even[k].end());
      noise_of[k] = even[k][even[k].size() / 4];
    }
  for (const auto& [gu, gv] : measured) {
    const double u = gu.square - noise_of[0], v = gv.square - noise_of[1];
    if (u > 2 * noise_of[0] && u > 0 && gu.counts > 0 && gv.counts > 0)
      ratios.push_back(std::sqrt(std::max(0.0, v / gv.counts) / (u / gu.counts)));
  }
  if (ratios.size() >= 4) {
    const auto middle = ratios.begin() + static_cast<std::ptrdiff_t>(ratios.size() / 2);
    std::nth_element(ratios.begin(), middle, ratios.end());
    out.sharpness = *middle;
  }
  return out;
}

}  // namespace lapwright::lap
