// Passes to one linear sheet, strip by strip, in memory that does not grow with the sheet.
//
// Invariants: the sheet is right-reading in sleeve coordinates whatever the lays were; every pixel
// is resampled at most once,
//   and not at all where the placement is whole pixels and a quarter turn.
// Units: pixels, millimetres. Thread: may use two threads itself. Errors: io from sources and sink;
// bad_data when no pass shows a wanted part.
#pragma once

#include <atomic>
#include <vector>

#include "image/rgb.h"
#include "lap/lap.h"
#include "plan/plan.h"

namespace lapwright::join {

struct Piece {
  image::RowSource* picture = nullptr;
  lap::Placement placement;
  lap::Light light;
  int number = 0;
};

/// Sheet pixels to sleeve millimetres: origin + (px) * mm_per_pixel.
struct SheetGeometry {
  Spot<SleeveSpace> origin;
  Ppi ppi;
  std::int64_t width = 0, height = 0;
  static SheetGeometry of(const Rect<SleeveSpace>& area, Ppi ppi);
  Affine<SleeveSpace, SheetSpace> sleeve_to_sheet() const;
};

struct Options {
  double feather_px = 8;
  std::int64_t memory_bytes = 96 << 20;
};

/// Where two pieces give way to each other, in sheet pixels: x = at[k] where y = first + k * step
/// (axis x), or y by x.
struct SeamPath {
  int a = 0, b = 0;  // their numbers
  plan::Axis axis = plan::Axis::x;
  double first = 0, step = 1;
  std::vector<double> at;
};

struct Report {
  std::int64_t rows = 0;
  bool resampled = false;
  double seconds = 0;
  std::int64_t uncovered_pixels = 0;  // shown by no pass; written as open light
  std::vector<SeamPath> seams;
};

/// `laps` give the preferred seams (gutters first); pieces in pass order.
Result<Report> join(const std::vector<Piece>& pieces, const std::vector<plan::Lap>& laps,
                    const SheetGeometry& sheet, image::RowSink& sink, const std::atomic<bool>& stop,
                    const Options& options = {});

}  // namespace lapwright::join
