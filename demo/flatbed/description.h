// What is on the practice flatbed, and how the flatbed misbehaves, read from a description file.
//
// Three files, named by environment variables:
//   LAPWRIGHT_PRACTICE_BED     the description: page, film, pictures, the bed's own errors (this must be there)
//   LAPWRIGHT_PRACTICE_LAY     how the sleeve lies now: sleeve_to_bed, slides; empty or absent: nothing on the glass
//   LAPWRIGHT_PRACTICE_FAULTS  what goes wrong now, for tests; empty or absent: nothing
// The last two are read again at every start of a pass.
// Invariants: values are inside their stated ranges. Units: as each name says, else millimetres.
// Thread: values. Errors: bad_data with file, line and key.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "core/geometry.h"
#include "core/result.h"

namespace lapwright::flatbed {

enum class Process { colour_negative, bw_negative, slide };

/// One frame as the photographer exposed it.
struct Shot {
  std::string scene;  // a name known to paint_scene(), or "blank"
  int take = 1;       // which of the scene's moments and distances
  double stops = 0;   // exposure error: +1 is one stop over
};

struct Page {
  double width = 216, height = 279;
  int holes = 3;              // in the left margin
  double sheet_density = 0.065;  // both sheets of the sleeve (READ trade.md 2: polypropylene)
  double haze = 0.003;        // part of the light that is scattered over everything
};

struct Strips {
  int count = 7, frames = 5;
  double first_x = 18, first_y = 14, pitch = 36.2, length = 190;
  bool down = false;
  std::vector<double> slide_mm;  // per strip, along its pocket
  std::vector<double> tilt_degrees;
  std::vector<int> absent;       // 1-based pockets without film
};

struct BedErrors {
  double skew_degrees = 0;                     // the carriage's axis against the sensor line
  double turn_degrees = 0;                     // the whole window
  double offset_x = 0, offset_y = 0;           // mm
  double scale_x = 0, scale_y = 0;             // fraction: 0.001 is 0.1 % more film in a pixel
  double asymmetry = 0;                        // fraction: cubic error along the sensor line
  double wobble_um = 0, wobble_period_mm = 23; // carriage
  double wander_um = 0;                        // sideways, same motion, other phase
  double lamp_per_pass = 0, lamp_along = 0, lamp_first = 0, lamp_falloff = 0;  // fractions
  double read_noise = 0;                       // counts of 65535
  double shot_noise = 0;                       // sigma at open light as a fraction of open light
  int bits = 16;                               // real bits in the 16-bit box
  int round_width = 8;                         // pixels per line are a multiple of this
  double line_seconds = 0;
  bool busy_once = false;                      // the first start of all: warming up
  double open_light = 60000, black = 0;        // counts
};

struct Description {
  std::string file, name, about;
  std::uint32_t seed = 1;
  Process process = Process::colour_negative;
  int film = 135;                              // 135 or 120
  Page page;
  Strips strips;
  double frame_width = 36, frame_height = 24, advance = 38, gap_jitter = 0.4, film_width = 34.975;
  std::string edge_words = "HALDEN 400";
  int edge_first = 1, dx1 = 79, dx2 = 7;       // first printed number; film edge code parts (0: no code)
  double dust_per_cm2 = 0.6, glass_dust_per_cm2 = 0.05, grain = 1.0;
  int picture_px = 1280;                       // long side of a picture's texture
  std::vector<Shot> shots;                     // strip by strip; missing ones are blank
  BedErrors bed;
  int frames() const { return strips.count * strips.frames; }
};
Result<Description> read_description(const std::string& file);

struct Lay {
  Affine<SleeveSpace, BedSpace> sleeve_to_bed;
  std::vector<double> slide_mm;  // added to the description's
};
/// No value: nothing lies on the glass.
Result<std::optional<Lay>> read_lay(const std::string& file);

struct Faults {
  std::int64_t stall_row = -1, error_row = -1, eof_row = -1;  // at this row of a pass
  double stall_seconds = 3600;
  bool cover_open = false, busy = false;
  int presses = 0;                                            // how often the button was pressed so far
  int only_pass = 0;                                          // 0: every pass
};
Result<Faults> read_faults(const std::string& file);

}  // namespace lapwright::flatbed
