// Text laid out by Pango for a context whose unit is a millimetre.
//
// Invariants: Pango works in finer units of its own, so that its rounding does not show at
// millimetre scale; bytes that are no UTF-8 are shown as such. Units: mm. Thread: one. Errors: none.
#pragma once

#include <string>

typedef struct _cairo cairo_t;  // as cairo.h and pango-layout.h declare them
typedef struct _PangoLayout PangoLayout;

namespace lapwright::proof {

class TextLayout {
 public:
  /// `size`: the font's, mm; `most`: width that the text may take.
  TextLayout(cairo_t* cairo, const std::string& words, double size, bool bold, double most);
  TextLayout(const TextLayout&) = delete;
  TextLayout& operator=(const TextLayout&) = delete;
  ~TextLayout();

  PangoLayout* get() const { return layout_; }
  double height() const;  // mm
  /// With its top left corner there.
  void show(cairo_t* cairo, double x, double y) const;

 private:
  PangoLayout* layout_;
};

}  // namespace lapwright::proof
