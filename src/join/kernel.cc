#include "join/kernel.h"

#include <cmath>
#include <cstring>
#include <numbers>
#include <vector>

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
  return upto(used_band) + beyond_weight * (upto(0.5) - upto(used_band)) + low_extra * upto(low_band);
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

struct Tables {
  std::array<std::array<float, taps>, phases + 1> weights;
  /// Each weight four times, one for each float of a pixel.
  std::vector<float> spread;

  Tables() : spread(static_cast<std::size_t>((phases + 1) * taps * 4)) {
    Matrix a{};
    Vector ones{};
    ones.fill(1);
    for (std::size_t i = 0; i < taps; ++i)
      for (std::size_t j = 0; j < taps; ++j) a[i][j] = band_integral(static_cast<double>(i) - static_cast<double>(j));
    const Vector pull = solve(a, ones);
    double pull_sum = 0;
    for (const double v : pull) pull_sum += v;
    for (int phase = 0; phase <= phases; ++phase) {
      Vector b{};
      for (std::size_t i = 0; i < taps; ++i)
        b[i] = band_integral(static_cast<double>(i) - taps_before - static_cast<double>(phase) / phases);
      Vector h = solve(a, b);
      double sum = 0;
      for (const double v : h) sum += v;
      for (std::size_t i = 0; i < taps; ++i) {
        h[i] += (1 - sum) / pull_sum * pull[i];
        if (phase % phases == 0) h[i] = static_cast<int>(i) == taps_before + phase / phases ? 1 : 0;
        weights[static_cast<std::size_t>(phase)][i] = static_cast<float>(h[i]);
        for (std::size_t k = 0; k < 4; ++k)
          spread[(static_cast<std::size_t>(phase) * taps + i) * 4 + k] = static_cast<float>(h[i]);
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

}  // namespace

const std::array<float, taps>& kernel(int phase) { return tables().weights[static_cast<std::size_t>(phase)]; }

#if defined(__x86_64__)
__attribute__((target_clones("arch=haswell", "default")))
#endif
void resample_row(const float* block, std::int64_t block_width, const float* xs, const float* ys, std::int64_t n, float* out) {
  const Tables& t = tables();
  const float* spread = t.spread.data();
  for (std::int64_t i = 0; i < n; ++i) {
    const auto x = static_cast<std::int32_t>(xs[i]), y = static_cast<std::int32_t>(ys[i]);
    const auto px = static_cast<std::int32_t>((xs[i] - static_cast<float>(x)) * phases + 0.5F);
    const auto py = static_cast<std::int32_t>((ys[i] - static_cast<float>(y)) * phases + 0.5F);
    Pair wx[taps / 2];
    std::memcpy(wx, spread + static_cast<std::int64_t>(px) * taps * 4, sizeof wx);
    const float* wy = t.weights[static_cast<std::size_t>(py)].data();
    const float* row = block + ((y - taps_before) * block_width + (x - taps_before)) * 4;
    Pair sum{};
    for (int r = 0; r < taps; ++r, row += block_width * 4) {
      Pair p[taps / 2];
      std::memcpy(p, row, sizeof p);
      const Pair line = (p[0] * wx[0] + p[1] * wx[1]) + (p[2] * wx[2] + p[3] * wx[3]) + p[4] * wx[4];
      sum += line * wy[r];
    }
    Quad halves[2];
    std::memcpy(halves, &sum, sizeof halves);
    const Quad pixel = halves[0] + halves[1];
    std::memcpy(out + i * 4, &pixel, sizeof pixel);
  }
}

}  // namespace lapwright::join
