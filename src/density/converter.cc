#include <array>

#include "density/density.h"
#include "density/paper.h"
#include "density/trim.h"

namespace lapwright::density {
namespace {

constexpr std::size_t codes = 65536;
constexpr double least_count = 2;      // darker than this nothing is known (trade.md 4.5 step 2)
constexpr double lowest_grey = -1.5;   // scaled net density, clear holes included
constexpr double grey_span = 6;        // so one step of the grey table is 0.0001 D

std::uint16_t code16(double v) { return static_cast<std::uint16_t>(v * 65535 + 0.5); }

double gain(const profile::Channels& c, std::size_t i) { return i == 0 ? c.red : i == 1 ? c.green : c.blue; }

}  // namespace

struct Converter::Tables {
  bool neutral = false;
  std::array<std::array<std::uint16_t, codes>, 3> out{};  // neutral: out[0] over the summed grey index
  std::array<std::array<std::int32_t, codes>, 3> part{};  // neutral only: each channel's part of the grey index, times 256
};

Converter::Converter(const profile::StockProfile& stock, const Measured& measured) : tables_(std::make_unique<Tables>()) {
  const PaperCurve paper(stock.paper);
  const TrimCurve trim(stock.trim);
  const auto scaled = [&](std::size_t c, std::size_t count) {
    const double net = std::log10(measured.base.counts[c] / std::max(static_cast<double>(count), least_count));
    return gain(stock.gain, c) * net - gain(stock.offset, c);
  };
  const auto positive = [&](double density, std::size_t c) {
    return code16(trim.encode(paper.light(paper.print(measured.exposure - density)), c));
  };
  switch (stock.process) {
    case profile::Process::colour_negative:
      for (std::size_t c = 0; c < 3; ++c)
        for (std::size_t i = 0; i < codes; ++i) tables_->out[c][i] = positive(scaled(c, i), c);
      break;
    case profile::Process::bw_negative: {
      // A luminance of net densities: neutral whatever the base's colour (silver and chromogenic).
      constexpr double weight[3] = {0.25, 0.5, 0.25};
      tables_->neutral = true;
      for (std::size_t c = 0; c < 3; ++c)
        for (std::size_t i = 0; i < codes; ++i)
          tables_->part[c][i] = static_cast<std::int32_t>(
              std::lround(weight[c] * (scaled(c, i) - lowest_grey) / grey_span * static_cast<double>(codes - 1) * 256));
      for (std::size_t i = 0; i < codes; ++i) {
        const double density = lowest_grey + grey_span * static_cast<double>(i) / static_cast<double>(codes - 1);
        tables_->out[0][i] = positive(density, 1);
      }
      break;
    }
    case profile::Process::slide:
      for (std::size_t c = 0; c < 3; ++c)
        for (std::size_t i = 0; i < codes; ++i) {
          const double light = static_cast<double>(i) / measured.open_light.counts[c] * std::pow(10.0, measured.exposure);
          tables_->out[c][i] = code16(trim.encode(std::min(light, 1.0), c));
        }
      break;
  }
}

Converter::~Converter() = default;
Converter::Converter(Converter&&) noexcept = default;

void Converter::rows(const std::uint16_t* linear, std::uint16_t* srgb, std::int64_t pixels) const {
  const Tables& t = *tables_;
  if (t.neutral) {
    for (std::int64_t i = 0; i < pixels; ++i, linear += 3, srgb += 3) {
      const std::int32_t sum = t.part[0][linear[0]] + t.part[1][linear[1]] + t.part[2][linear[2]];
      const auto at = static_cast<std::size_t>(std::clamp((sum + 128) >> 8, 0, static_cast<std::int32_t>(codes - 1)));
      srgb[0] = srgb[1] = srgb[2] = t.out[0][at];
    }
    return;
  }
  for (std::int64_t i = 0; i < pixels; ++i, linear += 3, srgb += 3) {
    srgb[0] = t.out[0][linear[0]];
    srgb[1] = t.out[1][linear[1]];
    srgb[2] = t.out[2][linear[2]];
  }
}

Result<> PositiveSource::read(std::int64_t first, std::int64_t rows, std::uint16_t* out) {
  if (auto r = sheet_.read(first, rows, out); !r) return r;
  converter_.rows(out, out, rows * width());
  return {};
}

}  // namespace lapwright::density
