#include <fcntl.h>
#include <sys/stat.h>
#include <sys/uio.h>
#include <tiffio.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cmath>
#include <cstring>

#include "raw/tiff.h"

namespace lapwright::raw {
namespace {

namespace fs = std::filesystem;

constexpr tmsize_t most_tables = 64 << 20;          // bytes libtiff may ask for at once
constexpr std::uint64_t most_strip = 64 << 20;      // of a compressed strip
constexpr std::size_t most_strips = 4 << 20;        // of a picture; their places are kept
constexpr std::uint64_t most_advice = 64 << 20;     // read ahead at most this much

int keep_message(TIFF*, void* into, const char*, const char* format, va_list arguments) {
  char line[300];
  std::vsnprintf(line, sizeof line, format, arguments);
  if (into != nullptr) *static_cast<std::string*>(into) = line;
  return 1;
}

/// libtiff mends byte counts that are missing or wrong by a guess, and tells so in a warning alone.
int note_guess(TIFF*, void* guessed, const char*, const char* format, va_list) {
  if (std::strstr(format, "calculating from imagelength") != nullptr) *static_cast<bool*>(guessed) = true;
  return 1;
}

class TiffReader : public Reader {
 public:
  explicit TiffReader(fs::path path) : path_(std::move(path)) {}
  ~TiffReader() override {
    if (tiff_ != nullptr) TIFFClose(tiff_);
    if (fd_ >= 0) ::close(fd_);
  }
  std::int64_t width() const override { return info_.width; }
  std::int64_t height() const override { return info_.height; }
  Ppi ppi() const override { return info_.ppi; }
  const Info& info() const override { return info_; }

  Result<> open() {
    fd_ = ::open(path_.c_str(), O_RDONLY | O_CLOEXEC);
    if (fd_ < 0) return fail(Fault::no_input, path_.string() + ": cannot be read: " + std::strerror(errno));
    struct stat s{};
    if (::fstat(fd_, &s) != 0 || !S_ISREG(s.st_mode)) return fail(Fault::no_input, path_.string() + ": is not a file");
    bytes_ = static_cast<std::uint64_t>(s.st_size);
    TIFFOpenOptions* options = TIFFOpenOptionsAlloc();
    TIFFOpenOptionsSetErrorHandlerExtR(options, keep_message, &message_);
    TIFFOpenOptionsSetWarningHandlerExtR(options, note_guess, &guessed_);
    TIFFOpenOptionsSetMaxSingleMemAlloc(options, most_tables);
    tiff_ = TIFFOpenExt(path_.c_str(), "rmO", options);  // no mapping; strip tables only when asked for
    TIFFOpenOptionsFree(options);
    if (tiff_ == nullptr) return bad("is not a TIFF file that can be read (" + message_ + ")");
    if (auto r = check_kind(); !r) return r;
    if (auto r = check_resolution(); !r) return r;
    if (guessed_)
      return bad("its strips' byte counts are missing or wrong; " + std::to_string(strip_bytes(0)) + " for the first would be right");
    return compressed_ ? check_compressed() : check_strips();
  }

  Result<> read(std::int64_t first, std::int64_t rows, std::uint16_t* out) override {
    advise(first, rows);
    if (compressed_) return read_compressed(0, info_.width, first, rows, out);
    for (std::int64_t y = 0; y < rows;) {  // all rows of a strip in one go, of all strips where they follow each other
      const auto strip = static_cast<std::size_t>((first + y) / rows_per_strip_);
      std::int64_t until = (static_cast<std::int64_t>(strip) + 1) * rows_per_strip_;
      for (std::size_t next = strip + 1; until < first + rows && offsets_[next] == offsets_[next - 1] + strip_bytes(next - 1); ++next)
        until += rows_per_strip_;
      const std::int64_t take = std::min(first + rows, until) - (first + y);
      if (auto r = fetch(offset_of(first + y), out + y * info_.width * 3, take * info_.width * 3); !r) return r;
      y += take;
    }
    return {};
  }

  Result<> read_block(std::int64_t x, std::int64_t columns, std::int64_t first, std::int64_t rows, std::uint16_t* out) override {
    if (compressed_) return read_compressed(x, columns, first, rows, out);
    if (columns == info_.width) return read(first, rows, out);
    advise(first, rows);
    for (std::int64_t y = 0; y < rows; ++y) {
      const std::uint64_t at = offset_of(first + y) + static_cast<std::uint64_t>(x) * 6;
      if (auto r = fetch(at, out + y * columns * 3, columns * 3); !r) return r;
    }
    return {};
  }

 private:
  Result<> bad(const std::string& what) const { return fail(Fault::bad_data, path_.string() + ": " + what); }

  Result<> check_kind() {
    std::uint32_t width = 0, height = 0;
    std::uint16_t bits = 1, samples = 1, planar = PLANARCONFIG_CONTIG, photometric = 0, format = SAMPLEFORMAT_UINT, orientation = 1;
    std::uint16_t compression = COMPRESSION_NONE;
    TIFFGetField(tiff_, TIFFTAG_IMAGEWIDTH, &width);
    TIFFGetField(tiff_, TIFFTAG_IMAGELENGTH, &height);
    TIFFGetFieldDefaulted(tiff_, TIFFTAG_BITSPERSAMPLE, &bits);
    TIFFGetFieldDefaulted(tiff_, TIFFTAG_SAMPLESPERPIXEL, &samples);
    TIFFGetFieldDefaulted(tiff_, TIFFTAG_PLANARCONFIG, &planar);
    TIFFGetFieldDefaulted(tiff_, TIFFTAG_SAMPLEFORMAT, &format);
    TIFFGetFieldDefaulted(tiff_, TIFFTAG_ORIENTATION, &orientation);
    TIFFGetFieldDefaulted(tiff_, TIFFTAG_COMPRESSION, &compression);
    if (width == 0 || height == 0) return bad("has no picture (width " + std::to_string(width) + ", height " + std::to_string(height) + ")");
    if (bits != 16) return bad(std::to_string(bits) + " bits a sample; 16 would be right");
    if (samples != 3 || TIFFGetField(tiff_, TIFFTAG_PHOTOMETRIC, &photometric) == 0 || photometric != PHOTOMETRIC_RGB)
      return bad(std::to_string(samples) + " samples a pixel, photometric " + std::to_string(photometric) + "; RGB would be right (3, 2)");
    if (format != SAMPLEFORMAT_UINT) return bad("sample format " + std::to_string(format) + "; unsigned whole numbers (1) would be right");
    if (planar != PLANARCONFIG_CONTIG) return bad("the channels lie in separate planes; interleaved would be right");
    if (orientation != ORIENTATION_TOPLEFT) return bad("orientation " + std::to_string(orientation) + "; 1 would be right");
    if (TIFFIsTiled(tiff_)) return bad("is tiled; strips would be right");
    compressed_ = compression != COMPRESSION_NONE;
    if (compressed_ && !TIFFIsCODECConfigured(compression))
      return bad("compression " + std::to_string(compression) + " is not known here; none (1) would be right");
    info_.width = width;
    info_.height = height;
    info_.big = TIFFIsBigTIFF(tiff_) != 0;
    swapped_ = TIFFIsByteSwapped(tiff_) != 0;
    const char* text = nullptr;
    if (TIFFGetField(tiff_, TIFFTAG_IMAGEDESCRIPTION, &text) != 0 && text != nullptr) info_.description = text;
    if (TIFFGetField(tiff_, TIFFTAG_MAKE, &text) != 0 && text != nullptr) info_.make = text;
    if (TIFFGetField(tiff_, TIFFTAG_MODEL, &text) != 0 && text != nullptr) info_.model = text;
    std::uint32_t rows = 0;
    TIFFGetFieldDefaulted(tiff_, TIFFTAG_ROWSPERSTRIP, &rows);
    if (rows == 0) return bad("0 rows a strip");
    rows_per_strip_ = std::min(rows, height);
    if (strip_count() > most_strips)
      return bad(std::to_string(strip_count()) + " strips; at most " + std::to_string(most_strips) + " can be read");
    return {};
  }

  Result<> check_resolution() {
    float x = 0, y = 0;
    std::uint16_t unit = RESUNIT_INCH;
    TIFFGetFieldDefaulted(tiff_, TIFFTAG_RESOLUTIONUNIT, &unit);
    if (TIFFGetField(tiff_, TIFFTAG_XRESOLUTION, &x) == 0 || TIFFGetField(tiff_, TIFFTAG_YRESOLUTION, &y) == 0 || unit == RESUNIT_NONE)
      return bad("says nothing of its resolution; XResolution, YResolution and ResolutionUnit would be right");
    const double per_inch = unit == RESUNIT_CENTIMETER ? 2.54 : 1.0;
    const double ppi = static_cast<double>(x) * per_inch;
    if (!(ppi >= 1 && ppi <= 25400) || std::abs(static_cast<double>(x - y)) > 0.001 * static_cast<double>(x))
      return bad("resolution " + std::to_string(x) + " x " + std::to_string(y) + "; the same both ways, 1 to 25400 ppi, would be right");
    info_.ppi = {static_cast<std::int32_t>(std::lround(ppi))};
    return {};
  }

  std::uint64_t row_bytes() const { return static_cast<std::uint64_t>(info_.width) * 6; }
  std::size_t strip_count() const { return static_cast<std::size_t>((info_.height + rows_per_strip_ - 1) / rows_per_strip_); }
  std::uint64_t strip_bytes(std::size_t strip) const {
    const auto first = static_cast<std::int64_t>(strip) * rows_per_strip_;
    return static_cast<std::uint64_t>(std::min(rows_per_strip_, info_.height - first)) * row_bytes();
  }
  std::uint64_t offset_of(std::int64_t row) const {
    return offsets_[static_cast<std::size_t>(row / rows_per_strip_)] + static_cast<std::uint64_t>(row % rows_per_strip_) * row_bytes();
  }

  Result<> check_strips() {
    if (row_bytes() > bytes_ || static_cast<std::uint64_t>(info_.height) > bytes_ / row_bytes())
      return bad("is cut short: " + std::to_string(info_.width) + " x " + std::to_string(info_.height) + " pixels do not fit into " +
                 std::to_string(bytes_) + " bytes");
    offsets_.reserve(strip_count());
    for (std::size_t i = 0; i < strip_count(); ++i) {
      int error = 0;
      const auto strip = static_cast<std::uint32_t>(i);
      const std::uint64_t offset = TIFFGetStrileOffsetWithErr(tiff_, strip, &error);
      if (error != 0) return bad("its strip table cannot be read (" + message_ + ")");
      const std::uint64_t count = TIFFGetStrileByteCountWithErr(tiff_, strip, &error);
      if (error != 0) return bad("its strip table cannot be read (" + message_ + ")");
      if (count != strip_bytes(i))
        return bad("strip " + std::to_string(i) + " has " + std::to_string(count) + " bytes; " + std::to_string(strip_bytes(i)) + " would be right");
      if (offset < 8 || offset > bytes_ || count > bytes_ - offset)
        return bad("strip " + std::to_string(i) + " lies beyond the file's end (" + std::to_string(bytes_) + " bytes)");
      offsets_.push_back(offset);
    }
    return {};
  }

  Result<> check_compressed() {
    if (strip_bytes(0) > most_strip)
      return bad("compressed strips of " + std::to_string(strip_bytes(0)) + " bytes; at most " + std::to_string(most_strip) + " can be read");
    for (std::size_t i = 0; i < strip_count(); ++i) {
      int error = 0;
      const auto strip = static_cast<std::uint32_t>(i);
      const std::uint64_t offset = TIFFGetStrileOffsetWithErr(tiff_, strip, &error);
      const std::uint64_t count = error != 0 ? 0 : TIFFGetStrileByteCountWithErr(tiff_, strip, &error);
      if (error != 0 || count == 0 || offset < 8 || offset > bytes_ || count > bytes_ - offset)
        return bad("strip " + std::to_string(i) + " lies beyond the file's end (" + std::to_string(bytes_) + " bytes)");
    }
    return {};
  }

  Result<> read_compressed(std::int64_t x, std::int64_t columns, std::int64_t first, std::int64_t rows, std::uint16_t* out) {
    for (std::int64_t y = 0; y < rows; ++y) {
      const std::int64_t strip = (first + y) / rows_per_strip_;
      if (strip != held_) {
        const auto n = static_cast<tmsize_t>(strip_bytes(static_cast<std::size_t>(strip)));
        strip_.resize(static_cast<std::size_t>(n) / 2);
        held_ = -1;
        if (TIFFReadEncodedStrip(tiff_, static_cast<std::uint32_t>(strip), strip_.data(), n) != n)
          return fail(Fault::bad_data, path_.string() + ": strip " + std::to_string(strip) + " cannot be read (" + message_ + ")");
        held_ = strip;
      }
      const std::int64_t at = ((first + y) % rows_per_strip_ * info_.width + x) * 3;
      std::memcpy(out + y * columns * 3, strip_.data() + at, static_cast<std::size_t>(columns) * 6);
    }
    return {};
  }

  Result<> fetch(std::uint64_t offset, std::uint16_t* out, std::int64_t samples) {
    auto* p = reinterpret_cast<char*>(out);
    auto left = static_cast<std::size_t>(samples) * 2;
    while (left > 0) {
      const ssize_t n = ::pread(fd_, p, left, static_cast<off_t>(offset));
      if (n < 0 && errno == EINTR) continue;
      if (n < 0) return fail(Fault::io, path_.string() + ": cannot be read: " + std::strerror(errno));
      if (n == 0) return fail(Fault::io, path_.string() + ": became shorter while it was read");
      p += n, left -= static_cast<std::size_t>(n), offset += static_cast<std::uint64_t>(n);
    }
    if (swapped_)
      for (std::int64_t i = 0; i < samples; ++i) out[i] = __builtin_bswap16(out[i]);
    return {};
  }

  /// Tells the system which rows come, in large steps, upwards or downwards, so that it reads them in one sweep.
  void advise(std::int64_t first, std::int64_t rows) {
    if (compressed_ || (first >= advised_first_ && first + rows <= advised_end_)) return;
    const auto step = std::max<std::int64_t>(1, static_cast<std::int64_t>(8 * (1u << 20) / row_bytes()));
    const bool upwards = first < advised_first_ && first + rows >= advised_first_;
    advised_first_ = upwards ? std::max<std::int64_t>(0, first - step) : first;
    advised_end_ = upwards ? first + rows : std::min(info_.height, first + rows + step);
    const std::uint64_t bytes = static_cast<std::uint64_t>(advised_end_ - advised_first_) * row_bytes();
    const std::uint64_t begin = offset_of(advised_first_), end = offset_of(advised_end_ - 1) + row_bytes();
    // Asking for what is in memory already would cost as much as reading it.
    if (bytes > most_advice || (in_memory(begin) && in_memory((begin + end) / 2) && in_memory(end - 1))) return;
    ::posix_fadvise(fd_, static_cast<off_t>(begin), static_cast<off_t>(bytes), POSIX_FADV_WILLNEED);
  }

  bool in_memory(std::uint64_t offset) const {
    char byte = 0;
    const iovec one{&byte, 1};
    return ::preadv2(fd_, &one, 1, static_cast<off_t>(offset), RWF_NOWAIT) == 1;
  }

  fs::path path_;
  Info info_;
  TIFF* tiff_ = nullptr;
  int fd_ = -1;
  std::uint64_t bytes_ = 0;
  bool compressed_ = false, swapped_ = false, guessed_ = false;
  std::int64_t rows_per_strip_ = 1, held_ = -1, advised_first_ = 0, advised_end_ = 0;
  std::vector<std::uint64_t> offsets_;
  std::vector<std::uint16_t> strip_;  // the compressed strip that was read last
  std::string message_;
};

}  // namespace

Result<std::unique_ptr<Reader>> Reader::open(const std::filesystem::path& path) {
  auto reader = std::make_unique<TiffReader>(path);
  if (auto r = reader->open(); !r) return fail(r.error());
  return reader;
}

}  // namespace lapwright::raw
