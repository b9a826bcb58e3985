#include <tiffio.h>

#include <algorithm>

#include "core/files.h"
#include "density/density.h"
#include "proof/jpeg.h"
#include "proof/proof.h"
#include "proof/pyramid.h"
#include "proof/tone.h"

namespace lapwright::proof {
namespace {

namespace fs = std::filesystem;

constexpr int picture_quality = 92;

Result<> write_jpeg(image::RowSource& positive, const fs::path& path, const std::vector<unsigned char>& icc) {
  auto file = core::NewFile::create(path, 0);
  if (!file) return fail(file.error());
  auto jpeg = JpegFile::start(*file, positive.width(), positive.height(), positive.ppi(), picture_quality, icc);
  if (!jpeg) return fail(jpeg.error());
  std::vector<std::uint16_t> row(static_cast<std::size_t>(positive.width() * 3));
  std::vector<std::uint8_t> row8(row.size());
  for (std::int64_t y = 0; y < positive.height(); ++y) {
    if (auto r = positive.read(y, 1, row.data()); !r) return r;
    to_8bit(row.data(), positive.width(), y, row8.data());
    if (auto r = jpeg->row(row8.data()); !r) return r;
  }
  if (auto r = jpeg->finish(); !r) return r;
  return file->publish();
}

Result<> write_tiff(image::RowSource& positive, const fs::path& path, int bits, const std::vector<unsigned char>& icc) {
  const std::int64_t width = positive.width(), height = positive.height(), row_bytes = width * 3 * bits / 8;
  const std::int64_t strip = std::clamp<std::int64_t>((1 << 20) / row_bytes, 1, height);
  auto file = TiffFile::start(path, static_cast<std::uint64_t>(row_bytes * height) + (1 << 20));
  if (!file) return fail(file.error());
  TIFF* t = (*file)->handle();
  const bool ok =
      TIFFSetField(t, TIFFTAG_IMAGEWIDTH, static_cast<std::uint32_t>(width)) &&
      TIFFSetField(t, TIFFTAG_IMAGELENGTH, static_cast<std::uint32_t>(height)) && TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, bits) &&
      TIFFSetField(t, TIFFTAG_SAMPLESPERPIXEL, 3) && TIFFSetField(t, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG) &&
      TIFFSetField(t, TIFFTAG_COMPRESSION, COMPRESSION_NONE) && TIFFSetField(t, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_RGB) &&
      TIFFSetField(t, TIFFTAG_ROWSPERSTRIP, static_cast<std::uint32_t>(strip)) &&
      TIFFSetField(t, TIFFTAG_XRESOLUTION, static_cast<double>(positive.ppi().value)) &&
      TIFFSetField(t, TIFFTAG_YRESOLUTION, static_cast<double>(positive.ppi().value)) &&
      TIFFSetField(t, TIFFTAG_RESOLUTIONUNIT, RESUNIT_INCH) && TIFFSetField(t, TIFFTAG_ORIENTATION, ORIENTATION_TOPLEFT) &&
      TIFFSetField(t, TIFFTAG_SOFTWARE, "lapwright") &&
      TIFFSetField(t, TIFFTAG_ICCPROFILE, static_cast<std::uint32_t>(icc.size()), icc.data());
  if (!ok) return (*file)->failed();
  std::vector<std::uint16_t> rows(static_cast<std::size_t>(width * 3 * strip));
  std::vector<std::uint8_t> rows8(bits == 8 ? rows.size() : 0);
  for (std::int64_t y = 0, index = 0; y < height; y += strip, ++index) {
    const std::int64_t n = std::min(strip, height - y);
    if (auto r = positive.read(y, n, rows.data()); !r) return r;
    for (std::int64_t i = 0; bits == 8 && i < n; ++i) to_8bit(rows.data() + i * width * 3, width, y + i, rows8.data() + i * width * 3);
    void* data = bits == 8 ? static_cast<void*>(rows8.data()) : static_cast<void*>(rows.data());
    if (TIFFWriteEncodedStrip(t, static_cast<std::uint32_t>(index), data, n * row_bytes) < 0) return (*file)->failed();
  }
  return (*file)->publish();
}

}  // namespace

Result<> write_picture(image::RowSource& positive, const fs::path& file, int bits) {
  if (positive.width() < 1 || positive.height() < 1) return fail(Fault::bad_data, "the positive is empty");
  const auto icc = density::srgb_icc_profile();
  std::string extension = file.extension().string();
  std::transform(extension.begin(), extension.end(), extension.begin(), [](unsigned char c) { return std::tolower(c); });
  if (extension == ".jpg" || extension == ".jpeg") {
    if (bits != 8) return fail(Fault::usage, file.string() + ": a JPEG has 8 bits a sample; right is --bits 8 or a .tif");
    return write_jpeg(positive, file, icc);
  }
  if (extension != ".tif" && extension != ".tiff")
    return fail(Fault::usage, file.string() + ": a picture is written as .tif or .jpg");
  if (bits != 8 && bits != 16) return fail(Fault::usage, file.string() + ": " + std::to_string(bits) + " bits; right is 8 or 16");
  return write_tiff(positive, file, bits, icc);
}

}  // namespace lapwright::proof
