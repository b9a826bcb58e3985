#include "proof/text_layout.h"

#include <pango/pangocairo.h>

namespace lapwright::proof {
namespace {

constexpr double fine = 32;  // layout units a millimetre

}  // namespace

TextLayout::TextLayout(cairo_t* cairo, const std::string& words, double size, bool bold,
                       double most)
    : layout_(pango_cairo_create_layout(cairo)) {
  PangoFontDescription* font = pango_font_description_from_string(bold ? "Sans Bold" : "Sans");
  pango_font_description_set_absolute_size(font, size * fine * PANGO_SCALE);
  pango_layout_set_font_description(layout_, font);
  pango_font_description_free(font);
  gchar* valid = g_utf8_make_valid(words.data(), static_cast<gssize>(words.size()));
  pango_layout_set_text(layout_, valid, -1);
  g_free(valid);
  pango_layout_set_width(layout_, static_cast<int>(most * fine * PANGO_SCALE));
}

TextLayout::~TextLayout() { g_object_unref(layout_); }

double TextLayout::height() const {
  int width = 0, height = 0;
  pango_layout_get_size(layout_, &width, &height);
  return static_cast<double>(height) / PANGO_SCALE / fine;
}

void TextLayout::show(cairo_t* cairo, double x, double y) const {
  cairo_save(cairo);
  cairo_translate(cairo, x, y);
  cairo_scale(cairo, 1 / fine, 1 / fine);
  pango_cairo_update_layout(cairo, layout_);
  pango_cairo_show_layout(cairo, layout_);
  cairo_restore(cairo);
}

}  // namespace lapwright::proof
