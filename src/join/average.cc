#include "join/average.h"

#include <algorithm>
#include <list>

#include "join/piece_view.h"

namespace lapwright::join {

lap::Placement on_first(const lap::Placement& other, const Affine<SleeveSpace, PassSpace>& first, Ppi ppi) {
  const auto to_sleeve = core::compose(first.inverse(), core::mm_to_pixels<SleeveSpace, PassSpace>({}, ppi));
  lap::Placement out = other;  // its curves go by its own rows
  out.affine = core::compose(other.affine, to_sleeve);
  // Those it follows go by a row that is told from the sleeve's place.
  const auto& f = other.followed;
  out.followed.x = f.x * to_sleeve.a + f.y * to_sleeve.b;
  out.followed.y = f.x * to_sleeve.c + f.y * to_sleeve.d;
  out.followed.at = f.at + f.x * to_sleeve.e + f.y * to_sleeve.f;
  return out;
}

Result<> average(image::RowSource& first, const std::vector<Again>& others, image::RowSink& sink,
                 const std::atomic<bool>& stop) {
  // Seen as a sheet of its own, with its first pixel at the origin.
  const SheetGeometry geometry{{}, first.ppi(), first.width(), first.height()};
  std::list<PieceView> views;
  for (const Again& again : others) {
    Piece piece;
    piece.picture = again.picture, piece.number = static_cast<int>(views.size()) + 2;
    piece.placement = again.lies;
    views.emplace_back(piece, geometry);
  }
  constexpr std::int64_t band = 64;
  const std::int64_t width = first.width(), height = first.height();
  const auto samples = static_cast<std::size_t>(width * 3 * band);
  std::vector<std::uint16_t> rows(samples), other(samples);
  std::vector<std::uint32_t> sum(samples);
  const auto count = static_cast<std::uint32_t>(others.size() + 1);
  Workspace work;
  for (std::int64_t y = 0; y < height; y += band) {
    if (stop) return fail(Fault::cancelled, "stopped while captures were averaged");
    const std::int64_t n = std::min(band, height - y);
    const auto used = static_cast<std::size_t>(width * 3 * n);
    if (auto r = first.read(y, n, rows.data()); !r) return r;
    std::copy_n(rows.begin(), used, sum.begin());
    for (const PieceView& view : views) {
      if (auto r = view.bring({0, y, width, n}, other.data(), width * 3, work); !r) return r;
      for (std::size_t i = 0; i < used; ++i) sum[i] += other[i];
    }
    for (std::size_t i = 0; i < used; ++i) rows[i] = static_cast<std::uint16_t>((sum[i] + count / 2) / count);
    if (auto r = sink.write(rows.data(), n); !r) return r;
  }
  return {};
}

}  // namespace lapwright::join
