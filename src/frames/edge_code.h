// What a film edge code of 135 says: film number and half frame (READ trade.md 1.4).
//
// Invariants: a code that decode() gives has its structure and its parity right.
// Units: half frames: 2 x frame, + 1 for "A"; the frames before 1 are 0, "00" (-1) and "S" (-2), as
// 0, 63 and 62 stand for them. Thread: pure. Errors: none.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>

namespace lapwright::frames {

/// Modules of the two forms; the short one tells no frame.
inline constexpr int long_code = 31, short_code = 23;

struct EdgeCode {
  int film = 0;             // the film number: 16 to 2047
  std::optional<int> half;  // half frame; nothing in the short form
  bool operator==(const EdgeCode&) const = default;
};

/// 31 or 23 modules of the data track, 1 where it is dark; nothing where the structure or the
/// parity is broken.
std::optional<EdgeCode> decode(std::span<const std::uint8_t> data);

/// What is known of a data track before it is read: 1 dark, 0 light, -1 told by the code.
int known_data(int module, int modules);
/// The clock track: dark or light.
bool clock_dark(int module, int modules);

/// "22", "22A", "0", "00", "S": as the rebate says it.
std::string half_name(int half);
/// "79-7": both parts, as films are listed by.
std::string film_text(int film);

}  // namespace lapwright::frames
