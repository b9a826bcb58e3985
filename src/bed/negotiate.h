// From whatever options a flatbed shows to 16-bit linear RGB of an area under film light.
//
// Invariants: options are set in one order (light, film, mode, depth, corrections, the profile's
// own, resolution, area), again
//   until nothing moves any more; each was read back. What must hold and does not is an error that
//   names the option.
// Units: micrometres in BedSpace, ppi. Thread: the worker's only thread. Errors: bad_data (no film
// light, geometry, depth),
//   bad_profile (an option of the profile), the device's own.
#pragma once

#include <algorithm>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "bed/bed.h"
#include "bed/option.h"

namespace lapwright::bed {

struct Wish {
  std::optional<Rect<BedSpace>> window;  // none: only find out
  Ppi ppi;
  std::map<std::string, std::string> options;
  Light light = Light::film;
  std::string device_type;
};

struct Agreement {
  std::vector<Setting> settings;
  std::vector<std::string> notes, lacks;  // each once
  std::vector<std::string> differs;       // "gamma: asked 1, is 1.8"
  std::vector<std::string> sources;
  std::string film_source, infrared;
  std::vector<int> depths, resolutions;
  std::optional<Rect<BedSpace>> range;  // of the area, for the source chosen
  Rect<BedSpace> area;                  // as read back
  bool own_area = false;  // the device takes no area: its size is known after the start

  void note(const std::string& text) { once(notes, text); }
  void lack(const std::string& text) { once(lacks, text); }

 private:
  static void once(std::vector<std::string>& all, const std::string& text) {
    if (std::find(all.begin(), all.end(), text) == all.end()) all.push_back(text);
  }
};

Result<Agreement> negotiate(Surface& surface, const Wish& wish);

}  // namespace lapwright::bed
