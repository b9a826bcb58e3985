#include "join/piece_view.h"

#include <algorithm>
#include <cmath>
#include <cstring>

#include "join/kernel.h"

namespace lapwright::join {
namespace {

constexpr std::int64_t grid = 16;
constexpr double exact_enough = 1.0 / 2048;  // px: half a phase of the kernel

bool is_whole(double v) { return std::abs(v - std::round(v)) < exact_enough; }

}  // namespace

PieceView::PieceView(const Piece& piece, const SheetGeometry& sheet)
    : piece_(piece), to_sleeve_(sheet.sleeve_to_sheet().inverse()), to_pass_(core::compose(piece.placement.affine, to_sleeve_)) {
  for (std::size_t c = 0; c < 3; ++c) unit_light_ = unit_light_ && piece.light.gain[c] == 1.0 && piece.light.drift[c] == 0.0;
  // Exact when all corners of the sheet fall on whole pixels with a linear part of 0 and +-1.
  exact_ = piece.placement.straight();
  for (const double v : {to_pass_.a, to_pass_.b, to_pass_.c, to_pass_.d}) exact_ = exact_ && std::abs(v - std::round(v)) < 1e-3;
  exact_ = exact_ && std::abs(std::abs(std::round(to_pass_.a) * std::round(to_pass_.d) - std::round(to_pass_.b) * std::round(to_pass_.c)) - 1) < 1e-9;
  for (int i = 0; exact_ && i < 4; ++i) {
    const double x = i & 1 ? static_cast<double>(sheet.width) : 0, y = i & 2 ? static_cast<double>(sheet.height) : 0;
    const Spot<PassSpace> p = to_pass_({x, y});
    exact_ = is_whole(p.x) && is_whole(p.y) &&
             std::round(p.x) == std::round(to_pass_.a) * x + std::round(to_pass_.c) * y + std::round(to_pass_.e) &&
             std::round(p.y) == std::round(to_pass_.b) * x + std::round(to_pass_.d) * y + std::round(to_pass_.f);
  }
  if (exact_)
    for (double* v : {&to_pass_.a, &to_pass_.b, &to_pass_.c, &to_pass_.d, &to_pass_.e, &to_pass_.f}) *v = std::round(*v);
}

Spot<PassSpace> PieceView::place(double sheet_x, double sheet_y) const {
  return exact_ ? to_pass_({sheet_x, sheet_y}) : piece_.placement(to_sleeve_({sheet_x, sheet_y}));
}

bool PieceView::shows_at(double sheet_x, double sheet_y, double inset) const {
  const Spot<PassSpace> p = place(sheet_x, sheet_y);
  return p.x >= inset && p.y >= inset && p.x <= static_cast<double>(piece_.picture->width()) - inset &&
         p.y <= static_cast<double>(piece_.picture->height()) - inset;
}

Shows PieceView::shows(const Tile& tile, double inset) const {
  // The curves bend a tile's edge by far less than this between its corners.
  const double slack = exact_ ? 0 : 2;
  double l = 1e300, t = 1e300, r = -1e300, b = -1e300;
  for (int i = 0; i < 4; ++i) {
    const Spot<PassSpace> p = place(static_cast<double>(tile.x) + (i & 1 ? static_cast<double>(tile.width) - 0.5 : 0.5),
                                    static_cast<double>(tile.y) + (i & 2 ? static_cast<double>(tile.height) - 0.5 : 0.5));
    l = std::min(l, p.x), r = std::max(r, p.x), t = std::min(t, p.y), b = std::max(b, p.y);
  }
  const auto w = static_cast<double>(piece_.picture->width()) - inset, h = static_cast<double>(piece_.picture->height()) - inset;
  if (l - slack >= inset && t - slack >= inset && r + slack <= w && b + slack <= h) return Shows::all;
  if (r + slack < inset || b + slack < inset || l - slack > w || t - slack > h) return Shows::nothing;
  return Shows::part;
}

std::array<double, 3> PieceView::light(double pass_row) const {
  std::array<double, 3> out{};
  for (std::size_t c = 0; c < 3; ++c)
    out[c] = piece_.light.gain[c] * std::pow(10.0, piece_.light.drift[c] * pass_row / static_cast<double>(piece_.picture->height()));
  return out;
}

Result<> PieceView::read(const Block& b, std::uint16_t* out) const {
  const std::lock_guard lock(reading_);
  return piece_.picture->read_block(b.x, b.width, b.y, b.height, out);
}

Result<> PieceView::copy(const Tile& tile, std::uint16_t* out, std::int64_t stride, Workspace& work) const {
  const auto a = static_cast<std::int64_t>(to_pass_.a), b = static_cast<std::int64_t>(to_pass_.b);
  const auto c = static_cast<std::int64_t>(to_pass_.c), d = static_cast<std::int64_t>(to_pass_.d);
  const Spot<PassSpace> p = to_pass_({static_cast<double>(tile.x) + 0.5, static_cast<double>(tile.y) + 0.5});
  const auto x0 = static_cast<std::int64_t>(std::floor(p.x)), y0 = static_cast<std::int64_t>(std::floor(p.y));
  const std::int64_t x1 = x0 + a * (tile.width - 1) + c * (tile.height - 1), y1 = y0 + b * (tile.width - 1) + d * (tile.height - 1);
  const Block block{std::min(x0, x1), std::min(y0, y1), std::abs(x1 - x0) + 1, std::abs(y1 - y0) + 1};
  work.samples.resize(static_cast<std::size_t>(block.width * block.height * 3));
  if (auto r = read(block, work.samples.data()); !r) return r;
  for (std::int64_t y = 0; y < tile.height; ++y) {
    const std::uint16_t* from = work.samples.data() + ((y0 + d * y - block.y) * block.width + (x0 + c * y - block.x)) * 3;
    const std::int64_t step = (b * block.width + a) * 3;
    std::uint16_t* to = out + y * stride;
    if (step == 3) {
      std::memcpy(to, from, static_cast<std::size_t>(tile.width * 3) * sizeof *to);
      continue;
    }
    for (std::int64_t x = 0; x < tile.width; ++x, from += step, to += 3) to[0] = from[0], to[1] = from[1], to[2] = from[2];
  }
  return {};
}

Result<> PieceView::load_block(const Block& b, Workspace& work) const {
  const std::int64_t w = piece_.picture->width(), h = piece_.picture->height();
  Block in;
  in.x = std::clamp<std::int64_t>(b.x, 0, w - 1);
  in.y = std::clamp<std::int64_t>(b.y, 0, h - 1);
  in.width = std::clamp<std::int64_t>(b.x + b.width, in.x + 1, w) - in.x;
  in.height = std::clamp<std::int64_t>(b.y + b.height, in.y + 1, h) - in.y;
  work.samples.resize(static_cast<std::size_t>(in.width * in.height * 3));
  if (auto r = read(in, work.samples.data()); !r) return r;
  work.block.resize(static_cast<std::size_t>(b.width * b.height * 4));
  const std::int64_t before = in.x - b.x, after = b.width - before - in.width;
  for (std::int64_t y = 0; y < b.height; ++y) {
    const std::int64_t row = std::clamp<std::int64_t>(b.y + y, in.y, in.y + in.height - 1) - in.y;
    const std::uint16_t* from = work.samples.data() + row * in.width * 3;
    float* line = work.block.data() + y * b.width * 4;
    float* to = line + before * 4;
    for (std::int64_t x = 0; x < in.width; ++x, from += 3, to += 4)
      to[0] = static_cast<float>(from[0]), to[1] = static_cast<float>(from[1]), to[2] = static_cast<float>(from[2]), to[3] = 0;
    for (std::int64_t x = 0; x < before; ++x) std::memcpy(line + x * 4, line + before * 4, 16);
    for (std::int64_t x = 0; x < after; ++x) std::memcpy(to + x * 4, to - 4, 16);
  }
  return {};
}

Result<> PieceView::bring(const Tile& tile, float* out, Workspace& work) const {
  const std::int64_t columns = (tile.width + grid - 1) / grid + 1, lines = (tile.height + grid - 1) / grid + 1;
  work.nodes.resize(static_cast<std::size_t>(columns * lines));
  double l = 1e300, t = 1e300, r = -1e300, b = -1e300;
  for (std::int64_t j = 0; j < lines; ++j)
    for (std::int64_t i = 0; i < columns; ++i) {
      // Positions as counted from the centre of pixel (0, 0), kept near the pass so that far-off tiles stay small.
      Spot<PassSpace> p = place(static_cast<double>(tile.x + i * grid) + 0.5, static_cast<double>(tile.y + j * grid) + 0.5);
      p.x = std::clamp(p.x - 0.5, -8.0, static_cast<double>(piece_.picture->width()) + 7);
      p.y = std::clamp(p.y - 0.5, -8.0, static_cast<double>(piece_.picture->height()) + 7);
      work.nodes[static_cast<std::size_t>(j * columns + i)] = p;
      l = std::min(l, p.x), r = std::max(r, p.x), t = std::min(t, p.y), b = std::max(b, p.y);
    }
  Block block;
  block.x = static_cast<std::int64_t>(std::floor(l)) - taps_before;
  block.y = static_cast<std::int64_t>(std::floor(t)) - taps_before;
  block.width = static_cast<std::int64_t>(std::floor(r)) + taps - taps_before + 1 - block.x;
  block.height = static_cast<std::int64_t>(std::floor(b)) + taps - taps_before + 1 - block.y;
  if (auto loaded = load_block(block, work); !loaded) return loaded;

  const auto n = static_cast<std::size_t>(tile.width);
  work.xs.resize(n);
  work.ys.resize(n);
  const bool drifts = piece_.light.drift != std::array<double, 3>{0, 0, 0};
  for (std::int64_t y = 0; y < tile.height; ++y) {
    const std::int64_t j = y / grid;
    const double v = static_cast<double>(y % grid) / grid;
    const Spot<PassSpace>* above = work.nodes.data() + j * columns;
    const Spot<PassSpace>* below = above + columns;
    for (std::int64_t i = 0; i + 1 < columns; ++i) {
      const double xa = above[i].x + v * (below[i].x - above[i].x) - static_cast<double>(block.x);
      const double ya = above[i].y + v * (below[i].y - above[i].y) - static_cast<double>(block.y);
      const double xb = above[i + 1].x + v * (below[i + 1].x - above[i + 1].x) - static_cast<double>(block.x);
      const double yb = above[i + 1].y + v * (below[i + 1].y - above[i + 1].y) - static_cast<double>(block.y);
      const auto x_step = static_cast<float>((xb - xa) / grid), y_step = static_cast<float>((yb - ya) / grid);
      const std::int64_t many = std::min(grid, tile.width - i * grid);
      float* xs = work.xs.data() + i * grid;
      float* ys = work.ys.data() + i * grid;
      for (std::int64_t k = 0; k < many; ++k) {
        xs[k] = static_cast<float>(xa) + static_cast<float>(k) * x_step;
        ys[k] = static_cast<float>(ya) + static_cast<float>(k) * y_step;
      }
    }
    float* line = out + y * tile.width * 4;
    resample_row(work.block.data(), block.width, work.xs.data(), work.ys.data(), tile.width, line);
    if (unit_light_) continue;
    // The drift over a row of a tile is so small that a straight line follows it.
    const auto first = light(static_cast<double>(block.y) + static_cast<double>(work.ys.front()));
    const auto last = drifts ? light(static_cast<double>(block.y) + static_cast<double>(work.ys.back())) : first;
    for (std::size_t c = 0; c < 3; ++c) {
      const auto start = static_cast<float>(first[c]), step = static_cast<float>((last[c] - first[c]) / std::max(1.0, static_cast<double>(tile.width - 1)));
      for (std::int64_t x = 0; x < tile.width; ++x) line[x * 4 + static_cast<std::int64_t>(c)] *= start + static_cast<float>(x) * step;
    }
  }
  return {};
}

Result<> PieceView::glance(const Tile& tile, std::int64_t columns, std::int64_t lines, std::vector<float>& out, Workspace& work) const {
  work.nodes.resize(static_cast<std::size_t>(columns * lines));
  double l = 1e300, t = 1e300, r = -1e300, b = -1e300;
  const auto w = static_cast<double>(piece_.picture->width()), h = static_cast<double>(piece_.picture->height());
  const double x_step = static_cast<double>(tile.width) / static_cast<double>(columns), y_step = static_cast<double>(tile.height) / static_cast<double>(lines);
  for (std::int64_t j = 0; j < lines; ++j)
    for (std::int64_t i = 0; i < columns; ++i) {
      Spot<PassSpace> p = place(static_cast<double>(tile.x) + (static_cast<double>(i) + 0.5) * x_step,
                                static_cast<double>(tile.y) + (static_cast<double>(j) + 0.5) * y_step);
      p.x = std::clamp(std::floor(p.x), 0.0, w - 1), p.y = std::clamp(std::floor(p.y), 0.0, h - 1);
      work.nodes[static_cast<std::size_t>(j * columns + i)] = p;
      l = std::min(l, p.x), r = std::max(r, p.x), t = std::min(t, p.y), b = std::max(b, p.y);
    }
  const Block block{static_cast<std::int64_t>(l), static_cast<std::int64_t>(t), static_cast<std::int64_t>(r - l) + 1, static_cast<std::int64_t>(b - t) + 1};
  work.samples.resize(static_cast<std::size_t>(block.width * block.height * 3));
  if (auto read_it = read(block, work.samples.data()); !read_it) return read_it;
  out.resize(work.nodes.size() * 3);
  const auto factor = light((t + b) / 2);
  for (std::size_t k = 0; k < work.nodes.size(); ++k) {
    const auto x = static_cast<std::int64_t>(work.nodes[k].x) - block.x, y = static_cast<std::int64_t>(work.nodes[k].y) - block.y;
    const std::uint16_t* p = work.samples.data() + (y * block.width + x) * 3;
    for (std::size_t c = 0; c < 3; ++c) out[k * 3 + c] = static_cast<float>(static_cast<double>(p[c]) * factor[c]);
  }
  return {};
}

}  // namespace lapwright::join
