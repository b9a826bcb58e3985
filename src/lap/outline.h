// Where a pass lies by the outline of the strips alone: for when no common picture is found.
//
// Invariant: an answer only where the ends of strips or the outermost strips make it unique.
// Units: millimetres of the bed's axes. Thread: pure. Errors: none.
#pragma once

#include <optional>

#include "lap/overview.h"
#include "profile/profile.h"

namespace lapwright::lap {

/// How far the sleeve lies from the planned place, along the pass's x and y.
std::optional<std::array<double, 2>> outline_shift(const Overview& pass,
                                                   const Affine<SleeveSpace, PassSpace>& planned,
                                                   const profile::SleeveProfile& sleeve);

/// How unlike the outline is at best where the sleeve lies as far off as a hand misses by and still
/// laps, and where it does not lap at all (and how far off that is).
struct LapByOutline {
  double with_lap = 1, without_lap = 1;
  std::array<double, 2> without_at{};
};
LapByOutline lap_by_outline(const Overview& pass, const Affine<SleeveSpace, PassSpace>& planned,
                            const profile::SleeveProfile& sleeve,
                            const std::function<double(std::array<double, 2>)>& lap_mm);

}  // namespace lapwright::lap
