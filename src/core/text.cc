#include "core/text.h"

#include <algorithm>

namespace lapwright::core {
namespace {

bool is_control(char c) { return static_cast<unsigned char>(c) < 0x20 || c == 0x7f; }

}  // namespace

std::size_t utf8_length(std::string_view s, std::size_t i) {
  const auto byte = [&](std::size_t k) -> unsigned {
    return k < s.size() ? static_cast<unsigned char>(s[k]) : 0u;
  };
  const auto tail = [&](std::size_t k) { return (byte(k) & 0xc0u) == 0x80u; };
  const unsigned a = byte(i), b = byte(i + 1);
  if (a < 0x80) return 1;
  if (a >= 0xc2 && a <= 0xdf && tail(i + 1)) return 2;
  if (a >= 0xe0 && a <= 0xef && tail(i + 1) && tail(i + 2)) {
    return (a == 0xe0 && b < 0xa0) || (a == 0xed && b >= 0xa0) ? 0 : 3;
  }
  if (a >= 0xf0 && a <= 0xf4 && tail(i + 1) && tail(i + 2) && tail(i + 3)) {
    return (a == 0xf0 && b < 0x90) || (a == 0xf4 && b >= 0x90) ? 0 : 4;
  }
  return 0;
}

bool is_plain(std::string_view text) {
  for (std::size_t i = 0; i < text.size();) {
    const std::size_t n = utf8_length(text, i);
    if (n == 0 || (n == 1 && is_control(text[i]))) return false;
    i += n;
  }
  return true;
}

std::string one_line(std::string_view text, std::size_t most) {
  std::string line(text.substr(0, most));
  if (text.size() > most) {
    line.resize(most - std::min<std::size_t>(most, 3));
    // Not in the middle of a UTF-8 sequence.
    while (!line.empty() && (static_cast<unsigned char>(line.back()) & 0x80) != 0) line.pop_back();
    line += "...";
  }
  std::replace_if(line.begin(), line.end(), is_control, '?');
  return line;
}

}  // namespace lapwright::core
