#include "proof/tone.h"

#include <cmath>

#include "density/paper.h"

namespace lapwright::proof {
namespace {

template <class F>
std::vector<std::uint16_t> table(F f) {
  std::vector<std::uint16_t> t(65536);
  for (std::size_t i = 0; i < t.size(); ++i) t[i] = static_cast<std::uint16_t>(std::lround(f(static_cast<double>(i) / 65535) * 65535));
  return t;
}

/// An 8 x 8 ordered pattern: bit-reversed interleave of x ^ y and y.
struct Pattern {
  std::uint32_t threshold[8][8]{};
  Pattern() {
    for (unsigned y = 0; y < 8; ++y)
      for (unsigned x = 0; x < 8; ++x) {
        unsigned v = 0;
        for (unsigned bit = 0; bit < 3; ++bit) v = (v << 2) | ((((x ^ y) >> bit) & 1) << 1) | ((y >> bit) & 1);
        threshold[y][x] = (v * 2 + 1) * 65535 / 128;
      }
  }
};

}  // namespace

const std::vector<std::uint16_t>& light_of_code() {
  static const auto t = table(density::srgb_decode);
  return t;
}
const std::vector<std::uint16_t>& code_of_light() {
  static const auto t = table(density::srgb_encode);
  return t;
}

void to_8bit(const std::uint16_t* code, std::int64_t pixels, std::int64_t y, std::uint8_t* out) {
  static const Pattern pattern;
  constexpr std::int64_t around = 24;  // samples after which the pattern comes again
  std::uint32_t threshold[around];
  for (std::size_t i = 0; i < around; ++i) threshold[i] = pattern.threshold[y & 7][i / 3];
  // (v + 1 + v / 65536) / 65536 is v / 65535 for all that can come here, and needs no division.
  const auto part = [&](std::int64_t n) {
    for (std::int64_t i = 0; i < n; ++i) {
      const std::uint32_t v = code[i] * 255U + threshold[i];
      out[i] = static_cast<std::uint8_t>((v + 1 + (v >> 16)) >> 16);
    }
  };
  std::int64_t left = pixels * 3;
  for (; left >= around; left -= around, code += around, out += around) part(around);
  part(left);
}

}  // namespace lapwright::proof
