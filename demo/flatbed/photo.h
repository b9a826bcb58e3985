// A picture being painted: linear scene light, and soft layers drawn on it with Cairo.
//
// Drawing is in a space 3 units wide and 2 high (3:2), 2 x 3 for upright pictures, 2 x 2 for square ones.
// Units: linear light, white paper in the sun about 1, mid grey 0.18; blur in drawing units. Thread: one. Errors: none.
#pragma once

#include <cairo.h>

#include <functional>
#include <memory>
#include <vector>

#include "film.h"

namespace lapwright::flatbed {

/// An everyday colour (as seen on a screen, 0..1) as linear light.
Light seen(double r, double g, double b);
Light mix(const Light& a, const Light& b, float part);

class Photo {
 public:
  Photo(int width, int height);
  int width() const { return width_; }
  int height() const { return height_; }
  double wide() const { return width_ / unit_; }  // in drawing units
  double high() const { return height_ / unit_; }
  Light* row(int y) { return light_.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(width_); }
  const Light* row(int y) const { return const_cast<Photo*>(this)->row(y); }

  using Field = std::function<Light(float x, float y)>;
  using Ink = std::function<Light(float x, float y, const Light& colour)>;

  /// Every pixel anew.
  void fill(const Field& field);
  /// Every pixel changed: gets position and what is there.
  void change(const Ink& ink);
  /// A layer: `draw` paints with Cairo; the layer is blurred, tinted by `ink` where given, and laid over.
  void layer(const std::function<void(cairo_t*)>& draw, double blur = 0, const Ink& ink = nullptr, float bright = 1);
  void blur(double radius);
  /// Light that spills from what is brighter than `from`.
  void bloom(float from, double radius, float amount);
  /// Darker corners, a little warmth or coolness, a black point lifted by stray light.
  void finish(float vignette, const Light& tint, float stray);
  /// Where layers are panned and zoomed: drawing (x, y) shows at ((x - cx) * zoom, (y - cy) * zoom) from the middle.
  void aim(double cx, double cy, double zoom);
  float to_drawing_x(int px) const;
  float to_drawing_y(int py) const;

 private:
  int width_, height_;
  double unit_;  // pixels per drawing unit
  double cx_, cy_, zoom_ = 1;
  std::vector<Light> light_;
};

}  // namespace lapwright::flatbed
