// Where the pictures are on a sheet, and where the sleeve is on a quick look.
//
// Invariants: never a frame where there is no film; guesses and corrections are kept apart (`corrected`).
// Units: sleeve millimetres; corners clockwise from the top left as the picture is read. Thread: pure.
// Errors: only what reading gives, bad_data from from_json.
#pragma once

#include <array>
#include <string>
#include <vector>

#include "core/json.h"
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
  bool corrected = false;
};

struct Report {
  std::vector<Frame> frames;
  int sure = 0;  // how many with sure >= 0.9
  double seconds = 0;
};

/// Finds the frames of a linear sheet (negative or slide).
Result<Report> find(image::RowSource& sheet, Spot<SleeveSpace> origin, const profile::SleeveProfile& sleeve,
                    profile::Process process);

Json to_json(const std::vector<Frame>& frames);  // {"frames": [...]}
Result<std::vector<Frame>> from_json(const Json& json, const std::string& source);

/// The quick look before a pass: how the sleeve really lies under the window.
struct Look {
  bool found = false;
  Affine<SleeveSpace, BedSpace> lay;  // measured, mm; only meaningful when found
  double off_mm = 0, off_degrees = 0;  // against the planned lay
  bool covers_needed = false;          // the planned `covers` is still inside the window
  bool certain = false;                // the strips' pattern leaves no other whole-pocket answer
  std::string say;                     // what to change, when something must be
};
/// `picture` shows `window` (bed coordinates of its first pixel's corner) at its own ppi.
Result<Look> find_lay(image::RowSource& picture, const Rect<BedSpace>& window,
                      const Affine<SleeveSpace, BedSpace>& planned, const Rect<SleeveSpace>& covers,
                      const profile::SleeveProfile& sleeve);

}  // namespace lapwright::frames
