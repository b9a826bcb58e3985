// An area-averaging reduction by any factor, streamed: rows in from the top, rows out as they are complete.
//
// Invariants: averaged in linear light; every input pixel weighs by the area it covers. Units: pixels, 16-bit sRGB codes in,
//   out the same. Thread: one object in one thread. Errors: what the taker of rows returns.
#pragma once

#include <cstdint>
#include <functional>
#include <vector>

#include "core/result.h"

namespace lapwright::proof {

class Shrink {
 public:
  using Taker = std::function<Result<>(const std::uint16_t* code)>;
  /// out_* at most the same as in_*.
  Shrink(std::int64_t in_width, std::int64_t in_height, std::int64_t out_width, std::int64_t out_height, Taker taker);
  Result<> row(const std::uint16_t* code);

 private:
  void add(double weight);
  std::int64_t in_width_, in_height_, out_width_, out_height_, in_y_ = 0, out_y_ = 0;
  Taker taker_;
  std::vector<float> across_, sum_;  // this input row reduced across; the output row under way
  std::vector<std::uint16_t> out_;
};

}  // namespace lapwright::proof
