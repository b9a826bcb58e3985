#include "join/kernel.h"

#include <cmath>
#include <cstring>
#include <numbers>
#include <vector>

#include "core/clones.h"

namespace lapwright::join {
namespace {

using Matrix = std::array<std::array<double, taps>, taps>;
using Vector = std::array<double, taps>;

constexpr double used_band = 0.355;  // cycles a pixel; Nyquist is 0.5
constexpr double beyond_weight = 1e-3;
constexpr double low_band = 0.2, low_extra = 3;

/// Integral of weight(f) * cos(2 pi f d) over 0 .. 0.5.
double band_integral(double d) {
  const auto upto = [d](double f) {
    const double w = 2 * std::numbers::pi * d;
    return std::abs(d) < 1e-12 ? f : std::sin(w * f) / w;
  };
  return upto(used_band) + beyond_weight * (upto(0.5) - upto(used_band)) +
         low_extra * upto(low_band);
}

/// Solves a x = b for a symmetric positive definite (Cholesky).
Vector solve(const Matrix& a, const Vector& b) {
  Matrix l{};
  for (std::size_t i = 0; i < taps; ++i)
    for (std::size_t j = 0; j <= i; ++j) {
      double s = a[i][j];
      for (std::size_t k = 0; k < j; ++k) s -= l[i][k] * l[j][k];
      l[i][j] = i == j ? std::sqrt(s) : s / l[j][j];
    }
  Vector y{}, x{};
  for (std::size_t i = 0; i < taps; ++i) {
    double s = b[i];
    for (std::size_t k = 0; k < i; ++k) s -= l[i][k] * y[k];
    y[i] = s / l[i][i];
  }
  for (std::size_t i = taps; i-- > 0;) {
    double s = y[i];
    for (std::size_t k = i + 1; k < taps; ++k) s -= l[k][i] * x[k];
    x[i] = s / l[i][i];
  }
  return x;
}

/// Each weight four times, one for each float of a pixel.
struct alignas(32) Spread {
  std::array<float, taps * 4> weights;
};

struct Tables {
  std::array<std::array<float, taps>, phases + 1> weights;
  std::vector<Spread> spread;

  Tables() : spread(phases + 1) {
    Matrix a{};
    Vector ones{};
    ones.fill(1);
    for (std::size_t i = 0; i < taps; ++i)
      for (std::size_t j = 0; j < taps; ++j)
        a[i][j] = band_integral(static_cast<double>(i) - static_cast<double>(j));
    const Vector pull = solve(a, ones);
    double pull_sum = 0;
    for (const double v : pull) pull_sum += v;
    for (int phase = 0; phase <= phases; ++phase) {
      Vector b{};
      for (std::size_t i = 0; i < taps; ++i)
        b[i] = band_integral(static_cast<double>(i) - taps_before -
                             static_cast<double>(phase) / phases);
      Vector h = solve(a, b);
      double sum = 0;
      for (const double v : h) sum += v;
      for (std::size_t i = 0; i < taps; ++i) {
        h[i] += (1 - sum) / pull_sum * pull[i];
        if (phase % phases == 0) h[i] = static_cast<int>(i) == taps_before + phase / phases ? 1 : 0;
        weights[static_cast<std::size_t>(phase)][i] = static_cast<float>(h[i]);
        for (std::size_t k = 0; k < 4; ++k)
          spread[static_cast<std::size_t>(phase)].weights[i * 4 + k] = static_cast<float>(h[i]);
      }
    }
  }
};

const Tables& tables() {
  static const Tables t;
  return t;
}

using Pair = float __attribute__((vector_size(32)));  // two pixels
using Quad = float __attribute__((vector_size(16)));  // one
using Quad32 = std::int32_t __attribute__((vector_size(16)));
using Quad16 = std::uint16_t __attribute__((vector_size(8)));

/// As they lie in memory, wherever that is.
using LyingPair = float __attribute__((vector_size(32), aligned(4), may_alias));

/// Where the ten samples of some places begin, and which weights they take.
struct Positions {
  static constexpr std::int64_t most = 64;
  std::int32_t first[most], phase[most];
};

inline __attribute__((always_inline)) void find_positions(const float* at, std::int64_t n,
                                                          Positions& p) {
  for (std::int64_t i = 0; i < n; ++i) {
    const auto whole = static_cast<std::int32_t>(at[i]);
    p.first[i] = whole - taps_before;
    p.phase[i] = static_cast<std::int32_t>((at[i] - static_cast<float>(whole)) * phases + 0.5F);
  }
}

inline __attribute__((always_inline)) Quad pixel_at(const Spread* spread, const float* line,
                                                    std::int32_t first, std::int32_t phase) {
  const auto* w = reinterpret_cast<const Pair*>(spread + phase);
  const auto* s = reinterpret_cast<const LyingPair*>(line + static_cast<std::int64_t>(first) * 4);
  const Pair sum = (s[0] * w[0] + s[1] * w[1]) + (s[2] * w[2] + s[3] * w[3]) + s[4] * w[4];
  return __builtin_shufflevector(sum, sum, 0, 1, 2, 3) +
         __builtin_shufflevector(sum, sum, 4, 5, 6, 7);
}

/// Gives `each` the pixel of every place.
template <class Each>
inline __attribute__((always_inline)) void each_pixel(const float* line, const float* at,
                                                      std::int64_t n, const Each& each) {
  const Spread* spread = tables().spread.data();
  Positions p;
  for (std::int64_t i = 0; i < n; i += Positions::most) {
    const std::int64_t many = std::min(n - i, Positions::most);
    find_positions(at + i, many, p);
    for (std::int64_t k = 0; k < many; ++k)
      each(i + k, pixel_at(spread, line, p.first[k], p.phase[k]));
  }
}

}  // namespace

const std::array<float, taps>& kernel(int phase) {
  return tables().weights[static_cast<std::size_t>(phase)];
}

LAPWRIGHT_CLONES("avx2")
void widen(const std::uint16_t* samples, std::int64_t n, const std::array<float, 3>& factor,
           float* line) {
  const Quad f{factor[0], factor[1], factor[2], 0};
  for (std::int64_t i = 0; i < n; ++i) {
    Quad16 s;
    std::memcpy(&s, samples + i * 3, sizeof s);
    const Quad pixel = __builtin_convertvector(__builtin_convertvector(s, Quad32), Quad) * f;
    std::memcpy(line + i * 4, &pixel, sizeof pixel);
  }
}

LAPWRIGHT_CLONES("avx2")
void resample_line(const float* line, const float* at, std::int64_t n, float* out,
                   std::int64_t step) {
  each_pixel(
      line, at, n, [=](std::int64_t i, Quad pixel) __attribute__((always_inline)) {
        std::memcpy(out + i * step, &pixel, sizeof pixel);
      });
}

LAPWRIGHT_CLONES("avx2")
void resample_line(const float* line, const float* at, std::int64_t n, std::uint16_t* out,
                   std::int64_t step) {
  each_pixel(
      line, at, n, [=](std::int64_t i, Quad pixel) __attribute__((always_inline)) {
        constexpr Quad32 least{0, 0, 0, 0}, most{65535, 65535, 65535, 65535};
        Quad32 whole = __builtin_convertvector(pixel + 0.5F, Quad32);
        whole = whole > least ? whole : least;
        whole = whole < most ? whole : most;
        const Quad16 samples = __builtin_convertvector(whole, Quad16);
        std::memcpy(out + i * step, &samples, sizeof samples);
      });
}

namespace scalar {

void widen(const std::uint16_t* samples, std::int64_t n, const std::array<float, 3>& factor,
           float* line) {
  for (std::int64_t i = 0; i < n; ++i)
    for (std::int64_t c = 0; c < 3; ++c)
      line[i * 4 + c] =
          static_cast<float>(samples[i * 3 + c]) * factor[static_cast<std::size_t>(c)];
}

void resample_line(const float* line, const float* at, std::int64_t n, float* out,
                   std::int64_t step) {
  for (std::int64_t i = 0; i < n; ++i) {
    Positions p;
    find_positions(at + i, 1, p);
    const auto& w = kernel(p.phase[0]);
    for (std::int64_t c = 0; c < 4; ++c) {
      float sum = 0;
      for (std::int64_t k = 0; k < taps; ++k)
        sum += w[static_cast<std::size_t>(k)] * line[(p.first[0] + k) * 4 + c];
      out[i * step + c] = sum;
    }
  }
}

void resample_line(const float* line, const float* at, std::int64_t n, std::uint16_t* out,
                   std::int64_t step) {
  float pixel[4];
  for (std::int64_t i = 0; i < n; ++i) {
    resample_line(line, at + i, 1, pixel, 4);
    for (std::int64_t c = 0; c < 4; ++c) out[i * step + c] = to_sample(pixel[c]);
  }
}

}  // namespace scalar

}  // namespace lapwright::join
