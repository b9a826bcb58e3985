#include "proof/title_block.h"

#include <pango/pangocairo.h>

#include <algorithm>
#include <cmath>

#include "proof/text_layout.h"

namespace lapwright::proof {
namespace {

constexpr double side = 4;  // mm of air left and right
constexpr double sure_enough = 0.9;

void ink(cairo_t* cairo, const Colour& c) { cairo_set_source_rgb(cairo, c.red, c.green, c.blue); }

enum class Align { left, right };

/// One line of text whose ascent starts at y; `size` is the font's size in mm.
void text(cairo_t* cairo, double x, double y, double most, double size, bool bold, const Colour& colour, const std::string& words,
          Align align = Align::left) {
  if (words.empty() || most <= 0) return;
  ink(cairo, colour);
  const TextLayout layout(cairo, words, size, bold, most);
  pango_layout_set_single_paragraph_mode(layout.get(), TRUE);
  pango_layout_set_ellipsize(layout.get(), PANGO_ELLIPSIZE_END);
  pango_layout_set_alignment(layout.get(), align == Align::left ? PANGO_ALIGN_LEFT : PANGO_ALIGN_RIGHT);
  layout.show(cairo, align == Align::left ? x : x - most, y);
}

std::string joined(std::initializer_list<std::string> parts) {
  std::string all;
  for (const std::string& p : parts)
    if (!p.empty()) all += (all.empty() ? "" : "  ·  ") + p;
  return all;
}

}  // namespace

Dress on_black_paper() { return {{0.035, 0.035, 0.037}, {0.93, 0.91, 0.87}, {0.62, 0.60, 0.56}, {0.86, 0.60, 0.34}}; }
Dress on_white_paper() { return {{1, 1, 1}, {0.08, 0.08, 0.08}, {0.38, 0.37, 0.36}, {0.08, 0.08, 0.08}}; }

TitleBlock::TitleBlock(const Caption& caption, const std::vector<frames::Frame>& frames, double width_mm, const std::string& part)
    : roll_(caption.roll), width_(width_mm), bar_(width_mm >= 112 ? 100 : width_mm >= 60 ? 50 : 20) {
  const auto unsure = std::count_if(frames.begin(), frames.end(), [](const auto& f) { return f.sure < sure_enough || !f.number_sure; });
  std::string count = std::to_string(frames.size()) + (frames.size() == 1 ? " frame" : " frames");
  if (unsure > 0) count += ", " + std::to_string(unsure) + " to check";
  line_ = joined({part, caption.stock, caption.shot.empty() ? "" : "shot " + caption.shot, count});
  note_ = caption.note;
  made_ = caption.made.empty() ? "" : "proof of " + caption.made;
}

int TitleBlock::unshown() const {
  cairo_surface_t* nowhere = cairo_image_surface_create(CAIRO_FORMAT_A8, 1, 1);
  cairo_t* cairo = cairo_create(nowhere);
  PangoLayout* layout = pango_cairo_create_layout(cairo);
  int count = 0;
  for (const std::string& words : {roll_, line_, note_}) {
    gchar* valid = g_utf8_make_valid(words.data(), static_cast<gssize>(words.size()));
    pango_layout_set_text(layout, valid, -1);
    g_free(valid);
    count += pango_layout_get_unknown_glyphs_count(layout);
  }
  g_object_unref(layout);
  cairo_destroy(cairo);
  cairo_surface_destroy(nowhere);
  return count;
}

void TitleBlock::draw(cairo_t* cairo, const Dress& dress, const std::string& scale_note) const {
  ink(cairo, dress.ground);
  cairo_rectangle(cairo, 0, 0, width_, height());
  cairo_fill(cairo);

  const double bar_x = stacked() ? side : width_ - side - bar_;
  const double words = stacked() ? width_ - 2 * side : bar_x - side - 5;
  text(cairo, side, 1.4, words, 4.4, true, dress.text, roll_);
  text(cairo, side, 7.4, words, 2.5, false, dress.text, line_);
  text(cairo, side, 11.2, words, 2.5, false, dress.quiet, note_);

  const double bar_y = stacked() ? 22.0 : 11.6;
  ink(cairo, dress.line);
  cairo_set_line_width(cairo, 0.18);
  for (int mm = 0; mm <= std::lround(bar_); ++mm) {
    const double tall = mm % 50 == 0 ? 3.0 : mm % 10 == 0 ? 2.2 : mm % 5 == 0 ? 1.4 : 0.9;
    // The outer edges of the first and last stroke are the bar's ends.
    const double at = mm == 0 ? 0.09 : mm == std::lround(bar_) ? bar_ - 0.09 : mm;
    cairo_move_to(cairo, bar_x + at, bar_y);
    cairo_line_to(cairo, bar_x + at, bar_y - tall);
  }
  cairo_stroke(cairo);
  cairo_rectangle(cairo, bar_x, bar_y, bar_, 0.35);
  cairo_fill(cairo);
  const double words_y = stacked() ? 15.4 : 4.6;
  text(cairo, bar_x, words_y, bar_ / 2, 2.2, false, dress.quiet, joined({std::to_string(std::lround(bar_)) + " mm", made_}));
  text(cairo, bar_x + bar_, words_y, bar_ / 2, 2.2, false, dress.quiet, scale_note, Align::right);
}

}  // namespace lapwright::proof
