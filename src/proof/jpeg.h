// JPEG through libjpeg: whole files streamed row by row, tiles with shared tables, and pictures in
// memory.
//
// Invariants: 8-bit sRGB in, baseline JPEG out; join_jpegs() decodes nothing, so that nothing is lost. Units: pixels, bytes, pixels per inch. Thread: one
// object in one thread. Errors: io (what the file said, or what libjpeg said).
#pragma once

#include <cstdint>
#include <memory>
#include <vector>

#include "core/files.h"
#include "core/units.h"

namespace lapwright::proof {

/// One JPEG file, given its rows from the top.
class JpegFile {
 public:
  /// Writes into `file` (which must outlive this); the sRGB profile goes in as APP2, `ppi` as the
  /// density.
  static Result<JpegFile> start(core::NewFile& file, std::int64_t width, std::int64_t height,
                                Ppi ppi, int quality, const std::vector<unsigned char>& icc);
  ~JpegFile();
  JpegFile(JpegFile&&) noexcept;
  Result<> row(const std::uint8_t* rgb);
  Result<> finish();
  static constexpr std::int64_t longest_side = 65500;

 private:
  struct State;
  explicit JpegFile(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

/// Tiles of one size for a TIFF: abbreviated streams, 4:2:0 YCbCr, that need tables() before them.
class JpegTiles {
 public:
  JpegTiles(std::int64_t size, int quality);
  ~JpegTiles();
  /// The tables-only stream (TIFF's JPEGTables).
  Result<std::vector<unsigned char>> tables();
  Result<std::vector<unsigned char>> tile(const std::uint8_t* rgb);  // size x size pixels

 private:
  struct State;
  std::unique_ptr<State> state_;
};

/// A small picture, RGB, rows without gaps.
struct Bitmap {
  std::int64_t width = 0, height = 0;
  std::vector<std::uint8_t> rgb;
};
/// A picture of at most `most` pixels a side; bad_data otherwise, and when it is not a JPEG of three
/// components.
Result<Bitmap> decode_jpeg(const std::vector<unsigned char>& jpeg, std::int64_t most);
/// What a JPEG says of itself; `ppi` 0 where it tells none.
struct JpegSays {
  std::int64_t width = 0, height = 0;
  Ppi ppi;
};
Result<JpegSays> jpeg_says(const std::vector<unsigned char>& jpeg);
Result<std::vector<unsigned char>> encode_jpeg(const Bitmap& picture, int quality);
/// The top left `width` x `height` pixels of tiles of `side` pixels, row by row and `across` in a row, as one JPEG: blocks are put
/// together and left out, none is decoded. bad_data when the tiles are not alike.
Result<std::vector<unsigned char>> join_jpegs(const std::vector<std::vector<unsigned char>>& tiles, std::int64_t across, std::int64_t side,
                                              std::int64_t width, std::int64_t height);

}  // namespace lapwright::proof
