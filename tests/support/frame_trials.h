// Pages of film of known truth for frame finding, each of a kind of mistake or format, and what was found held against it.
//
// A trial is a pure function of kind, seed and pictures. What a person would call clear is told from the truth: a frame is clear
// when, along each of its four sides, a third of the side differs from plain film by 0.08 density or more in a band 0.15 to
// 0.75 mm inside it, no neighbour lies within 0.4 mm, and the film holds all of it. It is doubtful when it is blank, or black in
// a slide, overlaps a neighbour by more than 0.3 mm, is cut into, or shows less than a twentieth of its left or right side
// by 0.05 density.
// Units: sleeve millimetres. Thread: const after making. Errors: none.
#pragma once

#include <array>
#include <functional>
#include <string>
#include <vector>

#include "support/film_scene.h"

namespace lapwright::support {

/// Linear light of picture `index` (any number from 0) at a place 0..1 in it.
using Pictures = std::function<std::array<float, 3>(int index, double u, double v)>;

std::vector<std::string> frame_kinds();

struct FrameTrial {
  std::string kind;
  unsigned seed = 0;
  profile::SleeveProfile sleeve;  // as the station knows it
  SceneOptions options;
  Scene scene;
  int ppi = 150;
  Spot<SleeveSpace> origin;                // of the sheet's first pixel
  Affine<SleeveSpace, SleeveSpace> moved;  // true place to where the sheet shows it
  std::int64_t width = 0, height = 0;
  double bow = 0, drift = 0, flare = 0;  // the bed's: light lost to the sides and downwards, stray light; parts of open light

  image::Rgb16 picture() const;
};
FrameTrial frame_trial(const std::string& kind, unsigned seed, const Pictures& pictures = {});

struct FoundFrame {
  int strip = 0;  // 1-based
  std::array<Spot<SleeveSpace>, 4> corners;
  double sure = 0;
};

struct FrameTally {
  int strips = 0, strips_right = 0;
  int clear = 0, clear_sure = 0;
  double iou_sum = 0, iou_worst = 1;
  int doubtful = 0, doubtful_marked = 0;
  int sure = 0, sure_right = 0;  // right: IoU 0.90
  int nowhere = 0;               // found where no frame is
  double mean() const { return clear > 0 ? iou_sum / clear : 1; }
  void add(const FrameTally& other);
};
/// `tell` gets one line for each thing that is not as it should be.
FrameTally judged(const FrameTrial& trial, const std::vector<FoundFrame>& found, const std::function<void(const std::string&)>& tell = {});

/// Intersection over union of two convex polygons, clockwise with y down.
double overlap(const std::vector<Spot<SleeveSpace>>& a, const std::vector<Spot<SleeveSpace>>& b);

}  // namespace lapwright::support
