#include <cairo-pdf.h>
#include <cairo.h>

#include <algorithm>
#include <string>

#include "core/files.h"
#include "plan/how_to_lay.h"
#include "plan/refusal.h"

namespace lapwright::plan {
namespace {

constexpr double points_per_mm = 72 / 25.4;
constexpr double border = 15, head_height = 36;  // mm

/// Of the paper, mm.
double page_width(const Rect<BedSpace>& extent) { return std::max(extent.width.mm(), 180.0) + 2 * border; }

/// A page of the guide in millimetres of the bed.
class Sheet {
 public:
  Sheet(cairo_t* cr, double x, double y) : cr_(cr) {
    cairo_save(cr_);
    cairo_scale(cr_, points_per_mm, points_per_mm);
    cairo_translate(cr_, x, y);
    cairo_select_font_face(cr_, "sans-serif", CAIRO_FONT_SLANT_NORMAL, CAIRO_FONT_WEIGHT_NORMAL);
    cairo_set_source_rgb(cr_, 0, 0, 0);
  }
  ~Sheet() { cairo_restore(cr_); }
  void line(double x1, double y1, double x2, double y2, double width) {
    cairo_set_line_width(cr_, width);
    cairo_move_to(cr_, x1, y1);
    cairo_line_to(cr_, x2, y2);
    cairo_stroke(cr_);
  }
  void rect(const Rect<BedSpace>& r, double width, double dash) {
    cairo_set_dash(cr_, &dash, dash > 0 ? 1 : 0, 0);
    cairo_set_line_width(cr_, width);
    cairo_rectangle(cr_, r.x.mm(), r.y.mm(), r.width.mm(), r.height.mm());
    cairo_stroke(cr_);
    cairo_set_dash(cr_, nullptr, 0, 0);
  }
  void text(double x, double y, const std::string& s, double size) {
    cairo_set_font_size(cr_, size);
    cairo_move_to(cr_, x, y);
    cairo_show_text(cr_, s.c_str());
  }
  /// Words in lines no wider than `width`; gives the y of the line that follows.
  double paragraph(double x, double y, const std::string& s, double size, double width) {
    std::string line;
    for (std::size_t at = 0; at < s.size();) {
      const std::size_t end = std::min(s.find(' ', at), s.size());
      const std::string word = s.substr(at, end - at), longer = line.empty() ? word : line + ' ' + word;
      if (!line.empty() && measure(longer, size) > width) {
        text(x, y, line, size);
        y += size * 1.5;
        line = word;
      } else {
        line = longer;
      }
      at = end + 1;
    }
    text(x, y, line, size);
    return y + size * 1.5;
  }
  /// Centred on (x, y), reading along an edge of the page.
  void along_edge(double x, double y, const std::string& s, double size, bool upright) {
    const double length = measure(s, size);
    cairo_save(cr_);
    cairo_translate(cr_, x, y);
    if (upright) cairo_rotate(cr_, -1.5707963267948966);
    cairo_set_source_rgb(cr_, 1, 1, 1);
    cairo_rectangle(cr_, -length / 2 - 1, -size / 2, length + 2, size);
    cairo_fill(cr_);
    cairo_set_source_rgb(cr_, 0, 0, 0);
    text(-length / 2, size * 0.36, s, size);
    cairo_restore(cr_);
  }

 private:
  double measure(const std::string& s, double size) {
    cairo_text_extents_t e;
    cairo_set_font_size(cr_, size);
    cairo_text_extents(cr_, s.c_str(), &e);
    return e.x_advance;
  }
  cairo_t* cr_;
};

cairo_status_t append(void* closure, const unsigned char* data, unsigned int length) {
  static_cast<std::string*>(closure)->append(reinterpret_cast<const char*>(data), length);
  return CAIRO_STATUS_SUCCESS;
}

void draw_page(cairo_t* cr, const Plan& plan, const Pass& pass, const profile::SleeveProfile& sleeve, const profile::BedProfile& bed,
               const Rect<BedSpace>& extent) {
  Sheet s(cr, border - extent.x.mm(), border + head_height - extent.y.mm());
  const Rect<BedSpace> page = page_on_bed(pass, sleeve), &w = bed.window;
  const double left = extent.x.mm(), top = extent.y.mm() - head_height;
  s.text(left, top + 3, "Pass " + std::to_string(pass.number) + " of " + std::to_string(plan.passes.size()) + ": sleeve " + plan.sleeve +
                            " on bed " + plan.bed, 5);
  const double wide = page_width(extent) - 2 * border;
  const double next = s.paragraph(left, top + 9, how_to_lay(plan, pass, sleeve, bed), 3, wide);
  s.paragraph(left, next,
              "Hinge at the top. Dashed frame = window, thick frame = the sleeve's edges. Take the paper away before the pass; "
              "glass and film must be clean.", 3, wide);
  s.line(left, top + 30, left + 100, top + 30, 0.4);
  s.line(left, top + 28, left, top + 32, 0.2);
  s.line(left + 100, top + 28, left + 100, top + 32, 0.2);
  s.text(left + 103, top + 31, "100 mm: print at 100 %", 3);
  s.rect(w, 0.3, 3);
  s.rect(page, 0.8, 0);
  s.text(w.x.mm() + 3, w.y.mm() + 6, "window " + mm_number(w.width.value) + " x " + mm_text(w.height.value), 4);
  const auto c = page.centre_mm();
  const auto name = [&](Side side, const std::string& what) {
    switch (side) {
      case Side::left: s.along_edge(page.x.mm() + 5, c.y, what, 5, true); break;
      case Side::right: s.along_edge(page.right().mm() - 5, c.y, what, 5, true); break;
      case Side::back: s.along_edge(c.x, page.y.mm() + 5, what, 5, false); break;
      case Side::front: s.along_edge(c.x, page.bottom().mm() - 5, what, 5, false); break;
    }
  };
  name(binding_side(pass.lay), "binding edge");
  name(top_side(pass.lay), "top of the sleeve");
}

}  // namespace

Result<> write_guide_pdf(const Plan& plan, const profile::SleeveProfile& sleeve, const profile::BedProfile& bed,
                         const std::string& file) {
  std::string pdf;
  cairo_surface_t* surface = cairo_pdf_surface_create_for_stream(append, &pdf, 100, 100);
  cairo_t* cr = cairo_create(surface);
  for (const Pass& p : plan.passes) {
    const Rect<BedSpace> extent = bed.window.hull(page_on_bed(p, sleeve));
    cairo_pdf_surface_set_size(surface, page_width(extent) * points_per_mm, (extent.height.mm() + 2 * border + head_height) * points_per_mm);
    draw_page(cr, plan, p, sleeve, bed, extent);
    cairo_show_page(cr);
  }
  cairo_status_t status = cairo_status(cr);
  cairo_destroy(cr);
  cairo_surface_finish(surface);
  if (status == CAIRO_STATUS_SUCCESS) status = cairo_surface_status(surface);
  cairo_surface_destroy(surface);
  if (status != CAIRO_STATUS_SUCCESS) return fail(Fault::cannot_create, file + ": the guide cannot be drawn: " + cairo_status_to_string(status));
  return core::write_file(file, pdf);
}

}  // namespace lapwright::plan
