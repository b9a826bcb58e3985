// Lengths, pixels, resolutions and densities, each a type of its own.
//
// Invariants: a pixel count turned into micrometres and back is the same count up to 25 400 ppi.
// Units: as each type says. Thread: values, no shared state. Errors: none.
#pragma once

#include <cmath>
#include <compare>
#include <cstdint>

namespace lapwright::core {

/// A length in whole micrometres; the unit of every plan and profile.
struct Micrometres {
  std::int64_t value = 0;
  constexpr auto operator<=>(const Micrometres&) const = default;
  /// Nearest micrometre to a length in millimetres, halves away from zero.
  static constexpr Micrometres from_mm(double mm) {
    return {static_cast<std::int64_t>(mm * 1000.0 + (mm < 0 ? -0.5 : 0.5))};
  }
  constexpr double mm() const { return static_cast<double>(value) / 1000.0; }
  constexpr Micrometres operator-() const { return {-value}; }
  constexpr Micrometres& operator+=(Micrometres o) {
    value += o.value;
    return *this;
  }
  constexpr Micrometres& operator-=(Micrometres o) {
    value -= o.value;
    return *this;
  }
};
constexpr Micrometres operator+(Micrometres a, Micrometres b) { return {a.value + b.value}; }
constexpr Micrometres operator-(Micrometres a, Micrometres b) { return {a.value - b.value}; }
constexpr Micrometres operator*(Micrometres a, std::int64_t n) { return {a.value * n}; }
constexpr Micrometres operator*(std::int64_t n, Micrometres a) { return {a.value * n}; }
constexpr Micrometres operator/(Micrometres a, std::int64_t n) { return {a.value / n}; }

/// A count of pixels along one axis. 64 bits, since lines * bytes passes 2^32 on ordinary film.
struct Pixels {
  std::int64_t value = 0;
  constexpr auto operator<=>(const Pixels&) const = default;
  constexpr Pixels& operator+=(Pixels o) {
    value += o.value;
    return *this;
  }
  constexpr Pixels& operator-=(Pixels o) {
    value -= o.value;
    return *this;
  }
};
constexpr Pixels operator+(Pixels a, Pixels b) { return {a.value + b.value}; }
constexpr Pixels operator-(Pixels a, Pixels b) { return {a.value - b.value}; }

/// Pixels per inch; one pixel is 25.4/ppi mm.
struct Ppi {
  std::int32_t value = 0;
  constexpr auto operator<=>(const Ppi&) const = default;
  /// Length of one pixel in millimetres.
  constexpr double mm_per_pixel() const { return 25.4 / value; }
  constexpr double pixels_per_mm() const { return value / 25.4; }
};

/// log10(1/T), T the transmission between 0 and 1.
struct Density {
  double value = 0;
  constexpr auto operator<=>(const Density&) const = default;
};

/// Nearest whole pixel count to a length.
inline Pixels to_pixels(Micrometres length, Ppi ppi) {
  return {std::llround(static_cast<double>(length.value) * ppi.value / 25400.0)};
}
/// Nearest micrometre to a pixel count; to_pixels(to_micrometres(n)) == n up to 25 400 ppi.
inline Micrometres to_micrometres(Pixels n, Ppi ppi) {
  return {std::llround(static_cast<double>(n.value) * 25400.0 / ppi.value)};
}

constexpr std::int64_t bytes_per_pixel = 6;  // RGB, 16 bits a sample

namespace literals {
constexpr Micrometres operator""_mm(long double v) {
  return Micrometres::from_mm(static_cast<double>(v));
}
constexpr Micrometres operator""_mm(unsigned long long v) {
  return {static_cast<std::int64_t>(v) * 1000};
}
constexpr Micrometres operator""_um(unsigned long long v) { return {static_cast<std::int64_t>(v)}; }
}  // namespace literals

}  // namespace lapwright::core

namespace lapwright {
using core::Density;
using core::Micrometres;
using core::Pixels;
using core::Ppi;
}  // namespace lapwright
