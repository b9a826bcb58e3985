// Plateaus of tone in a reduced picture: where many flat pixels share one density.
//
// Units: densities relative to full scale (log10(65535/count), mean of the channels); picture pixels. Thread: pure. Errors: none.
#pragma once

#include <algorithm>
#include <array>
#include <cstdint>
#include <functional>
#include <vector>

#include "image/rgb.h"

namespace lapwright::density {

class LightField;

/// A sheet averaged down to about 100 ppi, with each pixel's density and flatness.
class Overview {
 public:
  static Result<Overview> of(image::RowSource& sheet, Spot<SleeveSpace> origin);
  std::int64_t width() const { return picture_.width(); }
  std::int64_t height() const { return picture_.height(); }
  float density(std::int64_t x, std::int64_t y) const { return density_.row(y)[x]; }
  /// No edge within a pixel: mixed pixels would pretend tones that are not there.
  bool flat(std::int64_t x, std::int64_t y) const { return flat_[static_cast<std::size_t>(y * width() + x)] != 0; }
  const std::uint16_t* counts(std::int64_t x, std::int64_t y) const { return picture_.row(y) + x * 3; }
  /// -1 to 1 over the sheet, of a pixel's middle.
  double u(std::int64_t x) const { return 2 * (static_cast<double>(x) + 0.5) / across_ - 1; }
  double v(std::int64_t y) const { return 2 * (static_cast<double>(y) + 0.5) / down_ - 1; }
  /// As if the light were even and nothing came past the film: counts - flare over the field, + flare.
  void correct(const LightField& field, const std::array<double, 3>& flare);
  /// Pixels whose centres lie in `area`, clipped.
  PixelRect<SheetSpace> pixels(const Rect<SleeveSpace>& area) const;
  std::int64_t across_pixels(double mm) const { return std::max<std::int64_t>(1, static_cast<std::int64_t>(mm / mm_ + 0.5)); }
  PixelRect<SheetSpace> all() const { return {{0}, {0}, {width()}, {height()}}; }
  /// The sleeve area of a pixel rectangle of this overview.
  Rect<SleeveSpace> sleeve_area(const PixelRect<SheetSpace>& r) const;

 private:
  image::Rgb16 picture_;
  image::Plane density_;
  std::vector<std::uint8_t> flat_;
  Spot<SleeveSpace> origin_;
  double mm_ = 0;
  double across_ = 1, down_ = 1;  // the sheet's size in pixels of the overview
  void densities();
};

/// Counts of flat pixels by density.
class ToneHistogram {
 public:
  static constexpr double bin = 0.005;
  ToneHistogram() : counts_(1000, 0) {}
  void add(double density);
  std::int64_t total() const { return total_; }
  struct Peak { double density = 0, height = 0; };  // height: pixels in the bin, smoothed
  /// Local maxima within +-`reach` of density that hold at least `least` pixels, brightest first.
  std::vector<Peak> peaks(double least, double reach) const;

 private:
  std::vector<double> counts_;
  std::int64_t total_ = 0;
};

/// What a set of pixels has in common.
struct Tone {
  std::int64_t pixels = 0;
  std::array<double, 3> counts{};  // medians
  double spread = 0;               // widest interquartile range of density over the channels
  PixelRect<SheetSpace> where;     // bounding box
};
/// Flat pixels in `area` whose density is within [from, to] and for which `take` (when given) is true.
Tone tone(const Overview& overview, const PixelRect<SheetSpace>& area, double from, double to,
          const std::function<bool(std::int64_t, std::int64_t)>& take = nullptr);

}  // namespace lapwright::density
