// A pass of a page on a flatbed whose carriage wobbles: where every pixel looks, in closed form,
// and the pass itself, row by row.
//
// A pixel position (x, row) of a pass looks at bed place x - s(row) - l(x), row (1 + scale) +
// w(row), all in pixels, where l is the lens's bow, w is the carriage's wobble and gear error along
// its travel and s sideways; from there a rigid lay leads to the sleeve. Units: sleeve mm, pass
// pixels; bed model in micrometres. Thread: one PassSource in one thread (two of its own). Errors:
// none.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <vector>

#include "bench/film_page.h"
#include "image/rgb.h"
#include "lap/lap.h"

namespace lapwright::bench {

struct Wave {
  double um = 0, period_mm = 1, phase = 0;
};

struct PassSpec {
  int ppi = 600, number = 1;
  double x = 0, y = 0, width = 100, height = 100;  // the window, sleeve mm and directions
  int quarter = 0;                                 // planned clockwise quarter turns
  double turn = 0, shift_x = 0, shift_y = 0;       // off the plan: degrees, pass pixels
  double scale = 0;                                // of the carriage's steps
  std::vector<Wave> carriage, sideways;
  // The lens: along the sensor's line, second and third order, at the line's ends.
  double lens_um = 0;
  std::array<double, 3> light{1, 1, 1};
  double drift = 0;             // of the light over the pass's height
  double noise = 1;             // times the sensor's own
  double dust = 0.5;            // specks a square cm
  std::vector<double> slid_mm;  // of each strip along its pocket
  // Bumped when the carriage had travelled so far: from there on the sleeve lies so much farther,
  // mm on the bed, and turned by so many degrees about the window's middle.
  double bumped_at_mm = 1e9, bump_x = 0, bump_y = 0, bump_turn = 0;
  unsigned seed = 1;
};

class PassTruth {
 public:
  explicit PassTruth(const PassSpec& spec);
  Spot<SleeveSpace> where(Spot<PassSpace> p) const;
  /// Where the pass shows a place of the page (of a strip that has not slid).
  Spot<PassSpace> shows(Spot<SleeveSpace> s) const;
  const Affine<SleeveSpace, PassSpace>& planned() const { return planned_; }
  std::int64_t width() const { return width_; }
  std::int64_t height() const { return height_; }
  const PassSpec& spec() const { return spec_; }
  /// The same as a placement, its curve through knots a millimetre apart: what a perfect lap check
  /// would answer.
  lap::Placement placement() const;
  /// The light of channel c at a row.
  double light(std::size_t c, double row) const;

 private:
  static double at(const std::vector<Wave>& waves, double mm);
  Spot<PassSpace> shown(const Affine<SleeveSpace, PassSpace>& lay, Spot<SleeveSpace> s) const;
  double lens(double x) const;
  PassSpec spec_;
  Affine<SleeveSpace, PassSpace> planned_, lay_, bumped_;
  Affine<PassSpace, SleeveSpace> back_, bumped_back_;
  std::int64_t width_ = 0, height_ = 0;
  double mm_ = 1;  // a pixel
};

/// Light of open glass, the sensor's full well and read noise.
constexpr double open_counts = 56000, full_well = 40000,
                 read_noise = 12;  // electrons; common practice, no source

/// The pass made on demand, in memory for a band of rows.
class PassSource : public image::RowSource {
 public:
  PassSource(const FilmPage& page, const PassTruth& truth);
  std::int64_t width() const override { return truth_.width(); }
  std::int64_t height() const override { return truth_.height(); }
  Ppi ppi() const override { return Ppi{truth_.spec().ppi}; }
  Result<> read(std::int64_t first, std::int64_t rows, std::uint16_t* out) override;

 private:
  struct Speck {
    double x = 0, y = 0, long_axis = 1, short_axis = 1, cosine = 1, sine = 0, opacity = 0;
  };
  void tile(std::int64_t x, std::int64_t columns, std::int64_t first, std::int64_t rows,
            std::uint16_t* out) const;
  const FilmPage& page_;
  const PassTruth& truth_;
  std::vector<std::vector<Speck>> specks_;  // by bands of rows
};

}  // namespace lapwright::bench
