#include "proof/pyramid.h"

#include <tiffio.h>
#include <unistd.h>

#include <algorithm>
#include <cstdarg>
#include <cstdio>
#include <cstring>
#include <future>

#include "proof/jpeg.h"
#include "image/exif.h"
#include "proof/tone.h"

namespace lapwright::proof {
namespace {

constexpr std::uint64_t classic_limit = 4187593114;  // 3.9 GiB

int keep_complaint(TIFF*, void* user, const char* module, const char* format, va_list arguments) {
  char text[512];
  std::vsnprintf(text, sizeof text, format, arguments);
  *static_cast<std::string*>(user) = std::string(module ? module : "libtiff") + ": " + text;
  return 1;
}

}  // namespace

Result<std::unique_ptr<TiffFile>> TiffFile::start(const std::filesystem::path& path,
                                                  std::uint64_t most_bytes) {
  auto file = core::NewFile::create(path, 0);
  if (!file) return fail(file.error());
  std::unique_ptr<TiffFile> t(new TiffFile(std::move(*file)));
  TIFFOpenOptions* options = TIFFOpenOptionsAlloc();
  TIFFOpenOptionsSetErrorHandlerExtR(options, keep_complaint, &t->said_);
  TIFFOpenOptionsSetWarningHandlerExtR(options, keep_complaint, &t->said_);
  const int fd = ::dup(t->file_.fd());
  if (fd >= 0)
    t->handle_ = TIFFFdOpenExt(fd, path.c_str(), most_bytes > classic_limit ? "w8" : "w", options);
  if (fd >= 0 && !t->handle_) ::close(fd);
  TIFFOpenOptionsFree(options);
  if (!t->handle_) return t->failed();
  return t;
}

TiffFile::~TiffFile() {
  if (handle_) TIFFClose(handle_);
}

tl::unexpected<Error> TiffFile::failed() const {
  return fail(Fault::io, file_.final_path().string() + ": cannot be written: " +
                             (said_.empty() ? "libtiff gives no reason" : said_));
}

Result<> TiffFile::publish() {
  said_.clear();
  TIFFClose(handle_);
  handle_ = nullptr;
  if (!said_.empty()) return failed();
  return file_.publish();
}

struct Pyramid::Level {
  std::int64_t width = 0, height = 0;
  std::int64_t across = 0, down = 0;  // tiles
  std::int64_t y = 0;                 // rows received
  std::vector<std::uint8_t> band;     // up to `tile` rows, 8 bits, width padded to whole tiles
  std::vector<std::uint8_t> going;    // of the first level: the band before, while it is compressed
  std::vector<std::uint16_t> above;   // an even row waiting for its odd one, linear light
  std::vector<std::uint16_t> below;   // the next level's row
  std::vector<std::vector<unsigned char>> waiting;  // compressed tiles, levels after the first
  std::uint32_t written = 0;                        // tiles of level 0 in the file
  Listener listener;
  std::unique_ptr<JpegTiles> encoder;
  std::future<std::vector<Tile>> coming;  // of the first level; here to be waited for first
  std::int64_t padded() const { return across * Pyramid::tile; }
};

Pyramid::Pyramid() = default;
Pyramid::~Pyramid() = default;

std::int64_t Pyramid::width(std::size_t level) const { return levels_[level].width; }
std::int64_t Pyramid::height(std::size_t level) const { return levels_[level].height; }
void Pyramid::listen(std::size_t level, Listener listener) {
  levels_[level].listener = std::move(listener);
}

std::size_t Pyramid::level_for(std::int64_t side) const {
  std::size_t found = 0;
  for (std::size_t i = 0; i < levels_.size(); ++i)
    if (std::max(levels_[i].width, levels_[i].height) >= side) found = i;
  return found;
}

Result<std::unique_ptr<Pyramid>> Pyramid::start(const std::filesystem::path& path,
                                                std::int64_t width, std::int64_t height, Ppi ppi,
                                                int quality, const std::vector<unsigned char>& icc,
                                                const TiffWords& words) {
  std::unique_ptr<Pyramid> p(new Pyramid);
  p->icc_ = icc;
  p->words_ = words;
  p->ppi_ = ppi;
  for (std::int64_t w = width, h = height;; w = (w + 1) / 2, h = (h + 1) / 2) {
    Level l;
    l.width = w, l.height = h;
    l.across = (w + tile - 1) / tile, l.down = (h + tile - 1) / tile;
    l.band.resize(static_cast<std::size_t>(l.padded() * tile * 3));
    l.encoder = std::make_unique<JpegTiles>(tile, quality);
    p->levels_.push_back(std::move(l));
    if (w <= tile && h <= tile) break;
  }
  auto tables = p->levels_[0].encoder->tables();
  if (!tables) return fail(tables.error());
  p->tables_ = std::move(*tables);
  // JPEG at these qualities stays below the raw 8-bit size; the smaller levels add a third.
  auto file = TiffFile::start(
      path, static_cast<std::uint64_t>(width) * static_cast<std::uint64_t>(height) * 4);
  if (!file) return fail(file.error());
  p->file_ = std::move(*file);
  if (auto r = p->tags(p->levels_[0]); !r) return fail(r.error());
  return p;
}

Result<> Pyramid::tags(const Level& l) {
  TIFF* t = file_->handle();
  const bool first = &l == &levels_[0];
  const float black_white[6] = {0, 255, 128, 255, 128, 255};
  const double shrink = static_cast<double>(l.width) / static_cast<double>(levels_[0].width);
  bool ok = TIFFSetField(t, TIFFTAG_SUBFILETYPE, first ? 0 : FILETYPE_REDUCEDIMAGE) &&
            TIFFSetField(t, TIFFTAG_IMAGEWIDTH, static_cast<std::uint32_t>(l.width)) &&
            TIFFSetField(t, TIFFTAG_IMAGELENGTH, static_cast<std::uint32_t>(l.height)) &&
            TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, 8) &&
            TIFFSetField(t, TIFFTAG_SAMPLESPERPIXEL, 3) &&
            TIFFSetField(t, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG) &&
            TIFFSetField(t, TIFFTAG_COMPRESSION, COMPRESSION_JPEG) &&
            TIFFSetField(t, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_YCBCR) &&
            TIFFSetField(t, TIFFTAG_YCBCRSUBSAMPLING, 2, 2) &&
            TIFFSetField(t, TIFFTAG_REFERENCEBLACKWHITE, black_white) &&
            TIFFSetField(t, TIFFTAG_TILEWIDTH, static_cast<std::uint32_t>(tile)) &&
            TIFFSetField(t, TIFFTAG_TILELENGTH, static_cast<std::uint32_t>(tile)) &&
            TIFFSetField(t, TIFFTAG_JPEGTABLES, static_cast<std::uint32_t>(tables_.size()),
                         tables_.data()) &&
            TIFFSetField(t, TIFFTAG_XRESOLUTION, ppi_.value * shrink) &&
            TIFFSetField(t, TIFFTAG_YRESOLUTION, ppi_.value * shrink) &&
            TIFFSetField(t, TIFFTAG_RESOLUTIONUNIT, RESUNIT_INCH) &&
            TIFFSetField(t, TIFFTAG_ORIENTATION, ORIENTATION_TOPLEFT);
  if (ok && !icc_.empty())
    ok = TIFFSetField(t, TIFFTAG_ICCPROFILE, static_cast<std::uint32_t>(icc_.size()), icc_.data());
  if (ok && first) {
    const auto text = [&](std::uint32_t tag, const std::string& s) {
      return s.empty() || TIFFSetField(t, tag, s.c_str()) != 0;
    };
    const TiffWords& w = words_;
    ok = text(TIFFTAG_SOFTWARE, "lapwright") && text(TIFFTAG_IMAGEDESCRIPTION, w.description) &&
         text(TIFFTAG_DOCUMENTNAME, w.document) && text(TIFFTAG_PAGENAME, w.page) &&
         text(TIFFTAG_MAKE, w.make) && text(TIFFTAG_MODEL, w.model) &&
         text(TIFFTAG_DATETIME, w.date_time) &&
         (w.xmp.empty() || TIFFSetField(t, TIFFTAG_XMLPACKET,
                                        static_cast<std::uint32_t>(w.xmp.size()), w.xmp.data()));
    const std::vector<std::uint64_t> places(levels_.size() - 1,
                                            0);  // libtiff fills them in as the levels are written
    if (ok && !places.empty())
      ok = TIFFSetField(t, TIFFTAG_SUBIFD, static_cast<int>(places.size()), places.data());
  }
  if (!ok) return file_->failed();
  return {};
}

Result<> Pyramid::row(const std::uint16_t* code) { return level_row(0, code); }

Result<> Pyramid::level_row(std::size_t level, const std::uint16_t* code) {
  Level& l = levels_[level];
  if (l.listener)
    if (auto r = l.listener(code); !r) return r;
  std::uint8_t* out = l.band.data() + (l.y % tile) * l.padded() * 3;
  to_8bit(code, l.width, l.y, out);
  for (std::int64_t x = l.width; x < l.padded(); ++x)
    std::memcpy(out + x * 3, out + (l.width - 1) * 3, 3);
  ++l.y;
  if (l.y % tile == 0 || l.y == l.height)
    if (auto r = flush_tiles(l); !r) return r;
  if (level + 1 == levels_.size()) return {};

  const auto& light = light_of_code();
  const auto& to_code = code_of_light();
  const auto samples = static_cast<std::size_t>(l.width * 3);
  const bool waits = l.y % 2 == 1;
  if (waits) {
    l.above.resize(samples);
    for (std::size_t i = 0; i < samples; ++i) l.above[i] = light[code[i]];
    if (l.y < l.height) return {};
  }
  const Level& next = levels_[level + 1];
  l.below.resize(static_cast<std::size_t>(next.width * 3));
  for (std::int64_t x = 0; x < next.width; ++x) {
    const std::int64_t a = x * 6, b = std::min(2 * x + 1, l.width - 1) * 3;
    for (std::int64_t c = 0; c < 3; ++c) {
      const auto ia = static_cast<std::size_t>(a + c), ib = static_cast<std::size_t>(b + c);
      const std::uint32_t upper = static_cast<std::uint32_t>(l.above[ia]) + l.above[ib];
      const std::uint32_t lower =
          waits ? upper : static_cast<std::uint32_t>(light[code[ia]]) + light[code[ib]];
      l.below[static_cast<std::size_t>(x * 3 + c)] = to_code[(upper + lower + 2) / 4];
    }
  }
  return level_row(level + 1, l.below.data());
}

Result<> Pyramid::flush_tiles(Level& l) {
  if (auto r = take_tiles(l); !r) return r;
  const std::int64_t filled = (l.y - 1) % tile + 1;
  const std::int64_t stride = l.padded() * 3;
  for (std::int64_t y = filled; y < tile; ++y)
    std::memcpy(l.band.data() + y * stride, l.band.data() + (filled - 1) * stride,
                static_cast<std::size_t>(stride));
  const auto compress = [&l, stride](const std::vector<std::uint8_t>& band) {
    std::vector<Tile> tiles;
    std::vector<std::uint8_t> pixels(static_cast<std::size_t>(tile * tile * 3));
    for (std::int64_t k = 0; k < l.across; ++k) {
      for (std::int64_t y = 0; y < tile; ++y)
        std::memcpy(pixels.data() + y * tile * 3, band.data() + y * stride + k * tile * 3,
                    static_cast<std::size_t>(tile * 3));
      tiles.push_back(l.encoder->tile(pixels.data()));
    }
    return tiles;
  };
  if (&l != &levels_[0]) return keep(l, compress(l.band));
  std::swap(l.band, l.going);
  l.band.resize(l.going.size());
  l.coming = std::async(std::launch::async, [&l, compress] { return compress(l.going); });
  return {};
}

Result<> Pyramid::take_tiles(Level& l) {
  return l.coming.valid() ? keep(l, l.coming.get()) : Result<>();
}

Result<> Pyramid::keep(Level& l, std::vector<Tile> tiles) {
  for (Tile& bytes : tiles) {
    if (!bytes) return fail(bytes.error());
    if (&l != &levels_[0]) {
      bytes->shrink_to_fit();
      l.waiting.push_back(std::move(*bytes));
    } else if (TIFFWriteRawTile(file_->handle(), l.written++, bytes->data(),
                                static_cast<tmsize_t>(bytes->size())) < 0) {
      return file_->failed();
    }
  }
  return {};
}

Result<> Pyramid::finish() {
  TIFF* t = file_->handle();
  if (auto r = take_tiles(levels_[0]); !r) return r;
  // Exif's directory behind the tiles, libtiff's own behind that.
  if (!words_.date_time.empty()) {
    const auto end = TIFFGetSeekProc(t)(TIFFClientdata(t), 0, SEEK_END);
    const std::uint64_t at = (end + 1) / 2 * 2;
    const auto exif = image::exif_directory(at, TIFFIsBigTIFF(t) != 0, words_.date_time,
                                            image::unique_id({words_.document, words_.page, words_.date_time, words_.description}));
    if (TIFFGetSeekProc(t)(TIFFClientdata(t), at, SEEK_SET) != at ||
        TIFFGetWriteProc(t)(TIFFClientdata(t), const_cast<unsigned char*>(exif.data()), static_cast<tmsize_t>(exif.size())) !=
            static_cast<tmsize_t>(exif.size()) ||
        !TIFFSetField(t, TIFFTAG_EXIFIFD, at))
      return file_->failed();
  }
  if (!TIFFWriteDirectory(t)) return file_->failed();
  for (std::size_t i = 1; i < levels_.size(); ++i) {
    Level& l = levels_[i];
    if (auto r = tags(l); !r) return r;
    for (std::uint32_t k = 0; k < l.waiting.size(); ++k)
      if (TIFFWriteRawTile(t, k, l.waiting[k].data(), static_cast<tmsize_t>(l.waiting[k].size())) <
          0)
        return file_->failed();
    l.waiting.clear();
    if (!TIFFWriteDirectory(t)) return file_->failed();
  }
  return file_->publish();
}

}  // namespace lapwright::proof
