#include "lap/overview.h"

#include <algorithm>
#include <cmath>

namespace lapwright::lap {
namespace {

constexpr double darkest =
    0.003;  // transmission added before the logarithm, so that deep shadow's noise stays small
constexpr std::int64_t rows_sampled =
    4;  // of each block of rows: enough to average noise, a fraction of the reading

/// Mean over (2 rx + 1) x (2 ry + 1) of `value` weighted by `weight`, by running sums; 0 where
/// there is no weight.
image::Plane local_mean(const image::Plane& value, const image::Plane& weight, std::int64_t rx,
                        std::int64_t ry) {
  const std::int64_t w = value.width, h = value.height;
  image::Plane sum(w, h), count(w, h), out(w, h);
  const auto across = [&](auto get, image::Plane& to) {
    for (std::int64_t y = 0; y < h; ++y) {
      double s = 0;
      for (std::int64_t x = 0; x < std::min(rx, w); ++x) s += get(x, y);
      for (std::int64_t x = 0; x < w; ++x) {
        if (x + rx < w) s += get(x + rx, y);
        if (x - rx - 1 >= 0) s -= get(x - rx - 1, y);
        to.row(y)[x] = static_cast<float>(s);
      }
    }
  };
  across([&](std::int64_t x,
             std::int64_t y) { return static_cast<double>(value.row(y)[x] * weight.row(y)[x]); },
         sum);
  across([&](std::int64_t x, std::int64_t y) { return static_cast<double>(weight.row(y)[x]); },
         count);
  for (std::int64_t x = 0; x < w; ++x) {
    double s = 0, n = 0;
    for (std::int64_t y = 0; y < std::min(ry, h); ++y) s += sum.row(y)[x], n += count.row(y)[x];
    for (std::int64_t y = 0; y < h; ++y) {
      if (y + ry < h) s += sum.row(y + ry)[x], n += count.row(y + ry)[x];
      if (y - ry - 1 >= 0) s -= sum.row(y - ry - 1)[x], n -= count.row(y - ry - 1)[x];
      out.row(y)[x] = n > 0.5 ? static_cast<float>(s / n) : 0;
    }
  }
  return out;
}

/// Mean of 3 x 3: noise of the deepest shadows is no structure.
image::Plane smoothed(const image::Plane& p) {
  image::Plane rows(p.width, p.height), out(p.width, p.height);
  for (std::int64_t y = 0; y < p.height; ++y) {
    const float* from = p.row(y);
    float* to = rows.row(y);
    for (std::int64_t x = 0; x < p.width; ++x)
      to[x] =
          (from[std::max<std::int64_t>(0, x - 1)] + from[x] + from[std::min(p.width - 1, x + 1)]) /
          3;
  }
  for (std::int64_t y = 0; y < p.height; ++y) {
    const float *u = rows.row(std::max<std::int64_t>(0, y - 1)), *v = rows.row(y),
                *w = rows.row(std::min(p.height - 1, y + 1));
    for (std::int64_t x = 0; x < p.width; ++x) out.row(y)[x] = (u[x] + v[x] + w[x]) / 3;
  }
  return out;
}

/// The count that 995 of 1000 pixels do not pass, to a count.
double brightest(const image::Plane& counts) {
  std::vector<std::uint32_t> held(65536, 0);
  for (const float v : counts.values) ++held[static_cast<std::size_t>(v + 0.5F)];
  const double most = 0.995 * static_cast<double>(counts.values.size() - 1);
  double sum = 0;
  for (std::size_t level = 0; level < held.size(); ++level)
    if ((sum += held[level]) > most) return static_cast<double>(level);
  return 65535;
}

/// Counts to density_of() them over `open`: where there are many, between those of whole counts,
/// which leaves less than 0.0001.
void to_density(image::Plane& plane, double open) {
  if (plane.values.size() < 65536 || open < 10000) {
    for (float& v : plane.values) v = density_of(static_cast<double>(v) / open);
    return;
  }
  std::vector<float> of_count(65537);
  for (std::size_t i = 0; i < of_count.size(); ++i)
    of_count[i] = density_of(static_cast<double>(i) / open);
  for (float& v : plane.values) {
    const auto i = static_cast<std::int32_t>(v);
    const float t = v - static_cast<float>(i);
    const float* d = of_count.data() + i;
    v = d[0] + (d[1] - d[0]) * t;
  }
}

}  // namespace

float density_of(double transmission) {
  return static_cast<float>(-std::log10(std::max(transmission, 0.0) + darkest));
}

Result<Overview> overview(image::RowSource& source, double ppi) {
  Overview o;
  const std::int64_t f = std::max<std::int64_t>(1, std::llround(source.ppi().value / ppi));
  const std::int64_t width = source.width(), w = width / f, h = source.height() / f;
  o.factor = f;
  o.mm_per_pixel = source.ppi().mm_per_pixel() * static_cast<double>(f);
  if (w < 1 || h < 1)
    return fail(Fault::bad_data, "a pass of " + std::to_string(width) + " x " +
                                     std::to_string(source.height()) +
                                     " pixels is too small to compare");
  for (auto& c : o.channel) c = image::Plane(w, h);
  const std::int64_t sampled = std::min(f, rows_sampled);
  std::vector<std::uint16_t> row(static_cast<std::size_t>(width * 3));
  std::vector<std::uint32_t> sum(row.size());
  const auto scale = 1 / static_cast<float>(f * sampled);
  for (std::int64_t y = 0; y < h; ++y) {
    std::fill(sum.begin(), sum.end(), 0);
    for (std::int64_t k = 0; k < sampled; ++k) {
      if (auto r = source.read(y * f + (2 * k + 1) * f / (2 * sampled), 1, row.data()); !r)
        return fail(r.error());
      for (std::size_t i = 0; i < sum.size(); ++i) sum[i] += row[i];
    }
    const std::uint32_t* p = sum.data();
    for (std::int64_t x = 0; x < w; ++x) {
      std::uint64_t s0 = 0, s1 = 0, s2 = 0;
      for (std::int64_t i = 0; i < f; ++i, p += 3) s0 += p[0], s1 += p[1], s2 += p[2];
      o.channel[0].row(y)[x] = static_cast<float>(s0) * scale;
      o.channel[1].row(y)[x] = static_cast<float>(s1) * scale;
      o.channel[2].row(y)[x] = static_cast<float>(s2) * scale;
    }
  }
  for (std::size_t c = 0; c < 3; ++c) {
    o.open[c] = std::max(1.0, brightest(o.channel[c]));
    to_density(o.channel[c], o.open[c]);
  }
  o.density = image::Plane(w, h);
  for (std::size_t i = 0; i < o.density.values.size(); ++i)
    o.density.values[i] =
        (o.channel[0].values[i] + o.channel[1].values[i] + o.channel[2].values[i]) / 3;
  o.smooth = smoothed(o.density);
  // Film, less a rim of 0.34 mm around everything clear: edges of holes repeat and must not count
  // as content.
  const auto rim = std::max<std::int64_t>(1, std::llround(0.34 / o.mm_per_pixel));
  image::Plane across(w, h, 1);
  o.film = image::Plane(w, h, 1);
  for (std::int64_t y = 0; y < h; ++y)
    for (std::int64_t x = 0; x < w; ++x)
      if (o.density.row(y)[x] < clear_density)
        for (std::int64_t i = std::max<std::int64_t>(0, x - rim); i <= std::min(w - 1, x + rim);
             ++i)
          across.row(y)[i] = 0;
  for (std::int64_t y = 0; y < h; ++y)
    for (std::int64_t i = std::max<std::int64_t>(0, y - rim); i <= std::min(h - 1, y + rim); ++i)
      for (std::int64_t x = 0; x < w; ++x)
        o.film.row(y)[x] = std::min(o.film.row(y)[x], across.row(i)[x]);
  return o;
}

Thumb thumb(const Overview& from, std::int64_t by, bool strips_along_x) {
  Thumb t;
  const std::int64_t w = std::max<std::int64_t>(1, from.density.width / by),
                     h = std::max<std::int64_t>(1, from.density.height / by);
  t.mm_per_pixel = from.mm_per_pixel * static_cast<double>(by);
  image::Plane value(w, h);
  t.film = image::Plane(w, h);
  for (std::int64_t y = 0; y < h; ++y)
    for (std::int64_t x = 0; x < w; ++x) {
      float s = 0, n = 0;
      for (std::int64_t j = 0; j < by && y * by + j < from.density.height; ++j)
        for (std::int64_t i = 0; i < by && x * by + i < from.density.width; ++i) {
          const float m = from.film.row(y * by + j)[x * by + i];
          s += m * from.density.row(y * by + j)[x * by + i], n += m;
        }
      if (n * 2 >= static_cast<float>(by * by)) value.row(y)[x] = s / n, t.film.row(y)[x] = 1;
    }
  // The mean along the strip only: what runs along it (rebate, rows of holes, the pictures' long
  // edges) is the same everywhere.
  const auto along = std::max<std::int64_t>(2, std::llround(5.0 / t.mm_per_pixel));
  const image::Plane mean =
      local_mean(value, t.film, strips_along_x ? along : 0, strips_along_x ? 0 : along);
  t.value = image::Plane(w, h);
  for (std::size_t i = 0; i < value.values.size(); ++i)
    t.value.values[i] =
        t.film.values[i] * std::clamp(value.values[i] - mean.values[i], -0.5F, 0.5F);
  return t;
}

}  // namespace lapwright::lap
