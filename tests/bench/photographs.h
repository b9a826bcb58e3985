// Real photographs to put on film: read, cropped to a frame and reduced to the film's own grid.
//
// They come from the Debian package lomiri-wallpapers-16.04 (photographs under CC-BY 4.0,
// CC-BY-SA 4.0 and CC0; see its copyright file): demo/setup bench installs it. Units: pixels;
// linear light 0..1. Thread: one object in one thread. Errors: no_input, bad_data.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "core/result.h"

namespace lapwright::bench {

/// Linear light, three floats a pixel.
struct Picture {
  std::int64_t width = 0, height = 0;
  std::vector<float> light;
};

/// The photographs that are there, in an order that is always the same.
Result<std::vector<std::filesystem::path>> photographs();

/// The middle of the photograph in the wanted shape, lying (an upright one is turned), reduced by
/// an antialiasing cubic.
Result<Picture> photograph(const std::filesystem::path& file, std::int64_t width,
                           std::int64_t height);

}  // namespace lapwright::bench
