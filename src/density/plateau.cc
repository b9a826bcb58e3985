#include "density/plateau.h"

#include <algorithm>
#include <cmath>

#include "density/evenness.h"

namespace lapwright::density {
namespace {

constexpr int overview_ppi = 100;

double quantile(std::vector<std::uint16_t>& values, double q) {
  const auto at = values.begin() + static_cast<std::ptrdiff_t>(q * static_cast<double>(values.size() - 1));
  std::nth_element(values.begin(), at, values.end());
  return *at;
}

}  // namespace

Result<Overview> Overview::of(image::RowSource& sheet, Spot<SleeveSpace> origin) {
  const std::int64_t factor =
      std::max<std::int64_t>(1, std::llround(static_cast<double>(sheet.ppi().value) / overview_ppi));
  auto picture = image::reduced(sheet, 0, 0, sheet.width(), sheet.height(), factor);
  if (!picture) return fail(picture.error());
  Overview o;
  o.picture_ = std::move(*picture);
  o.origin_ = origin;
  o.mm_ = sheet.ppi().mm_per_pixel() * static_cast<double>(factor);
  const std::int64_t w = o.width(), h = o.height();
  o.across_ = static_cast<double>(sheet.width()) / static_cast<double>(factor);
  o.down_ = static_cast<double>(sheet.height()) / static_cast<double>(factor);
  o.density_ = image::Plane(w, h);
  o.flat_.assign(static_cast<std::size_t>(w * h), 0);
  o.densities();
  for (std::int64_t y = 1; y + 1 < h; ++y)
    for (std::int64_t x = 1; x + 1 < w; ++x) {
      int low[3] = {65535, 65535, 65535}, high[3] = {0, 0, 0};
      for (std::int64_t dy = -1; dy <= 1; ++dy)
        for (std::int64_t dx = -1; dx <= 1; ++dx)
          for (int c = 0; c < 3; ++c) {
            const int v = o.counts(x + dx, y + dy)[c];
            low[c] = std::min(low[c], v), high[c] = std::max(high[c], v);
          }
      bool flat = high[0] > 0;
      for (int c = 0; c < 3; ++c) flat = flat && high[c] - low[c] <= std::max(60.0, 0.08 * high[c]);
      o.flat_[static_cast<std::size_t>(y * w + x)] = flat;
    }
  return o;
}

void Overview::densities() {
  for (std::int64_t y = 0; y < height(); ++y)
    for (std::int64_t x = 0; x < width(); ++x) {
      const std::uint16_t* p = counts(x, y);
      double sum = 0;
      for (int c = 0; c < 3; ++c) sum += std::log10(65535.0 / std::max<double>(p[c], 1));
      density_.row(y)[x] = static_cast<float>(sum / 3);
    }
}

void Overview::correct(const LightField& field, const std::array<double, 3>& flare) {
  for (std::size_t c = 0; c < 3; ++c) {
    std::vector<double> along(static_cast<std::size_t>(width()));
    for (std::int64_t x = 0; x < width(); ++x) along[static_cast<std::size_t>(x)] = field.along(c, u(x));
    for (std::int64_t y = 0; y < height(); ++y) {
      std::uint16_t* row = picture_.row(y);
      const double across = field.across(c, v(y));
      for (std::int64_t x = 0; x < width(); ++x) {
        std::uint16_t& n = row[x * 3 + static_cast<std::int64_t>(c)];
        n = static_cast<std::uint16_t>(
            std::clamp((n - flare[c]) / (along[static_cast<std::size_t>(x)] * across) + flare[c] + 0.5, 0.0, 65535.0));
      }
    }
  }
  densities();
}

PixelRect<SheetSpace> Overview::pixels(const Rect<SleeveSpace>& area) const {
  const auto at = [&](double mm, double from, std::int64_t most) {
    return std::clamp<std::int64_t>(std::llround((mm - from) / mm_), 0, most);
  };
  const std::int64_t x0 = at(area.x.mm(), origin_.x, width()), x1 = at(area.right().mm(), origin_.x, width());
  const std::int64_t y0 = at(area.y.mm(), origin_.y, height()), y1 = at(area.bottom().mm(), origin_.y, height());
  return {{x0}, {y0}, {x1 - x0}, {y1 - y0}};
}

Rect<SleeveSpace> Overview::sleeve_area(const PixelRect<SheetSpace>& r) const {
  const auto um = [&](std::int64_t px) { return Micrometres::from_mm(static_cast<double>(px) * mm_); };
  return {Micrometres::from_mm(origin_.x) + um(r.x.value), Micrometres::from_mm(origin_.y) + um(r.y.value),
          um(r.width.value), um(r.height.value)};
}

void ToneHistogram::add(double density) {
  const auto at = static_cast<std::size_t>(std::max(density, 0.0) / bin);
  if (at >= counts_.size()) return;
  counts_[at] += 1;
  ++total_;
}

std::vector<ToneHistogram::Peak> ToneHistogram::peaks(double least, double reach) const {
  const auto n = static_cast<std::ptrdiff_t>(counts_.size());
  const auto raw = [&](std::ptrdiff_t i) { return i < 0 || i >= n ? 0.0 : counts_[static_cast<std::size_t>(i)]; };
  std::vector<double> smooth(counts_.size());
  for (std::ptrdiff_t i = 0; i < n; ++i)
    smooth[static_cast<std::size_t>(i)] = (raw(i - 2) + 2 * raw(i - 1) + 3 * raw(i) + 2 * raw(i + 1) + raw(i + 2)) / 9;
  const auto span = static_cast<std::ptrdiff_t>(std::lround(reach / bin));
  std::vector<Peak> found;
  for (std::ptrdiff_t i = 0; i < n; ++i) {
    const double here = smooth[static_cast<std::size_t>(i)];
    if (here <= 0) continue;
    double around = 0, highest = 0;
    std::ptrdiff_t top = i;
    for (std::ptrdiff_t k = std::max<std::ptrdiff_t>(0, i - span); k <= std::min(n - 1, i + span); ++k) {
      around += raw(k);
      if (smooth[static_cast<std::size_t>(k)] > highest) highest = smooth[static_cast<std::size_t>(k)], top = k;
    }
    if (top == i && around >= least) found.push_back({(static_cast<double>(i) + 0.5) * bin, here});
  }
  return found;
}

Tone tone(const Overview& overview, const PixelRect<SheetSpace>& area, double from, double to,
          const std::function<bool(std::int64_t, std::int64_t)>& take) {
  std::array<std::vector<std::uint16_t>, 3> values;
  std::int64_t l = overview.width(), t = overview.height(), r = 0, b = 0;
  for (std::int64_t y = area.y.value; y < area.bottom().value; ++y)
    for (std::int64_t x = area.x.value; x < area.right().value; ++x) {
      if (!overview.flat(x, y) || overview.density(x, y) < from || overview.density(x, y) > to) continue;
      if (take && !take(x, y)) continue;
      for (std::size_t c = 0; c < 3; ++c) values[c].push_back(overview.counts(x, y)[c]);
      l = std::min(l, x), r = std::max(r, x + 1), t = std::min(t, y), b = std::max(b, y + 1);
    }
  Tone found;
  found.pixels = static_cast<std::int64_t>(values[0].size());
  if (found.pixels == 0) return found;
  found.where = {{l}, {t}, {r - l}, {b - t}};
  for (std::size_t c = 0; c < 3; ++c) {
    const double low = std::max(quantile(values[c], 0.25), 1.0), high = std::max(quantile(values[c], 0.75), 1.0);
    found.counts[c] = std::max(quantile(values[c], 0.5), 1.0);
    found.spread = std::max(found.spread, std::log10(high / low));
  }
  return found;
}

}  // namespace lapwright::density
