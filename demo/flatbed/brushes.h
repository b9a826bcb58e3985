// What the scenes are made of: sky, sea, rock, houses, people, gulls, boats, and the ink that roughens them.
//
// Units: drawing units of Photo. Thread: one. Errors: none.
#pragma once

#include <cairo.h>

#include <cstdint>
#include <vector>

#include "noise.h"
#include "photo.h"

namespace lapwright::flatbed {

struct Colour { double r, g, b; };  // as seen on a screen
inline Colour shade(const Colour& c, double k) { return {c.r * k, c.g * k, c.b * k}; }
inline Light light(const Colour& c) { return seen(c.r, c.g, c.b); }
inline void set(cairo_t* c, const Colour& k, double alpha = 1) { cairo_set_source_rgba(c, k.r, k.g, k.b, alpha); }

void polygon(cairo_t* c, const std::vector<double>& xy);  // path only
void box(cairo_t* c, double x, double y, double w, double h, const Colour& k, double alpha = 1);
void line(cairo_t* c, double x0, double y0, double x1, double y1, double width);
void ellipse(cairo_t* c, double x, double y, double rx, double ry);  // path only
/// Fills the current path from `left` to `right` (across) or top to bottom (down).
void fill_across(cairo_t* c, double x0, double x1, const Colour& left, const Colour& middle, const Colour& right);
void fill_down(cairo_t* c, double y0, double y1, const Colour& top, const Colour& bottom);

/// Lumpy brightness: amount 0..1, lumps of size 1 / scale.
Photo::Ink rough(float amount, float scale, std::uint32_t seed, float stretch = 1);

struct Sky {
  Colour top{0.27, 0.45, 0.68}, low{0.72, 0.80, 0.86}, cloud{0.97, 0.95, 0.93}, under{0.62, 0.66, 0.72};
  float clouds = 0.5F;  // 0 clear .. 1 grey
  float horizon = 1.2F;
  float sun_x = -1, sun_y = 0;   // sun_x < 0: none in the picture
  float bright = 1.15F;
  std::uint32_t seed = 1;
};
void sky(Photo& photo, const Sky& s);

struct Sea {
  float horizon = 1.2F, bottom = 9;
  Colour deep{0.10, 0.25, 0.32}, shine{0.62, 0.72, 0.78};
  float chop = 1, glitter_x = -1;
  std::uint32_t seed = 1;
};
void sea(Photo& photo, const Sea& s);
/// Still water below `level`: what stands above is seen again, broken by ripples.
void mirror(Photo& photo, float level, const Colour& water, float strength, std::uint32_t seed);
/// A far ridge in haze.
void ridge(Photo& photo, float base, float height, const Colour& k, std::uint32_t seed, double blur = 0.004);

void foliage(cairo_t* c, double x, double y, double rx, double ry, const Colour& k, int leaves, std::uint32_t seed);
void houses(cairo_t* c, double from, double to, double base, double size, std::uint32_t seed, bool lit);
void gull(cairo_t* c, double x, double y, double size, double beat);

struct Figure {
  Colour coat{0.3, 0.35, 0.4}, legs{0.2, 0.2, 0.25}, skin{0.80, 0.62, 0.52}, hair{0.25, 0.18, 0.14};
  double stride = 0.3;   // 0 standing
  double arm = 0.2;      // how far the arm is out
  bool skirt = false, hat = false;
};
void figure(cairo_t* c, double x, double ground, double height, const Figure& f);
/// A small fishing boat, seen from the side, waterline at y.
void boat(cairo_t* c, double x, double y, double size, const Colour& hull, std::uint32_t seed);
void mast(cairo_t* c, double x, double foot, double height, double beam);
void cobbles(Photo& photo, float horizon, const Colour& k, std::uint32_t seed);
/// Out-of-focus discs of light.
void bokeh(Photo& photo, double x0, double y0, double x1, double y1, int count, double radius, std::uint32_t seed);

}  // namespace lapwright::flatbed
