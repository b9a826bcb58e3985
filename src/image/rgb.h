// 16-bit RGB pictures: owned, viewed, and streamed by rows.
//
// Invariants: samples are interleaved R, G, B; a view never owns; a RowSource can be read at any
// row. Units: pixels and samples (one pixel is three samples). Thread: a RowSource in one thread at
// a time.
#pragma once

#include <cstdint>
#include <span>
#include <vector>

#include "core/geometry.h"
#include "core/result.h"

namespace lapwright::image {

struct RgbView {
  const std::uint16_t* data = nullptr;
  std::int64_t width = 0, height = 0;
  std::int64_t stride = 0;  // samples from row to row
  const std::uint16_t* row(std::int64_t y) const { return data + y * stride; }
};

class Rgb16 {
 public:
  Rgb16() = default;
  Rgb16(std::int64_t width, std::int64_t height)
      : width_(width), height_(height), samples_(static_cast<std::size_t>(width * height * 3)) {}
  std::int64_t width() const { return width_; }
  std::int64_t height() const { return height_; }
  std::uint16_t* row(std::int64_t y) { return samples_.data() + y * width_ * 3; }
  const std::uint16_t* row(std::int64_t y) const { return samples_.data() + y * width_ * 3; }
  RgbView view() const { return {samples_.data(), width_, height_, width_ * 3}; }

 private:
  std::int64_t width_ = 0, height_ = 0;
  std::vector<std::uint16_t> samples_;
};

/// One float channel, row after row.
struct Plane {
  std::int64_t width = 0, height = 0;
  std::vector<float> values;
  Plane() = default;
  Plane(std::int64_t w, std::int64_t h, float fill = 0)
      : width(w), height(h), values(static_cast<std::size_t>(w * h), fill) {}
  float* row(std::int64_t y) { return values.data() + y * width; }
  const float* row(std::int64_t y) const { return values.data() + y * width; }
};

/// A picture on disk or in memory, read by whole rows in any order.
class RowSource {
 public:
  virtual ~RowSource() = default;
  virtual std::int64_t width() const = 0;
  virtual std::int64_t height() const = 0;
  virtual Ppi ppi() const = 0;
  /// Fills `out` (rows * width * 3 samples) with rows [first, first + rows). Bounds are the
  /// caller's duty.
  virtual Result<> read(std::int64_t first, std::int64_t rows, std::uint16_t* out) = 0;
  /// Fills `out` (rows * columns * 3 samples) with columns [x, x + columns) of rows [first, first + rows). A source that can
  /// reach columns directly does better than this one, which reads whole rows.
  virtual Result<> read_block(std::int64_t x, std::int64_t columns, std::int64_t first,
                              std::int64_t rows, std::uint16_t* out);
};

/// Takes rows from the top downwards.
class RowSink {
 public:
  virtual ~RowSink() = default;
  virtual Result<> write(const std::uint16_t* rows, std::int64_t count) = 0;
};

/// A picture in memory as a RowSource (it must outlive the source).
class MemorySource : public RowSource {
 public:
  MemorySource(const Rgb16& picture, Ppi ppi) : picture_(picture), ppi_(ppi) {}
  std::int64_t width() const override { return picture_.width(); }
  std::int64_t height() const override { return picture_.height(); }
  Ppi ppi() const override { return ppi_; }
  Result<> read(std::int64_t first, std::int64_t rows, std::uint16_t* out) override;
  Result<> read_block(std::int64_t x, std::int64_t columns, std::int64_t first, std::int64_t rows,
                      std::uint16_t* out) override;

 private:
  const Rgb16& picture_;
  Ppi ppi_;
};

/// The part `area` (clipped to the picture) averaged over factor x factor blocks; whole blocks
/// only.
Result<Rgb16> reduced(RowSource& source, std::int64_t x, std::int64_t y, std::int64_t width,
                      std::int64_t height, std::int64_t factor);

}  // namespace lapwright::image
