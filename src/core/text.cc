#include "core/text.h"

#include <algorithm>

namespace lapwright::core {

std::string one_line(std::string_view text, std::size_t most) {
  std::string line(text.substr(0, most));
  if (text.size() > most) {
    line.resize(most - std::min<std::size_t>(most, 3));
    // Not in the middle of a UTF-8 sequence.
    while (!line.empty() && (static_cast<unsigned char>(line.back()) & 0x80) != 0) line.pop_back();
    line += "...";
  }
  std::replace_if(
      line.begin(), line.end(), [](char c) { return static_cast<unsigned char>(c) < 0x20 || c == 0x7f; }, '?');
  return line;
}

}  // namespace lapwright::core
