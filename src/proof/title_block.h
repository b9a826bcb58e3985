// The title block of a contact sheet: roll, stock, dates, note, frame count, and a bar of known length.
//
// Invariants: drawn in millimetres, so the bar is its length wherever the drawing's scale is right; text is never wider than
//   its place. Units: mm. Thread: one. Errors: none (Cairo keeps its own status in the context).
#pragma once

#include <string>
#include <vector>

#include "frames/frames.h"
#include "proof/proof.h"

typedef struct _cairo cairo_t;  // as cairo.h declares it

namespace lapwright::proof {

struct Colour { double red, green, blue; };
struct Dress { Colour ground, text, quiet, line; };
Dress on_black_paper();
Dress on_white_paper();

class TitleBlock {
 public:
  /// `part`: which page of several; empty on one.
  TitleBlock(const Caption& caption, const std::vector<frames::Frame>& frames, double width_mm, const std::string& part = {});
  static double height_for(double width_mm) { return width_mm < 165 ? 25 : 16; }
  double height() const { return height_for(width_); }
  /// Characters that no font here can show.
  int unshown() const;
  /// 100 where it fits, 50 or 20 on a narrower sheet.
  double bar() const { return bar_; }
  /// Draws with the top left corner at (0, 0) of a context whose unit is a millimetre.
  void draw(cairo_t* cairo, const Dress& dress, const std::string& scale_note) const;

 private:
  std::string roll_, line_, note_, made_;
  bool stacked() const { return width_ < 165; }
  double width_, bar_;
};

}  // namespace lapwright::proof
