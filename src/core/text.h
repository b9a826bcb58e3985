// Text from outside: what it must be, and how it may stand in a complaint.
// Units: bytes. Thread: any. Errors: none.
#pragma once

#include <string>
#include <string_view>

namespace lapwright::core {

/// Length of the UTF-8 sequence at `i` (no overlong forms, no surrogates), 0 when there is none.
std::size_t utf8_length(std::string_view s, std::size_t i);
/// UTF-8 without control characters: what a name must be to stand on a line of a manifest or in the
/// ledger.
bool is_plain(std::string_view text);
/// One line of at most `most` bytes: control characters become '?', what is too long ends in "...".
std::string one_line(std::string_view text, std::size_t most = 400);

}  // namespace lapwright::core
