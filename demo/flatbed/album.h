// All pictures of the roll, painted, exposed onto film and kept as densities in one file that is mapped, not read.
//
// The file lies in LAPWRIGHT_PRACTICE_CACHE, else in the folder of the truth file, else it is nameless and temporary;
// it is made anew when the description's pictures or this library change.
// Invariants: whole or absent. Units: density over clear, 0.004 steps; texture pixels. Thread: const after making.
// Errors: cannot_create.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "description.h"
#include "film.h"

namespace lapwright::flatbed {

/// One picture, at halving sizes; level 0 is the largest.
class Texture {
 public:
  static constexpr int levels = 5;
  /// Densities at (u, v) in 0..1 across the picture, between the pixels of `level`.
  Densities at(float u, float v, int level) const;
  int width(int level) const { return width_ >> level; }
  /// Tells the system that this picture's memory may go; it comes back when looked at.
  void let_go() const;

 private:
  friend class Album;
  const std::uint32_t* data_ = nullptr;
  int width_ = 0, height_ = 0;
  std::array<std::size_t, levels> start_{};
  std::size_t bytes_ = 0;
};

class Album {
 public:
  static Result<std::shared_ptr<const Album>> open(const Description& description, const std::string& folder);
  ~Album();
  Album(const Album&) = delete;
  Album& operator=(const Album&) = delete;
  const Texture& picture(int frame) const { return pictures_[static_cast<std::size_t>(frame)]; }
  bool blank(int frame) const { return blank_[static_cast<std::size_t>(frame)]; }

 private:
  Album() = default;
  void* map_ = nullptr;
  std::size_t bytes_ = 0;
  std::vector<Texture> pictures_;
  std::vector<bool> blank_;
};

}  // namespace lapwright::flatbed
