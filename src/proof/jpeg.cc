#include "proof/jpeg.h"

#include <jpeglib.h>

#include <algorithm>
#include <array>
#include <csetjmp>
#include <cstdio>
#include <cstring>

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

namespace {

struct Reading {
  jpeg_decompress_struct info{};
  Failure failure;
  Reading() {
    info.err = jpeg_std_error(&failure.manager);
    failure.manager.error_exit = jump_back;
    failure.manager.emit_message = stay_quiet;
  }
  ~Reading() { jpeg_destroy_decompress(&info); }
  /// Up to the frame's header.
  bool begin(const std::vector<unsigned char>& jpeg) {
    return guarded(failure, [&] {
      jpeg_create_decompress(&info);
      jpeg_mem_src(&info, jpeg.data(), static_cast<unsigned long>(jpeg.size()));
      jpeg_read_header(&info, TRUE);
    });
  }
  tl::unexpected<Error> refused() const {
    return fail(Fault::bad_data, std::string("not a whole JPEG: libjpeg: ") + failure.text);
  }
};

struct Writing {
  jpeg_compress_struct info{};
  Failure failure;
  MemoryDestination destination;
  Writing() {
    destination.manager.init_destination = MemoryDestination::begin;
    destination.manager.empty_output_buffer = MemoryDestination::full;
    destination.manager.term_destination = MemoryDestination::end;
    prepare(info, failure);
  }
  ~Writing() { jpeg_destroy_compress(&info); }
};

}  // namespace

Result<Bitmap> decode_jpeg(const std::vector<unsigned char>& jpeg, std::int64_t most) {
  Reading in;
  if (!in.begin(jpeg)) return in.refused();
  Bitmap out;
  out.width = in.info.image_width, out.height = in.info.image_height;
  if (out.width > most || out.height > most || in.info.num_components != 3)
    return fail(Fault::bad_data, "a JPEG of " + std::to_string(out.width) + " x " +
                                     std::to_string(out.height) + " pixels and " +
                                     std::to_string(in.info.num_components) +
                                     " components; at most " + std::to_string(most) +
                                     " a side and 3 are right");
  out.rgb.resize(static_cast<std::size_t>(out.width * out.height * 3));
  const bool ok = guarded(in.failure, [&] {
    in.info.out_color_space = JCS_RGB;
    jpeg_start_decompress(&in.info);
    while (in.info.output_scanline < in.info.output_height) {
      JSAMPROW row = out.rgb.data() + static_cast<std::size_t>(in.info.output_scanline) *
                                          static_cast<std::size_t>(out.width) * 3;
      jpeg_read_scanlines(&in.info, &row, 1);
    }
    jpeg_finish_decompress(&in.info);
  });
  if (!ok) return in.refused();
  return out;
}

Result<JpegSays> jpeg_says(const std::vector<unsigned char>& jpeg) {
  Reading in;
  if (!in.begin(jpeg)) return in.refused();
  JpegSays says{in.info.image_width, in.info.image_height, {}};
  if (in.info.saw_JFIF_marker && in.info.density_unit == 1) says.ppi.value = in.info.X_density;
  return says;
}

Result<std::vector<unsigned char>> encode_jpeg(const Bitmap& picture, int quality) {
  Writing out;
  const bool ok = guarded(out.failure, [&] {
    jpeg_create_compress(&out.info);
    out.info.dest = &out.destination.manager;
    out.info.image_width = static_cast<JDIMENSION>(picture.width);
    out.info.image_height = static_cast<JDIMENSION>(picture.height);
    out.info.input_components = 3;
    out.info.in_color_space = JCS_RGB;
    jpeg_set_defaults(&out.info);
    jpeg_set_quality(&out.info, quality, TRUE);
    jpeg_start_compress(&out.info, TRUE);
    while (out.info.next_scanline < out.info.image_height) {
      JSAMPROW row = const_cast<JSAMPROW>(picture.rgb.data() +
                                          static_cast<std::size_t>(out.info.next_scanline) *
                                              static_cast<std::size_t>(picture.width) * 3);
      jpeg_write_scanlines(&out.info, &row, 1);
    }
    jpeg_finish_compress(&out.info);
  });
  if (!ok) return said(out.failure, "a small picture");
  return std::move(out.destination.bytes);
}

Result<std::vector<unsigned char>> join_jpegs(const std::vector<std::vector<unsigned char>>& tiles, std::int64_t across, std::int64_t side,
                                              std::int64_t width, std::int64_t height) {
  const auto count = static_cast<std::int64_t>(tiles.size());
  if (count < 1 || across < 1 || count % across != 0 || width < 1 || height < 1 || width > across * side || height > count / across * side)
    return fail(Fault::internal, "JPEGs cannot be joined to more than they show");
  std::array<jvirt_barray_ptr, 3> blocks{};
  Writing out;
  for (std::int64_t n = 0; n < count; ++n) {
    Reading in;
    if (!in.begin(tiles[static_cast<std::size_t>(n)])) return in.refused();
    if (in.info.num_components != 3 || in.info.image_width != side || in.info.image_height != side || side % (in.info.max_h_samp_factor * DCTSIZE) != 0 ||
        side % (in.info.max_v_samp_factor * DCTSIZE) != 0)
      return fail(Fault::bad_data, "a tile is not of three components and " + std::to_string(side) + " x " + std::to_string(side) + " pixels");
    jvirt_barray_ptr* tile = nullptr;
    if (!guarded(in.failure, [&] { tile = jpeg_read_coefficients(&in.info); })) return in.refused();
    bool ok = true;
    if (n == 0) {
      ok = guarded(out.failure, [&] {
        jpeg_create_compress(&out.info);
        out.info.dest = &out.destination.manager;
        jpeg_copy_critical_parameters(&in.info, &out.info);
        out.info.image_width = static_cast<JDIMENSION>(width);
        out.info.image_height = static_cast<JDIMENSION>(height);
        for (int c = 0; c < 3; ++c) {
          const auto& of = in.info.comp_info[c];
          const auto rows = static_cast<JDIMENSION>(of.height_in_blocks * static_cast<std::size_t>(count / across));
          blocks[static_cast<std::size_t>(c)] = (*out.info.mem->request_virt_barray)(
              reinterpret_cast<j_common_ptr>(&out.info), JPOOL_IMAGE, FALSE, static_cast<JDIMENSION>(of.width_in_blocks * static_cast<std::size_t>(across)), rows,
              static_cast<JDIMENSION>(of.v_samp_factor));
        }
        (*out.info.mem->realize_virt_arrays)(reinterpret_cast<j_common_ptr>(&out.info));
      });
    }
    for (int c = 0; ok && c < 3; ++c) {
      const auto& of = in.info.comp_info[c];
      const auto& into = out.info.comp_info[c];
      const JQUANT_TBL* table = out.info.quant_tbl_ptrs[into.quant_tbl_no];
      if (of.h_samp_factor != into.h_samp_factor || of.v_samp_factor != into.v_samp_factor || !of.quant_table || !table ||
          !std::equal(std::begin(table->quantval), std::end(table->quantval), std::begin(of.quant_table->quantval)))
        return fail(Fault::bad_data, "tiles of different kinds cannot be joined");
      const auto right = static_cast<JDIMENSION>(n % across) * of.width_in_blocks, down = static_cast<JDIMENSION>(n / across) * of.height_in_blocks;
      const auto step = static_cast<JDIMENSION>(of.v_samp_factor);
      ok = guarded(out.failure, [&] {
        for (JDIMENSION y = 0; y < of.height_in_blocks; y += step) {
          JBLOCKARRAY from = nullptr;
          if (!guarded(in.failure, [&] { from = (*in.info.mem->access_virt_barray)(reinterpret_cast<j_common_ptr>(&in.info), tile[c], y, step, FALSE); }))
            jump_back(reinterpret_cast<j_common_ptr>(&out.info));
          JBLOCKARRAY to = (*out.info.mem->access_virt_barray)(reinterpret_cast<j_common_ptr>(&out.info), blocks[static_cast<std::size_t>(c)], down + y, step, TRUE);
          for (JDIMENSION r = 0; r < step; ++r) std::memcpy(to[r] + right, from[r], of.width_in_blocks * sizeof(JBLOCK));
        }
      });
    }
    if (!ok) return said(out.failure, "a tile");
  }
  const bool ok = guarded(out.failure, [&] {
    jpeg_write_coefficients(&out.info, blocks.data());
    jpeg_finish_compress(&out.info);
  });
  if (!ok) return said(out.failure, "a tile");
  return std::move(out.destination.bytes);
}

}  // namespace lapwright::proof
