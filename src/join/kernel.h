// The interpolation kernel: ten taps an axis, least-squares optimal for the band that a picture
// uses.
//
// For each of 1024 sub-pixel phases the taps minimise the squared error of the response over 0 to
// 0.71 of Nyquist (four times as strictly below 0.4, beyond with a small weight, so that it stays
// bounded), with unit gain for constant light. Stated error: at most 0.5 % RMS for any wave up to
// 0.7 Nyquist (tests/join/kernel_test.cc). Phase 0 copies.
// Invariants: a line is floats, four a pixel (R, G, B, unused). The scalar functions are the same
//   in plain C++, for the tests to compare with; they agree to a count.
// Units: pixels; positions count from the centre of the line's first pixel. Thread: const after
//   first use. Errors: none.
#pragma once

#include <algorithm>
#include <array>
#include <cstdint>

namespace lapwright::join {

constexpr int taps = 10, taps_before = 4, phases = 1024;

/// Weights of the samples floor(x) - 4 ... floor(x) + 5 for a position whose fraction is phase /
/// 1024.
const std::array<float, taps>& kernel(int phase);

inline std::uint16_t to_sample(float v) {
  return static_cast<std::uint16_t>(std::clamp(v + 0.5F, 0.0F, 65535.0F));
}

/// n pixels of samples times `factor`. Reads one sample beyond them.
void widen(const std::uint16_t* samples, std::int64_t n, const std::array<float, 3>& factor,
           float* line);

/// A pixel for each of `n` places; each needs its ten pixels inside the line. `step`: floats or
/// samples from one to the next; a fourth, unused one is written with each.
void resample_line(const float* line, const float* at, std::int64_t n, float* out,
                   std::int64_t step);
void resample_line(const float* line, const float* at, std::int64_t n, std::uint16_t* out,
                   std::int64_t step);

namespace scalar {
void widen(const std::uint16_t* samples, std::int64_t n, const std::array<float, 3>& factor,
           float* line);
void resample_line(const float* line, const float* at, std::int64_t n, float* out,
                   std::int64_t step);
void resample_line(const float* line, const float* at, std::int64_t n, std::uint16_t* out,
                   std::int64_t step);
}  // namespace scalar

}  // namespace lapwright::join
