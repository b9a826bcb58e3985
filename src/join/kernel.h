// The interpolation kernel: ten taps an axis, least-squares optimal for the band that a picture uses.
//
// For each of 1024 sub-pixel phases the taps minimise the squared error of the response over 0 to 0.71 of Nyquist
// (four times as strictly below 0.4, beyond with a small weight, so that it stays bounded), with unit gain for constant light. Stated error: at most
// 0.5 % RMS for any wave up to 0.7 Nyquist (tests/join/kernel_test.cc). Phase 0 copies.
// Units: pixels; positions count from the centre of the block's first pixel. Thread: const after first use. Errors: none.
#pragma once

#include <array>
#include <cstdint>

namespace lapwright::join {

constexpr int taps = 10, taps_before = 4, phases = 1024;

/// Weights of the samples floor(x) - 4 ... floor(x) + 5 for a position whose fraction is phase / 1024.
const std::array<float, taps>& kernel(int phase);

/// Four floats a pixel (R, G, B, unused). Each of `n` places needs its ten columns and rows inside the block.
void resample_row(const float* block, std::int64_t block_width, const float* xs, const float* ys, std::int64_t n, float* out);

}  // namespace lapwright::join
