// The scenes themselves, one function each; `take` is the photographer's moment and distance. Units, thread: as photo.h.
#pragma once

#include "photo.h"

namespace lapwright::flatbed {

void paint_lighthouse(Photo& photo, int take);
void paint_ferry(Photo& photo, int take);
void paint_boats(Photo& photo, int take);
void paint_dusk(Photo& photo, int take);
void paint_market(Photo& photo, int take);
void paint_lane(Photo& photo, int take);
void paint_cafe(Photo& photo, int take);
void paint_dog(Photo& photo, int take);
void paint_fisherman(Photo& photo, int take);

}  // namespace lapwright::flatbed
