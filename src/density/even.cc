#include <algorithm>
#include <cmath>

#include "density/density.h"
#include "density/evenness.h"
#include "density/paper.h"
#include "density/plateau.h"
#include "density/stock_curve.h"

namespace lapwright::density {
namespace {

constexpr int look_ppi = 100;
constexpr double inside_mm = 1.0;      // of a frame's edge that is left out
constexpr double plain = 0.03;         // D of spread under which a frame shows nothing
constexpr double mid_grey = 0.18;      // light that a frame's middle tone is printed at
constexpr double most_light = 0.85;    // that a frame is lightened to at its lightest tones
constexpr double lightest = 0.97;      // of a frame's tones
constexpr double most_exposure = 0.6;  // densities; slides: log10 of light
constexpr double most_cast = 0.05;     // densities, after halving: an evening stays an evening

double quantile(std::vector<double>& v, double q) {
  const auto at = v.begin() + static_cast<std::ptrdiff_t>(q * static_cast<double>(v.size() - 1));
  std::nth_element(v.begin(), at, v.end());
  return *at;
}

/// What a frame is over the page: from its own middle tones.
void balance(EvenSource::Frame& frame, const image::Rgb16& picture,
             const profile::StockProfile& stock, const Measured& m) {
  const bool slide = stock.process == profile::Process::slide;
  std::array<std::vector<double>, 3> tones;
  std::vector<double> all;
  for (std::size_t c = 0; c < 3; ++c) {
    const StockCurve curve = m.balance ? StockCurve(m.balance->curve[c]) : StockCurve::of(stock, c);
    const StraightToe toe(stock.toe);
    const double white = std::max((slide ? m.open_light : m.base).counts[c] - m.flare[c], 1.0);
    for (std::int64_t y = 0; y < picture.height(); ++y)
      for (std::int64_t x = 0; x < picture.width(); ++x) {
        const double d = std::log10(
            white /
            std::max(picture.row(y)[x * 3 + static_cast<std::int64_t>(c)] - m.flare[c], 1.0));
        tones[c].push_back(slide ? d : toe(curve(d)));
      }
  }
  if (tones[0].size() < 50) return;
  for (std::size_t i = 0; i < tones[0].size(); ++i)
    all.push_back((tones[0][i] + 2 * tones[1][i] + tones[2][i]) / 4);
  const double low = quantile(all, 0.1), high = quantile(all, 0.9), middle = quantile(all, 0.5);
  if (high - low < plain) return;
  frame.balanced = true;
  const double light_tone = quantile(all, slide ? 1 - lightest : lightest);
  if (slide) {
    const double lighter = std::max(0.0, light_tone + std::log10(most_light));
    frame.exposure = std::clamp(middle + std::log10(mid_grey), -most_exposure,
                                std::min(lighter, most_exposure));
  } else {
    const PaperCurve paper(stock.paper);
    const auto printed = [&](double tone, double light) {
      return paper.exposure_for(paper.density_of(light)) + tone - m.exposure;
    };
    const double lighter = std::min(0.0, printed(light_tone, most_light));
    frame.exposure = std::clamp(printed(middle, mid_grey), std::max(lighter, -most_exposure),
                                most_exposure);
  }
  if (stock.process == profile::Process::bw_negative) return;
  const double half[3] = {quantile(tones[0], 0.5), quantile(tones[1], 0.5),
                          quantile(tones[2], 0.5)};
  const double mean = (half[0] + 2 * half[1] + half[2]) / 4;
  for (std::size_t c = 0; c < 3; ++c)
    frame.shift[c] = std::clamp((half[c] - mean) / 2, -most_cast, most_cast);
}

}  // namespace

Result<std::unique_ptr<EvenSource>> EvenSource::of(image::RowSource& sheet,
                                                   Spot<SleeveSpace> origin,
                                                   const profile::StockProfile& stock,
                                                   const Measured& measured,
                                                   const std::vector<Rect<SleeveSpace>>& frames) {
  std::unique_ptr<EvenSource> even(new EvenSource(sheet, Converter(stock, measured)));
  const double k = sheet.ppi().pixels_per_mm();
  const std::int64_t factor =
      std::max<std::int64_t>(1, std::llround(static_cast<double>(sheet.ppi().value) / look_ppi));
  const LightField light = measured.evenness ? LightField(*measured.evenness) : LightField();
  for (const auto& area : frames) {
    const auto px = [&](double mm, double from, std::int64_t most) {
      return std::clamp<std::int64_t>(std::llround((mm - from) * k), 0, most);
    };
    Frame f;
    const std::int64_t x0 = px(area.x.mm(), origin.x, sheet.width()),
                       x1 = px(area.right().mm(), origin.x, sheet.width());
    const std::int64_t y0 = px(area.y.mm(), origin.y, sheet.height()),
                       y1 = px(area.bottom().mm(), origin.y, sheet.height());
    f.area = {{x0}, {y0}, {x1 - x0}, {y1 - y0}};
    if (f.area.empty()) continue;
    const auto rim = static_cast<std::int64_t>(inside_mm * k);
    auto picture =
        image::reduced(sheet, x0 + rim, y0 + rim, x1 - x0 - 2 * rim, y1 - y0 - 2 * rim, factor);
    if (!picture) return fail(picture.error());
    // The light of the frame's middle stands for all of it.
    const double u = static_cast<double>(x0 + x1) / static_cast<double>(sheet.width()) - 1,
                 v = static_cast<double>(y0 + y1) / static_cast<double>(sheet.height()) - 1;
    Measured there = measured;
    for (std::size_t c = 0; c < 3; ++c) {
      const double factor_here = light.even() ? 1 : light.along(c, u) * light.across(c, v);
      for (auto* reading : {&there.open_light, &there.base})
        reading->counts[c] = (reading->counts[c] - there.flare[c]) * factor_here + there.flare[c];
    }
    balance(f, *picture, stock, there);
    Measured own = measured;
    for (std::size_t c = 0; c < 3; ++c) own.shift[c] = (f.balanced ? f.exposure : 0) + f.shift[c];
    even->converters_.emplace_back(stock, own);
    even->frames_.push_back(f);
  }
  return even;
}

Result<> EvenSource::read(std::int64_t first, std::int64_t rows, std::uint16_t* out) {
  return read_block(0, width(), first, rows, out);
}

Result<> EvenSource::read_block(std::int64_t x, std::int64_t columns, std::int64_t first,
                                std::int64_t rows, std::uint16_t* out) {
  const std::int64_t w = width();
  linear_.resize(static_cast<std::size_t>(columns * 3 * rows));
  if (auto r = sheet_.read_block(x, columns, first, rows, linear_.data()); !r) return r;
  for (std::int64_t i = 0; i < rows; ++i) {
    const std::int64_t y = first + i;
    const std::uint16_t* in = linear_.data() + i * columns * 3;
    page_.part(in, out + i * columns * 3, {x, y, columns, w, height()});
    for (std::size_t k = 0; k < frames_.size(); ++k) {
      const auto& a = frames_[k].area;
      if (!frames_[k].balanced || y < a.y.value || y >= a.bottom().value) continue;
      const std::int64_t from = std::max(x, a.x.value), to = std::min(x + columns, a.right().value);
      if (from >= to) continue;
      converters_[k].part(in + (from - x) * 3, out + (i * columns + from - x) * 3,
                          {from, y, to - from, w, height()});
    }
  }
  return {};
}

}  // namespace lapwright::density
