// Between sRGB codes, linear light and 8 bits, row by row.
//
// Invariants: grey stays grey; averaging is done in linear light. Units: samples of 0..65535 (code or light), 8-bit codes.
// Thread: const tables, made once. Errors: none.
#pragma once

#include <cstdint>
#include <vector>

namespace lapwright::proof {

/// sRGB code to linear light, both 16-bit.
const std::vector<std::uint16_t>& light_of_code();
/// Linear light to sRGB code, both 16-bit.
const std::vector<std::uint16_t>& code_of_light();

/// 16-bit codes to 8 bits, dithered by place; one threshold for a pixel's three samples, so that grey stays grey.
void to_8bit(const std::uint16_t* code, std::int64_t pixels, std::int64_t y, std::uint8_t* out);

}  // namespace lapwright::proof
