// The island's pictures: what the photographer saw at Vessa harbour.
//
// Each scene can be taken several times: nearer, a moment later, upright. The same name, take and size give the same picture.
// Units: linear light, mid grey 0.18. Thread: any. Errors: an unknown scene gives a grey card.
#pragma once

#include <string>
#include <vector>

#include "photo.h"

namespace lapwright::flatbed {

const std::vector<std::string>& scene_names();
bool known_scene(const std::string& name);
Photo paint_scene(const std::string& name, int take, int width, int height);

}  // namespace lapwright::flatbed
