// What part of a sleeve a bed can see when the sleeve lies with one quarter turn, axis by axis.
//
// Invariants: an interval of the sleeve can be captured in one pass exactly when it lies inside [lo, hi] and is no longer than
//   `longest`; the two axes do not depend on each other.
// Units: micrometres as plain integers inside this module. Thread: values. Errors: none; a turn that cannot be laid is nullopt.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <vector>

#include "plan/plan.h"

namespace lapwright::plan {

using Um = std::int64_t;

struct Span {
  Um lo = 0, hi = 0;
  Um length() const { return hi - lo; }
};

/// One sleeve axis of a lay: where the page may lie along the bed's axis, and what is seen then.
struct AxisReach {
  Um page = 0;           // the page's length along this axis
  bool reversed = false; // sleeve coordinate falls as the bed's rises
  Span window, usable;   // bed coordinates; usable ends on a whole millimetre in y
  Span page_low;         // where the page's lower edge (bed coordinates) may lie
  Um lo = 0, hi = 0, longest = 0;

  /// Where the page's lower edge goes so that `seen` is in the usable window: on a window's edge when that is possible (the
  /// easiest for a hand), else in the middle of what is allowed, on a whole millimetre when there is one.
  Um place(Span seen) const;
  /// An interval of the sleeve in bed coordinates, the page's lower edge at `low`; and back.
  Span to_bed(Span sleeve, Um low) const;
  Span to_sleeve(Span bed, Um low) const;
};

struct Reach {
  int turn = 0;
  AxisReach x, y;  // sleeve axes
  bool swapped() const { return turn == 90 || turn == 270; }
  /// The axis of the sleeve that lies along the sensor line.
  const AxisReach& along_sensor() const { return swapped() ? y : x; }
  const AxisReach& along_carriage() const { return swapped() ? x : y; }
};

/// Whether `longest` is the window's size, or what is left of it in whole pixels.
enum class Count { millimetres, whole_pixels };

/// The turns that the bed's overhang allows at all, in the order 0, 90, 180, 270.
std::vector<Reach> reaches(Size page, const profile::BedProfile& bed, Ppi ppi, Count count = Count::millimetres);

/// The contract's sleeve_to_bed for a turn, the page's low corner (bed coordinates) at `x`, `y`.
Affine<SleeveSpace, BedSpace> sleeve_to_bed(int turn, Size page, Um x, Um y);

}  // namespace lapwright::plan
