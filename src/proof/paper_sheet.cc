#include "proof/paper_sheet.h"

#include <cairo-pdf.h>

#include <algorithm>
#include <cmath>

#include "core/files.h"

namespace lapwright::proof {
namespace {

constexpr double margin = 6, gap = 2, points = 72 / 25.4;

/// Cairo writes a few bytes at a time; they are gathered.
struct Stream {
  core::NewFile* file;
  Result<> written;
  std::string waiting;

  void flush() {
    if (written && !waiting.empty()) written = file->write(waiting.data(), waiting.size());
    waiting.clear();
  }
};

cairo_status_t take(void* closure, const unsigned char* data, unsigned length) {
  auto* stream = static_cast<Stream*>(closure);
  stream->waiting.append(reinterpret_cast<const char*>(data), length);
  if (stream->waiting.size() >= 1 << 18) stream->flush();
  return stream->written ? CAIRO_STATUS_SUCCESS : CAIRO_STATUS_WRITE_ERROR;
}

}  // namespace

PageSize page_for(double width, double height) {
  for (const PageSize p : {PageSize{210, 297}, {297, 210}, {215.9, 279.4}, {279.4, 215.9}})
    if (width <= p.width && height <= p.height) return p;
  return {std::ceil(width), std::ceil(height)};
}

Result<> write_pdf(const std::filesystem::path& path, const PrintedJpeg& jpeg, const TitleBlock& title, const Caption& caption) {
  auto file = core::NewFile::create(path, 0);
  if (!file) return fail(file.error());
  const double sheet_width = static_cast<double>(jpeg.width) * jpeg.mm_per_pixel;
  const double sheet_height = static_cast<double>(jpeg.sheet_height) * jpeg.mm_per_pixel;
  const PageSize page = page_for(sheet_width + 2 * margin, sheet_height + gap + title.height() + 2 * margin);

  Stream stream{&*file, {}, {}};
  cairo_surface_t* pdf = cairo_pdf_surface_create_for_stream(take, &stream, page.width * points, page.height * points);
  cairo_pdf_surface_set_metadata(pdf, CAIRO_PDF_METADATA_TITLE, ("Contact sheet " + caption.roll).c_str());
  cairo_pdf_surface_set_metadata(pdf, CAIRO_PDF_METADATA_CREATOR, "lapwright");
  if (caption.made.size() == 10)
    cairo_pdf_surface_set_metadata(pdf, CAIRO_PDF_METADATA_CREATE_DATE, (caption.made + "T00:00:00Z").c_str());
  cairo_t* cairo = cairo_create(pdf);
  cairo_scale(cairo, points, points);
  cairo_translate(cairo, (page.width - sheet_width) / 2,
                  std::max(margin, (page.height - sheet_height - gap - title.height()) / 2));

  // Cairo passes the JPEG's bytes through; the surface only lends its size and is never touched.
  cairo_surface_t* picture =
      cairo_image_surface_create(CAIRO_FORMAT_RGB24, static_cast<int>(jpeg.width), static_cast<int>(jpeg.height));
  cairo_surface_set_mime_data(picture, CAIRO_MIME_TYPE_JPEG, reinterpret_cast<const unsigned char*>(jpeg.bytes.data()),
                              jpeg.bytes.size(), nullptr, nullptr);
  cairo_save(cairo);
  cairo_rectangle(cairo, 0, 0, sheet_width, sheet_height - 0.6 * jpeg.mm_per_pixel);  // the JPEG's title block must not bleed in
  cairo_clip(cairo);
  cairo_scale(cairo, jpeg.mm_per_pixel, jpeg.mm_per_pixel);
  cairo_set_source_surface(cairo, picture, 0, 0);
  cairo_paint(cairo);
  cairo_restore(cairo);

  cairo_translate(cairo, 0, sheet_height + gap);
  title.draw(cairo, on_white_paper(), "print at 100 %, not fitted to the page");
  cairo_show_page(cairo);
  cairo_destroy(cairo);
  cairo_surface_finish(pdf);
  stream.flush();
  const cairo_status_t status = cairo_surface_status(pdf), lent = cairo_surface_status(picture);
  cairo_surface_destroy(picture);
  cairo_surface_destroy(pdf);
  if (!stream.written) return stream.written;
  for (const cairo_status_t s : {lent, status})
    if (s != CAIRO_STATUS_SUCCESS) return fail(Fault::io, path.string() + ": cairo: " + cairo_status_to_string(s));
  return file->publish();
}

}  // namespace lapwright::proof
