// From a plan and its captured passes to one sheet with its hand-off card: the way that the station and the command share.
//
// Invariants: a pass is judged by its laps with the passes before it; passes are in the plan's order.
// Units: pixels, millimetres. Thread: blocks its caller. Errors: bad_data (passes that do not fit the plan), io from pictures and
//   sheet, cancelled; a lap that must not be joined is not an error: `refused()` names it.
#pragma once

#include <filesystem>
#include <map>
#include <optional>
#include <vector>

#include "join/join.h"
#include "profile/card.h"
#include "raw/tiff.h"

namespace lapwright::join {

/// A pass with the place that its laps gave it (pass 1: as planned).
struct Laid {
  lap::Input input;
  lap::Placement placement;
};

/// What the laps of one pass with those before it say together. A lap of empty pockets alone is left out: it can show nothing, and
/// nothing hangs on it.
struct Judged {
  std::vector<lap::Report> reports;
  /// The surest good lap, or null.
  const lap::Report* best() const;
  /// The lap that keeps the pass from being joined, or null. One that shows nothing is carried by one that does.
  const lap::Report* refused() const;
};
Result<Judged> judge(const plan::Plan& plan, const profile::SleeveProfile& sleeve, const std::map<int, Laid>& before, const lap::Input& pass,
                     const lap::Options& options = {});

/// Every pass where all good laps together put it, with its light; what no film ties to the first pass lies as planned.
struct Placed {
  std::vector<Piece> pieces;
  double worst_loop_px = 0;
};
Result<Placed> place(const std::vector<lap::Input>& passes, const std::vector<lap::Report>& laps);

struct Assembled {
  std::vector<lap::Report> laps;
  std::optional<lap::Report> refused;  // the first that must not be joined
  Placed placed;                       // empty when one was refused
};
/// Judges all passes; `pictures` in the order of plan.passes.
Result<Assembled> assemble(const plan::Plan& plan, const profile::SleeveProfile& sleeve, const std::vector<image::RowSource*>& pictures,
                           const lap::Options& options = {});

/// The sheet's area: what the plan needs and, where the passes show it, what a hand's error may have moved beyond.
Rect<SleeveSpace> sheet_area(const plan::Plan& plan);

struct Sheet {
  raw::Written written;
  Report report;
};
/// Joins into a file that is whole or absent.
Result<Sheet> write_sheet(const std::filesystem::path& file, const std::vector<Piece>& pieces, const std::vector<plan::Lap>& laps,
                          const SheetGeometry& geometry, const raw::Tags& tags, const std::atomic<bool>& stop);

/// What the joining knows of the hand-off card: the picture, its place on the sleeve, each pass's number and place, the laps.
profile::Card card_of(const raw::Written& written, const SheetGeometry& geometry, const std::vector<Piece>& pieces,
                      const std::vector<lap::Report>& laps);

}  // namespace lapwright::join
