#include <fcntl.h>
#include <tiffio.h>

#include <algorithm>
#include <cstdlib>
#include <cstring>
#include <future>
#include <optional>

#include "core/clock.h"
#include "core/files.h"
#include "image/exif.h"
#include "raw/layout.h"
#include "raw/tiff.h"

namespace lapwright::raw {
namespace {

constexpr std::uint64_t flush_step = 16 << 20;
constexpr std::uint64_t worth_a_thread = 4 << 20;  // bytes whose checksum runs beside their writing
constexpr std::uint64_t worth_passing_by = 256 << 20;  // bytes of a file
constexpr std::size_t gathered_bytes = 2 << 20;        // of whole blocks written at a time past the cache

/// The file as libtiff sees it. Picture bytes go straight to disk; the header and what follows the picture stay in memory
/// until the end, since libtiff writes them out of order. The checksum is given the picture by `add_rows`.
class Target {
 public:
  Target(core::NewFile file, std::uint64_t header_bytes, Cached cached)
      : file_(std::move(file)), header_(header_bytes), end_(header_bytes), put_(header_bytes) {
    if (cached == Cached::pass_by && file_.pass_by_cache())
      gathered_.reset(static_cast<unsigned char*>(std::aligned_alloc(core::NewFile::block, gathered_bytes)));
  }

  /// From here on the checksum runs, with the header as it will be: `directory` is where libtiff will put the directory.
  void predict(const std::vector<unsigned char>& header) {
    predicted_ = header;
    sum_.emplace();
    sum_->add(header.data(), header.size());
  }
  void picture_is_whole() { tail_begins_ = end_; }
  /// Picture bytes for the checksum, in their order in the file; may run beside write().
  void add_rows(const void* data, std::uint64_t bytes) {
    if (sum_) sum_->add(data, bytes);
  }

  std::uint64_t size() const { return end_; }
  const std::optional<Error>& error() const { return error_; }
  const std::vector<unsigned char>& header() const { return header_; }

  tmsize_t write(const void* data, tmsize_t bytes) {
    const auto n = static_cast<std::uint64_t>(bytes);
    const auto* p = static_cast<const unsigned char*>(data);
    if (position_ + n <= header_.size()) {
      std::memcpy(header_.data() + position_, p, n);
    } else if (tail_begins_ && position_ >= *tail_begins_) {
      const std::uint64_t at = position_ - *tail_begins_;
      if (tail_.size() < at + n) tail_.resize(at + n);
      std::memcpy(tail_.data() + at, p, n);
    } else if (!tail_begins_ && position_ == end_) {
      if (auto r = gathered_ ? gather(p, n) : file_.write_at(position_, p, n); !r) {
        error_ = r.error();
        return -1;
      }
      if (!gathered_) start_flushing(position_ + n);
    } else {
      error_ = Error{Fault::internal, file_.final_path().string() + ": a write out of order at byte " + std::to_string(position_)};
      return -1;
    }
    position_ += n;
    end_ = std::max(end_, position_);
    return bytes;
  }

  tmsize_t read(void* data, tmsize_t bytes) const {  // libtiff reads back nothing but its own header
    if (position_ + static_cast<std::uint64_t>(bytes) > header_.size()) return -1;
    std::memcpy(data, header_.data() + position_, static_cast<std::size_t>(bytes));
    return bytes;
  }

  toff_t seek(toff_t offset, int whence) {
    if (whence == SEEK_SET) position_ = offset;
    if (whence == SEEK_CUR) position_ += offset;
    if (whence == SEEK_END) position_ = end_ + offset;
    return position_;
  }

  Result<std::string> finish() {
    if (auto r = put_gathered(); !r) return fail(r.error());
    if (auto r = file_.write_at(0, header_.data(), header_.size()); !r) return fail(r.error());
    if (auto r = file_.write_at(*tail_begins_, tail_.data(), tail_.size()); !r) return fail(r.error());
    std::string sum;
    if (sum_ && header_ == predicted_) {
      sum_->add(tail_.data(), tail_.size());
      sum = sum_->hex();
    }
    // Room reserved beyond the end is not part of the file.
    if (auto r = file_.cut(end_); !r) return fail(r.error());
    if (sum.empty()) {
      auto r = core::sha256_of(file_.partial_path());
      if (!r) return fail(Fault::io, file_.final_path().string() + ": cannot be read back for its checksum (" + r.error().text + ")");
      sum = *r;
    }
    if (auto r = file_.publish(); !r) return fail(r.error());
    return sum;
  }

 private:
  /// Asks the system to begin writing, so that the final flush has little left to wait for.
  void start_flushing(std::uint64_t upto) {
    if (upto - flushed_ < flush_step) return;
    ::sync_file_range(file_.fd(), static_cast<off_t>(flushed_), static_cast<off_t>(upto - flushed_), SYNC_FILE_RANGE_WRITE);
    flushed_ = upto;
  }

  /// Picture bytes are gathered until their end is the end of a block.
  Result<> gather(const unsigned char* from, std::uint64_t bytes) {
    while (bytes > 0) {
      const std::uint64_t room = gathered_bytes - put_ % core::NewFile::block - held_, n = std::min(bytes, room);
      std::memcpy(gathered_.get() + held_, from, n);
      held_ += n, from += n, bytes -= n;
      if (n == room)
        if (auto r = put_gathered(); !r) return r;
    }
    return {};
  }

  Result<> put_gathered() {
    if (held_ == 0) return {};
    auto r = file_.write_at(put_, gathered_.get(), held_);
    put_ += held_, held_ = 0;
    return r;
  }

  struct Free {
    void operator()(unsigned char* p) const { std::free(p); }
  };
  core::NewFile file_;
  std::unique_ptr<unsigned char, Free> gathered_;
  std::uint64_t held_ = 0;
  std::vector<unsigned char> header_, predicted_, tail_;
  std::optional<core::Sha256> sum_;
  std::optional<std::uint64_t> tail_begins_;
  std::uint64_t end_, position_ = 0, flushed_ = 0, put_ = 0;  // put_: where the gathered bytes go
  std::optional<Error> error_;
};

Target* of(thandle_t h) { return reinterpret_cast<Target*>(h); }
tmsize_t read_proc(thandle_t h, void* data, tmsize_t n) { return of(h)->read(data, n); }
tmsize_t write_proc(thandle_t h, void* data, tmsize_t n) { return of(h)->write(data, n); }
toff_t seek_proc(thandle_t h, toff_t offset, int whence) { return of(h)->seek(offset, whence); }
int close_proc(thandle_t) { return 0; }
toff_t size_proc(thandle_t h) { return of(h)->size(); }

int keep_message(TIFF*, void* into, const char*, const char* format, va_list arguments) {
  char line[300];
  std::vsnprintf(line, sizeof line, format, arguments);
  if (into != nullptr) *static_cast<std::string*>(into) = line;
  return 1;
}

std::string tiff_time() {  // 2026-01-31T09:12:44.120Z as 2026:01:31 09:12:44
  std::string t = core::rfc3339_now().substr(0, 19);
  t[4] = t[7] = ':';
  t[10] = ' ';
  return t;
}

class TiffWriter : public Writer {
 public:
  TiffWriter(std::filesystem::path path, core::NewFile file, std::int64_t width, std::int64_t height, const Layout& layout,
             Cached cached)
      : path_(std::move(path)), target_(std::move(file), layout.header_bytes(), cached), width_(width), height_(height), layout_(layout) {}
  ~TiffWriter() override {
    if (tiff_ != nullptr) {
      target_.picture_is_whole();  // what libtiff still writes stays in memory and is dropped
      TIFFClose(tiff_);
    }
  }

  Result<> open(Ppi ppi, const Tags& tags) {
    TIFFOpenOptions* options = TIFFOpenOptionsAlloc();
    TIFFOpenOptionsSetErrorHandlerExtR(options, keep_message, &message_);
    TIFFOpenOptionsSetWarningHandlerExtR(options, keep_message, nullptr);
    tiff_ = TIFFClientOpenExt(path_.c_str(), layout_.big ? "w8m" : "wm", reinterpret_cast<thandle_t>(&target_), read_proc, write_proc,
                              seek_proc, close_proc, size_proc, nullptr, nullptr, options);
    TIFFOpenOptionsFree(options);
    if (tiff_ == nullptr) return failed();
    if (!set_tags(ppi, tags)) return failed();
    if (height_ >= 0) predict_header();
    strip_.reserve(layout_.rows_per_strip * layout_.row_bytes / 2);
    return {};
  }

  Result<> write(const std::uint16_t* rows, std::int64_t count) override {
    if (tiff_ == nullptr) return fail(Fault::internal, path_.string() + ": rows after the end");
    if (height_ >= 0 && rows_ + count > height_)
      return fail(Fault::bad_data, path_.string() + ": more rows came than the " + std::to_string(height_) + " announced");
    const std::uint64_t bytes = layout_.row_bytes * static_cast<std::uint64_t>(count);
    if (bytes < worth_a_thread) {
      target_.add_rows(rows, bytes);
      return put_rows(rows, count);
    }
    // Without a thread to be had, it runs when it is waited for.
    auto adding = std::async(std::launch::async | std::launch::deferred, [&] { target_.add_rows(rows, bytes); });
    auto put = put_rows(rows, count);
    adding.wait();
    return put;
  }

  Result<Written> finish(const std::string& note) override {
    if (tiff_ == nullptr) return fail(Fault::internal, path_.string() + ": finished twice");
    if (height_ >= 0 && rows_ != height_)
      return fail(Fault::io, path_.string() + ": only " + std::to_string(rows_) + " of " + std::to_string(height_) + " rows came");
    if (rows_ == 0) return fail(Fault::io, path_.string() + ": not a single row came");
    if (!strip_.empty())
      if (auto r = put_strip(strip_.data(), strip_.size()); !r) return fail(r.error());
    target_.picture_is_whole();
    if (!note.empty()) description_ += "; " + note;
    // Exif's directory right behind the picture, libtiff's own behind that.
    const std::uint64_t exif_at = target_.size();
    const auto exif = image::exif_directory(exif_at, layout_.big, date_time_, unique_);
    target_.seek(static_cast<toff_t>(exif_at), SEEK_SET);
    const bool ok =
        target_.write(exif.data(), static_cast<tmsize_t>(exif.size())) == static_cast<tmsize_t>(exif.size()) &&
        TIFFSetField(tiff_, TIFFTAG_EXIFIFD, exif_at) != 0 &&
        TIFFSetField(tiff_, TIFFTAG_IMAGEDESCRIPTION, description_.c_str()) != 0 &&
        TIFFSetField(tiff_, TIFFTAG_IMAGELENGTH, static_cast<std::uint32_t>(rows_)) != 0 &&
        TIFFWriteDirectory(tiff_) != 0;
    TIFFClose(std::exchange(tiff_, nullptr));
    if (!ok || target_.error()) return fail(failed().error());
    auto sum = target_.finish();
    if (!sum) return fail(sum.error());
    return Written{path_, *sum, target_.size(), rows_};
  }

 private:
  bool set_tags(Ppi ppi, const Tags& tags) {
    const auto icc = linear_icc_profile();
    date_time_ = tags.date_time.empty() ? tiff_time() : tags.date_time;
    unique_ = image::unique_id({tags.make, tags.model, tags.roll, tags.page, date_time_, std::to_string(width_), std::to_string(ppi.value)});
    if (!tags.note.empty()) description_ += "; " + tags.note;
    const auto text = [&](std::uint32_t tag, const std::string& s) { return s.empty() || TIFFSetField(tiff_, tag, s.c_str()) != 0; };
    const auto number = [&](std::uint32_t tag, int value) { return TIFFSetField(tiff_, tag, value) != 0; };
    const auto ppi_value = static_cast<double>(ppi.value);
    return TIFFSetField(tiff_, TIFFTAG_IMAGEWIDTH, static_cast<std::uint32_t>(width_)) != 0 &&
           TIFFSetField(tiff_, TIFFTAG_IMAGELENGTH,
                        static_cast<std::uint32_t>(std::max<std::int64_t>(height_, 1))) !=
               0 &&  // grows strip by strip
           number(TIFFTAG_BITSPERSAMPLE, 16) &&
           number(TIFFTAG_SAMPLESPERPIXEL, 3) && number(TIFFTAG_COMPRESSION, COMPRESSION_NONE) &&
           number(TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_RGB) &&
           number(TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG) &&
           number(TIFFTAG_SAMPLEFORMAT, SAMPLEFORMAT_UINT) &&
           number(TIFFTAG_ORIENTATION, ORIENTATION_TOPLEFT) &&
           TIFFSetField(tiff_, TIFFTAG_ROWSPERSTRIP, layout_.rows_per_strip) != 0 &&
           number(TIFFTAG_RESOLUTIONUNIT, RESUNIT_INCH) &&
           TIFFSetField(tiff_, TIFFTAG_XRESOLUTION, ppi_value) != 0 &&
           TIFFSetField(tiff_, TIFFTAG_YRESOLUTION, ppi_value) != 0 &&
           TIFFSetField(tiff_, TIFFTAG_ICCPROFILE, static_cast<std::uint32_t>(icc.size()),
                        icc.data()) != 0 &&
           text(TIFFTAG_SOFTWARE, "lapwright") && text(TIFFTAG_DOCUMENTNAME, tags.roll) &&
           text(TIFFTAG_PAGENAME, tags.page) && text(TIFFTAG_MAKE, tags.make) &&
           text(TIFFTAG_MODEL, tags.model) &&
           text(TIFFTAG_DATETIME, date_time_);
  }

  /// libtiff puts its directory behind what there is: the picture and Exif's directory; its offset into the last 4 (BigTIFF: 8) bytes of the header.
  void predict_header() {
    std::vector<unsigned char> header = target_.header();
    const std::uint64_t picture_ends = layout_.header_bytes() + layout_.row_bytes * static_cast<std::uint64_t>(height_);
    const std::uint64_t directory = picture_ends + image::exif_directory(picture_ends, layout_.big, date_time_, unique_).size();
    if (layout_.big) {
      std::memcpy(header.data() + 8, &directory, 8);
    } else {
      const auto low = static_cast<std::uint32_t>(directory);
      std::memcpy(header.data() + 4, &low, 4);
    }
    target_.predict(header);
  }

  /// Whole strips go to libtiff from where they are; what is left over waits for its strip's other rows.
  Result<> put_rows(const std::uint16_t* rows, std::int64_t count) {
    const auto samples = static_cast<std::size_t>(width_ * 3);
    const auto full = static_cast<std::size_t>(layout_.rows_per_strip) * samples;
    auto left = static_cast<std::size_t>(count) * samples;
    rows_ += count;
    while (left > 0) {
      const std::size_t take = std::min(left, full - strip_.size());
      if (take == full) {
        if (auto r = put_strip(rows, full); !r) return r;
      } else {
        strip_.insert(strip_.end(), rows, rows + take);
        if (strip_.size() == full) {
          if (auto r = put_strip(strip_.data(), full); !r) return r;
          strip_.clear();
        }
      }
      rows += take, left -= take;
    }
    return {};
  }

  Result<> put_strip(const std::uint16_t* from, std::size_t samples) {
    const auto bytes = static_cast<tmsize_t>(samples * 2);
    // libtiff only reads it: nothing is compressed or swapped.
    if (TIFFWriteEncodedStrip(tiff_, next_strip_++, const_cast<std::uint16_t*>(from), bytes) != bytes) return failed();
    return {};
  }

  Result<> failed() const {
    if (target_.error()) return fail(*target_.error());
    return fail(Fault::io, path_.string() + ": cannot be written as TIFF: " + message_);
  }

  std::filesystem::path path_;
  Target target_;
  std::int64_t width_, height_, rows_ = 0;
  Layout layout_;
  TIFF* tiff_ = nullptr;
  std::uint32_t next_strip_ = 0;
  std::vector<std::uint16_t> strip_;
  std::string date_time_, unique_;
  std::string description_ = "scanner-linear, not colour managed", message_;
};

}  // namespace

Result<std::unique_ptr<Writer>> Writer::create(const std::filesystem::path& path, std::int64_t width, std::int64_t height, Ppi ppi,
                                               const Tags& tags, std::int64_t most_rows, Cached cached) {
  auto file = core::NewFile::create(path, 0);
  if (!file) return fail(file.error());
  return create(std::move(*file), width, height, ppi, tags, most_rows, cached);
}

Result<std::unique_ptr<Writer>> Writer::create(core::NewFile file, std::int64_t width,
                                               std::int64_t height, Ppi ppi, const Tags& tags,
                                               std::int64_t most_rows, Cached cached) {
  const std::filesystem::path path = file.final_path();
  if (width <= 0 || width > 1 << 24 || height == 0 || height > 1 << 26 || ppi.value <= 0)
    return fail(Fault::cannot_create, path.string() + ": a picture of " + std::to_string(width) + " x " + std::to_string(height) +
                                          " pixels at " + std::to_string(ppi.value) + " ppi cannot be made");
  const Layout layout = layout_of(width, height >= 0 ? height : std::max<std::int64_t>(most_rows, 0));
  if (height >= 0)
    if (auto r = file.reserve(layout.header_bytes() + layout.data_bytes); !r)
      return fail(r.error());
  if (height < 0 || layout.data_bytes < worth_passing_by) cached = Cached::keep;
  auto writer = std::make_unique<TiffWriter>(path, std::move(file), width, height, layout, cached);
  if (auto r = writer->open(ppi, tags); !r) return fail(r.error());
  return writer;
}

}  // namespace lapwright::raw
