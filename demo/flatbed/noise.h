// Repeatable irregularity: hashes, soft noise, normal deviates. All pure functions of their arguments.
//
// Units: none. Thread: any. Errors: none.
#pragma once

#include <cmath>
#include <cstdint>

namespace lapwright::flatbed {

inline std::uint32_t hash32(std::uint32_t x) {
  x ^= x >> 16;
  x *= 0x7feb352dU;
  x ^= x >> 15;
  x *= 0x846ca68bU;
  return x ^ (x >> 16);
}
inline std::uint32_t hash32(std::uint32_t a, std::uint32_t b) { return hash32(a ^ hash32(b + 0x9e3779b9U)); }
/// 0 .. 1.
inline float unit(std::uint32_t h) { return static_cast<float>(h >> 8) * (1.0F / 16777216.0F); }

/// A stream of repeatable numbers.
class Dice {
 public:
  explicit Dice(std::uint32_t seed) : state_(hash32(seed + 0x51ed27U)) {}
  std::uint32_t bits() { return state_ = hash32(state_ + 0x9e3779b9U); }
  float roll() { return unit(bits()); }
  float roll(float low, float high) { return low + (high - low) * roll(); }
  int pick(int n) { return static_cast<int>(bits() % static_cast<std::uint32_t>(n)); }
  /// Mean 0, sigma 1.
  float normal() {
    const float u = roll() + 1e-7F, v = roll();
    return std::sqrt(-2.0F * std::log(u)) * std::cos(6.2831853F * v);
  }

 private:
  std::uint32_t state_;
};

/// Smooth value noise, 0 .. 1, one lump per unit.
inline float lumps(float x, float y, std::uint32_t seed) {
  const float fx = std::floor(x), fy = std::floor(y);
  const auto ix = static_cast<std::uint32_t>(static_cast<std::int32_t>(fx));
  const auto iy = static_cast<std::uint32_t>(static_cast<std::int32_t>(fy));
  float u = x - fx, v = y - fy;
  u = u * u * (3 - 2 * u);
  v = v * v * (3 - 2 * v);
  const auto corner = [seed](std::uint32_t i, std::uint32_t j) {
    return unit(hash32(i * 0x8da6b343U ^ j * 0xd8163841U ^ seed * 0xcb1ab31fU));
  };
  const float a = corner(ix, iy), b = corner(ix + 1, iy), c = corner(ix, iy + 1), d = corner(ix + 1, iy + 1);
  return (a + (b - a) * u) + ((c + (d - c) * u) - (a + (b - a) * u)) * v;
}

/// Lumps on lumps, 0 .. 1.
inline float cloudy(float x, float y, std::uint32_t seed, int octaves = 5) {
  float sum = 0, weight = 0.5F, total = 0;
  for (int i = 0; i < octaves; ++i) {
    sum += weight * lumps(x, y, seed + static_cast<std::uint32_t>(i) * 101U);
    total += weight;
    weight *= 0.5F;
    const float t = x * 1.6F + y * 1.2F;
    y = y * 1.6F - x * 1.2F;
    x = t;
  }
  return sum / total;
}

inline float smooth_step(float low, float high, float x) {
  const float t = std::fmin(1.0F, std::fmax(0.0F, (x - low) / (high - low)));
  return t * t * (3 - 2 * t);
}

}  // namespace lapwright::flatbed
