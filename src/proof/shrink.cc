#include "proof/shrink.h"

#include <algorithm>
#include <cmath>

#include "proof/tone.h"

namespace lapwright::proof {

Shrink::Shrink(std::int64_t in_width, std::int64_t in_height, std::int64_t out_width, std::int64_t out_height, Taker taker)
    : in_width_(in_width), in_height_(in_height), out_width_(out_width), out_height_(out_height), taker_(std::move(taker)),
      across_(static_cast<std::size_t>(out_width * 3)), sum_(across_.size()), out_(across_.size()) {}

void Shrink::add(double weight) {
  const auto w = static_cast<float>(weight);
  for (std::size_t i = 0; i < sum_.size(); ++i) sum_[i] += across_[i] * w;
}

Result<> Shrink::row(const std::uint16_t* code) {
  const auto& light = light_of_code();
  const double step = static_cast<double>(in_width_) / static_cast<double>(out_width_);
  for (std::int64_t x = 0; x < out_width_; ++x) {
    const double from = static_cast<double>(x) * step, to = from + step;
    const auto first = static_cast<std::int64_t>(from);
    const std::int64_t last = std::min(static_cast<std::int64_t>(std::ceil(to)), in_width_);
    float sum[3] = {0, 0, 0};
    for (std::int64_t i = first; i < last; ++i) {
      const auto weight = static_cast<float>(std::min(static_cast<double>(i + 1), to) - std::max(static_cast<double>(i), from));
      for (int c = 0; c < 3; ++c) sum[c] += weight * static_cast<float>(light[code[i * 3 + c]]);
    }
    for (int c = 0; c < 3; ++c) across_[static_cast<std::size_t>(x * 3 + c)] = sum[c] / static_cast<float>(step);
  }
  const double tall = static_cast<double>(in_height_) / static_cast<double>(out_height_);
  const auto y = static_cast<double>(in_y_++);
  while (out_y_ < out_height_) {
    const double from = static_cast<double>(out_y_) * tall, to = from + tall;
    const double weight = std::min(y + 1, to) - std::max(y, from);
    if (weight > 0) add(weight / tall);
    const bool complete = to <= y + 1 + 1e-9 || in_y_ == in_height_;
    if (!complete) break;
    const auto& encode = code_of_light();
    for (std::size_t i = 0; i < sum_.size(); ++i)
      out_[i] = encode[static_cast<std::size_t>(std::clamp(sum_[i] + 0.5F, 0.0F, 65535.0F))];
    std::fill(sum_.begin(), sum_.end(), 0.0F);
    ++out_y_;
    if (auto r = taker_(out_.data()); !r) return r;
    if (static_cast<double>(out_y_) * tall >= y + 1 - 1e-9) break;
  }
  return {};
}

}  // namespace lapwright::proof
