// A sleeve of film of known truth, drawn at any place: passes can be rendered under any lay,
// exactly.
//
// The picture is a pure function of sleeve position, so two renders of the same spot agree but for
// the faults asked for. Units: sleeve millimetres, linear transmission 0..1 over open light, pixels
// as in core/geometry.h. Thread: const after making.
#pragma once

#include <array>
#include <cstdint>
#include <functional>
#include <map>
#include <set>
#include <utility>
#include <vector>

#include "core/geometry.h"
#include "image/rgb.h"
#include "profile/profile.h"

namespace lapwright::support {

struct SceneOptions {
  unsigned seed = 1;
  profile::Process process = profile::Process::colour_negative;
  bool lettering = true;             // edge print: numbers and words, different on every strip
  bool perforations = true;          // only drawn on 135
  std::set<int> empty_strips;        // 0-based strips that are not there
  std::set<int> blank_frames;        // strip * frames + frame: clear (unexposed) film
  bool burst = false;                // every frame shows the same picture
  int burst_of = 1;                  // so many frames one after the other show the same picture
  bool night = false;                // dark but for a few lights: hardly anything on the negative
  bool infrared = false;             // dyes are hardly seen (common practice, no source)
  std::vector<double> slid_mm;       // per strip: moved along its pocket
  double frame_gap_jitter_mm = 0.4;  // real cameras' varying gaps
  /// Film edge codes (trade.md 1.4) of a film number; 0: none. Half frame `edge_first` lies in the middle of the first picture,
  /// and `edge_off_mm` beside it.
  int edge_film = 0, edge_first = 2;
  double edge_off_mm = 0;
  std::set<int> codeless_strips, turned_strips, mirrored_strips;  // 0-based
  /// What cameras, scissors and hands do. Frames are strip * frames + frame; places along a strip go from its length's start.
  std::map<int, double> frame_start_mm;           // in place of the even advance; what overlaps adds its light
  std::map<int, double> stops;                    // more light than the picture's own (less: negative)
  std::set<int> black_frames;                     // full light all over
  std::set<int> missing_frames;                   // nothing is there that would count as a frame
  std::vector<std::pair<double, double>> cut_mm;  // per strip: the film goes from here to there; empty: all of it
  std::vector<double> tilted_degrees;             // per strip, about its middle
  double piece_mm = 0;                            // each frame on a piece of film of its own, so long along the run; 0: strips
  bool mounted = false;                           // those pieces are opaque mounts with the frame as their window
  /// The picture itself (linear light 0..1), in place of a drawn one: frame, place in it 0..1.
  std::function<std::array<float, 3>(int, double, double)> shown;
};

/// Density over clear of the base, net picture densities by the stock's gamma: masked negative
/// 0.32/0.63/0.72 (READ trade.md 4.3).
class Scene {
 public:
  Scene(const profile::SleeveProfile& sleeve, const SceneOptions& options = {});
  /// Linear transmission R, G, B at a sleeve position in mm.
  std::array<float, 3> at(Spot<SleeveSpace> mm) const;
  /// True frame area of strip i, frame j (0-based), jitter and slide included.
  Rect<SleeveSpace> true_frame(int strip, int frame) const;
  /// The part of it that is on film, tilt included, clockwise from the top left; empty when there is none.
  std::vector<Spot<SleeveSpace>> true_corners(int strip, int frame) const;
  /// Share of the frame that its piece of film still holds.
  double true_share(int strip, int frame) const;
  /// Start and end of a frame as exposed, from the strip's start.
  std::pair<double, double> exposed(int strip, int frame) const;
  /// The same place on the sleeve, from the strip's start and the film's first edge as if it lay untilted and unturned.
  Spot<SleeveSpace> place(int strip, double along, double across) const;
  /// Linear transmission of plain film (of a mount) in its pocket.
  std::array<float, 3> plain() const;
  /// The scene's positive linear RGB (0..1, what the camera saw) at a place inside a frame.
  std::array<float, 3> positive_at(Spot<SleeveSpace> mm) const;
  const profile::SleeveProfile& sleeve() const { return sleeve_; }

 private:
  profile::SleeveProfile sleeve_;
  SceneOptions options_;
  std::vector<double> starts_;  // per frame, along the run from the strip's start
  struct Light { std::array<double, 3> exposed{0, 0, 0}; double grey = 0; };
  std::array<float, 3> picture(int index, double u, double v) const;
  std::array<float, 3> drawn(int index, double u, double v) const;
  std::array<float, 3> transmission(const Light& light, double hole, double ink, double film, double window, bool mounted) const;
  bool locate(Spot<SleeveSpace> mm, int& strip, double& along, double& across) const;
  bool in_strip(Spot<SleeveSpace> mm, int strip, double& along, double& across) const;
  double width() const { return sleeve_.film == profile::Film::f135 ? 34.975 : sleeve_.film_width().mm(); }
  std::pair<double, double> film_at(int strip, double along) const;
  double edge_code(int strip, double along, double from_edge, double letter) const;
};

/// What a bed adds.
struct Faults {
  double noise = 0;                     // sigma in counts at full scale, shot noise included
  std::array<double, 3> gain{1, 1, 1};  // light of this pass
  double dust_per_cm2 = 0;              // dark specks
  unsigned seed = 7;
  double full_scale = 60000;  // counts of open light
};

/// Renders width x height pixels; `where` gives the sleeve position of a continuous pass position
/// (pixel centres are at +0.5). Each pixel is the mean of 2 x 2 samples.
image::Rgb16 render(const Scene& scene,
                    const std::function<Spot<SleeveSpace>(Spot<PassSpace>)>& where,
                    std::int64_t width, std::int64_t height, const Faults& faults = {});
/// The same for an affine lay given as sleeve mm -> pass px.
image::Rgb16 render(const Scene& scene, const Affine<SleeveSpace, PassSpace>& lay,
                    std::int64_t width, std::int64_t height, const Faults& faults = {});

/// Ready-made profiles: 7 x 5 of 35 mm as contract.md's example; three strips of four 6 x 6 on 120.
profile::SleeveProfile sleeve_135_7x5();
profile::SleeveProfile sleeve_120_3x4();

}  // namespace lapwright::support
