// The pictures of libsane's `test` backend at 16 bits, as SANE field notes 2.2 has them (found by
// comparing 612 combinations with the backend of libsane 1.2.1, 0 differences). They start at the
// area's own corner, whatever it is.
//
// Units: pixels of the picture; the channel is 0 red, 1 green, 2 blue.
#pragma once

#include <algorithm>
#include <cstdint>
#include <string>

namespace lapwright::bed {

/// READ field notes 2.2: the colour pattern.
inline std::uint16_t pattern(std::int64_t x, std::int64_t y, int channel) {
  const std::int64_t r = y % 260, c = x % 260, n = x / 260;
  if (r < 4 || c < 4) return 0x5555;
  return n % 3 == channel ? static_cast<std::uint16_t>((c - 4) * 256 + (r - 4)) : std::uint16_t{0};
}
/// READ field notes 2.2: the grid.
inline std::uint16_t grid(std::int64_t x, std::int64_t y, int ppi) {
  const double s = 10 * ppi / 25.4;
  const auto period = static_cast<std::int64_t>(2 * s + 0.5);
  const std::int64_t r = y % period, a = static_cast<std::int64_t>(static_cast<double>(x) / s) % 2,
                     b = r > static_cast<std::int64_t>(s + 0.5) ? 1 : 0;
  return a == b ? 0xFFFF : 0;
}
inline std::uint16_t test_picture(const std::string& name, std::int64_t x, std::int64_t y,
                                  int channel, int ppi) {
  if (name == "Color pattern") return pattern(x, y, channel);
  if (name == "Grid") return grid(x, y, ppi);
  return name == "Solid white" ? 0xFFFF : 0;
}
/// READ field notes 2.2: pixels of a length, truncated, at least 1.
inline std::int64_t test_pixels(double mm, int ppi) {
  return std::max<std::int64_t>(1, static_cast<std::int64_t>(ppi * mm / 25.4));
}

}  // namespace lapwright::bed
