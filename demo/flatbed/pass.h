// One pass of the practice bed: which film each pixel sees, and what the sensor makes of it. Rows are made as they are read.
//
// Where a pixel looks: nominal bed position (x, y) of its centre, then the bed's errors:
//   x' = offset_x + turn/skew/scale part + asymmetry + wander sin(2 pi y / period + phase + 1.3)
//   y' = offset_y + turn/scale part + wobble sin(2 pi y / period + phase)
// Invariant: row n is the same whoever reads it and in whatever order. Units: mm, pixels, counts of 65535.
// Thread: rows() from one thread at a time; it uses a second one itself. Errors: none.
#pragma once

#include <array>
#include <cstdint>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "core/geometry.h"
#include "sleeve.h"

namespace lapwright::flatbed {

struct PassSetup {
  int number = 1;
  double x = 0, y = 0;  // nominal bed mm of the first pixel's corner
  int ppi = 300;
  std::int64_t width = 0, height = 0;
  double window_width = 203.2, window_height = 254;
  bool infrared = false;  // another lamp and another focus: it lies a little off
};

class Pass {
 public:
  /// No sleeve: open light.
  Pass(const Description& description, const PassSetup& setup, std::unique_ptr<const Sleeve> sleeve,
       const std::optional<Lay>& lay);
  /// Linear film light of rows [first, first + count), width * 3 samples each.
  void rows(std::int64_t first, std::int64_t count, std::uint16_t* out) const;
  /// One JSON object: what this pass really is.
  std::string truth(bool honest, const std::string& source) const;
  const PassSetup& setup() const { return setup_; }

 private:
  struct Mark { std::int64_t row; float x, y, radius, density; };  // dust, pixels
  void row(std::int64_t y, float* light, std::uint16_t* out, std::vector<std::uint8_t>& touched) const;
  void share(std::int64_t first, std::int64_t count, std::uint16_t* out, std::vector<std::uint8_t>& touched) const;
  void collect_dust();
  void dust_on(std::int64_t y, float* light) const;
  double wave(double y, double phase) const;

  Description d_;
  PassSetup setup_;
  std::unique_ptr<const Sleeve> sleeve_;
  std::optional<Lay> lay_;
  Affine<BedSpace, BedSpace> errors_;             // nominal to physical
  Affine<SleeveSpace, PassSpace> sleeve_to_pixels_;  // without asymmetry, wobble and wander
  int samples_ = 1;                               // per pixel and axis
  double pixel_ = 0.01, phase_ = 0;
  std::vector<double> t_;                         // physical mm along the sensor line from the first pixel's corner
  std::array<double, 3> gain_{1, 1, 1};
  std::vector<Mark> dust_;
  float largest_ = 0;                             // radius, pixels
};

}  // namespace lapwright::flatbed
