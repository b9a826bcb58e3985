// Where the pictures are on a sheet, and where the sleeve is on a quick look.
//
// Invariants: never a frame where there is no film; guesses and corrections are kept apart (`corrected`).
// Units: sleeve millimetres; corners clockwise from the top left as the picture is read. Thread: pure.
// Errors: only what reading gives, bad_data from from_json.
#pragma once

#include <algorithm>
#include <array>
#include <string>
#include <vector>

#include "core/json.h"
#include "frames/edge.h"
#include "image/rgb.h"
#include "profile/profile.h"

namespace lapwright::frames {

enum class NumberedBy { code, position, person };

struct Frame {
  std::string frame;  // "7", "12A"
  int strip = 0;      // 1-based
  std::array<Spot<SleeveSpace>, 4> corners;
  double sure = 0;    // 0..1
  NumberedBy numbered_by = NumberedBy::position;
  bool number_sure = true;  // false: the film's own numbers leave two open, or tell this one only by a neighbouring strip
  bool corrected = false;
};

/// The upright rectangle that lies wholly in a frame, whichever way round that is read.
inline Rect<SleeveSpace> inside(const Frame& f) {
  std::array<double, 4> x{}, y{};
  for (std::size_t i = 0; i < 4; ++i) x[i] = f.corners[i].x, y[i] = f.corners[i].y;
  std::sort(x.begin(), x.end()), std::sort(y.begin(), y.end());
  const double l = x[1], r = x[2], t = y[1], b = y[2];
  const auto um = [](double mm) { return Micrometres::from_mm(mm); };
  return {um(l), um(t), um(std::max(0.0, r - l)), um(std::max(0.0, b - t))};
}

struct Report {
  std::vector<Frame> frames;
  int sure = 0;  // how many with sure >= 0.9
  RollEdge edge;  // of 135 film, where its edge carries a code
  double seconds = 0, edge_seconds = 0;
};

/// Finds the frames of a linear sheet (negative or slide), and numbers them as the film's edge does where its code can be read.
Result<Report> find(image::RowSource& sheet, Spot<SleeveSpace> origin, const profile::SleeveProfile& sleeve,
                    profile::Process process);

Json to_json(const std::vector<Frame>& frames);  // {"frames": [...]}
Json to_json(const Report& report);              // with {"edge": ...} where codes were read
Result<std::vector<Frame>> from_json(const Json& json, const std::string& source);

/// The quick look before a pass: how the sleeve really lies under the window.
struct Look {
  bool found = false;  // false only when the window is empty, dark, or the strips run across their direction
  Affine<SleeveSpace, BedSpace> lay;   // measured, mm; what could not be measured is as planned
  double off_mm = 0, off_degrees = 0;  // against the planned lay, at the middle of `covers`; clockwise as seen from above
  /// All film that this pass must show (its rim of 3 mm apart) lies inside the part of the bed that `covers` takes up when laid
  /// as planned. Beside a lap, `lap_spare_mm` of `covers` may be lost.
  bool covers_needed = false;
  bool certain = false;  // the strips' pattern leaves no other whole-pocket answer
  bool film = true;      // false: nothing but open light lies under the window; empty pockets, or no sleeve
  std::string say;       // what to change, when something must be
};
/// `picture` shows `window` (bed coordinates of its first pixel's corner) at its own ppi, 75 to 400.
Result<Look> find_lay(image::RowSource& picture, const Rect<BedSpace>& window,
                      const Affine<SleeveSpace, BedSpace>& planned, const Rect<SleeveSpace>& covers,
                      const profile::SleeveProfile& sleeve, double lap_spare_mm = 8);

/// How much of `area` is film rather than empty pocket, gutter or bare glass: 0..1, of the part that `picture`, lying so, shows.
Result<double> film_share(image::RowSource& picture, const Affine<SleeveSpace, PassSpace>& lies, const Rect<SleeveSpace>& area,
                          const profile::SleeveProfile& sleeve);

}  // namespace lapwright::frames
