// Which passes a sleeve needs on a bed, lying how, and where their laps and seams are.
//
// Invariants: every strip (or every wanted area) is inside some pass's covers with the margin to spare; windows are whole
//   pixels and end on a whole millimetre at br-y; the numbers are those of contract.md's plan.
// Units: micrometres, pixels, bytes (64-bit), seconds. Thread: values; make_plan is pure.
// Errors: bad_data with the reason and what would help, when the sleeve cannot be laid.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "core/geometry.h"
#include "core/json.h"
#include "core/result.h"
#include "profile/profile.h"

namespace lapwright::plan {

struct Lay {
  int turn = 0;  // degrees clockwise as seen in bed coordinates: 0, 90, 180, 270
  bool mirrored = false;
  Affine<SleeveSpace, BedSpace> sleeve_to_bed;  // millimetres
};

struct Pass {
  int number = 1;
  Lay lay;
  Rect<BedSpace> window;
  Rect<SleeveSpace> covers;
  Pixels width, height;
  std::int64_t bytes = 0;
  double seconds = 0;
  /// Sleeve millimetres to this pass's pixels when laid exactly as planned.
  Affine<SleeveSpace, PassSpace> sleeve_to_pass(Ppi ppi) const;
};

enum class Axis { x, y };
enum class Through { gutter, gap, frame };

struct Lap {
  int a = 0, b = 0;
  Rect<SleeveSpace> area;
  struct Seam { Axis axis = Axis::x; Micrometres at; Through through = Through::gutter; } seam;
};

struct Totals {
  int passes = 0;
  std::int64_t bytes = 0, joined_bytes = 0;
  double seconds = 0;
};

struct Plan {
  std::string sleeve, bed;
  Ppi ppi;
  std::vector<Pass> passes;
  std::vector<Lap> laps;
  Totals totals;
  std::vector<std::string> cautions;
  Rect<SleeveSpace> needed;  // what the passes together must show, margin included: the sheet's area
};

struct Options {
  Micrometres margin{2000};               // to spare around every strip
  Micrometres smallest_lap{12000};        // raised to 3 * placement_tolerance + lap_check_needs where that is more
  Micrometres placement_tolerance{3000};  // how far a hand may miss
  Micrometres lap_check_needs{3000};
  std::optional<std::uint64_t> free_bytes;    // of the archive's disk; a caution and 73 at the station when too little
  std::vector<Rect<SleeveSpace>> wanted;      // full-resolution passes: only these areas; empty: every strip
};

Result<Plan> make_plan(const profile::SleeveProfile& sleeve, const profile::BedProfile& bed, Ppi ppi,
                       const Options& options = {});

/// A rectangle as contract.md writes it, millimetres.
template <class Space>
Json rect_json(const Rect<Space>& r) {
  return {{"x", r.x.mm()}, {"y", r.y.mm()}, {"width", r.width.mm()}, {"height", r.height.mm()}};
}
Json to_json(const Plan& plan);
Json to_json(const Pass& pass, Ppi ppi);  // the `lay` member of the place event: a plan's pass entry
/// Reads a plan back; `source` names the file in complaints. Fault: bad_data.
Result<Plan> from_json(const Json& json, const std::string& source);

/// One SVG drawing, to scale, of every lay: window, sleeve, which edge where, seams, what hangs over.
std::string draw_svg(const Plan& plan, const profile::SleeveProfile& sleeve, const profile::BedProfile& bed);
/// A 1:1 PDF to lay on the glass.
Result<> write_guide_pdf(const Plan& plan, const profile::SleeveProfile& sleeve, const profile::BedProfile& bed,
                         const std::string& file);
/// One sentence that tells a person how to lay the sleeve for this pass.
std::string how_to_lay(const Plan& plan, const Pass& pass, const profile::SleeveProfile& sleeve,
                       const profile::BedProfile& bed);

}  // namespace lapwright::plan
