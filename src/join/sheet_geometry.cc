#include "join/join.h"

namespace lapwright::join {

SheetGeometry SheetGeometry::of(const Rect<SleeveSpace>& area, Ppi ppi) {
  return {{area.x.mm(), area.y.mm()}, ppi, core::to_pixels(area.width, ppi).value, core::to_pixels(area.height, ppi).value};
}

Affine<SleeveSpace, SheetSpace> SheetGeometry::sleeve_to_sheet() const {
  return core::mm_to_pixels<SleeveSpace, SheetSpace>(origin, ppi);
}

}  // namespace lapwright::join
