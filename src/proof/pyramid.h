// proof.tif: an 8-bit sRGB pyramid of JPEG tiles, its smaller levels as SubIFDs, made in one go
// from the top row down.
//
// Invariants: each level halves the one before, rounding up, averaged in linear light, until it
// fits one tile; level 0's tiles
//   go to the file at once, the smaller levels' compressed tiles wait in memory (a third of the
//   file at most).
// Units: pixels; rows are sRGB codes of 16 bits. Thread: one caller; the first level is compressed
// in another. Errors: io, cannot_create.
#pragma once

#include <filesystem>
#include <functional>
#include <memory>
#include <string>
#include <vector>

#include "core/files.h"
#include "core/units.h"

struct tiff;

namespace lapwright::proof {

/// A TIFF under construction inside a NewFile; what libtiff complains of is kept.
class TiffFile {
 public:
  static Result<std::unique_ptr<TiffFile>> start(const std::filesystem::path& path,
                                                 std::uint64_t most_bytes);
  ~TiffFile();
  ::tiff* handle() const { return handle_; }
  /// An io error that names the file and says what libtiff said.
  tl::unexpected<Error> failed() const;
  Result<> publish();

 private:
  explicit TiffFile(core::NewFile file) : file_(std::move(file)) {}
  core::NewFile file_;
  ::tiff* handle_ = nullptr;
  std::string said_;
};

/// What the file says of itself; empty texts are left out.
struct TiffWords {
  std::string description, document, page, make, model, date_time, xmp;
};

class Pyramid {
 public:
  /// Takes the rows of a level as they come: 16-bit sRGB codes.
  using Listener = std::function<Result<>(const std::uint16_t* code)>;
  static Result<std::unique_ptr<Pyramid>> start(const std::filesystem::path& path,
                                                std::int64_t width, std::int64_t height, Ppi ppi,
                                                int quality, const std::vector<unsigned char>& icc,
                                                const TiffWords& words);
  ~Pyramid();
  Result<> row(const std::uint16_t* code);
  Result<> finish();
  /// The deepest level whose longer side is still at least `side` (0 when none is), to take rows
  /// from.
  std::size_t level_for(std::int64_t side) const;
  std::int64_t width(std::size_t level) const;
  std::int64_t height(std::size_t level) const;
  void listen(std::size_t level, Listener listener);

  static constexpr std::int64_t tile = 512;

 private:
  struct Level;
  using Tile = Result<std::vector<unsigned char>>;  // compressed
  Pyramid();
  Result<> level_row(std::size_t level, const std::uint16_t* code);
  Result<> flush_tiles(Level& level);
  Result<> take_tiles(Level& level);
  Result<> keep(Level& level, std::vector<Tile> tiles);
  Result<> tags(const Level& level);

  std::unique_ptr<TiffFile> file_;
  std::vector<Level> levels_;
  std::vector<unsigned char> tables_, icc_;
  TiffWords words_;
  Ppi ppi_;
  int quality_ = 85;
};

}  // namespace lapwright::proof
