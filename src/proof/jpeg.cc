#include "proof/jpeg.h"

#include <jpeglib.h>

#include <csetjmp>
#include <cstdio>

namespace lapwright::proof {
namespace {

/// libjpeg's way of failing: it jumps back to where the call into it was made.
struct Failure {
  jpeg_error_mgr manager;
  std::jmp_buf back;
  char text[JMSG_LENGTH_MAX] = "";
};

void jump_back(j_common_ptr info) {
  auto* failure = reinterpret_cast<Failure*>(info->err);
  (*info->err->format_message)(info, failure->text);
  std::longjmp(failure->back, 1);
}
void stay_quiet(j_common_ptr, int) {}

void prepare(jpeg_compress_struct& info, Failure& failure) {
  info.err = jpeg_std_error(&failure.manager);
  failure.manager.error_exit = jump_back;
  failure.manager.emit_message = stay_quiet;
}

/// Runs `call`, which must own nothing that has a destructor; false when libjpeg jumped out of it.
template <class Call>
bool guarded(Failure& failure, Call call) {
  if (setjmp(failure.back)) return false;
  call();
  return true;
}

tl::unexpected<Error> said(const Failure& failure, const std::string& where) {
  return fail(Fault::io, where + ": libjpeg: " + failure.text);
}

/// A destination that hands full buffers to a file and keeps the first error.
struct FileDestination {
  jpeg_destination_mgr manager{};
  core::NewFile* file = nullptr;
  std::vector<unsigned char> buffer;
  Result<> written;

  static void begin(j_compress_ptr info) { self(info).reset(); }
  static boolean full(j_compress_ptr info) {
    self(info).hand_over(self(info).buffer.size());
    self(info).reset();
    return TRUE;
  }
  static void end(j_compress_ptr info) {
    self(info).hand_over(self(info).buffer.size() - self(info).manager.free_in_buffer);
  }
  static FileDestination& self(j_compress_ptr info) {
    return *reinterpret_cast<FileDestination*>(info->dest);
  }
  void reset() {
    manager.next_output_byte = buffer.data();
    manager.free_in_buffer = buffer.size();
  }
  void hand_over(std::size_t bytes) {
    if (written) written = file->write(buffer.data(), bytes);
  }
};

/// A destination that grows in memory.
struct MemoryDestination {
  jpeg_destination_mgr manager{};
  std::vector<unsigned char> bytes;

  static void begin(j_compress_ptr info) {
    auto& d = self(info);
    d.bytes.resize(1 << 16);
    d.manager.next_output_byte = d.bytes.data();
    d.manager.free_in_buffer = d.bytes.size();
  }
  static boolean full(j_compress_ptr info) {
    auto& d = self(info);
    const std::size_t used = d.bytes.size();
    d.bytes.resize(used * 2);
    d.manager.next_output_byte = d.bytes.data() + used;
    d.manager.free_in_buffer = d.bytes.size() - used;
    return TRUE;
  }
  static void end(j_compress_ptr info) {
    self(info).bytes.resize(self(info).bytes.size() - self(info).manager.free_in_buffer);
  }
  static MemoryDestination& self(j_compress_ptr info) {
    return *reinterpret_cast<MemoryDestination*>(info->dest);
  }
};

}  // namespace

struct JpegFile::State {
  jpeg_compress_struct info{};
  Failure failure;
  FileDestination destination;
  ~State() { jpeg_destroy_compress(&info); }
  std::string name() const { return destination.file->final_path().string(); }
};

JpegFile::JpegFile(std::unique_ptr<State> state) : state_(std::move(state)) {}
JpegFile::~JpegFile() = default;
JpegFile::JpegFile(JpegFile&&) noexcept = default;

Result<JpegFile> JpegFile::start(core::NewFile& file, std::int64_t width, std::int64_t height,
                                 Ppi ppi, int quality, const std::vector<unsigned char>& icc) {
  if (width < 1 || height < 1 || width > longest_side || height > longest_side)
    return fail(Fault::bad_data,
                file.final_path().string() + ": " + std::to_string(width) + " x " +
                    std::to_string(height) +
                    " pixels do not fit a JPEG (at most 65500 a side); a .tif holds them");
  auto state = std::make_unique<State>();
  State& s = *state;
  s.destination.file = &file;
  s.destination.buffer.resize(1 << 18);
  s.destination.manager.init_destination = FileDestination::begin;
  s.destination.manager.empty_output_buffer = FileDestination::full;
  s.destination.manager.term_destination = FileDestination::end;
  prepare(s.info, s.failure);
  const bool ok = guarded(s.failure, [&] {
    jpeg_create_compress(&s.info);
    s.info.dest = &s.destination.manager;
    s.info.image_width = static_cast<JDIMENSION>(width);
    s.info.image_height = static_cast<JDIMENSION>(height);
    s.info.input_components = 3;
    s.info.in_color_space = JCS_RGB;
    jpeg_set_defaults(&s.info);
    jpeg_set_quality(&s.info, quality, TRUE);
    for (int c = 0; c < 3; ++c)
      s.info.comp_info[c].h_samp_factor = s.info.comp_info[c].v_samp_factor = 1;
    s.info.density_unit = 1;
    s.info.X_density = s.info.Y_density = static_cast<UINT16>(ppi.value);
    jpeg_start_compress(&s.info, TRUE);
    if (!icc.empty())
      jpeg_write_icc_profile(&s.info, icc.data(), static_cast<unsigned>(icc.size()));
  });
  if (!ok) return said(s.failure, s.name());
  return JpegFile(std::move(state));
}

Result<> JpegFile::row(const std::uint8_t* rgb) {
  State& s = *state_;
  JSAMPROW row = const_cast<JSAMPROW>(rgb);
  if (!guarded(s.failure, [&] { jpeg_write_scanlines(&s.info, &row, 1); }))
    return said(s.failure, s.name());
  return s.destination.written;
}

Result<> JpegFile::finish() {
  State& s = *state_;
  if (!guarded(s.failure, [&] { jpeg_finish_compress(&s.info); })) return said(s.failure, s.name());
  return s.destination.written;
}

struct JpegTiles::State {
  jpeg_compress_struct info{};
  Failure failure;
  MemoryDestination destination;
  std::int64_t size = 0;
  bool ready = false;
  ~State() { jpeg_destroy_compress(&info); }
};

JpegTiles::JpegTiles(std::int64_t size, int quality) : state_(std::make_unique<State>()) {
  State& s = *state_;
  s.size = size;
  s.destination.manager.init_destination = MemoryDestination::begin;
  s.destination.manager.empty_output_buffer = MemoryDestination::full;
  s.destination.manager.term_destination = MemoryDestination::end;
  prepare(s.info, s.failure);
  s.ready = guarded(s.failure, [&] {
    jpeg_create_compress(&s.info);
    s.info.dest = &s.destination.manager;
    s.info.image_width = s.info.image_height = static_cast<JDIMENSION>(size);
    s.info.input_components = 3;
    s.info.in_color_space = JCS_RGB;
    jpeg_set_defaults(&s.info);
    jpeg_set_quality(&s.info, quality, TRUE);
    s.info.write_JFIF_header = FALSE;
  });
}
JpegTiles::~JpegTiles() = default;

Result<std::vector<unsigned char>> JpegTiles::tables() {
  State& s = *state_;
  if (!s.ready || !guarded(s.failure, [&] { jpeg_write_tables(&s.info); }))
    return said(s.failure, "proof.tif");
  return s.destination.bytes;
}

Result<std::vector<unsigned char>> JpegTiles::tile(const std::uint8_t* rgb) {
  State& s = *state_;
  const bool ok = s.ready && guarded(s.failure, [&] {
                    jpeg_suppress_tables(&s.info, TRUE);
                    jpeg_start_compress(&s.info, FALSE);
                    for (std::int64_t y = 0; y < s.size; ++y) {
                      JSAMPROW row = const_cast<JSAMPROW>(rgb + y * s.size * 3);
                      jpeg_write_scanlines(&s.info, &row, 1);
                    }
                    jpeg_finish_compress(&s.info);
                  });
  if (!ok) return said(s.failure, "proof.tif");
  return s.destination.bytes;
}

}  // namespace lapwright::proof
