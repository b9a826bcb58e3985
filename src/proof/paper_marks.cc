#include "proof/paper_marks.h"

#include <pango/pangocairo.h>

#include <algorithm>

#include "proof/text_layout.h"

namespace lapwright::proof {
namespace {

struct Wax {
  const char* name;
  Colour colour;
};
constexpr Wax waxes[] = {{"red", {0.788, 0.227, 0.169}}, {"yellow", {0.910, 0.725, 0.137}}, {"white", {0.957, 0.937, 0.894}}, {"blue", {0.247, 0.467, 0.710}}};

void ink(cairo_t* cairo, const std::string& name) {
  const Wax* found = waxes;
  for (const Wax& w : waxes)
    if (name == w.name) found = &w;
  cairo_set_source_rgb(cairo, found->colour.red, found->colour.green, found->colour.blue);
}

struct Extent {
  double l = 1e9, t = 1e9, r = -1e9, b = -1e9;
};
Extent extent_of(const frames::Frame& f) {
  Extent e;
  for (const auto& c : f.corners) e.l = std::min(e.l, c.x), e.r = std::max(e.r, c.x), e.t = std::min(e.t, c.y), e.b = std::max(e.b, c.y);
  return e;
}

/// As on the screen: a select is ringed, an alt underlined with its ends turned up, a kill struck through.
void verdict(cairo_t* cairo, const frames::Frame& f, const std::string& word) {
  const Extent e = extent_of(f);
  constexpr double out = 0.9;
  ink(cairo, "red");
  cairo_set_line_width(cairo, 0.85);
  if (word == "select") {
    cairo_rectangle(cairo, e.l - out, e.t - out, e.r - e.l + 2 * out, e.b - e.t + 2 * out);
  } else if (word == "kill") {
    cairo_move_to(cairo, e.l + 1, e.t + 1), cairo_line_to(cairo, e.r - 1, e.b - 1);
  } else if (word == "alt") {
    const double up = e.b - (e.b - e.t) * 0.3;
    cairo_move_to(cairo, e.l - out, up), cairo_line_to(cairo, e.l - out, e.b + out);
    cairo_line_to(cairo, e.r + out, e.b + out), cairo_line_to(cairo, e.r + out, up);
  }
  cairo_stroke(cairo);
}

/// Height of the paragraph, mm.
double paragraph(cairo_t* cairo, double x, double y, double width, double size, bool bold, const std::string& words, bool draw) {
  const TextLayout layout(cairo, words, size, bold, width);
  pango_layout_set_wrap(layout.get(), PANGO_WRAP_WORD_CHAR);
  if (draw) layout.show(cairo, x, y);
  return layout.height();
}

}  // namespace

bool PaperMarks::words() const {
  return std::any_of(frames.begin(), frames.end(), [](const Said& s) { return !s.verdict.empty() || !s.note.empty(); });
}

void draw_marks(cairo_t* cairo, const PaperMarks& marks, const std::vector<frames::Frame>& frames) {
  cairo_save(cairo);
  cairo_set_line_cap(cairo, CAIRO_LINE_CAP_ROUND);
  cairo_set_line_join(cairo, CAIRO_LINE_JOIN_ROUND);
  for (const PaperMarks::Said& s : marks.frames) {
    const auto f = std::find_if(frames.begin(), frames.end(), [&](const frames::Frame& x) { return x.frame == s.frame; });
    if (f == frames.end()) continue;
    if (s.crop) {
      const auto& c = *s.crop;
      for (const bool under : {true, false}) {
        under ? cairo_set_source_rgb(cairo, 0.09, 0.07, 0.05) : ink(cairo, "white");
        cairo_set_line_width(cairo, under ? 0.5 : 0.25);
        const double dash[] = {1.4, 0.8};
        cairo_set_dash(cairo, dash, under ? 0 : 2, 0);
        cairo_rectangle(cairo, c[0], c[1], c[2], c[3]);
        cairo_stroke(cairo);
      }
      cairo_set_dash(cairo, nullptr, 0, 0);
    }
    verdict(cairo, *f, s.verdict);
  }
  for (const PaperMarks::Stroke& s : marks.ink) {
    ink(cairo, s.colour);
    // The point's width goes with the pressure, as the screen has it.
    for (std::size_t i = 0; i < s.points.size(); ++i) {
      const auto& p = s.points[i];
      const auto& q = s.points[i + 1 < s.points.size() ? i + 1 : i];
      const double pressure = std::clamp((p[2] + q[2]) / 2, 0.0, 1.0);
      cairo_set_line_width(cairo, s.width * (0.35 + 0.65 * pressure));
      cairo_move_to(cairo, p[0], p[1]), cairo_line_to(cairo, q[0], q[1]);
      cairo_stroke(cairo);
    }
  }
  cairo_restore(cairo);
}

void draw_words(cairo_t* cairo, const PaperMarks& marks, const std::string& roll, double width, double height) {
  cairo_set_source_rgb(cairo, 0.08, 0.08, 0.08);
  double y = paragraph(cairo, 0, 0, width, 5, true, roll, true) + 3;
  std::size_t left = 0;
  for (const PaperMarks::Said& s : marks.frames) {
    if (s.verdict.empty() && s.note.empty()) continue;
    const double note = s.note.empty() ? 0 : paragraph(cairo, 0, 0, width - 44, 3.4, false, s.note, false);
    const double tall = std::max(5.0, note + 1.4);
    if (left > 0 || y + tall > height - 7) {
      ++left;
      continue;
    }
    paragraph(cairo, 0, y, 18, 3.4, true, s.frame, true);
    paragraph(cairo, 20, y, 22, 3.4, false, s.verdict, true);
    paragraph(cairo, 44, y, width - 44, 3.4, false, s.note, true);
    y += tall;
  }
  if (left > 0) paragraph(cairo, 0, height - 5, width, 3.4, false, "and " + std::to_string(left) + (left == 1 ? " frame more" : " frames more"), true);
}

}  // namespace lapwright::proof
