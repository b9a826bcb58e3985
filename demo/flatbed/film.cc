#include "film.h"

#include <cmath>

namespace lapwright::flatbed {
namespace {

constexpr double lowest = -4, highest = 3, steps = 512;  // log10 exposure; steps a decade

double soft_corner(double x, double width) {
  return x > 20 * width ? x : width * std::log1p(std::exp(x / width));
}

double negative_net(double log_e, double gamma, double speed) {
  const double x = log_e - std::log10(0.18) + 0.8 + speed;  // mid grey stands 0.8 above the toe
  return gamma * (soft_corner(x, 0.16) - soft_corner(x - 2.9, 0.35));
}

double density(Process process, std::size_t channel, double log_e) {
  constexpr double base[3] = {0.32, 0.63, 0.72}, contrast[3] = {0.8515, 1.0, 1.0396};
  constexpr double speed[3] = {0.011 / 0.6, 0, 0.120 / 0.6};
  switch (process) {
    case Process::colour_negative:
      return base[channel] + negative_net(log_e, 0.6 * contrast[channel], speed[channel]);
    case Process::bw_negative:
      return 0.28 + negative_net(log_e, 0.62, 0);
    case Process::slide: {
      constexpr double low = 0.15, high = 3.3;
      const double x = log_e - std::log10(0.18) + 0.42;
      return low + (high - low) / (1 + std::exp(4 * 1.8 * x / (high - low)));
    }
  }
  return 0;
}

}  // namespace

Film::Film(Process process) : process_(process) {
  for (std::size_t c = 0; c < 3; ++c) {
    for (int i = 0; i <= (highest - lowest) * steps; ++i) {
      curve_[c].push_back(static_cast<float>(density(process, c, lowest + i / steps)));
    }
  }
}

Densities Film::at(const Light& exposure) const {
  Light e = exposure;
  if (process_ == Process::bw_negative) e.fill(0.3F * e[0] + 0.5F * e[1] + 0.2F * e[2]);
  Densities d{};
  for (std::size_t c = 0; c < 3; ++c) {
    const double log_e = e[c] > 1e-4F ? std::log10(static_cast<double>(e[c])) : lowest;
    const auto last = static_cast<double>(curve_[c].size() - 2);
    const double at = std::fmin(last, std::fmax(0, (log_e - lowest) * steps));
    const auto i = static_cast<std::size_t>(at);
    const auto part = static_cast<float>(at - static_cast<double>(i));
    d[c] = curve_[c][i] + part * (curve_[c][i + 1] - curve_[c][i]);
  }
  return d;
}

Transmission::Transmission() {
  for (int i = 0; i < 8 * 2048; ++i) {
    table_.push_back(static_cast<float>(std::pow(10.0, -(i + 0.5) / 2048.0)));
  }
  table_[0] = 1.0F;
}

}  // namespace lapwright::flatbed
