#include "proof/tiles.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <tiffio.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cmath>
#include <cstring>
#include <memory>

#include "proof/jpeg.h"

namespace lapwright::proof {
namespace {

constexpr std::int64_t largest_side = 1 << 20;
constexpr std::size_t most_levels = 24;
constexpr std::uint64_t largest_tile = 8 << 20;

int stay_quiet(TIFF*, void*, const char*, const char*, va_list) { return 1; }

struct Close {
  void operator()(TIFF* t) const { TIFFClose(t); }
};

/// SOI and the JFIF header, which a tile in a TIFF goes without.
constexpr std::array<unsigned char, 20> beginning = {
    0xFF, 0xD8, 0xFF, 0xE0, 0, 16, 'J', 'F', 'I', 'F', 0, 1, 1, 0, 0, 1, 0, 1, 0, 0};

}  // namespace

Tiles::Tiles(Tiles&& other) noexcept
    : file_(std::move(other.file_)),
      fd_(std::exchange(other.fd_, -1)),
      tile_(other.tile_),
      levels_(std::move(other.levels_)),
      places_(std::move(other.places_)),
      tables_(std::move(other.tables_)) {}

Tiles::~Tiles() {
  if (fd_ >= 0) ::close(fd_);
}

tl::unexpected<Error> Tiles::wrong(const std::string& what) const {
  return fail(Fault::bad_data,
              file_.string() + ": " + what + "; a proof's pyramid of JPEG tiles is right");
}

Result<Tiles> Tiles::open(const std::filesystem::path& file) {
  Tiles t;
  t.file_ = file;
  t.fd_ = ::open(file.c_str(), O_RDONLY | O_CLOEXEC | O_NOFOLLOW);
  struct stat about {};
  if (t.fd_ < 0 || ::fstat(t.fd_, &about) != 0 || !S_ISREG(about.st_mode))
    return fail(Fault::no_input, file.string() + ": cannot be read");
  const auto length = static_cast<std::uint64_t>(about.st_size);

  TIFFOpenOptions* options = TIFFOpenOptionsAlloc();
  TIFFOpenOptionsSetErrorHandlerExtR(options, stay_quiet, nullptr);
  TIFFOpenOptionsSetWarningHandlerExtR(options, stay_quiet, nullptr);
  const int fd = ::dup(t.fd_);
  std::unique_ptr<TIFF, Close> tif(fd >= 0 ? TIFFFdOpenExt(fd, file.c_str(), "rm", options)
                                           : nullptr);
  if (fd >= 0 && !tif) ::close(fd);
  TIFFOpenOptionsFree(options);
  if (!tif) return t.wrong("not a TIFF");

  std::uint16_t smaller = 0;
  const std::uint64_t* found = nullptr;
  std::vector<std::uint64_t> folders;
  if (TIFFGetField(tif.get(), TIFFTAG_SUBIFD, &smaller, &found))
    folders.assign(found, found + smaller);
  if (folders.size() >= most_levels) return t.wrong("too many levels");
  for (std::size_t k = 0; k <= folders.size(); ++k) {
    if (k > 0 && !TIFFSetSubDirectory(tif.get(), folders[k - 1]))
      return t.wrong("level " + std::to_string(k) + " cannot be read");
    std::uint32_t width = 0, height = 0, tile_width = 0, tile_height = 0, size = 0;
    std::uint16_t compression = 0, samples = 0, bits = 0, photometric = 0, planar = 0;
    const void* tables = nullptr;
    TIFF* const p = tif.get();
    if (!TIFFIsTiled(p) || !TIFFGetField(p, TIFFTAG_IMAGEWIDTH, &width) ||
        !TIFFGetField(p, TIFFTAG_IMAGELENGTH, &height) ||
        !TIFFGetField(p, TIFFTAG_TILEWIDTH, &tile_width) ||
        !TIFFGetField(p, TIFFTAG_TILELENGTH, &tile_height) ||
        !TIFFGetField(p, TIFFTAG_COMPRESSION, &compression) ||
        !TIFFGetField(p, TIFFTAG_PHOTOMETRIC, &photometric) ||
        !TIFFGetFieldDefaulted(p, TIFFTAG_SAMPLESPERPIXEL, &samples) ||
        !TIFFGetFieldDefaulted(p, TIFFTAG_BITSPERSAMPLE, &bits) ||
        !TIFFGetFieldDefaulted(p, TIFFTAG_PLANARCONFIG, &planar) ||
        !TIFFGetField(p, TIFFTAG_JPEGTABLES, &size, &tables) || compression != COMPRESSION_JPEG ||
        photometric != PHOTOMETRIC_YCBCR || samples != 3 || bits != 8 ||
        planar != PLANARCONFIG_CONTIG || tile_width != tile_height || tile_width < 64 ||
        tile_width > 1024 || (k > 0 && tile_width != t.tile_))
      return t.wrong("level " + std::to_string(k) + " is not of square 8-bit YCbCr JPEG tiles");
    t.tile_ = tile_width;
    Level l;
    l.width = width, l.height = height;
    if (l.width < 1 || l.height < 1 || l.width > largest_side || l.height > largest_side ||
        (k > 0 && (l.width != (t.levels_[k - 1].width + 1) / 2 ||
                   l.height != (t.levels_[k - 1].height + 1) / 2)))
      return t.wrong("level " + std::to_string(k) + " is not half of the one before");
    l.across = (l.width + t.tile_ - 1) / t.tile_, l.down = (l.height + t.tile_ - 1) / t.tile_;
    const auto count = static_cast<std::uint64_t>(l.across * l.down);
    // Each tile takes four bytes at least of the file's own tables.
    if (count * 4 > length || TIFFNumberOfTiles(p) != count)
      return t.wrong("its tiles are missing");
    std::vector<Place> places(count);
    for (std::uint32_t i = 0; i < count; ++i) {
      int failed = 0;
      Place& place = places[i];
      place = {TIFFGetStrileOffsetWithErr(p, i, &failed), TIFFGetStrileByteCount(p, i)};
      if (failed || place.bytes < 4 || place.bytes > largest_tile || place.offset > length ||
          place.bytes > length - place.offset)
        return t.wrong("tile " + std::to_string(i) + " of level " + std::to_string(k) +
                       " lies outside the file");
    }
    const auto* byte = static_cast<const unsigned char*>(tables);
    if (size < 4 || size > 65536 || byte[0] != 0xFF || byte[1] != 0xD8 || byte[size - 2] != 0xFF ||
        byte[size - 1] != 0xD9)
      return t.wrong("its JPEG tables are not whole");
    t.tables_.emplace_back(byte + 2, byte + size - 2);
    t.places_.push_back(std::move(places));
    t.levels_.push_back(l);
  }
  if (t.levels_.back().across > 1 || t.levels_.back().down > 1)
    return t.wrong("its smallest level is larger than one tile");
  return t;
}

Result<Tiles::Jpeg> Tiles::whole(std::size_t level, std::int64_t x, std::int64_t y) const {
  if (level >= levels_.size() || x < 0 || y < 0 || x >= levels_[level].across ||
      y >= levels_[level].down)
    return fail(Fault::no_input, file_.string() + ": no such tile");
  const Place& place = places_[level][static_cast<std::size_t>(y * levels_[level].across + x)];
  const Jpeg& tables = tables_[level];
  const std::size_t before = beginning.size() + tables.size();
  Jpeg out(before + place.bytes - 2);
  // The tile's own SOI is read over the end of the tables, which are put there afterwards.
  std::size_t have = 0;
  while (have < place.bytes) {
    const ssize_t n = ::pread(fd_, out.data() + before - 2 + have, place.bytes - have,
                              static_cast<off_t>(place.offset + have));
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0)
      return fail(Fault::io, file_.string() + ": cannot be read: " +
                                 (n < 0 ? std::strerror(errno) : "it has become shorter"));
    have += static_cast<std::size_t>(n);
  }
  if (out[before - 2] != 0xFF || out[before - 1] != 0xD8)
    return wrong("tile " + std::to_string(x) + "," + std::to_string(y) + " of level " +
                 std::to_string(level) + " is not a JPEG");
  std::copy(beginning.begin(), beginning.end(), out.begin());
  std::copy(tables.begin(), tables.end(), out.begin() + beginning.size());
  return out;
}

Result<Tiles::Jpeg> Tiles::at(std::size_t level, std::int64_t x, std::int64_t y) const {
  auto jpeg = whole(level, x, y);
  if (!jpeg) return jpeg;
  const Level& l = levels_[level];
  const std::int64_t width = std::min(tile_, l.width - x * tile_);
  const std::int64_t height = std::min(tile_, l.height - y * tile_);
  if (width == tile_ && height == tile_) return jpeg;
  auto cut = join_jpegs({std::move(*jpeg)}, 1, tile_, width, height);
  if (!cut) return fail(cut.error().fault, file_.string() + ": " + cut.error().text);
  return cut;
}

Result<Tiles::Jpeg> Tiles::part(const PixelRect<SheetSpace>& area, std::int64_t width,
                                std::int64_t height) const {
  const std::int64_t ax = area.x.value, ay = area.y.value, aw = area.width.value,
                     ah = area.height.value;
  if (aw < 1 || ah < 1 || ax < 0 || ay < 0 || ax > this->width() - aw || ay > this->height() - ah ||
      width < 1 || height < 1 || width > longest || height > longest || width > aw || height > ah)
    return fail(Fault::usage, "no such part of the sheet");
  // The smallest level that still has every pixel asked for; a level's sides are rounded up.
  std::size_t level = 0;
  const auto halved = [](std::int64_t side, std::size_t times) { return (side + (std::int64_t{1} << times) - 1) >> times; };
  while (level + 1 < levels_.size() && halved(aw, level + 1) >= width && halved(ah, level + 1) >= height) ++level;
  const Level& l = levels_[level];
  const double scale = std::ldexp(1.0, -static_cast<int>(level));
  const double left = static_cast<double>(ax) * scale, top = static_cast<double>(ay) * scale;
  const auto down = [](double v) { return static_cast<std::int64_t>(std::floor(v + 1e-9)); };
  const auto up = [](double v, std::int64_t most) {
    return std::min(most, static_cast<std::int64_t>(std::ceil(v - 1e-9)));
  };
  const std::int64_t x0 = std::min(down(left), l.width - 1), y0 = std::min(down(top), l.height - 1);
  const std::int64_t x1 = std::max(x0 + 1, up(static_cast<double>(ax + aw) * scale, l.width));
  const std::int64_t y1 = std::max(y0 + 1, up(static_cast<double>(ay + ah) * scale, l.height));
  const std::int64_t columns = (x1 - 1) / tile_ - x0 / tile_ + 1;
  const std::int64_t rows = (y1 - 1) / tile_ - y0 / tile_ + 1;
  if (columns * rows > most_tiles)
    return fail(Fault::usage, "too large a part for so uneven a size");

  const bool as_it_is = x1 - x0 == width && y1 - y0 == height;
  if (as_it_is && x0 % tile_ == 0 && y0 % tile_ == 0) {
    std::vector<Jpeg> tiles;
    for (std::int64_t ty = y0 / tile_; ty <= (y1 - 1) / tile_; ++ty)
      for (std::int64_t tx = x0 / tile_; tx <= (x1 - 1) / tile_; ++tx) {
        auto jpeg = whole(level, tx, ty);
        if (!jpeg) return jpeg;
        tiles.push_back(std::move(*jpeg));
      }
    auto joined = join_jpegs(tiles, columns, tile_, width, height);
    if (!joined) return fail(joined.error().fault, file_.string() + ": " + joined.error().text);
    return joined;
  }
  Bitmap out;
  out.width = width, out.height = height;
  out.rgb.resize(static_cast<std::size_t>(width * height * 3));
  Bitmap source;
  source.width = x1 - x0, source.height = y1 - y0;
  source.rgb.resize(static_cast<std::size_t>(source.width * source.height * 3));
  for (std::int64_t ty = y0 / tile_; ty <= (y1 - 1) / tile_; ++ty) {
    for (std::int64_t tx = x0 / tile_; tx <= (x1 - 1) / tile_; ++tx) {
      const auto jpeg = whole(level, tx, ty);
      if (!jpeg) return fail(jpeg.error());
      const auto tile = decode_jpeg(*jpeg, tile_);
      if (!tile) return fail(tile.error().fault, file_.string() + ": " + tile.error().text);
      if (tile->width != tile_ || tile->height != tile_) return wrong("a tile has another size");
      const std::int64_t from_x = std::max(x0, tx * tile_), to_x = std::min(x1, (tx + 1) * tile_);
      const std::int64_t from_y = std::max(y0, ty * tile_), to_y = std::min(y1, (ty + 1) * tile_);
      for (std::int64_t y = from_y; y < to_y; ++y)
        std::memcpy(source.rgb.data() + ((y - y0) * source.width + from_x - x0) * 3,
                    tile->rgb.data() + ((y - ty * tile_) * tile_ + from_x - tx * tile_) * 3,
                    static_cast<std::size_t>((to_x - from_x) * 3));
    }
  }
  if (as_it_is) return encode_jpeg(source, 85);
  // Each pixel is the mean of what it covers, by area.
  struct Span {
    std::int64_t from = 0;
    std::vector<double> share;
  };
  const auto spans = [](std::int64_t from, std::int64_t to) {
    std::vector<Span> all(static_cast<std::size_t>(to));
    const double step = static_cast<double>(from) / static_cast<double>(to);
    for (std::int64_t i = 0; i < to; ++i) {
      const double a = static_cast<double>(i) * step, b = a + step;
      Span& s = all[static_cast<std::size_t>(i)];
      s.from = std::min(static_cast<std::int64_t>(a), from - 1);
      for (std::int64_t k = s.from; k < from && static_cast<double>(k) < b - 1e-9; ++k)
        s.share.push_back(
            (std::min(b, static_cast<double>(k + 1)) - std::max(a, static_cast<double>(k))) / step);
      if (s.share.empty()) s.share.push_back(1);
    }
    return all;
  };
  const auto across = spans(source.width, width), along = spans(source.height, height);
  std::uint8_t* to = out.rgb.data();
  for (const Span& v : along) {
    for (const Span& h : across) {
      std::array<double, 3> sum{};
      for (std::size_t j = 0; j < v.share.size(); ++j) {
        const std::uint8_t* from =
            source.rgb.data() +
            ((v.from + static_cast<std::int64_t>(j)) * source.width + h.from) * 3;
        for (std::size_t i = 0; i < h.share.size(); ++i)
          for (std::size_t c = 0; c < 3; ++c) sum[c] += v.share[j] * h.share[i] * from[i * 3 + c];
      }
      for (const double s : sum) *to++ = static_cast<std::uint8_t>(std::clamp(s + 0.5, 0.0, 255.0));
    }
  }
  return encode_jpeg(out, 85);
}

}  // namespace lapwright::proof
