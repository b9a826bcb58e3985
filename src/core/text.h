// Text from outside as it may stand in a complaint.
// Units: bytes. Thread: any. Errors: none.
#pragma once

#include <string>
#include <string_view>

namespace lapwright::core {

/// One line of at most `most` bytes: control characters become '?', what is too long ends in "...".
std::string one_line(std::string_view text, std::size_t most = 400);

}  // namespace lapwright::core
