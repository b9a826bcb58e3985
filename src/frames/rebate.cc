#include "frames/rebate.h"

#include <algorithm>
#include <array>
#include <cmath>

namespace lapwright::frames {
namespace {

constexpr double outside = 0.3,
                 inside = 2.4;  // of the film's edge; the perforations begin at 2.01 (trade.md 1.1)
constexpr double print_from = 0.15,
                 print_to = 1.9;   // where a rebate is print or base and nothing else
constexpr double finest = 0.042;   // mm a sample: 8 to a module of 0.33 mm
constexpr double base_piece = 24;  // mm along the strip that share a base

using Channels = std::array<image::Plane, 3>;

double quantile(std::vector<float>& values, double share) {
  if (values.empty()) return 0;
  const auto at =
      values.begin() + static_cast<std::ptrdiff_t>(share * static_cast<double>(values.size() - 1));
  std::nth_element(values.begin(), at, values.end());
  return *at;
}

/// Counts over the base of the same piece, channel by channel: darkness, of a slide brightness.
void over_base(image::Plane& counts, double step, double skip, double used, bool slide) {
  const auto piece = std::max<std::int64_t>(1, std::llround(base_piece / step));
  const auto top = static_cast<std::int64_t>(skip / step),
             bottom = std::min(counts.height, static_cast<std::int64_t>((skip + used) / step));
  std::vector<double> bases, at;
  for (std::int64_t x0 = 0; x0 < counts.width; x0 += piece / 2) {
    std::vector<float> values;
    for (std::int64_t y = top; y < bottom; ++y)
      for (std::int64_t x = x0; x < std::min(counts.width, x0 + piece); x += 3)
        if (counts.row(y)[x] > 0) values.push_back(counts.row(y)[x]);
    bases.push_back(quantile(values, slide ? 0.3 : 0.7)),
        at.push_back(static_cast<double>(x0) + static_cast<double>(piece) / 2);
  }
  std::size_t k = 0;
  for (std::int64_t x = 0; x < counts.width; ++x) {
    while (k + 2 < at.size() && static_cast<double>(x) > at[k + 1]) ++k;
    double base = bases[k];
    if (k + 1 < at.size()) {
      const double part =
          std::clamp((static_cast<double>(x) - at[k]) / (at[k + 1] - at[k]), 0.0, 1.0);
      base += (bases[k + 1] - base) * part;
    }
    for (std::int64_t y = 0; y < counts.height; ++y) {
      float& v = counts.row(y)[x];
      if (base <= 0 || v < 0)
        v = 0;
      else if (slide)
        v = static_cast<float>(std::clamp(std::log10((v + 10) / (base + 10)), -0.5, 2.5));
      else
        v = static_cast<float>(std::max(1 - v / base, -0.6));
    }
  }
}

double noise_of(const image::Plane& plane) {
  std::vector<float> steps;
  for (std::int64_t y = plane.height / 4; y < plane.height * 3 / 4; y += 2)
    for (std::int64_t x = 1; x < plane.width; x += 5)
      steps.push_back(std::abs(plane.row(y)[x] - plane.row(y)[x - 1]));
  return quantile(steps, 0.5);
}

}  // namespace

Result<Rebate> read_rebate(image::RowSource& sheet, const Affine<RunSpace, PassSpace>& to_pixels,
                           const StripLine& line, bool other_edge, double from, double to,
                           bool slide) {
  Rebate rebate;
  const double pixel = sheet.ppi().mm_per_pixel();
  const auto factor = std::max<std::int64_t>(1, std::llround(finest / pixel));
  const auto f = static_cast<double>(factor);
  rebate.step = pixel * f, rebate.from = from;
  rebate.across_from = other_edge ? line.width - inside : -outside;
  const auto columns = static_cast<std::int64_t>((to - from) / rebate.step);
  const auto rows = static_cast<std::int64_t>((outside + inside) / rebate.step);
  if (columns < 8 || rows < 8) return rebate;

  double l = 1e300, t = 1e300, r = -1e300, b = -1e300;
  for (int k = 0; k < 4; ++k) {
    const auto p =
        to_pixels(line.at(k & 1 ? to : from, rebate.across_from + (k & 2 ? outside + inside : 0)));
    l = std::min(l, p.x), r = std::max(r, p.x), t = std::min(t, p.y), b = std::max(b, p.y);
  }
  // The block starts on a whole multiple, so that neighbouring blocks are reduced alike.
  const auto snapped = [&](double v, std::int64_t most) {
    return std::clamp<std::int64_t>(static_cast<std::int64_t>(std::floor(v / f)) * factor, 0, most);
  };
  const std::int64_t x0 = snapped(l - 2 * f, sheet.width()),
                     y0 = snapped(t - 2 * f, sheet.height());
  const std::int64_t x1 = snapped(r + 3 * f, sheet.width()),
                     y1 = snapped(b + 3 * f, sheet.height());
  auto picture = image::reduced(sheet, x0, y0, x1 - x0, y1 - y0, factor);
  if (!picture) return fail(picture.error());

  Channels channels;
  for (auto& c : channels) c = image::Plane(columns, rows, -1);
  for (std::int64_t j = 0; j < rows; ++j)
    for (std::int64_t i = 0; i < columns; ++i) {
      const auto q =
          to_pixels(line.at(rebate.place(static_cast<double>(i) + 0.5),
                            rebate.across_from + (static_cast<double>(j) + 0.5) * rebate.step));
      const double x = (q.x - static_cast<double>(x0)) / f - 0.5,
                   y = (q.y - static_cast<double>(y0)) / f - 0.5;
      const auto ix = static_cast<std::int64_t>(std::floor(x)),
                 iy = static_cast<std::int64_t>(std::floor(y));
      if (ix < 0 || iy < 0 || ix + 1 >= picture->width() || iy + 1 >= picture->height()) continue;
      const auto u = static_cast<float>(x - static_cast<double>(ix)),
                 v = static_cast<float>(y - static_cast<double>(iy));
      const std::uint16_t* p = picture->row(iy) + ix * 3;
      const std::uint16_t* n = picture->row(iy + 1) + ix * 3;
      for (std::size_t c = 0; c < 3; ++c)
        channels[c].row(j)[i] =
            (p[c] * (1 - u) + p[c + 3] * u) * (1 - v) + (n[c] * (1 - u) + n[c + 3] * u) * v;
    }
  // Channels by how quiet they are: a dense base has few counts.
  rebate.dark = image::Plane(columns, rows);
  const double skip = other_edge ? inside - print_to : outside + print_from;
  double total = 0;
  std::array<double, 3> weight{};
  for (std::size_t c = 0; c < 3; ++c) {
    over_base(channels[c], rebate.step, skip, print_to - print_from, slide);
    weight[c] = 1 / (std::pow(noise_of(channels[c]), 2) + 1e-5), total += weight[c];
  }
  for (std::size_t c = 0; c < 3; ++c) {
    const auto w = static_cast<float>(weight[c] / total);
    for (std::size_t k = 0; k < rebate.dark.values.size(); ++k)
      rebate.dark.values[k] += w * channels[c].values[k];
  }
  return rebate;
}

}  // namespace lapwright::frames
