// A sleeve of invented film whose scenes are known: a 24-patch chart, grey steps, a step wedge and
// pictures, exposed on a generated stock and read by a bed with uneven, drifting light, flare and
// noise.
//
// Invariants: the film is a physical model of its own (layers with toe and shoulder, each layer's
// exposure held back by its
//   neighbours', dyes that leak into the other channels, a mask); nothing of the converter is in
//   it.
// Units: scene light linear, 1 = a white in full light; densities; sleeve millimetres. Thread:
// const after making.
#pragma once

#include <array>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "core/geometry.h"
#include "image/rgb.h"
#include "profile/profile.h"

namespace lapwright::support {

using Triple = std::array<double, 3>;

struct FilmModel {
  profile::Process process = profile::Process::colour_negative;
  Triple base{}, gamma{}, speed{}, toe{}, range{};  // speed, toe width and range in log10 exposure
  double shoulder = 0.35;                           // width of its bend
  double held_back = 0;          // share of the neighbours' log exposure that a layer loses
  std::array<Triple, 3> leak{};  // scanner density of red, green, blue for each layer's density
  /// A masked negative, a silver or chromogenic black and white or a slide; `spread` scales how far
  /// it is from the usual.
  static FilmModel made(unsigned seed, profile::Process process, bool chromogenic = false,
                        double spread = 1);
  /// Density over clear, base included.
  Triple densities(const Triple& light) const;
};

/// CIE Lab (D50) of the 24 patches, row by row, from the first chart of 24 in Debian's argyll-ref;
/// empty where it is not installed.
std::vector<Triple> chart_lab();
/// The same as linear light of sRGB's primaries, white D65 (IEC 61966-2-1, Bradford from D50).
std::vector<Triple> chart_light();

struct ChartPageOptions {
  unsigned seed = 1;  // of scenes, light and noise
  int strips = 3;     // of four frames; nine are a roll
  Ppi ppi{300};
  double exposure = 0;       // stops over the normal, of the whole roll
  bool with_targets = true;  // else pictures only
  bool with_wedge = false;
  double bow = 0.05, drift = 0.02;  // of the light: over half the sensor line (x^2), along the pass
  double flare = 0.0006;            // of open light
  double noise = 25;                // counts at full light
  bool across = false;              // the sensor line lies along y
  unsigned light_seed = 0;          // of light and noise, where it is not the scenes'
};

struct ChartPage {
  struct Patch {
    Rect<SleeveSpace> area;
    Triple light;  // in the scene
  };
  image::Rgb16 picture;
  Spot<SleeveSpace> origin;
  int strips;
  std::vector<Patch> chart, greys;   // greys: -3 to +3 stops
  std::vector<Patch> wedge;          // steps of 0.15, from the least light
  Rect<SleeveSpace> rebate;          // plain film base
  std::array<double, 3> open_light;  // counts at full light
  Triple bow;            // share of light lost at one half of the sensor line from its middle
  double drift, middle;  // share lost along the pass; where the line's middle lies, of its half
  bool across;
  /// Share of full light at a place, u and v from -1 to 1 over the picture.
  double light(std::size_t channel, double u, double v) const;

  static profile::SleeveProfile sleeve(int strips = 3);
  static ChartPage made(const FilmModel& film, const ChartPageOptions& options);
};

}  // namespace lapwright::support
