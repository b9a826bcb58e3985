#include "image/rgb.h"

#include <algorithm>
#include <cstring>

namespace lapwright::image {

Result<> RowSource::read_block(std::int64_t x, std::int64_t columns, std::int64_t first,
                               std::int64_t rows, std::uint16_t* out) {
  std::vector<std::uint16_t> row(static_cast<std::size_t>(width() * 3));
  for (std::int64_t y = 0; y < rows; ++y) {
    if (auto r = read(first + y, 1, row.data()); !r) return r;
    std::memcpy(out + y * columns * 3, row.data() + x * 3, static_cast<std::size_t>(columns * 3) * 2);
  }
  return {};
}

Result<> MemorySource::read_block(std::int64_t x, std::int64_t columns, std::int64_t first,
                                  std::int64_t rows, std::uint16_t* out) {
  for (std::int64_t y = 0; y < rows; ++y)
    std::memcpy(out + y * columns * 3, picture_.row(first + y) + x * 3, static_cast<std::size_t>(columns * 3) * 2);
  return {};
}

Result<> MemorySource::read(std::int64_t first, std::int64_t rows, std::uint16_t* out) {
  std::memcpy(out, picture_.row(first), static_cast<std::size_t>(rows * picture_.width() * 3) * 2);
  return {};
}

Result<Rgb16> reduced(RowSource& source, std::int64_t x, std::int64_t y, std::int64_t width,
                      std::int64_t height, std::int64_t factor) {
  const std::int64_t x0 = std::clamp<std::int64_t>(x, 0, source.width());
  const std::int64_t y0 = std::clamp<std::int64_t>(y, 0, source.height());
  const std::int64_t x1 = std::clamp<std::int64_t>(x + width, x0, source.width());
  const std::int64_t y1 = std::clamp<std::int64_t>(y + height, y0, source.height());
  Rgb16 out((x1 - x0) / factor, (y1 - y0) / factor);
  if (out.width() == 0 || out.height() == 0) return out;
  const std::int64_t across = x1 - x0, full = across * 3;
  std::vector<std::uint16_t> rows(static_cast<std::size_t>(full * factor));
  std::vector<std::uint64_t> sums(static_cast<std::size_t>(out.width() * 3));
  const auto area = static_cast<std::uint64_t>(factor * factor);
  for (std::int64_t oy = 0; oy < out.height(); ++oy) {
    const std::int64_t first = y0 + oy * factor;
    if (auto r = across == source.width() ? source.read(first, factor, rows.data())
                                          : source.read_block(x0, across, first, factor, rows.data());
        !r)
      return fail(r.error());
    std::fill(sums.begin(), sums.end(), 0);
    for (std::int64_t k = 0; k < factor; ++k) {
      const std::uint16_t* in = rows.data() + k * full;
      for (std::int64_t ox = 0; ox < out.width(); ++ox) {
        std::uint64_t r = 0, g = 0, b = 0;
        for (std::int64_t i = 0; i < factor; ++i, in += 3) r += in[0], g += in[1], b += in[2];
        std::uint64_t* s = sums.data() + ox * 3;
        s[0] += r, s[1] += g, s[2] += b;
      }
    }
    std::uint16_t* o = out.row(oy);
    for (std::size_t i = 0; i < sums.size(); ++i)
      o[i] = static_cast<std::uint16_t>((sums[i] + area / 2) / area);
  }
  return out;
}

}  // namespace lapwright::image
