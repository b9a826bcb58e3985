#include "frames/edge_code.h"

#include <string_view>

namespace lapwright::frames {
namespace {

constexpr std::string_view long_known = "101010.......0...........0.0101";
constexpr std::string_view short_known = "101010.......0.....0101";

int number(std::span<const std::uint8_t> data, std::size_t first, std::size_t count) {
  int value = 0;
  for (std::size_t i = 0; i < count; ++i) value = value * 2 + (data[first + i] ? 1 : 0);
  return value;
}

}  // namespace

int known_data(int module, int modules) {
  const char c =
      (modules == long_code ? long_known : short_known)[static_cast<std::size_t>(module)];
  return c == '.' ? -1 : c - '0';
}

bool clock_dark(int module, int modules) {
  return module % 2 == 0 || module < 5 || module >= modules - 3;
}

std::optional<EdgeCode> decode(std::span<const std::uint8_t> data) {
  const auto n = static_cast<int>(data.size());
  if (n != long_code && n != short_code) return std::nullopt;
  for (int i = 0; i < n; ++i)
    if (const int known = known_data(i, n);
        known >= 0 && known != (data[static_cast<std::size_t>(i)] ? 1 : 0))
      return std::nullopt;
  int ones = 0;
  for (int i = 6; i < n - 4; ++i)
    ones += data[static_cast<std::size_t>(i)] ? 1 : 0;  // with the parity bit itself
  if (ones % 2 != 0) return std::nullopt;
  const int part1 = number(data, 6, 7), part2 = number(data, 14, 4);
  if (part1 == 0) return std::nullopt;
  EdgeCode code;
  code.film = part1 * 16 + part2;
  if (n == long_code) {
    const int frame = number(data, 18, 6);
    code.half = 2 * (frame >= 62 ? frame - 64 : frame) + (data[24] ? 1 : 0);
  }
  return code;
}

std::string half_name(int half) {
  const int frame = half >= 0 ? half / 2 : -((1 - half) / 2);
  const std::string name = frame >= 0 ? std::to_string(frame) : frame == -1 ? "00" : "S";
  return half % 2 != 0 ? name + "A" : name;
}

std::string film_text(int film) {
  return std::to_string(film / 16) + "-" + std::to_string(film % 16);
}

}  // namespace lapwright::frames
