#include <array>

#include "density/density.h"
#include "density/evenness.h"
#include "density/paper.h"
#include "density/stock_curve.h"
#include "density/trim.h"

namespace lapwright::density {
namespace {

constexpr std::size_t codes = 65536;
constexpr double least_count = 2;       // darker than this nothing is known (trade.md 4.5 step 2)
constexpr double lowest_net = -1.5;     // of density tables, clear holes included
constexpr double net_span = 6;          // so one step of a density table is 0.0001 D
constexpr double steps_a_density = static_cast<double>(codes - 1) / net_span;

std::uint16_t code16(double v) { return static_cast<std::uint16_t>(v * 65535 + 0.5); }
std::size_t step_of(float net) {
  return static_cast<std::size_t>(
      std::clamp((net - static_cast<float>(lowest_net)) * static_cast<float>(steps_a_density) + 0.5F, 0.0F, static_cast<float>(codes - 1)));
}
double net_of(std::size_t step) { return lowest_net + static_cast<double>(step) / steps_a_density; }

}  // namespace

struct Converter::Tables {
  enum class Way { straight, mixed, neutral } way = Way::straight;
  std::array<std::vector<std::uint16_t>, 3> out;   // straight: by count; else by step of net density (neutral: the first alone)
  std::array<std::vector<float>, 3> net;           // by count, where channels are mixed or made neutral
  std::array<std::array<float, 3>, 3> mix{};
  LightField light;
  std::array<float, 3> flare{};

  void pixels(const std::uint16_t* in, std::uint16_t* to, std::int64_t n) const {
    const std::uint16_t* const end = in + n * 3;
    switch (way) {
      case Way::straight:
        for (; in < end; in += 3, to += 3)
          to[0] = out[0][in[0]], to[1] = out[1][in[1]], to[2] = out[2][in[2]];
        return;
      case Way::mixed:
        for (; in < end; in += 3, to += 3) {
          const float d[3] = {net[0][in[0]], net[1][in[1]], net[2][in[2]]};
          for (std::size_t c = 0; c < 3; ++c)
            to[c] = out[c][step_of(mix[c][0] * d[0] + mix[c][1] * d[1] + mix[c][2] * d[2])];
        }
        return;
      case Way::neutral:
        for (; in < end; in += 3, to += 3)
          to[0] = to[1] = to[2] =
              out[0][step_of(net[0][in[0]] + net[1][in[1]] + net[2][in[2]])];
        return;
    }
  }
};

Converter::Converter(const profile::StockProfile& stock, const Measured& measured) : tables_(std::make_unique<Tables>()) {
  using Way = Tables::Way;
  Tables& t = *tables_;
  if (measured.evenness) t.light = LightField(*measured.evenness);
  for (std::size_t c = 0; c < 3; ++c) t.flare[c] = static_cast<float>(measured.flare[c]);
  for (auto& table : t.out) table.resize(codes);
  const PaperCurve paper(stock.paper);
  const StraightToe toe(stock.toe);
  const bool neutral = stock.process == profile::Process::bw_negative;
  const TrimCurve trim(neutral ? Retrim::without_colour(stock.trim) : stock.trim);
  const auto known = [&](std::size_t c, double count) { return std::max(count - measured.flare[c], least_count); };
  const auto positive = [&](double density, std::size_t c) {
    return code16(trim.encode(paper.light(paper.print(measured.exposure + measured.shift[c] - toe(density))), c));
  };
  if (stock.process == profile::Process::slide) {
    for (std::size_t c = 0; c < 3; ++c)
      for (std::size_t i = 0; i < codes; ++i) {
        const double light = std::max(0.0, static_cast<double>(i) - measured.flare[c]) /
                             known(c, measured.open_light.counts[c]) * std::pow(10.0, measured.exposure + measured.shift[c]);
        t.out[c][i] = code16(trim.encode(std::min(light, 1.0), c));
      }
    return;
  }
  t.way = neutral ? Way::neutral : stock.crosstalk ? Way::mixed : Way::straight;
  const auto net = [&](std::size_t c, std::size_t count) {
    return std::log10(known(c, measured.base.counts[c]) / known(c, static_cast<double>(count)));
  };
  std::vector<StockCurve> curves;
  for (std::size_t c = 0; c < 3; ++c)
    curves.push_back(measured.balance ? StockCurve(measured.balance->curve[c]) : StockCurve::of(stock, c));
  if (t.way != Way::straight) {
    // A luminance of the channels' densities is neutral whatever the base's colour (silver and chromogenic).
    constexpr double weight[3] = {0.25, 0.5, 0.25};
    for (auto& table : t.net) table.resize(codes);
    for (std::size_t c = 0; c < 3; ++c)
      for (std::size_t i = 0; i < codes; ++i)
        t.net[c][i] = static_cast<float>(neutral ? weight[c] * curves[c](net(c, i)) : net(c, i));
  }
  if (stock.crosstalk)
    for (std::size_t i = 0; i < 3; ++i)
      for (std::size_t j = 0; j < 3; ++j) t.mix[i][j] = static_cast<float>((*stock.crosstalk)[i][j]);
  for (std::size_t c = 0; c < (neutral ? 1U : 3U); ++c)
    for (std::size_t i = 0; i < codes; ++i)
      t.out[c][i] = neutral                  ? positive(net_of(i), 1)
                    : t.way == Way::straight ? positive(curves[c](net(c, i)), c)
                                             : positive(curves[c](net_of(i)), c);
}

Converter::~Converter() = default;
Converter::Converter(Converter&&) noexcept = default;

void Converter::rows(const std::uint16_t* linear, std::uint16_t* srgb, std::int64_t pixels) const {
  tables_->pixels(linear, srgb, pixels);
}

void Converter::part(const std::uint16_t* linear, std::uint16_t* srgb, const Part& p) const {
  const Tables& t = *tables_;
  if (t.light.even()) return rows(linear, srgb, p.n);
  const double v = 2 * (static_cast<double>(p.y) + 0.5) / static_cast<double>(p.height) - 1;
  float across[3];
  for (std::size_t c = 0; c < 3; ++c) across[c] = static_cast<float>(1 / t.light.across(c, v));
  // The light changes slowly: its inverse is exact every `step` pixels, straight between them.
  constexpr std::int64_t step = 64;
  constexpr std::size_t lanes = 48;  // samples: the same three channels, for the compiler's vectors
  const auto inverse = [&](std::size_t c, std::int64_t x) {
    return across[c] / static_cast<float>(t.light.along(
                           c, 2 * (static_cast<double>(x) + 0.5) / static_cast<double>(p.width) - 1));
  };
  float at[lanes], slope[lanes], flare[lanes], pixel[lanes];
  for (std::size_t i = 0; i < lanes; ++i)
    flare[i] = t.flare[i % 3], pixel[i] = static_cast<float>(i / 3);
  std::uint16_t even[step * 3];
  const std::int64_t end = p.x + p.n;
  // From whole steps on, so that a place converts alike whatever part it is asked for in.
  for (std::int64_t x0 = p.x / step * step, x = p.x; x < end; x0 += step) {
    for (std::size_t c = 0; c < 3; ++c) {
      const float here = inverse(c, x0);
      const float change = (inverse(c, x0 + step) - here) / static_cast<float>(step);
      for (std::size_t i = c; i < lanes; i += 3) at[i] = here, slope[i] = change;
    }
    const std::int64_t last = std::min(x0 + step, end);
    const auto lit_evenly = [&](std::size_t lane, float from_x0, std::uint16_t sample) {
      const float factor = at[lane] + slope[lane] * from_x0;
      const float count = (static_cast<float>(sample) - flare[lane]) * factor + flare[lane] + 0.5F;
      return static_cast<std::uint16_t>(
          static_cast<std::int32_t>(std::min(std::max(count, 0.0F), 65535.0F)));
    };
    const std::int64_t n = last - x;
    if (n == step) {
      for (std::size_t block = 0; block < step * 3; block += lanes)
        for (std::size_t i = 0; i < lanes; ++i)
          even[block + i] =
              lit_evenly(i, pixel[i] + static_cast<float>(block / 3), linear[block + i]);
    } else {
      for (std::int64_t i = 0; i < n * 3; ++i)
        even[i] = lit_evenly(static_cast<std::size_t>(i % 3),
                             static_cast<float>(x - x0 + i / 3), linear[i]);
    }
    t.pixels(even, srgb, n);
    x = last, linear += n * 3, srgb += n * 3;
  }
}

Result<> PositiveSource::read(std::int64_t first, std::int64_t rows, std::uint16_t* out) {
  if (auto r = sheet_.read(first, rows, out); !r) return r;
  for (std::int64_t i = 0; i < rows; ++i)
    converter_.part(out + i * width() * 3, out + i * width() * 3, {0, first + i, width(), width(), height()});
  return {};
}

Result<> PositiveSource::read_block(std::int64_t x, std::int64_t columns, std::int64_t first, std::int64_t rows, std::uint16_t* out) {
  if (auto r = sheet_.read_block(x, columns, first, rows, out); !r) return r;
  for (std::int64_t i = 0; i < rows; ++i)
    converter_.part(out + i * columns * 3, out + i * columns * 3, {x, first + i, columns, width(), height()});
  return {};
}

}  // namespace lapwright::density
