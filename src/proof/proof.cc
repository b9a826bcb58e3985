#include "proof/proof.h"

#include <cairo.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstring>
#include <future>

#include "core/files.h"
#include "density/density.h"
#include "proof/jpeg.h"
#include "proof/labels.h"
#include "proof/paper_sheet.h"
#include "proof/pyramid.h"
#include "proof/shrink.h"
#include "proof/title_block.h"
#include "proof/tone.h"
#include "proof/xmp.h"

namespace lapwright::proof {
namespace {

namespace fs = std::filesystem;

constexpr int tile_quality = 85;

/// How large the JPEG is: a whole ppi, so that its density tag is exact.
struct JpegSize {
  Ppi ppi;
  std::int64_t width = 0, sheet = 0, title = 0;
};

JpegSize jpeg_size(const image::RowSource& positive, const TitleBlock& title,
                   std::int64_t long_side) {
  const double width_mm = static_cast<double>(positive.width()) * positive.ppi().mm_per_pixel();
  const double height_mm =
      static_cast<double>(positive.height()) * positive.ppi().mm_per_pixel() + title.height();
  const double most = static_cast<double>(long_side) * 25.4 / std::max(width_mm, height_mm);
  JpegSize s;
  s.ppi = {std::max(1, std::min(positive.ppi().value, static_cast<int>(most)))};
  const double k = static_cast<double>(s.ppi.value) / positive.ppi().value;
  s.width = std::max<std::int64_t>(1, std::llround(static_cast<double>(positive.width()) * k));
  s.sheet = std::max<std::int64_t>(1, std::llround(static_cast<double>(positive.height()) * k));
  s.title = static_cast<std::int64_t>(title.height() * s.ppi.pixels_per_mm());
  return s;
}

std::string tiff_day(std::string day) {
  day[4] = day[7] = ':';
  return day + " 00:00:00";
}

About about_of(const Caption& caption, const std::vector<frames::Frame>& frames,
               Spot<SleeveSpace> origin, double width, double height) {
  About about;
  about.title = "Contact sheet " + caption.roll, about.identifier = caption.roll;
  for (const std::string& part :
       {caption.stock, caption.shot.empty() ? "" : "shot " + caption.shot, caption.note})
    if (!part.empty()) about.description += (about.description.empty() ? "" : "; ") + part;
  about.created = caption.made, about.sheet = caption.sheet;
  for (const frames::Frame& f : frames) {
    Region r{f.frame, {}};
    for (std::size_t i = 0; i < 4; ++i)
      r.corners[i] = {std::clamp((f.corners[i].x - origin.x) / width, 0.0, 1.0),
                      std::clamp((f.corners[i].y - origin.y) / height, 0.0, 1.0)};
    about.frames.push_back(std::move(r));
  }
  return about;
}

/// The title block as JPEG rows.
Result<> title_rows(JpegFile& jpeg, const TitleBlock& title, const JpegSize& size) {
  cairo_surface_t* surface = cairo_image_surface_create(
      CAIRO_FORMAT_RGB24, static_cast<int>(size.width), static_cast<int>(size.title));
  cairo_t* cairo = cairo_create(surface);
  const Dress dress = on_black_paper();
  cairo_set_source_rgb(cairo, dress.ground.red, dress.ground.green, dress.ground.blue);
  cairo_paint(cairo);
  cairo_scale(cairo, size.ppi.pixels_per_mm(), size.ppi.pixels_per_mm());
  title.draw(cairo, dress, std::to_string(size.ppi.value) + " ppi");
  cairo_destroy(cairo);
  cairo_surface_flush(surface);
  Result<> result;
  if (const cairo_status_t s = cairo_surface_status(surface); s != CAIRO_STATUS_SUCCESS)
    result =
        fail(Fault::internal, std::string("the title block: cairo: ") + cairo_status_to_string(s));
  std::vector<std::uint8_t> row(static_cast<std::size_t>(size.width * 3));
  for (std::int64_t y = 0; result && y < size.title; ++y) {
    const unsigned char* in =
        cairo_image_surface_get_data(surface) + y * cairo_image_surface_get_stride(surface);
    for (std::int64_t x = 0; x < size.width; ++x) {
      std::uint32_t pixel = 0;
      std::memcpy(&pixel, in + x * 4, 4);
      std::uint8_t* out = row.data() + x * 3;
      out[0] = static_cast<std::uint8_t>(pixel >> 16),
      out[1] = static_cast<std::uint8_t>(pixel >> 8), out[2] = static_cast<std::uint8_t>(pixel);
    }
    result = jpeg.row(row.data());
  }
  cairo_surface_destroy(surface);
  return result;
}

/// Gives `take` every row of the positive from the top; while it works, the next rows are read.
template <class Take>
Result<> each_row(image::RowSource& positive, const std::atomic<bool>& stop, Take take) {
  const std::int64_t width = positive.width(), height = positive.height();
  const std::int64_t chunk = std::clamp<std::int64_t>((4 << 20) / (width * 6), 1, 256);
  std::array<std::vector<std::uint16_t>, 2> rows;
  for (auto& r : rows) r.resize(static_cast<std::size_t>(width * 3 * chunk));
  const auto read = [&](std::int64_t y, std::size_t into) {
    return positive.read(y, std::min(chunk, height - y), rows[into].data());
  };
  std::size_t here = 0;
  Result<> came = read(0, here);
  for (std::int64_t y = 0; y < height; y += chunk, here = 1 - here) {
    if (stop.load(std::memory_order_relaxed))
      return fail(Fault::cancelled, "the proof was stopped; nothing of it was kept");
    if (!came) return came;
    std::future<Result<>> next;  // its destructor waits
    if (y + chunk < height)
      next = std::async(std::launch::async, read, y + chunk, 1 - here);
    for (std::int64_t i = 0; i < std::min(chunk, height - y); ++i)
      if (Result<> r = take(y + i, rows[here].data() + i * width * 3); !r) return r;
    if (next.valid()) came = next.get();
  }
  return {};
}

}  // namespace

Result<Made> make(image::RowSource& positive, Spot<SleeveSpace> origin,
                  const profile::SleeveProfile& sleeve, const std::vector<frames::Frame>& frames,
                  const Caption& caption, const fs::path& folder, const std::atomic<bool>& stop,
                  const Options& options) {
  if (positive.width() < 1 || positive.height() < 1)
    return fail(Fault::bad_data, "the positive is empty");
  Made made{{folder / "proof.tif", ""},
            {folder / "proof.jpg", ""},
            {folder / "proof.pdf", ""},
            {folder / "proof.xmp", ""},
            {}};
  const double pixel = positive.ppi().mm_per_pixel();
  const About about = about_of(caption, frames, origin, static_cast<double>(positive.width()) * pixel,
                               static_cast<double>(positive.height()) * pixel);
  const auto icc = density::srgb_icc_profile();
  const TitleBlock title(caption, frames,
                         static_cast<double>(positive.width()) * positive.ppi().mm_per_pixel());
  const JpegSize size =
      jpeg_size(positive, title, std::min(options.jpeg_long_side, JpegFile::longest_side));
  Labels labels(frames, origin, sleeve, positive);

  if (const int n = title.unshown(); n > 0)
    made.cautions.push_back(std::to_string(n) +
                            " characters of the caption are in no font of this machine; install a "
                            "font for their script");
  const TiffWords words{"contact sheet of roll " + caption.roll,
                        caption.roll,
                        "proof",
                        caption.make,
                        caption.model,
                        caption.made.size() == 10 ? tiff_day(caption.made) : "",
                        xmp_packet(about, "image/tiff")};
  auto pyramid = Pyramid::start(made.tif.path, positive.width(), positive.height(), positive.ppi(),
                                tile_quality, icc, words);
  if (!pyramid) return fail(pyramid.error());
  auto jpeg_file = core::NewFile::create(made.jpg.path, 0);
  if (!jpeg_file) return fail(jpeg_file.error());
  auto jpeg = JpegFile::start(*jpeg_file, size.width, size.sheet + size.title, size.ppi,
                              options.jpeg_quality, icc);
  if (!jpeg) return fail(jpeg.error());

  std::vector<std::uint8_t> row8(static_cast<std::size_t>(size.width * 3));
  std::int64_t jpeg_y = 0;
  const std::size_t level = (*pyramid)->level_for(std::max(size.width, size.sheet));
  const bool level_holds =
      (*pyramid)->width(level) >= size.width && (*pyramid)->height(level) >= size.sheet;
  const std::size_t from = level_holds ? level : 0;
  Shrink shrink((*pyramid)->width(from), (*pyramid)->height(from), size.width, size.sheet,
                [&](const std::uint16_t* code) {
                  to_8bit(code, size.width, jpeg_y++, row8.data());
                  return jpeg->row(row8.data());
                });
  (*pyramid)->listen(from, [&](const std::uint16_t* code) { return shrink.row(code); });

  const std::int64_t width = positive.width();
  auto streamed = each_row(positive, stop, [&](std::int64_t y, std::uint16_t* code) {
    labels.draw(y, width, code);
    return (*pyramid)->row(code);
  });
  if (!streamed) return fail(streamed.error());
  if (auto r = title_rows(*jpeg, title, size); !r) return fail(r.error());
  if (auto r = jpeg->finish(); !r) return fail(r.error());
  if (auto r = (*pyramid)->finish(); !r) return fail(r.error());
  if (auto r = jpeg_file->publish(); !r) return fail(r.error());

  auto bytes = core::read_file(made.jpg.path, std::uint64_t{1} << 30);
  if (!bytes) return fail(bytes.error());
  const PrintedJpeg printed{std::move(*bytes), size.width, size.sheet + size.title, size.sheet,
                            size.ppi.mm_per_pixel()};
  if (auto r = write_pdf(made.pdf.path, printed, frames, caption, about, options.paper); !r)
    return fail(r.error());
  if (auto r = core::write_file(made.xmp.path, xmp_packet(about, "") + "\n"); !r)
    return fail(r.error());

  for (MadeFile* file : {&made.tif, &made.jpg, &made.pdf, &made.xmp}) {
    auto sum = core::sha256_of(file->path);
    if (!sum) return fail(sum.error());
    file->sha256 = *sum;
  }
  return made;
}

Result<> print_marked(const fs::path& jpeg, double width, double height, Spot<SleeveSpace> origin,
                      const std::vector<frames::Frame>& frames, const Caption& caption,
                      const PaperMarks& marks, const std::optional<PageSize>& paper,
                      const fs::path& pdf) {
  auto bytes = core::read_file(jpeg, std::uint64_t{1} << 30);
  if (!bytes) return fail(bytes.error());
  const auto says = jpeg_says({bytes->begin(), bytes->end()});
  if (!says) return fail(says.error().fault, jpeg.string() + ": " + says.error().text);
  const double pixel = says->ppi.value > 0 ? says->ppi.mm_per_pixel() : 0;
  const auto sheet = pixel > 0 ? std::llround(height / pixel) : 0;
  if (pixel <= 0 || std::abs(static_cast<double>(says->width) - width / pixel) > 2 || sheet < 1 || sheet > says->height)
    return fail(Fault::bad_data, jpeg.string() + ": " + std::to_string(says->width) + " x " + std::to_string(says->height) +
                                     " pixels at " + std::to_string(says->ppi.value) + " ppi is not the proof of a sheet of " +
                                     std::to_string(std::lround(width)) + " x " + std::to_string(std::lround(height)) + " mm");
  const PrintedJpeg printed{std::move(*bytes), says->width, says->height, sheet, pixel};
  return write_pdf(pdf, printed, frames, caption, about_of(caption, frames, origin, width, height), paper, {marks, origin});
}

}  // namespace lapwright::proof
