// A text as a QR code, for a screen and for a terminal.
//
// Invariants: four light modules all round; dark on light. Units: modules. Thread: any. Errors: an
// empty text comes back when it is too long.
#pragma once

#include <string>

namespace lapwright::review {

std::string qr_svg(const std::string& text);
/// UTF-8 half blocks, two rows of modules a line. With `colour` black on white by ANSI escapes; else
/// as it is right on a dark terminal.
std::string qr_blocks(const std::string& text, bool colour);

}  // namespace lapwright::review
