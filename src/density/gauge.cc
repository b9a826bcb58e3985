#include <algorithm>
#include <cmath>

#include "density/density.h"
#include "density/lab.h"
#include "density/paper.h"

namespace lapwright::density {
namespace {

constexpr int gauge_ppi = 300;
constexpr double band_out = 1.0, band_in = 3.2;  // mm over the film's edge outwards, and inwards: lettering lies within 2.01 mm
constexpr double rebate_near = 0.7;              // mm within which lettering has rebate beside it; a picture has not
constexpr int dark = 80 * 257, bright = 100 * 257;
constexpr int clear = 240 * 257;                 // brighter than lettering: a slide's holes, whose edges are no strokes
constexpr std::size_t least_pixels = 60;

Lab lab_of_code(const std::uint16_t* rgb) {
  return lab_of({srgb_decode(rgb[0] / 65535.0), srgb_decode(rgb[1] / 65535.0),
                 srgb_decode(rgb[2] / 65535.0)});
}

int peak(const std::uint16_t* p) { return std::max({p[0], p[1], p[2]}); }

/// Bright pixels with dark rebate on both sides along the film, which strokes have and pictures have not.
void collect(const image::Rgb16& band, std::int64_t reach, bool along_x, std::vector<Lab>& letters) {
  for (std::int64_t y = 0; y < band.height(); ++y)
    for (std::int64_t x = 0; x < band.width(); ++x) {
      const std::uint16_t* p = band.row(y) + x * 3;
      if (peak(p) < bright) continue;
      bool before = false, after = false, hole = peak(p) > clear;
      for (std::int64_t k = -2; k <= 2; ++k) {
        const std::int64_t xa = along_x ? x : x + k, ya = along_x ? y + k : y;
        hole = hole || (xa >= 0 && ya >= 0 && xa < band.width() && ya < band.height() && peak(band.row(ya) + xa * 3) > clear);
      }
      for (std::int64_t k = 1; k <= reach; ++k) {
        const std::int64_t x0 = along_x ? x - k : x, y0 = along_x ? y : y - k, x1 = along_x ? x + k : x, y1 = along_x ? y : y + k;
        const bool in0 = x0 >= 0 && y0 >= 0, in1 = x1 < band.width() && y1 < band.height();
        hole = hole || (in0 && peak(band.row(y0) + x0 * 3) > clear) || (in1 && peak(band.row(y1) + x1 * 3) > clear);
        before = before || (in0 && peak(band.row(y0) + x0 * 3) < dark);
        after = after || (in1 && peak(band.row(y1) + x1 * 3) < dark);
      }
      if (before && after && !hole) letters.push_back(lab_of_code(p));
    }
}

std::string verdict(double l, double c, double h) {
  if (c < 1 && l >= 45) return "usual";  // black and white: white lettering on black edges (READ trade.md 4.7)
  if (l < 45 || l > 85 || c < 12) return "check";
  if (h >= 45 && h <= 85) return "usual";
  return h >= 30 && h <= 100 ? "check" : "odd";
}

}  // namespace

Result<Lettering> gauge(image::RowSource& positive, Spot<SleeveSpace> origin, const profile::SleeveProfile& sleeve) {
  const double mm = positive.ppi().mm_per_pixel();
  const std::int64_t factor = std::max<std::int64_t>(1, std::llround(static_cast<double>(positive.ppi().value) / gauge_ppi));
  const auto reach = static_cast<std::int64_t>(std::ceil(rebate_near / (mm * static_cast<double>(factor))));
  const bool right = sleeve.strips.run == profile::Run::right;
  const auto area = [&](const Rect<SleeveSpace>& r) {
    const auto px = [&](double v, double from) { return std::llround((v - from) / mm); };
    return std::array<std::int64_t, 4>{px(r.x.mm(), origin.x), px(r.y.mm(), origin.y), std::llround(r.width.mm() / mm),
                                       std::llround(r.height.mm() / mm)};
  };
  std::vector<Lab> letters;
  // Bands of a strip that runs down hold every row of the sheet, so there one strip's two edges stand for all.
  for (int i = right ? 0 : sleeve.strips.count / 2; i < (right ? sleeve.strips.count : sleeve.strips.count / 2 + 1); ++i) {
    const Rect<SleeveSpace> film = sleeve.strip(i);
    for (const bool far : {false, true}) {
      Rect<SleeveSpace> band = film;
      const Micrometres out = Micrometres::from_mm(far ? -band_in : -band_out), deep = Micrometres::from_mm(band_in + band_out);
      if (right) band.y = (far ? film.bottom() : film.y) + out, band.height = deep;
      else band.x = (far ? film.right() : film.x) + out, band.width = deep;
      const auto [x, y, w, h] = area(band);
      auto picture = image::reduced(positive, x, y, w, h, factor);
      if (!picture) return fail(picture.error());
      collect(*picture, reach, right, letters);
    }
  }
  Lettering found;
  found.verdict = "none found";
  if (letters.size() < least_pixels) return found;
  const auto third = letters.begin() + static_cast<std::ptrdiff_t>(letters.size() / 3);
  std::nth_element(letters.begin(), third, letters.end(), [](const Lab& a, const Lab& b) { return a.l > b.l; });
  letters.erase(third, letters.end());
  const auto median = [&](double Lab::*member) {
    std::vector<double> all;
    for (const Lab& lab : letters) all.push_back(lab.*member);
    const auto middle = all.begin() + static_cast<std::ptrdiff_t>(all.size() / 2);
    std::nth_element(all.begin(), middle, all.end());
    return *middle;
  };
  const double a = median(&Lab::a), b = median(&Lab::b);
  found.found = true;
  found.lightness = median(&Lab::l);
  found.chroma = std::hypot(a, b);
  found.hue_degrees = std::fmod(std::atan2(b, a) * 180 / 3.14159265358979323846 + 360, 360);
  found.verdict = verdict(found.lightness, found.chroma, found.hue_degrees);
  return found;
}

}  // namespace lapwright::density
