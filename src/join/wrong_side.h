// A sleeve that lay wrong side up, put right: the sheet's columns or rows run the other way.
//
// Invariants: no sample is changed; the file is whole or as it was. Units: sleeve millimetres. Thread: blocks its caller. Errors:
// those of raw/tiff.h, cancelled.
#pragma once

#include <atomic>
#include <filesystem>

#include "join/join.h"
#include "raw/tiff.h"

namespace lapwright::join {

/// What runs the other way.
enum class Reversed { columns, rows };

/// Where a place of the sleeve as it lay is on the sleeve as it is read: mirrored about the middle of its strips, so that they stay
/// in their pockets.
Affine<SleeveSpace, SleeveSpace> turned_over(const profile::SleeveProfile& sleeve, Reversed what);

/// Rewrites a sheet; `geometry` becomes that of the sheet put right.
Result<raw::Written> put_right(const std::filesystem::path& file, const profile::SleeveProfile& sleeve, Reversed what,
                               const raw::Tags& tags, const std::atomic<bool>& stop, SheetGeometry& geometry);

}  // namespace lapwright::join
