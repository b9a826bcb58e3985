// The area options in millimetres, whether the device counts millimetres or pixels, edges or
// extents.
//
// Units: micrometres in BedSpace; `pixels_per_mm` turns the device's own unit into millimetres (1
// for millimetres). Thread: the worker's only thread. Errors: bad_data that names the option, what
// was asked and what it takes.
#pragma once

#include <optional>

#include "bed/meaning.h"
#include "core/geometry.h"

namespace lapwright::bed {

/// What one unit of the area options is: millimetres, pixels at the resolution set, or pixels at
/// the device's highest. Sets the resolution to find out; the caller sets its own afterwards.
Result<double> area_units_per_mm(Surface& s, double ppi, double highest);
/// The range that the options allow now.
std::optional<Rect<BedSpace>> area_range(const Surface& s, double units_per_mm);
/// Sets and reads back. Adjusted by the device up to 1 mm an edge; beyond that an error.
Result<Rect<BedSpace>> set_area(Surface& s, const Rect<BedSpace>& window, double units_per_mm,
                                std::vector<std::pair<std::string, std::string>>& asked);

}  // namespace lapwright::bed
