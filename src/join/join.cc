#include "join/join.h"

#include <algorithm>
#include <cmath>
#include <future>
#include <memory>
#include <thread>

#include "core/clock.h"
#include "join/piece_view.h"
#include "join/seam.h"

namespace lapwright::join {
namespace {

constexpr std::int64_t tile_px = 256;
constexpr unsigned most_threads = 2;

struct PairSeam { std::size_t a = 0, b = 0; Seam seam; };

/// Open light a channel, light applied: the brightest half per cent of some rows of every piece.
Result<std::array<double, 3>> open_light(const std::vector<Piece>& pieces, const std::vector<std::unique_ptr<PieceView>>& views) {
  std::array<double, 3> open{1, 1, 1};
  for (std::size_t k = 0; k < pieces.size(); ++k) {
    image::RowSource& picture = *pieces[k].picture;
    std::array<std::vector<std::uint16_t>, 3> seen;
    std::vector<std::uint16_t> row(static_cast<std::size_t>(picture.width() * 3));
    const std::int64_t step = std::max<std::int64_t>(1, picture.height() / 48), skip = std::max<std::int64_t>(1, picture.width() / 1000);
    for (std::int64_t y = step / 2; y < picture.height(); y += step) {
      if (auto r = picture.read(y, 1, row.data()); !r) return fail(r.error());
      for (std::int64_t x = 0; x < picture.width(); x += skip)
        for (std::size_t c = 0; c < 3; ++c) seen[c].push_back(row[static_cast<std::size_t>(x * 3) + c]);
    }
    const auto factor = views[k]->light(static_cast<double>(picture.height()) / 2);
    for (std::size_t c = 0; c < 3; ++c) {
      if (seen[c].empty()) continue;
      const auto at = seen[c].begin() + static_cast<std::ptrdiff_t>(static_cast<double>(seen[c].size() - 1) * 0.995);
      std::nth_element(seen[c].begin(), at, seen[c].end());
      open[c] = std::max(open[c], static_cast<double>(*at) * factor[c]);
    }
  }
  return open;
}

std::uint16_t to_sample(float v) { return static_cast<std::uint16_t>(std::clamp(v + 0.5F, 0.0F, 65535.0F)); }

class Joiner {
 public:
  Joiner(const std::vector<Piece>& pieces, const SheetGeometry& sheet, const Options& options) : sheet_(sheet), options_(options) {
    for (const Piece& p : pieces) views_.push_back(std::make_unique<PieceView>(p, sheet));
  }

  Result<> prepare(const std::vector<Piece>& pieces, const std::vector<plan::Lap>& laps) {
    auto open = open_light(pieces, views_);
    if (!open) return fail(open.error());
    open_ = *open;
    const Tile all{0, 0, sheet_.width, sheet_.height};
    if (std::all_of(views_.begin(), views_.end(), [&](const auto& v) { return v->shows(all) == Shows::nothing; }))
      return fail(Fault::bad_data, "no pass shows any part of the wanted area");
    for (std::size_t a = 0; a < views_.size(); ++a)
      for (std::size_t b = a + 1; b < views_.size(); ++b) {
        const plan::Lap* lap = nullptr;
        for (const plan::Lap& l : laps)
          if ((l.a == pieces[a].number && l.b == pieces[b].number) || (l.b == pieces[a].number && l.a == pieces[b].number)) lap = &l;
        auto seam = Seam::find(*views_[a], *views_[b], lap, sheet_, open_, options_.feather_px);
        if (!seam) return fail(seam.error());
        if (seam->any()) seams_.push_back({a, b, std::move(*seam)});
      }
    return {};
  }

  bool resampled() const { return resampled_; }
  std::int64_t uncovered() const { return uncovered_; }

  /// Fills rows [first, first + count) of the sheet, tile by tile on two threads.
  Result<> band(std::int64_t first, std::int64_t count, std::uint16_t* out, const std::atomic<bool>& stop) {
    const std::int64_t across = (sheet_.width + tile_px - 1) / tile_px, down = (count + tile_px - 1) / tile_px;
    std::atomic<std::int64_t> next{0};
    const auto work = [&]() -> Result<> {
      Workspace space;
      Mixing mixing;
      // Downwards first: a pass that lies turned is then read in the order of its rows.
      for (std::int64_t k = next++; k < across * down; k = next++) {
        if (stop) return fail(Fault::cancelled, "stopped while joining");
        const std::int64_t x = k / down * tile_px, y = k % down * tile_px;
        const Tile tile{x, first + y, std::min(tile_px, sheet_.width - x), std::min(tile_px, count - y)};
        if (auto r = fill(tile, out + (y * sheet_.width + x) * 3, space, mixing); !r) {
          next = across * down;
          return r;
        }
      }
      return {};
    };
    std::vector<std::future<Result<>>> others;
    for (unsigned i = 1; i < std::clamp(std::thread::hardware_concurrency(), 1U, most_threads); ++i)
      others.push_back(std::async(std::launch::async, work));
    Result<> result = work();
    for (auto& other : others)
      if (auto r = other.get(); result && !r) result = r;
    return result;
  }

 private:
  struct Mixing { std::vector<float> one, sum, weights, total; };

  /// Pieces that could show in a tile, seams that run beside it already decided.
  std::vector<std::size_t> candidates(const Tile& tile) const {
    std::vector<std::size_t> in;
    for (std::size_t k = 0; k < views_.size(); ++k)
      if (views_[k]->shows(tile) != Shows::nothing) in.push_back(k);
    std::vector<std::size_t> kept;
    for (const std::size_t k : in) {
      const bool beaten = std::any_of(seams_.begin(), seams_.end(), [&](const PairSeam& p) {
        const std::size_t other = p.a == k ? p.b : p.a;
        if ((p.a != k && p.b != k) || std::find(in.begin(), in.end(), other) == in.end()) return false;
        // Only a piece that shows the whole tile can take all of it.
        return views_[other]->shows(tile) == Shows::all && p.seam.side(tile) == (p.a == k ? 0 : 1);
      });
      if (!beaten) kept.push_back(k);
    }
    return kept.empty() ? in : kept;
  }

  Result<> fill(const Tile& tile, std::uint16_t* out, Workspace& space, Mixing& mixing) {
    const std::int64_t stride = sheet_.width * 3;
    const std::vector<std::size_t> in = candidates(tile);
    if (in.size() == 1 && views_[in[0]]->shows(tile) == Shows::all) {
      const PieceView& only = *views_[in[0]];
      if (only.exact() && only.unit_light()) return only.copy(tile, out, stride, space);
      mixing.one.resize(static_cast<std::size_t>(tile.width * tile.height * 4));
      if (auto r = only.bring(tile, mixing.one.data(), space); !r) return r;
      if (!only.exact()) resampled_ = true;
      for (std::int64_t y = 0; y < tile.height; ++y) {
        const float* from = mixing.one.data() + y * tile.width * 4;
        std::uint16_t* to = out + y * stride;
        for (std::int64_t x = 0; x < tile.width; ++x, from += 4, to += 3)
          to[0] = to_sample(from[0]), to[1] = to_sample(from[1]), to[2] = to_sample(from[2]);
      }
      return {};
    }
    return mix(tile, in, out, space, mixing);
  }

  /// Share of piece `k` at a sheet position: the product of what its seams leave it.
  float share(std::size_t k, const std::vector<std::size_t>& in, double x, double y) const {
    if (!views_[k]->shows_at(x, y)) return 0;
    float s = 1;
    for (const PairSeam& p : seams_) {
      if (p.a != k && p.b != k) continue;
      const std::size_t other = p.a == k ? p.b : p.a;
      if (std::find(in.begin(), in.end(), other) == in.end() || !views_[other]->shows_at(x, y)) continue;
      const float a = p.seam.share_of_a(x, y);
      s *= p.a == k ? a : 1 - a;
    }
    return s;
  }

  Result<> mix(const Tile& tile, const std::vector<std::size_t>& in, std::uint16_t* out, Workspace& space, Mixing& m) {
    const auto pixels = static_cast<std::size_t>(tile.width * tile.height);
    m.one.resize(pixels * 4);
    m.sum.assign(pixels * 4, 0);
    m.total.assign(pixels, 0);
    m.weights.resize(pixels);
    for (const std::size_t k : in) {
      float most = 0;
      for (std::int64_t y = 0; y < tile.height; ++y)
        for (std::int64_t x = 0; x < tile.width; ++x) {
          const float w = share(k, in, static_cast<double>(tile.x + x) + 0.5, static_cast<double>(tile.y + y) + 0.5);
          m.weights[static_cast<std::size_t>(y * tile.width + x)] = w;
          most = std::max(most, w);
        }
      if (most <= 0) continue;
      if (!views_[k]->exact()) resampled_ = true;
      if (auto r = views_[k]->bring(tile, m.one.data(), space); !r) return r;
      for (std::size_t i = 0; i < pixels; ++i) {
        const float w = m.weights[i];
        m.total[i] += w;
        for (std::size_t c = 0; c < 3; ++c) m.sum[i * 4 + c] += w * m.one[i * 4 + c];
      }
    }
    for (std::int64_t y = 0; y < tile.height; ++y)
      for (std::int64_t x = 0; x < tile.width; ++x) {
        const auto i = static_cast<std::size_t>(y * tile.width + x);
        std::uint16_t* to = out + y * sheet_.width * 3 + x * 3;
        if (m.total[i] <= 0) {
          if (auto r = unclaimed(tile.x + x, tile.y + y, in, to, space); !r) return r;
          continue;
        }
        for (std::size_t c = 0; c < 3; ++c) to[c] = to_sample(m.sum[i * 4 + c] / m.total[i]);
      }
    return {};
  }

  /// A pixel that no seam gives to anybody: the first piece that shows it (where three meet), else open light.
  Result<> unclaimed(std::int64_t x, std::int64_t y, const std::vector<std::size_t>& in, std::uint16_t* to, Workspace& space) {
    for (const std::size_t k : in) {
      if (!views_[k]->shows_at(static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5)) continue;
      float pixel[4];
      if (auto r = views_[k]->bring({x, y, 1, 1}, pixel, space); !r) return r;
      for (std::size_t c = 0; c < 3; ++c) to[c] = to_sample(pixel[c]);
      return {};
    }
    ++uncovered_;
    for (std::size_t c = 0; c < 3; ++c) to[c] = to_sample(static_cast<float>(open_[c]));
    return {};
  }

  SheetGeometry sheet_;
  Options options_;
  std::vector<std::unique_ptr<PieceView>> views_;
  std::vector<PairSeam> seams_;
  std::array<double, 3> open_{};
  std::atomic<bool> resampled_{false};
  std::atomic<std::int64_t> uncovered_{0};
};

}  // namespace

Result<Report> join(const std::vector<Piece>& pieces, const std::vector<plan::Lap>& laps, const SheetGeometry& sheet,
                    image::RowSink& sink, const std::atomic<bool>& stop, const Options& options) {
  if (sheet.width <= 0 || sheet.height <= 0 || sheet.ppi.value <= 0) return fail(Fault::bad_data, "the sheet's area is empty");
  if (pieces.empty()) return fail(Fault::bad_data, "no pass shows any part of the wanted area");
  for (const Piece& p : pieces)
    if (p.picture == nullptr || p.picture->width() <= 0 || p.picture->height() <= 0 || !(std::abs(p.placement.affine.determinant()) > 0))
      return fail(Fault::bad_data, "pass " + std::to_string(p.number) + " has no picture or no place on the sleeve");
  core::Stopwatch watch;
  Joiner joiner(pieces, sheet, options);
  if (auto r = joiner.prepare(pieces, laps); !r) return fail(r.error());

  // Two bands: one is written while the next is made.
  const std::int64_t row_bytes = sheet.width * 6;
  const std::int64_t rows = std::clamp<std::int64_t>(options.memory_bytes * 2 / 5 / row_bytes, 16, 1024);
  const std::int64_t band_rows = rows >= tile_px ? rows / tile_px * tile_px : rows;
  std::vector<std::uint16_t> bands[2];
  std::future<Result<>> writing;
  Report report;
  for (std::int64_t y = 0, turn = 0; y < sheet.height; y += band_rows, turn ^= 1) {
    const std::int64_t count = std::min(band_rows, sheet.height - y);
    auto& band = bands[turn];
    band.resize(static_cast<std::size_t>(count * sheet.width * 3));
    const Result<> made = joiner.band(y, count, band.data(), stop);
    if (writing.valid())
      if (auto r = writing.get(); !r) return fail(r.error());
    if (!made) return fail(made.error());
    writing = std::async(std::launch::async, [&sink, &band, count] { return sink.write(band.data(), count); });
  }
  if (auto r = writing.get(); !r) return fail(r.error());
  report.rows = sheet.height;
  report.resampled = joiner.resampled();
  report.uncovered_pixels = joiner.uncovered();
  report.seconds = watch.seconds();
  return report;
}

}  // namespace lapwright::join
