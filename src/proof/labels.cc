#include "proof/labels.h"

#include <cairo.h>
#include <pango/pangocairo.h>

#include <algorithm>
#include <cmath>
#include <string>

namespace lapwright::proof {
namespace {

constexpr double sure_enough = 0.9;
constexpr int light_ground = 45000;
constexpr double orange[3] = {236, 164, 92}, brown[3] = {150, 78, 22};  // 8-bit sRGB; trade.md 4.7's light brown to orange

struct Mask { std::int64_t width = 0, height = 0; std::vector<std::uint8_t> ink; };

/// A small mark that points along the film, then the number; `tall` is the digits' height in pixels.
Mask number_mask(const std::string& text, double tall, bool down) {
  const auto draw = [&](cairo_t* cairo, double* width, double* height) {
    PangoLayout* layout = pango_cairo_create_layout(cairo);
    PangoFontDescription* font = pango_font_description_from_string("DejaVu Sans Condensed, Sans Bold");
    pango_font_description_set_absolute_size(font, tall / 0.73 * PANGO_SCALE);  // digits are about 0.73 of the size
    pango_layout_set_font_description(layout, font);
    pango_layout_set_text(layout, text.c_str(), static_cast<int>(text.size()));
    PangoRectangle ink;
    pango_layout_get_pixel_extents(layout, &ink, nullptr);
    const double pad = std::ceil(tall * 0.12) + 1, mark = tall * 0.62, gap = tall * 0.28;
    *width = 2 * pad + mark + gap + ink.width;
    *height = 2 * pad + std::max<double>(ink.height, tall);
    const double middle = *height / 2;
    cairo_move_to(cairo, pad, middle - tall * 0.36);
    cairo_line_to(cairo, pad + mark, middle);
    cairo_line_to(cairo, pad, middle + tall * 0.36);
    cairo_close_path(cairo);
    cairo_fill(cairo);
    cairo_move_to(cairo, pad + mark + gap - ink.x, middle - ink.height / 2.0 - ink.y);
    pango_cairo_show_layout(cairo, layout);
    pango_font_description_free(font);
    g_object_unref(layout);
  };
  double width = 0, height = 0;
  cairo_surface_t* trial = cairo_image_surface_create(CAIRO_FORMAT_A8, 1, 1);
  cairo_t* cairo = cairo_create(trial);
  draw(cairo, &width, &height);
  cairo_destroy(cairo);
  cairo_surface_destroy(trial);

  Mask mask;
  mask.width = static_cast<std::int64_t>(std::ceil(down ? height : width));
  mask.height = static_cast<std::int64_t>(std::ceil(down ? width : height));
  cairo_surface_t* surface = cairo_image_surface_create(CAIRO_FORMAT_A8, static_cast<int>(mask.width), static_cast<int>(mask.height));
  cairo = cairo_create(surface);
  if (down) {  // reads from top to bottom, as the film runs
    cairo_translate(cairo, static_cast<double>(mask.width), 0);
    cairo_rotate(cairo, 1.5707963267948966);
  }
  draw(cairo, &width, &height);
  cairo_destroy(cairo);
  cairo_surface_flush(surface);
  if (cairo_surface_status(surface) == CAIRO_STATUS_SUCCESS) {
    const unsigned char* data = cairo_image_surface_get_data(surface);
    const int stride = cairo_image_surface_get_stride(surface);
    for (std::int64_t y = 0; y < mask.height; ++y) mask.ink.insert(mask.ink.end(), data + y * stride, data + y * stride + mask.width);
  } else {
    mask = {};
  }
  cairo_surface_destroy(surface);
  return mask;
}

}  // namespace

Labels::Labels(const std::vector<frames::Frame>& frames, Spot<SleeveSpace> origin, const profile::SleeveProfile& sleeve,
               const image::RowSource& positive) {
  const bool down = sleeve.strips.run == profile::Run::down;
  const double k = positive.ppi().pixels_per_mm();
  const double gutter = sleeve.strips.pitch.mm() - sleeve.film_width().mm();
  const double tall_mm = std::clamp(gutter + 0.35, 1.35, 1.9);
  const double to_edge = (sleeve.film_width().mm() - sleeve.frame.height.mm()) / 2;
  // Into the film's edge by a little where the gutter is narrow: the lettering stands 0.5 mm and more inside.
  const double centre = to_edge + tall_mm / 2 + std::clamp((gutter - tall_mm) / 2, -0.35, 0.6);
  for (const frames::Frame& f : frames) {
    const Mask mask = number_mask(f.sure >= sure_enough && f.number_sure ? f.frame : f.frame + " ?", tall_mm * k, down);
    if (mask.ink.empty()) continue;
    double x = 0, y = 0, most_x = -1e9, most_y = -1e9;
    for (const auto& corner : f.corners) {
      x += corner.x / 4, y += corner.y / 4;
      most_x = std::max(most_x, corner.x), most_y = std::max(most_y, corner.y);
    }
    if (down) x = most_x + centre;
    else y = most_y + centre;
    Label l;
    l.width = mask.width, l.height = mask.height;
    // Where the sheet ends at the film's edge, into the film's edge.
    const auto inside = [](std::int64_t at, std::int64_t size, std::int64_t all) {
      return std::clamp<std::int64_t>(at, 0, std::max<std::int64_t>(0, all - size));
    };
    l.x = inside(std::llround((x - origin.x) * k) - l.width / 2, l.width, positive.width());
    l.y = inside(std::llround((y - origin.y) * k) - l.height / 2, l.height, positive.height());
    l.ink = mask.ink;
    labels_.push_back(std::move(l));
  }
}

void Labels::draw(std::int64_t y, std::int64_t width, std::uint16_t* code) {
  for (Label& l : labels_) {
    if (y < l.y || y >= l.y + l.height) continue;
    const std::int64_t from = std::max<std::int64_t>(l.x, 0), to = std::min(l.x + l.width, width);
    for (std::int64_t x = from; x < to; ++x) {
      const double a = l.ink[static_cast<std::size_t>((y - l.y) * l.width + x - l.x)] / 255.0;
      if (a <= 0) continue;
      const double* ink = code[x * 3 + 1] > light_ground ? brown : orange;  // a slide's open light prints white
      for (int c = 0; c < 3; ++c) {
        std::uint16_t& v = code[x * 3 + c];
        v = static_cast<std::uint16_t>(v * (1 - a) + ink[c] * 257 * a + 0.5);
      }
    }
  }
}

}  // namespace lapwright::proof
