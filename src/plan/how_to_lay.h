// Directions at the bed, as a person in front of it sees them: the hinge at the back, x to the right, the carriage towards the front.
// Units: micrometres. Thread: values. Errors: none.
#pragma once

#include "plan/reach.h"

namespace lapwright::plan {

/// The page in bed coordinates.
Rect<BedSpace> page_on_bed(const Pass& pass, const profile::SleeveProfile& sleeve);

enum class Side { left, right, back, front };
const char* side_name(Side side);  // "left", "right", "hinge", "front"
/// Where the binding edge (the sleeve's left edge) is turned.
Side binding_side(const Lay& lay);
/// Where the sleeve's top edge is turned.
Side top_side(const Lay& lay);
/// How far the page reaches past the bed's window on a side; negative: how far inside it ends.
Um overhang(const Rect<BedSpace>& page, const Rect<BedSpace>& window, Side side);

}  // namespace lapwright::plan
