#include "join/piece_view.h"

#include <algorithm>
#include <cmath>
#include <cstring>

#include "join/kernel.h"

namespace lapwright::join {
namespace {

constexpr double exact_enough = 1.0 / 2048;  // px: half a phase of the kernel
constexpr std::int64_t part_u = 64,
                       part_v = 256;  // px resampled at a time: what a core's cache holds
constexpr std::int64_t turned_part = 128;

bool is_whole(double v) { return std::abs(v - std::round(v)) < exact_enough; }

}  // namespace

PieceView::PieceView(const Piece& piece, const SheetGeometry& sheet)
    : piece_(piece),
      sheet_(sheet),
      to_sleeve_(sheet.sleeve_to_sheet().inverse()),
      to_pass_(core::compose(piece.placement.affine, to_sleeve_)),
      bend_(piece.placement),
      swapped_(std::abs(to_pass_.b) > std::abs(to_pass_.a)) {
  for (std::size_t c = 0; c < 3; ++c)
    unit_light_ = unit_light_ && piece.light.gain[c] == 1.0 && piece.light.drift[c] == 0.0;
  const double mm = sheet.ppi.mm_per_pixel();
  const std::int64_t step_x = node_spacing(bend_, to_pass_.b, piece.placement.followed.x * mm);
  const std::int64_t step_y = node_spacing(bend_, to_pass_.d, piece.placement.followed.y * mm);
  step_u_ = swapped_ ? step_y : step_x, step_v_ = swapped_ ? step_x : step_y;
  // Exact when all corners of the sheet fall on whole pixels with a linear part of 0 and +-1.
  exact_ = piece.placement.straight();
  for (const double v : {to_pass_.a, to_pass_.b, to_pass_.c, to_pass_.d})
    exact_ = exact_ && std::abs(v - std::round(v)) < 1e-3;
  exact_ = exact_ && std::abs(std::abs(std::round(to_pass_.a) * std::round(to_pass_.d) -
                                       std::round(to_pass_.b) * std::round(to_pass_.c)) -
                              1) < 1e-9;
  for (int i = 0; exact_ && i < 4; ++i) {
    const double x = i & 1 ? static_cast<double>(sheet.width) : 0,
                 y = i & 2 ? static_cast<double>(sheet.height) : 0;
    const Spot<PassSpace> p = to_pass_({x, y});
    exact_ = is_whole(p.x) && is_whole(p.y) &&
             std::round(p.x) ==
                 std::round(to_pass_.a) * x + std::round(to_pass_.c) * y + std::round(to_pass_.e) &&
             std::round(p.y) ==
                 std::round(to_pass_.b) * x + std::round(to_pass_.d) * y + std::round(to_pass_.f);
  }
  if (exact_)
    for (double* v : {&to_pass_.a, &to_pass_.b, &to_pass_.c, &to_pass_.d, &to_pass_.e, &to_pass_.f})
      *v = std::round(*v);
}

Spot<PassSpace> PieceView::place(double sheet_x, double sheet_y) const {
  return exact_ ? to_pass_({sheet_x, sheet_y}) : piece_.placement(to_sleeve_({sheet_x, sheet_y}));
}

bool PieceView::shows_at(double sheet_x, double sheet_y) const {
  const auto w = static_cast<double>(piece_.picture->width()),
             h = static_cast<double>(piece_.picture->height());
  const auto within = [&](Spot<PassSpace> p, double by) {
    return p.x >= by && p.y >= by && p.x <= w - by && p.y <= h - by;
  };
  const Spot<PassSpace> roughly = to_pass_({sheet_x, sheet_y});
  if (exact_ || within(roughly, bend_.reach)) return exact_ ? within(roughly, 0) : true;
  return within(roughly, -bend_.reach) && within(place(sheet_x, sheet_y), 0);
}

Tile PieceView::footprint() const {
  double l = 1e300, t = 1e300, r = -1e300, b = -1e300;
  const auto to_sheet = to_pass_.inverse();
  const double more = bend_.reach + 1, w = static_cast<double>(piece_.picture->width()) + more,
               h = static_cast<double>(piece_.picture->height()) + more;
  for (const double x : {-more, w})
    for (const double y : {-more, h}) {
      const Spot<SheetSpace> s = to_sheet({x, y});
      l = std::min(l, s.x), r = std::max(r, s.x), t = std::min(t, s.y), b = std::max(b, s.y);
    }
  const auto width = static_cast<double>(sheet_.width), height = static_cast<double>(sheet_.height);
  l = std::clamp(std::floor(l), 0.0, width), r = std::clamp(std::ceil(r), l, width);
  t = std::clamp(std::floor(t), 0.0, height), b = std::clamp(std::ceil(b), t, height);
  return {static_cast<std::int64_t>(l), static_cast<std::int64_t>(t),
          static_cast<std::int64_t>(r - l), static_cast<std::int64_t>(b - t)};
}

Shows PieceView::shows(const Tile& tile, double inset) const {
  // The curves bend a tile's edge by far less than this between its corners.
  const double slack = exact_ ? 0 : 2;
  double l = 1e300, t = 1e300, r = -1e300, b = -1e300;
  for (int i = 0; i < 4; ++i) {
    const Spot<PassSpace> p =
        place(static_cast<double>(tile.x) + (i & 1 ? static_cast<double>(tile.width) - 0.5 : 0.5),
              static_cast<double>(tile.y) + (i & 2 ? static_cast<double>(tile.height) - 0.5 : 0.5));
    l = std::min(l, p.x), r = std::max(r, p.x), t = std::min(t, p.y), b = std::max(b, p.y);
  }
  const auto w = static_cast<double>(piece_.picture->width()) - inset,
             h = static_cast<double>(piece_.picture->height()) - inset;
  if (l - slack >= inset && t - slack >= inset && r + slack <= w && b + slack <= h)
    return Shows::all;
  if (r + slack < inset || b + slack < inset || l - slack > w || t - slack > h)
    return Shows::nothing;
  return Shows::part;
}

std::array<double, 3> PieceView::light(double pass_row) const {
  std::array<double, 3> out{};
  for (std::size_t c = 0; c < 3; ++c)
    out[c] =
        piece_.light.gain[c] * std::pow(10.0, piece_.light.drift[c] * pass_row /
                                                  static_cast<double>(piece_.picture->height()));
  return out;
}

Result<> PieceView::read(const Block& b, std::uint16_t* out) const {
  const std::lock_guard lock(reading_);
  return piece_.picture->read_block(b.x, b.width, b.y, b.height, out);
}

Result<> PieceView::bring(const Tile& tile, std::uint16_t* out, std::int64_t stride,
                          Workspace& work) const {
  const bool copied = exact_ && shows(tile) == Shows::all;
  if (!copied) return resample(tile, out, stride, work);
  if (auto r = swapped_ ? copy_turned(tile, out, stride, work) : copy(tile, out, stride, work);
      !r || unit_light_)
    return r;
  const auto row_of = [&](std::int64_t x, std::int64_t y) {
    return to_pass_({static_cast<double>(tile.x + x) + 0.5, static_cast<double>(tile.y + y) + 0.5})
               .y -
           0.5;
  };
  std::vector<std::array<float, 3>>
      factors;  // of the tile's rows, or of its columns where those are the pass's rows
  for (std::int64_t i = 0; i < (swapped_ ? tile.width : tile.height); ++i) {
    const auto f = light(swapped_ ? row_of(i, 0) : row_of(0, i));
    factors.push_back(
        {static_cast<float>(f[0]), static_cast<float>(f[1]), static_cast<float>(f[2])});
  }
  for (std::int64_t y = 0; y < tile.height; ++y) {
    std::uint16_t* p = out + y * stride;
    for (std::int64_t x = 0; x < tile.width; ++x, p += 3) {
      const auto& f = factors[static_cast<std::size_t>(swapped_ ? x : y)];
      for (std::size_t c = 0; c < 3; ++c) p[c] = to_sample(static_cast<float>(p[c]) * f[c]);
    }
  }
  return {};
}

Result<> PieceView::copy(const Tile& tile, std::uint16_t* out, std::int64_t stride,
                         Workspace&) const {
  const auto a = static_cast<std::int64_t>(to_pass_.a), d = static_cast<std::int64_t>(to_pass_.d);
  const Spot<PassSpace> p =
      to_pass_({static_cast<double>(tile.x) + 0.5, static_cast<double>(tile.y) + 0.5});
  const auto x = static_cast<std::int64_t>(std::floor(p.x)) - (a < 0 ? tile.width - 1 : 0),
             y = static_cast<std::int64_t>(std::floor(p.y));
  for (std::int64_t k = 0; k < tile.height; ++k) {
    // In the order of the file.
    const std::int64_t line = d < 0 ? tile.height - 1 - k : k;
    std::uint16_t* to = out + line * stride;
    if (auto r = read({x, y + d * line, tile.width, 1}, to); !r) return r;
    if (a > 0) continue;
    for (std::uint16_t *left = to, *right = to + (tile.width - 1) * 3; left < right;
         left += 3, right -= 3)
      for (int c = 0; c < 3; ++c) std::swap(left[c], right[c]);
  }
  return {};
}

Result<> PieceView::copy_turned(const Tile& tile, std::uint16_t* out, std::int64_t stride,
                                Workspace& work) const {
  const auto b = static_cast<std::int64_t>(to_pass_.b), c = static_cast<std::int64_t>(to_pass_.c);
  for (std::int64_t first = 0; first < tile.width; first += turned_part) {
    const std::int64_t n = std::min(turned_part, tile.width - first);
    const Spot<PassSpace> p =
        to_pass_({static_cast<double>(tile.x + first) + 0.5, static_cast<double>(tile.y) + 0.5});
    const Block block{static_cast<std::int64_t>(std::floor(p.x)) - (c < 0 ? tile.height - 1 : 0),
                      static_cast<std::int64_t>(std::floor(p.y)) - (b < 0 ? n - 1 : 0), tile.height,
                      n};
    work.samples.resize(static_cast<std::size_t>(block.width * block.height * 3));
    if (auto r = read(block, work.samples.data()); !r) return r;
    for (std::int64_t y = 0; y < tile.height; ++y) {
      std::uint16_t* to = out + y * stride + first * 3;
      const std::uint16_t* from =
          work.samples.data() +
          ((b < 0 ? n - 1 : 0) * block.width + (c < 0 ? tile.height - 1 - y : y)) * 3;
      for (std::int64_t x = 0; x < n; ++x, to += 3, from += b * block.width * 3)
        to[0] = from[0], to[1] = from[1], to[2] = from[2];
    }
  }
  return {};
}

Result<> PieceView::resample(const Tile& tile, std::uint16_t* out, std::int64_t stride,
                             Workspace& work) const {
  const std::int64_t w = piece_.picture->width(), h = piece_.picture->height();
  const auto x0 = static_cast<double>(tile.x) + 0.5, y0 = static_cast<double>(tile.y) + 0.5;
  const std::int64_t across = swapped_ ? tile.height : tile.width,
                     down = swapped_ ? tile.width : tile.height;
  work.grid.make(across, down, step_u_, step_v_, [&](double u, double v) {
    const Spot<PassSpace> p = swapped_ ? place(x0 + v, y0 + u) : place(x0 + u, y0 + v);
    return Spot<PassSpace>{p.x - 0.5, p.y - 0.5};
  });
  // What of the pass is needed: at least a pixel, where the tile lies beside it.
  const auto b = work.grid.bounds();
  const auto from = [](double least, std::int64_t most) {
    return static_cast<std::int64_t>(
        std::clamp(std::floor(least) - taps_before, 0.0, static_cast<double>(most - 1)));
  };
  const auto until = [](double most, std::int64_t first, std::int64_t size) {
    return static_cast<std::int64_t>(std::clamp(std::floor(most) + taps - taps_before + 2,
                                                static_cast<double>(first + 1),
                                                static_cast<double>(size)));
  };
  Block block{from(b.left, w), from(b.top, h), 0, 0};
  block.width = until(b.right, block.x, w) - block.x;
  block.height = until(b.bottom, block.y, h) - block.y;
  work.samples.resize(static_cast<std::size_t>(block.width * block.height * 3 + 1));
  if (auto r = read(block, work.samples.data()); !r) return r;
  for (std::int64_t v = 0; v < down; v += part_v)
    for (std::int64_t u = 0; u < across; u += part_u) {
      const Block part{u, v, std::min(part_u, across - u), std::min(part_v, down - v)};
      resample_part(block, part, out + (swapped_ ? u * stride + v * 3 : v * stride + u * 3), stride,
                    work);
    }
  return {};
}

void PieceView::resample_part(const Block& block, const Block& part, std::uint16_t* out,
                              std::int64_t stride, Workspace& work) const {
  constexpr std::int64_t after = taps - taps_before + 1;
  const auto b = work.grid.bounds(part.x, part.y, part.width, part.height);
  const auto last_x = static_cast<double>(piece_.picture->width() - 1),
             last_y = static_cast<double>(piece_.picture->height() - 1);
  // Places far beside the pass are none of its; they are kept near so that buffers stay small.
  constexpr double beside = 8;
  const auto near = [](double v, double last) { return std::clamp(v, -beside, last + beside); };
  const auto top = static_cast<std::int64_t>(std::floor(near(b.top, last_y))) - taps_before;
  const std::int64_t rows =
      static_cast<std::int64_t>(std::floor(near(b.bottom, last_y))) + after - top;
  // Columns that do not begin in the same sets of the cache.
  const std::int64_t pitch = (rows | 3) + 2;
  work.columns.resize(static_cast<std::size_t>(part.width * pitch * 4));
  work.places.resize(static_cast<std::size_t>(std::max(part.width, part.height)));
  float* places = work.places.data();
  const double origin = std::floor(near(b.left, last_x));
  const auto least_place = static_cast<float>(-beside - origin),
             most_place = static_cast<float>(last_x + beside - origin);

  for (std::int64_t r = 0; r < rows; ++r) {
    const std::int64_t row = std::clamp(top + r, block.y, block.y + block.height - 1);
    work.grid.xs(static_cast<double>(top + r), part.x, part.y, part.width, part.height, origin,
                 places);
    for (std::int64_t i = 0; i < part.width; ++i)
      places[i] = std::clamp(places[i], least_place, most_place);
    const auto ends = std::minmax(places[0], places[part.width - 1]);
    const auto first = static_cast<std::int64_t>(std::floor(ends.first)) - taps_before - 1;
    const std::int64_t width =
        static_cast<std::int64_t>(std::floor(ends.second)) + after + 1 - first;
    const auto left = static_cast<std::int64_t>(origin) + first;
    for (std::int64_t i = 0; i < part.width; ++i) places[i] -= static_cast<float>(first);
    work.line.resize(static_cast<std::size_t>(width * 4));
    const std::int64_t x0 = std::clamp(left, block.x, block.x + block.width - 1),
                       x1 = std::clamp(left + width, x0 + 1, block.x + block.width);
    std::array<float, 3> factor{1, 1, 1};
    if (!unit_light_) {
      const auto f = light(static_cast<double>(row));
      for (std::size_t c = 0; c < 3; ++c) factor[c] = static_cast<float>(f[c]);
    }
    const std::int64_t begin = std::clamp<std::int64_t>(x0 - left, 0, width - 1),
                       end = begin + std::min(x1 - x0, width - begin);
    widen(work.samples.data() + ((row - block.y) * block.width + x0 - block.x) * 3, end - begin,
          factor, work.line.data() + begin * 4);
    for (std::int64_t i = 0; i < begin; ++i)
      std::memcpy(work.line.data() + i * 4, work.line.data() + begin * 4, 4 * sizeof(float));
    for (std::int64_t i = end; i < width; ++i)
      std::memcpy(work.line.data() + i * 4, work.line.data() + (end - 1) * 4, 4 * sizeof(float));
    resample_line(work.line.data(), places, part.width, work.columns.data() + r * 4, pitch * 4);
  }

  const std::int64_t step =
      swapped_ ? 3 : part.width * 3 + 1;  // a sample is written beyond each pixel
  work.turned.resize(static_cast<std::size_t>(step * part.height + 4));
  for (std::int64_t u = 0; u < part.width; ++u) {
    work.grid.ys(part.x + u, part.y, part.height, static_cast<double>(top), places);
    for (std::int64_t v = 0; v < part.height; ++v)
      places[v] =
          std::clamp(places[v], static_cast<float>(taps_before), static_cast<float>(rows - taps + taps_before));
    resample_line(work.columns.data() + u * pitch * 4, places, part.height,
                  work.turned.data() + (swapped_ ? 0 : u * 3), step);
    if (swapped_)
      std::memcpy(out + u * stride, work.turned.data(), static_cast<std::size_t>(part.height) * 6);
  }
  if (!swapped_)
    for (std::int64_t v = 0; v < part.height; ++v)
      std::memcpy(out + v * stride, work.turned.data() + v * step,
                  static_cast<std::size_t>(part.width) * 6);
}

Result<> PieceView::means(const Tile& tile, std::int64_t cell, std::vector<float>& out,
                          Workspace& work) const {
  const std::int64_t columns = tile.width / cell, lines = tile.height / cell,
                     w = piece_.picture->width(), h = piece_.picture->height();
  // Every second row is enough, and half of the reading.
  const std::int64_t each = cell >= 6 ? 2 : 1;
  const auto half = static_cast<double>(cell) / 2;
  std::vector<Spot<PassSpace>> corners(static_cast<std::size_t>(columns * lines));
  double l = 1e300, t = 1e300, r = -1e300, b = -1e300;
  for (std::int64_t j = 0; j < lines; ++j)
    for (std::int64_t i = 0; i < columns; ++i) {
      Spot<PassSpace> p = place(static_cast<double>(tile.x + i * cell) + half,
                                static_cast<double>(tile.y + j * cell) + half);
      p.x = std::clamp(std::round(p.x - half), 0.0,
                       static_cast<double>(std::max<std::int64_t>(0, w - cell)));
      p.y = std::clamp(std::round(p.y - half), 0.0,
                       static_cast<double>(std::max<std::int64_t>(0, h - cell)));
      corners[static_cast<std::size_t>(j * columns + i)] = p;
      l = std::min(l, p.x), r = std::max(r, p.x), t = std::min(t, p.y), b = std::max(b, p.y);
    }
  const std::int64_t wide = std::min(cell, w), high = std::min(cell, h);
  const Block block{static_cast<std::int64_t>(l), static_cast<std::int64_t>(t),
                    static_cast<std::int64_t>(r - l) + wide,
                    static_cast<std::int64_t>(b - t) + high};
  work.samples.resize(static_cast<std::size_t>(block.width * block.height * 3));
  if (each == 1) {
    if (auto read_it = read(block, work.samples.data()); !read_it) return read_it;
  } else {
    for (std::int64_t y = 0; y < block.height; ++y)
      if ((block.y + y) % each == 0)
        if (auto read_it = read({block.x, block.y + y, block.width, 1},
                                work.samples.data() + y * block.width * 3);
            !read_it)
          return read_it;
  }
  out.resize(corners.size() * 3);
  const auto factor = light((t + b) / 2);
  for (std::size_t k = 0; k < corners.size(); ++k) {
    const auto x = static_cast<std::int64_t>(corners[k].x) - block.x,
               y = static_cast<std::int64_t>(corners[k].y) - block.y;
    std::array<std::uint32_t, 3> sum{};
    std::int64_t n = 0;
    for (std::int64_t j = (block.y + y) % each == 0 ? 0 : each - 1; j < high;
         j += each, n += wide) {
      const std::uint16_t* p = work.samples.data() + ((y + j) * block.width + x) * 3;
      for (std::int64_t i = 0; i < wide; ++i, p += 3)
        sum[0] += p[0], sum[1] += p[1], sum[2] += p[2];
    }
    for (std::size_t c = 0; c < 3; ++c)
      out[k * 3 + c] = static_cast<float>(sum[c] * factor[c] /
                                          static_cast<double>(std::max<std::int64_t>(n, 1)));
  }
  return {};
}

}  // namespace lapwright::join
