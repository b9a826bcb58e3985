#include "proof/paper_sheet.h"

#include <cairo-pdf.h>

#include <algorithm>
#include <cmath>

#include "core/files.h"
#include "density/density.h"
#include "proof/print_ready.h"

namespace lapwright::proof {
namespace {

constexpr double margin = 6, gap = 2, points = 72 / 25.4;

cairo_status_t take(void* closure, const unsigned char* data, unsigned length) {
  static_cast<std::string*>(closure)->append(reinterpret_cast<const char*>(data), length);
  return CAIRO_STATUS_SUCCESS;
}

}  // namespace

PageSize page_for(double width, double height) {
  for (const PageSize p : {PageSize{210, 297}, {297, 210}, {215.9, 279.4}, {279.4, 215.9}})
    if (width <= p.width && height <= p.height) return p;
  return {std::ceil(width), std::ceil(height)};
}

Pages pages_for(double sheet_width, double sheet_height, const std::optional<PageSize>& paper) {
  const double title = gap + TitleBlock::height_for(sheet_width);
  Pages best;
  if (!paper) {
    best.page = page_for(sheet_width + 2 * margin, sheet_height + title + 2 * margin);
    best.title_width = sheet_width;
    best.parts = {{0, 0, sheet_width, sheet_height}};
    return best;
  }
  for (const PageSize page : {*paper, PageSize{paper->height, paper->width}}) {
    Pages p;
    p.page = page;
    const double width = page.width - 2 * margin;
    if (sheet_width <= width && sheet_height + title <= page.height - 2 * margin) {
      p.title_width = sheet_width;
      p.parts = {{0, 0, sheet_width, sheet_height}};
    } else {
      p.title_width = width;
      const double height = page.height - 2 * margin - gap - TitleBlock::height_for(width);
      const auto count = [](double all, double one) {
        return all <= one ? 1 : static_cast<int>(std::ceil((all - page_lap) / (one - page_lap)));
      };
      p.across = count(sheet_width, width), p.down = count(sheet_height, height);
      // Parts of one size, so that no page shows much twice.
      const double w = (sheet_width + page_lap * (p.across - 1)) / p.across,
                   h = (sheet_height + page_lap * (p.down - 1)) / p.down;
      for (int row = 0; row < p.down; ++row)
        for (int column = 0; column < p.across; ++column)
          p.parts.push_back({(w - page_lap) * column, (h - page_lap) * row, w, h});
    }
    if (best.parts.empty() || p.parts.size() < best.parts.size()) best = std::move(p);
  }
  return best;
}

namespace {

/// Where a neighbour's page is cut or laid over: strokes in the margin at the middle of the lap.
void lap_marks(cairo_t* cairo, const Pages& pages, std::size_t n) {
  const Part& part = pages.parts[n];
  const auto column = static_cast<int>(n) % pages.across, row = static_cast<int>(n) / pages.across;
  cairo_set_source_rgb(cairo, 0, 0, 0);
  cairo_set_line_width(cairo, 0.15);
  const auto upright = [&](double x) {
    for (const double y : {-4.0, part.height + 0.4})
      cairo_move_to(cairo, x, y), cairo_line_to(cairo, x, y + (y < 0 ? 3.4 : gap - 0.6));
  };
  const auto level = [&](double y) {
    for (const double x : {-4.0, part.width + 0.6})
      cairo_move_to(cairo, x, y), cairo_line_to(cairo, x + 3.4, y);
  };
  const auto middle = [](double end, double next) { return (end + next) / 2; };
  if (column > 0) {
    const Part& before = pages.parts[n - 1];
    upright(middle(before.x + before.width, part.x) - part.x);
  }
  if (column + 1 < pages.across)
    upright(middle(part.x + part.width, pages.parts[n + 1].x) - part.x);
  const auto across = static_cast<std::size_t>(pages.across);
  if (row > 0) {
    const Part& above = pages.parts[n - across];
    level(middle(above.y + above.height, part.y) - part.y);
  }
  if (row + 1 < pages.down) level(middle(part.y + part.height, pages.parts[n + across].y) - part.y);
  cairo_stroke(cairo);
}

}  // namespace

Result<> write_pdf(const std::filesystem::path& path, const PrintedJpeg& jpeg,
                   const std::vector<frames::Frame>& frames, const Caption& caption,
                   const About& about, const std::optional<PageSize>& paper,
                   const Marked& marked) {
  const double sheet_width = static_cast<double>(jpeg.width) * jpeg.mm_per_pixel;
  const double sheet_height = static_cast<double>(jpeg.sheet_height) * jpeg.mm_per_pixel;
  const Pages pages = pages_for(sheet_width, sheet_height, paper);

  std::string bytes;
  cairo_surface_t* pdf = cairo_pdf_surface_create_for_stream(
      take, &bytes, pages.page.width * points, pages.page.height * points);
  // Cairo passes the JPEG's bytes through, once for all pages; the surface only lends its size and
  // is never touched.
  cairo_surface_t* picture = cairo_image_surface_create(
      CAIRO_FORMAT_RGB24, static_cast<int>(jpeg.width), static_cast<int>(jpeg.height));
  cairo_surface_set_mime_data(picture, CAIRO_MIME_TYPE_JPEG,
                              reinterpret_cast<const unsigned char*>(jpeg.bytes.data()),
                              jpeg.bytes.size(), nullptr, nullptr);
  cairo_t* cairo = cairo_create(pdf);
  for (std::size_t n = 0; n < pages.parts.size(); ++n) {
    const Part& part = pages.parts[n];
    const bool several = pages.parts.size() > 1;
    const TitleBlock title(
        caption, frames, pages.title_width,
        several ? "page " + std::to_string(n + 1) + " of " + std::to_string(pages.parts.size())
                : "");
    cairo_save(cairo);
    cairo_scale(cairo, points, points);
    cairo_translate(
        cairo, (pages.page.width - part.width) / 2,
        several ? margin
                : std::max(margin, (pages.page.height - part.height - gap - title.height()) / 2));
    cairo_save(cairo);
    // The JPEG's title block must not bleed in.
    const double rim = part.y + part.height < sheet_height ? 0 : 0.6 * jpeg.mm_per_pixel;
    cairo_rectangle(cairo, 0, 0, part.width, part.height - rim);
    cairo_clip(cairo);
    cairo_translate(cairo, -part.x, -part.y);
    cairo_scale(cairo, jpeg.mm_per_pixel, jpeg.mm_per_pixel);
    cairo_set_source_surface(cairo, picture, 0, 0);
    cairo_pattern_set_filter(cairo_get_source(cairo),
                             CAIRO_FILTER_NEAREST);  // else /Interpolate, which PDF/A refuses
    cairo_paint(cairo);
    cairo_restore(cairo);
    if (marked.marks.any()) {
      cairo_save(cairo);
      cairo_rectangle(cairo, 0, 0, part.width, part.height - rim);
      cairo_clip(cairo);
      cairo_translate(cairo, -part.x - marked.origin.x, -part.y - marked.origin.y);
      draw_marks(cairo, marked.marks, frames);
      cairo_restore(cairo);
    }
    if (several) lap_marks(cairo, pages, n);
    cairo_translate(cairo, (part.width - pages.title_width) / 2, part.height + gap);
    title.draw(cairo, on_white_paper(), "print at 100 %, not fitted to the page");
    cairo_restore(cairo);
    cairo_show_page(cairo);
  }
  if (marked.marks.words()) {
    constexpr double air = 15;
    cairo_save(cairo);
    cairo_scale(cairo, points, points);
    cairo_translate(cairo, air, air);
    draw_words(cairo, marked.marks, caption.roll, pages.page.width - 2 * air, pages.page.height - 2 * air);
    cairo_restore(cairo);
    cairo_show_page(cairo);
  }
  cairo_destroy(cairo);
  cairo_surface_finish(pdf);
  const cairo_status_t status = cairo_surface_status(pdf), lent = cairo_surface_status(picture);
  cairo_surface_destroy(picture);
  cairo_surface_destroy(pdf);
  for (const cairo_status_t s : {lent, status})
    if (s != CAIRO_STATUS_SUCCESS)
      return fail(Fault::io, path.string() + ": cairo: " + cairo_status_to_string(s));
  const auto ready = print_ready(bytes, about, density::srgb_icc_profile());
  if (!ready) return fail(ready.error());
  return core::write_file(path, *ready);
}

}  // namespace lapwright::proof
