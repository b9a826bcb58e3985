// Reads proof.tif for the screen: its tiles as JPEG files without decoding them, and parts of it in
// any smaller size.
//
// Invariants: a tile is the file's own data with the tables put before it; at the right and lower
//   edge its blocks beyond the sheet are left out, so that it has the size the sheet has there.
//   Every number that the file tells is held against its own length before it is used.
// Units: pixels; level k is 2^k times smaller, rounded up. Thread: one at a time. Errors: no_input,
//   bad_data (not a pyramid of JPEG tiles), io.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

#include "core/geometry.h"
#include "core/result.h"

namespace lapwright::proof {

class Tiles {
 public:
  using Jpeg = std::vector<unsigned char>;
  struct Level {
    std::int64_t width = 0, height = 0;
    std::int64_t across = 0, down = 0;  // tiles
  };

  static Result<Tiles> open(const std::filesystem::path& file);
  Tiles(Tiles&&) noexcept;
  Tiles& operator=(Tiles&&) = delete;
  ~Tiles();

  std::int64_t tile() const { return tile_; }  // pixels a side
  const std::vector<Level>& levels() const { return levels_; }
  std::int64_t width() const { return levels_[0].width; }
  std::int64_t height() const { return levels_[0].height; }
  /// Column `x`, row `y` of the tiles of a level.
  Result<Jpeg> at(std::size_t level, std::int64_t x, std::int64_t y) const;
  /// `area`, in pixels of the whole sheet and inside it, as `width` x `height` pixels, not larger
  /// than the area is and at most `longest` a side. usage when it is not, or needs more than
  /// `most_tiles`.
  Result<Jpeg> part(const PixelRect<SheetSpace>& area, std::int64_t width,
                    std::int64_t height) const;
  static constexpr std::int64_t longest = 2048, most_tiles = 64;

 private:
  struct Place {
    std::uint64_t offset = 0, bytes = 0;
  };
  Tiles() = default;
  tl::unexpected<Error> wrong(const std::string& what) const;
  /// The tile as it lies in the file, a JPEG of its own.
  Result<Jpeg> whole(std::size_t level, std::int64_t x, std::int64_t y) const;

  std::filesystem::path file_;
  int fd_ = -1;
  std::int64_t tile_ = 0;
  std::vector<Level> levels_;
  std::vector<std::vector<Place>> places_;  // by level
  std::vector<Jpeg> tables_;                // by level; no marker for the end
};

}  // namespace lapwright::proof
