// Compares a joined sheet with the sleeve's own truth: check_sheet SHEET.tif SLEEVE.yaml PLANNED ACTUAL
// (each lay as a,b,c,d,e,f: pass 1 as planned and as it really lay). Prints how far blocks all
// over the sheet are displaced; exits 1 when that is out of bounds.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <fstream>
#include <vector>

#include "core/files.h"
#include "profile/card.h"
#include "raw/tiff.h"
#include "support/film_scene.h"

using namespace lapwright;

static Affine<SleeveSpace, BedSpace> lay(const char* text) {
  Affine<SleeveSpace, BedSpace> m;
  if (std::sscanf(text, "%lf,%lf,%lf,%lf,%lf,%lf", &m.a, &m.b, &m.c, &m.d, &m.e, &m.f) != 6) std::exit(64);
  return m;
}

int main(int argc, char** argv) {
  if (argc != 5) return 64;
  const std::string sheet_path = argv[1];
  auto reader = raw::Reader::open(sheet_path);
  auto sleeve = profile::parse_sleeve(*core::read_file(argv[2]), argv[2]);
  const std::string card_path = sheet_path.substr(0, sheet_path.size() - 4) + ".yaml";
  auto card = profile::read_card(*core::read_file(card_path), card_path);
  if (!reader || !sleeve || !card) return 66;
  support::SceneOptions options;
  options.seed = 11;
  const support::Scene scene(*sleeve, options);
  // The sheet's coordinates are those of pass 1 as planned; the sleeve itself lay as `actual` says.
  const auto to_true = compose(lay(argv[4]).inverse(), lay(argv[3]));
  const double mm = card->mm_per_pixel;
  const auto truth = [&](double x, double y) {
    const Spot<SleeveSpace> s = to_true({card->origin_mm.x + x * mm, card->origin_mm.y + y * mm});
    double sum = 0;
    for (int k = 0; k < 4; ++k)
      sum += static_cast<double>(scene.at({s.x + (k & 1 ? 0.25 : -0.25) * mm, s.y + (k & 2 ? 0.25 : -0.25) * mm})[1]) / 4;
    return std::log10(std::max(sum, 1e-4));
  };
  constexpr int size = 40;
  const std::int64_t width = (*reader)->width(), height = (*reader)->height();
  std::vector<std::uint16_t> rows(static_cast<std::size_t>(width * size * 3));
  std::vector<double> off;
  for (std::int64_t y = size; y + 2 * size < height; y += height / 23) {
    if (!(*reader)->read(y, size, rows.data())) return 74;
    for (std::int64_t x = size; x + 2 * size < width; x += width / 29) {
      // Displacement by one step of least squares on density with free gain.
      double a11 = 0, a12 = 0, a22 = 0, b1 = 0, b2 = 0, mean = 0;
      std::vector<double> difference, gx, gy;
      for (int j = 0; j < size; ++j)
        for (int i = 0; i < size; ++i) {
          const double seen = std::log10(std::max<double>(rows[static_cast<std::size_t>((j * width + x + i) * 3 + 1)], 1) / 52000);
          const double px = static_cast<double>(x + i) + 0.5, py = static_cast<double>(y + j) + 0.5;
          difference.push_back(seen - truth(px, py));
          gx.push_back((truth(px + 0.5, py) - truth(px - 0.5, py)));
          gy.push_back((truth(px, py + 0.5) - truth(px, py - 0.5)));
          mean += difference.back() / (size * size);
        }
      for (std::size_t i = 0; i < gx.size(); ++i) {
        const double d = difference[i] - mean;
        a11 += gx[i] * gx[i], a12 += gx[i] * gy[i], a22 += gy[i] * gy[i], b1 += gx[i] * d, b2 += gy[i] * d;
      }
      const double det = a11 * a22 - a12 * a12;
      if (a11 < 2 || a22 < 2 || det < 0.3 * a11 * a22) continue;  // too little in the block to tell a place
      const double dx = (a22 * b1 - a12 * b2) / det, dy = (a11 * b2 - a12 * b1) / det;
      off.push_back(std::hypot(dx, dy));
    }
  }
  if (off.size() < 60) return 1;
  // Places far from a lap are extrapolated from it, over three laps at the sheet's far end; a single block can be misled.
  std::sort(off.begin(), off.end());
  const double median = off[off.size() / 2], most = off[off.size() * 95 / 100];
  std::printf("%zu blocks, displaced by %.3f px in the median, 95 %% of them by at most %.3f px\n", off.size(), median, most);
  return median <= 0.4 && most <= 1.0 ? 0 : 1;
}
