// A small stroke alphabet, so that signs and edge print look the same on every machine, fonts or not.
//
// Units: glyphs are drawn in a box 0.6 high-units wide and 1 high, baseline at the bottom. Thread: any. Errors: none;
//   a character without a glyph is a gap.
#pragma once

#include <cairo.h>

#include <string>

namespace lapwright::flatbed {

/// Width of `text` at letter height 1.
double text_width(const std::string& text);
/// Strokes `text` with its lower left corner at (x, y), letters `height` high, strokes `weight` of the height thick.
void draw_text(cairo_t* c, const std::string& text, double x, double y, double height, double weight = 0.13);

}  // namespace lapwright::flatbed
