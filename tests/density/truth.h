// How far a positive is from what the film saw: Lab and dE00 by lcms2, of areas of a known page.
//
// Units: CIE Lab, D50; dE00. Thread: one. Errors: none; a page that cannot be measured gives
// infinite distances.
#pragma once

#include <lcms2.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <memory>
#include <vector>

#include "density/density.h"
#include "density/fit.h"
#include "density/paper.h"
#include "support/chart_page.h"

namespace lapwright::density {

using support::ChartPage;
using support::Triple;

inline cmsCIELab lab_of_light(const Triple& light) {
  static const std::unique_ptr<void, decltype(&cmsDeleteTransform)> transform = [] {
    const cmsHPROFILE from = cmsCreate_sRGBProfile(), to = cmsCreateLab4Profile(nullptr);
    const cmsHTRANSFORM made = cmsCreateTransform(
        from, TYPE_RGB_DBL, to, TYPE_Lab_DBL, INTENT_RELATIVE_COLORIMETRIC, cmsFLAGS_NOOPTIMIZE);
    cmsCloseProfile(from), cmsCloseProfile(to);
    return std::unique_ptr<void, decltype(&cmsDeleteTransform)>(made, &cmsDeleteTransform);
  }();
  double code[3];
  for (std::size_t c = 0; c < 3; ++c) code[c] = srgb_encode(std::clamp(light[c], 0.0, 1.0));
  cmsCIELab out{};
  cmsDoTransform(transform.get(), code, &out, 1);
  return out;
}

inline double de00(const cmsCIELab& a, const cmsCIELab& b) {
  return cmsCIE2000DeltaE(&a, &b, 1, 1, 1);
}

/// A page as it was converted: the mean light of any area.
struct Positive {
  image::Rgb16 codes;
  Spot<SleeveSpace> origin;
  Ppi ppi;
  Triple light(const Rect<SleeveSpace>& area) const {
    const double k = ppi.pixels_per_mm();
    const auto px = [&](double mm, double from) {
      return static_cast<std::int64_t>(std::llround((mm - from) * k));
    };
    Triple sum{};
    double n = 0;
    for (std::int64_t y = px(area.y.mm(), origin.y); y < px(area.bottom().mm(), origin.y); ++y)
      for (std::int64_t x = px(area.x.mm(), origin.x); x < px(area.right().mm(), origin.x);
           ++x, ++n)
        for (std::size_t c = 0; c < 3; ++c)
          sum[c] += srgb_decode(codes.row(y)[x * 3 + static_cast<std::int64_t>(c)] / 65535.0);
    for (double& v : sum) v /= n;
    return sum;
  }
};

struct Distances {
  double chart = std::numeric_limits<double>::infinity();  // mean dE00 after one factor on the
                                                           // positive's light
  double worst = 0;                                        // of its patches
  double greys = std::numeric_limits<double>::infinity();  // largest dE00 from the neutral of the
                                                           // same lightness
  double factor = 1;                                       // the one factor
  double base = 100;                                       // lightness of plain film
  double mid_grey = 0;                                     // lightness of the 18 % step
};

inline Distances distances(const Positive& p, const ChartPage& page) {
  Distances d;
  const auto truth = support::chart_lab();
  std::vector<Triple> seen;
  for (const auto& patch : page.chart) seen.push_back(p.light(patch.area));
  for (double stops = -2.5; stops <= 2.5; stops += 0.02) {
    double sum = 0, worst = 0;
    for (std::size_t i = 0; i < seen.size(); ++i) {
      Triple light = seen[i];
      for (double& v : light) v *= std::pow(2.0, stops);
      const double e = de00(lab_of_light(light), {truth[i][0], truth[i][1], truth[i][2]});
      sum += e, worst = std::max(worst, e);
    }
    if (const double mean = sum / static_cast<double>(seen.size()); mean < d.chart)
      d.chart = mean, d.worst = worst, d.factor = std::pow(2.0, stops);
  }
  d.greys = page.greys.empty() ? d.greys : 0;
  for (std::size_t i = 0; i < page.greys.size(); ++i) {
    const cmsCIELab lab = lab_of_light(p.light(page.greys[i].area));
    d.greys = std::max(d.greys, de00(lab, {lab.L, 0, 0}));
    if (i == 3) d.mid_grey = lab.L;
  }
  d.base = lab_of_light(p.light(page.rebate)).L;
  return d;
}

/// Measured on the page itself, converted by `stock`.
inline Positive converted(const ChartPage& page, const profile::StockProfile& stock, Ppi ppi) {
  Positive p{image::Rgb16(page.picture.width(), page.picture.height()), page.origin, ppi};
  image::MemorySource source(page.picture, ppi);
  const auto measured = measure(source, page.origin, ChartPage::sleeve(page.strips), stock);
  if (!measured) return p;
  const Converter converter(stock, *measured);
  PositiveSource positive(source, converter);
  for (std::int64_t y = 0; y < page.picture.height(); ++y)
    if (!positive.read(y, 1, p.codes.row(y))) break;
  return p;
}

/// Mean dE00 between two conversions of one film, over cells of 2 mm of the frames, and the worst
/// of a hundred's 95.
struct Seam {
  double mean = 0, most = 0;
};
inline Seam seam(const Positive& a, const Positive& b) {
  std::vector<double> all;
  const auto mm = [](double v) { return Micrometres::from_mm(v); };
  for (int strip = 0; strip < 3; ++strip)
    for (int frame = 0; frame < 4; ++frame) {
      const auto area = ChartPage::sleeve().frame_area(strip, frame);
      for (double x = 1; x < 34; x += 2)
        for (double y = 1; y < 22; y += 2) {
          const Rect<SleeveSpace> cell{area.x + mm(x), area.y + mm(y), mm(1.8), mm(1.8)};
          all.push_back(de00(lab_of_light(a.light(cell)), lab_of_light(b.light(cell))));
        }
    }
  Seam s;
  for (const double e : all) s.mean += e / static_cast<double>(all.size());
  const auto at = all.begin() + static_cast<std::ptrdiff_t>(0.95 * static_cast<double>(all.size()));
  std::nth_element(all.begin(), at, all.end());
  s.most = *at;
  return s;
}

/// What a stock is fitted by: a page's pictures alone, four grey places named, or its step wedge.
enum class By { pictures, greys, wedge };
inline FitRequest fit_request(const ChartPage& page, By by) {
  FitRequest request;
  for (int i = 0; i < 4 * page.strips; ++i)
    request.frames.push_back(ChartPage::sleeve(page.strips).frame_area(i / 4, i % 4));
  if (by == By::greys)
    for (const std::size_t i : {0, 2, 4, 6})
      request.neutrals.push_back({"grey", page.greys[i].area.centre_mm()});
  if (by == By::wedge)
    request.wedge = Wedge{page.wedge.front().area.centre_mm(), page.wedge.back().area.centre_mm()};
  return request;
}

}  // namespace lapwright::density
