// The edge print of 135 film drawn for tests by an encoder of the tests' own: film edge codes,
// lettering, perforations, and what goes wrong with them.
//
// Written from the rule of trade.md 1.4 alone; shares nothing with the reader. Every drawing is a
// pure function of its seed. Units: film millimetres: u along the film as its numbers rise, v
// across it from the upper edge, base side towards the viewer. Thread: values. Errors: none.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "image/rgb.h"

namespace lapwright::support {

/// "1" dark, "0" light. frame 0..63; without it the short form. `wrong_parity` breaks it.
std::string edge_data(int part1, int part2, std::optional<int> frame = {}, bool half = false,
                      bool wrong_parity = false);
std::string edge_clock(bool long_form);

struct PrintedCode {
  double at = 0;  // u of the first module's start
  std::string clock, data;
};

struct EdgeLook {
  int ppi = 600;
  double module = 0.33, clock_high = 0.85, data_high = 0.85;
  double from_edge = 0.15;  // data track to film edge, mm
  double contrast = 0.5;    // density of the print over the base, red; less of green and blue
  double noise = 150;       // counts at full scale 60000, as shot noise
  double blur = 0.03;       // mm, sigma, beside the pixel's own
  double scratches = 0, dust = 0;                           // a 10 mm of rebate
  double wobble = 0, wobble_period = 23, wobble_phase = 0;  // of the carriage, mm
  double shear = 0;                                         // u by v, from the film's nearer edge
  bool lettering = true, perforations = true, picture = false;
  bool slide = false;  // print is clear on a dense base
  bool mirrored = false, turned = false;
  unsigned seed = 1;
};

/// The film within [0, length) x [from, from + high) of the view: x along, y across the film as it
/// lies, its first edge at y = 0. `tilt` turns the film about the view's left end on that edge,
/// radians. Pixels of 25.4 / ppi mm.
image::Rgb16 draw_edge(const std::vector<PrintedCode>& codes, const EdgeLook& look, double length,
                       double from, double high, double tilt = 0);

inline constexpr double film_across = 34.975;

/// Uniform in [0, 1), ascending through a stream of its own.
class Rolls {
 public:
  explicit Rolls(unsigned seed) : state_(seed * 2654435761u + 88172645463325252ULL) {
    next(), next();
  }
  double next() {
    state_ ^= state_ << 13, state_ ^= state_ >> 7, state_ ^= state_ << 17;
    return static_cast<double>(state_ >> 11) / 9007199254740992.0;
  }
  double between(double a, double b) { return a + (b - a) * next(); }
  int whole(int a, int b) { return a + static_cast<int>(next() * (b - a + 1)); }
  double normal();

 private:
  std::uint64_t state_;
};

}  // namespace lapwright::support
