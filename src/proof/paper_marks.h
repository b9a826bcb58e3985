// What was marked on a sheet, for its paper: grease pencil, verdicts, crop lines, and a page of what
// was said in words.
//
// Invariants: drawn where it was marked, in vectors. Units: sleeve millimetres, pressure 0 to 1.
// Thread: one. Errors: none (Cairo keeps its own status in the context).
#pragma once

#include <array>
#include <optional>
#include <string>
#include <vector>

#include "frames/frames.h"
#include "proof/title_block.h"

namespace lapwright::proof {

struct PaperMarks {
  struct Stroke {
    std::string colour;  // red, yellow, white, blue
    double width = 0;
    std::vector<std::array<double, 3>> points;  // x, y, pressure
  };
  struct Said {
    std::string frame, verdict, note;
    std::optional<std::array<double, 4>> crop;  // x, y, width, height
  };
  std::vector<Stroke> ink;
  std::vector<Said> frames;
  bool any() const { return !ink.empty() || !frames.empty(); }
  bool words() const;
};

/// With the sleeve's origin at (0, 0) of a context whose unit is a millimetre.
void draw_marks(cairo_t* cairo, const PaperMarks& marks, const std::vector<frames::Frame>& frames);
/// The page of words, `width` x `height` mm; what has no room is counted in its last line.
void draw_words(cairo_t* cairo, const PaperMarks& marks, const std::string& roll, double width,
                double height);

}  // namespace lapwright::proof
