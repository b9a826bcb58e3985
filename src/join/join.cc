#include "join/join.h"

#include <algorithm>
#include <cmath>
#include <future>
#include <memory>
#include <mutex>
#include <thread>

#include "core/clock.h"
#include "join/kernel.h"
#include "join/piece_view.h"
#include "join/seam.h"

namespace lapwright::join {
namespace {

constexpr std::int64_t tile_px = 128;
constexpr std::int64_t resampled_at_once = 1024, copied_at_once = 16;  // columns, rows of a part
constexpr std::int64_t most_rows = 128, most_rows_turned = 512;        // of a band
constexpr unsigned most_threads = 2;

struct PairSeam {
  std::size_t a = 0, b = 0;
  Seam seam;
};

/// Open light a channel, light applied: the brightest half per cent of some rows of every piece.
Result<std::array<double, 3>> open_light(const std::vector<Piece>& pieces,
                                         const std::vector<std::unique_ptr<PieceView>>& views) {
  std::array<double, 3> open{1, 1, 1};
  for (std::size_t k = 0; k < pieces.size(); ++k) {
    image::RowSource& picture = *pieces[k].picture;
    std::array<std::vector<std::uint16_t>, 3> seen;
    std::vector<std::uint16_t> row(static_cast<std::size_t>(picture.width() * 3));
    const std::int64_t step = std::max<std::int64_t>(1, picture.height() / 48),
                       skip = std::max<std::int64_t>(1, picture.width() / 1000);
    for (std::int64_t y = step / 2; y < picture.height(); y += step) {
      if (auto r = picture.read(y, 1, row.data()); !r) return fail(r.error());
      for (std::int64_t x = 0; x < picture.width(); x += skip)
        for (std::size_t c = 0; c < 3; ++c)
          seen[c].push_back(row[static_cast<std::size_t>(x * 3) + c]);
    }
    const auto factor = views[k]->light(static_cast<double>(picture.height()) / 2);
    for (std::size_t c = 0; c < 3; ++c) {
      if (seen[c].empty()) continue;
      const auto at = seen[c].begin() +
                      static_cast<std::ptrdiff_t>(static_cast<double>(seen[c].size() - 1) * 0.995);
      std::nth_element(seen[c].begin(), at, seen[c].end());
      open[c] = std::max(open[c], static_cast<double>(*at) * factor[c]);
    }
  }
  return open;
}

class Joiner {
 public:
  Joiner(const std::vector<Piece>& pieces, const SheetGeometry& sheet, const Options& options)
      : sheet_(sheet), options_(options) {
    for (const Piece& p : pieces) views_.push_back(std::make_unique<PieceView>(p, sheet));
  }

  Result<> prepare(const std::vector<Piece>& pieces, const std::vector<plan::Lap>& laps) {
    auto open = open_light(pieces, views_);
    if (!open) return fail(open.error());
    open_ = *open;
    const Tile all{0, 0, sheet_.width, sheet_.height};
    if (std::all_of(views_.begin(), views_.end(),
                    [&](const auto& v) { return v->shows(all) == Shows::nothing; }))
      return fail(Fault::bad_data, "no pass shows any part of the wanted area");
    for (std::size_t a = 0; a < views_.size(); ++a)
      for (std::size_t b = a + 1; b < views_.size(); ++b) {
        const plan::Lap* lap = nullptr;
        for (const plan::Lap& l : laps)
          if ((l.a == pieces[a].number && l.b == pieces[b].number) ||
              (l.b == pieces[a].number && l.a == pieces[b].number))
            lap = &l;
        auto seam = Seam::find(*views_[a], *views_[b], lap, sheet_, open_, options_.feather_px);
        if (!seam) return fail(seam.error());
        if (seam->any()) seams_.push_back({a, b, std::move(*seam)});
      }
    return {};
  }

  bool resampled() const { return resampled_; }
  std::int64_t uncovered() const { return uncovered_; }
  std::vector<SeamPath> seams() const {
    std::vector<SeamPath> all;
    for (const PairSeam& p : seams_) {
      all.push_back(p.seam.path());
      all.back().a = views_[p.a]->number(), all.back().b = views_[p.b]->number();
    }
    return all;
  }
  /// A pass lies a quarter turn to the sheet: higher bands then read longer pieces of its rows.
  bool any_turned() const {
    return std::any_of(views_.begin(), views_.end(), [](const auto& v) { return !v->by_rows(); });
  }

  /// Fills rows [first, first + count) of the sheet, part by part on two threads.
  Result<> band(std::int64_t first, std::int64_t count, std::uint16_t* out,
                const std::atomic<bool>& stop) {
    const std::vector<Part> parts = parts_of(first, count);
    std::atomic<std::size_t> next{0};
    const auto work = [&]() -> Result<> {
      Buffers& space = *take_buffers();
      Result<> result;
      for (std::size_t k = next++; k < parts.size() && result; k = next++) {
        if (stop) result = fail(Fault::cancelled, "stopped while joining");
        const Part& part = parts[k];
        std::uint16_t* to = out + ((part.tile.y - first) * sheet_.width + part.tile.x) * 3;
        if (result)
          result = part.only != nullptr ? bring(*part.only, part.tile, to, space)
                                        : mix(part.tile, to, space);
        if (!result) next = parts.size();
      }
      give_back(space);
      return result;
    };
    std::vector<std::future<Result<>>> others;
    for (unsigned i = 1; i < std::clamp(std::thread::hardware_concurrency(), 1U, most_threads); ++i)
      others.push_back(std::async(std::launch::async | std::launch::deferred, work));
    Result<> result = work();
    for (auto& other : others)
      if (auto r = other.get(); result && !r) result = r;
    return result;
  }

 private:
  struct Buffers {
    Workspace work;
    std::vector<std::uint16_t> one;
    std::vector<float> sum, weights, total;
    bool taken = false;
  };
  /// A part of a band: all of one piece, or several mixed.
  struct Part {
    Tile tile;
    const PieceView* only = nullptr;
  };

  Buffers* take_buffers() {
    const std::lock_guard lock(taking_);
    for (auto& b : buffers_)
      if (!b->taken) return b->taken = true, b.get();
    buffers_.push_back(std::make_unique<Buffers>());
    buffers_.back()->taken = true;
    return buffers_.back().get();
  }
  void give_back(Buffers& b) {
    const std::lock_guard lock(taking_);
    b.taken = false;
  }

  /// Tiles of the band; neighbours of one and the same piece are one wide part.
  std::vector<Part> parts_of(std::int64_t first, std::int64_t count) const {
    std::vector<Part> parts;
    const auto add = [&](const Part& run) {
      const bool copied = run.only != nullptr && run.only->untouched() && run.only->by_rows();
      const std::int64_t width = copied ? run.tile.width : resampled_at_once,
                         height = copied ? copied_at_once : run.tile.height;
      for (std::int64_t y = 0; y < run.tile.height; y += height)
        for (std::int64_t x = 0; x < run.tile.width; x += width)
          parts.push_back({{run.tile.x + x, run.tile.y + y, std::min(width, run.tile.width - x),
                            std::min(height, run.tile.height - y)},
                           run.only});
    };
    Part run;
    for (std::int64_t x = 0; x < sheet_.width; x += tile_px) {
      const Tile tile{x, first, std::min(tile_px, sheet_.width - x), count};
      const std::vector<std::size_t> in = candidates(tile);
      const PieceView* only = in.size() == 1 && views_[in[0]]->shows(tile) == Shows::all
                                  ? views_[in[0]].get()
                                  : nullptr;
      if (only != nullptr && only == run.only) {
        run.tile.width += tile.width;
        continue;
      }
      if (run.only != nullptr) add(run);
      run = {tile, only};
      if (only == nullptr) parts.push_back(run);
    }
    if (run.only != nullptr) add(run);
    return parts;
  }

  /// Pieces that could show in a tile, seams that run beside it already decided.
  std::vector<std::size_t> candidates(const Tile& tile) const {
    std::vector<std::size_t> in;
    for (std::size_t k = 0; k < views_.size(); ++k)
      if (views_[k]->shows(tile) != Shows::nothing) in.push_back(k);
    std::vector<std::size_t> kept;
    for (const std::size_t k : in) {
      const bool beaten = std::any_of(seams_.begin(), seams_.end(), [&](const PairSeam& p) {
        const std::size_t other = p.a == k ? p.b : p.a;
        if ((p.a != k && p.b != k) || std::find(in.begin(), in.end(), other) == in.end())
          return false;
        // Only a piece that shows the whole tile can take all of it.
        return views_[other]->shows(tile) == Shows::all && p.seam.side(tile) == (p.a == k ? 0 : 1);
      });
      if (!beaten) kept.push_back(k);
    }
    return kept.empty() ? in : kept;
  }

  Result<> bring(const PieceView& piece, const Tile& tile, std::uint16_t* out, Buffers& space) {
    if (!piece.exact()) resampled_ = true;
    return piece.bring(tile, out, sheet_.width * 3, space.work);
  }

  /// The share of piece `k` at each pixel of the tile, the product of what its seams leave it; the
  /// most of them.
  float shares(std::size_t k, const std::vector<std::size_t>& in, const Tile& tile,
               std::vector<float>& out) const {
    const auto spots = [&](const auto& change) {
      for (std::int64_t y = 0; y < tile.height; ++y)
        for (std::int64_t x = 0; x < tile.width; ++x)
          change(out[static_cast<std::size_t>(y * tile.width + x)],
                 static_cast<double>(tile.x + x) + 0.5, static_cast<double>(tile.y + y) + 0.5);
    };
    out.assign(static_cast<std::size_t>(tile.width * tile.height), 1);
    if (views_[k]->shows(tile) != Shows::all)
      spots([&](float& w, double x, double y) { w = views_[k]->shows_at(x, y) ? 1.0F : 0.0F; });
    for (const PairSeam& p : seams_) {
      const std::size_t other = p.a == k ? p.b : p.a;
      if ((p.a != k && p.b != k) || std::find(in.begin(), in.end(), other) == in.end()) continue;
      const bool all = views_[other]->shows(tile) == Shows::all;
      spots([&](float& w, double x, double y) {
        if (w <= 0 || (!all && !views_[other]->shows_at(x, y))) return;
        const float a = p.seam.share_of_a(x, y);
        w *= p.a == k ? a : 1 - a;
      });
    }
    return *std::max_element(out.begin(), out.end());
  }

  Result<> mix(const Tile& tile, std::uint16_t* out, Buffers& m) {
    const std::vector<std::size_t> in = candidates(tile);
    const auto pixels = static_cast<std::size_t>(tile.width * tile.height);
    m.one.resize(pixels * 3);
    m.sum.assign(pixels * 3, 0);
    m.total.assign(pixels, 0);
    for (const std::size_t k : in) {
      if (shares(k, in, tile, m.weights) <= 0) continue;
      if (!views_[k]->exact()) resampled_ = true;
      if (auto r = views_[k]->bring(tile, m.one.data(), tile.width * 3, m.work); !r) return r;
      for (std::size_t i = 0; i < pixels; ++i) {
        const float w = m.weights[i];
        m.total[i] += w;
        for (std::size_t c = 0; c < 3; ++c)
          m.sum[i * 3 + c] += w * static_cast<float>(m.one[i * 3 + c]);
      }
    }
    for (std::int64_t y = 0; y < tile.height; ++y)
      for (std::int64_t x = 0; x < tile.width; ++x) {
        const auto i = static_cast<std::size_t>(y * tile.width + x);
        std::uint16_t* to = out + y * sheet_.width * 3 + x * 3;
        if (m.total[i] <= 0) {
          if (auto r = unclaimed(tile.x + x, tile.y + y, in, to, m.work); !r) return r;
          continue;
        }
        for (std::size_t c = 0; c < 3; ++c) to[c] = to_sample(m.sum[i * 3 + c] / m.total[i]);
      }
    return {};
  }

  /// A pixel that no seam gives to anybody: the first piece that shows it (where three meet), else
  /// open light.
  Result<> unclaimed(std::int64_t x, std::int64_t y, const std::vector<std::size_t>& in,
                     std::uint16_t* to, Workspace& space) {
    for (const std::size_t k : in)
      if (views_[k]->shows_at(static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5))
        return views_[k]->bring({x, y, 1, 1}, to, 3, space);
    ++uncovered_;
    for (std::size_t c = 0; c < 3; ++c) to[c] = to_sample(static_cast<float>(open_[c]));
    return {};
  }

  SheetGeometry sheet_;
  Options options_;
  std::vector<std::unique_ptr<PieceView>> views_;
  std::vector<PairSeam> seams_;
  std::array<double, 3> open_{};
  std::vector<std::unique_ptr<Buffers>> buffers_;
  std::mutex taking_;
  std::atomic<bool> resampled_{false};
  std::atomic<std::int64_t> uncovered_{0};
};

}  // namespace

Result<Report> join(const std::vector<Piece>& pieces, const std::vector<plan::Lap>& laps,
                    const SheetGeometry& sheet, image::RowSink& sink, const std::atomic<bool>& stop,
                    const Options& options) {
  if (sheet.width <= 0 || sheet.height <= 0 || sheet.ppi.value <= 0)
    return fail(Fault::bad_data, "the sheet's area is empty");
  if (pieces.empty()) return fail(Fault::bad_data, "no pass shows any part of the wanted area");
  for (const Piece& p : pieces)
    if (p.picture == nullptr || p.picture->width() <= 0 || p.picture->height() <= 0 ||
        !(std::abs(p.placement.affine.determinant()) > 0))
      return fail(Fault::bad_data,
                  "pass " + std::to_string(p.number) + " has no picture or no place on the sleeve");
  core::Stopwatch watch;
  Joiner joiner(pieces, sheet, options);
  if (auto r = joiner.prepare(pieces, laps); !r) return fail(r.error());

  // Two bands: one is written while the next is made.
  const std::int64_t row_bytes = sheet.width * 6;
  const std::int64_t band_rows =
      std::clamp<std::int64_t>(options.memory_bytes * 2 / 5 / row_bytes, 16,
                               joiner.any_turned() ? most_rows_turned : most_rows);
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
    writing = std::async(std::launch::async | std::launch::deferred,
                         [&sink, &band, count] { return sink.write(band.data(), count); });
  }
  if (auto r = writing.get(); !r) return fail(r.error());
  report.rows = sheet.height;
  report.resampled = joiner.resampled();
  report.uncovered_pixels = joiner.uncovered();
  report.seams = joiner.seams();
  report.seconds = watch.seconds();
  return report;
}

}  // namespace lapwright::join
