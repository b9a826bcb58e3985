#include "join/wrong_side.h"

#include <algorithm>

namespace lapwright::join {
namespace {

/// Rows in the order they are written, their pixels turned round where columns are.
Result<> copy_reversed(image::RowSource& from, Reversed what, image::RowSink& to, const std::atomic<bool>& stop) {
  const std::int64_t width = from.width(), height = from.height();
  const std::int64_t chunk = std::clamp<std::int64_t>((4 << 20) / (width * 6), 1, height);
  std::vector<std::uint16_t> rows(static_cast<std::size_t>(width * 3 * chunk));
  for (std::int64_t done = 0; done < height; done += chunk) {
    if (stop) return fail(Fault::cancelled, "stopped while the sheet was put right; it is made at the next start");
    const std::int64_t n = std::min(chunk, height - done);
    const std::int64_t first = what == Reversed::rows ? height - done - n : done;
    if (auto r = from.read(first, n, rows.data()); !r) return r;
    const auto pixel = [&](std::int64_t y, std::int64_t x) { return rows.begin() + (y * width + x) * 3; };
    if (what == Reversed::rows)
      for (std::int64_t y = 0; y < n / 2; ++y) std::swap_ranges(pixel(y, 0), pixel(y + 1, 0), pixel(n - 1 - y, 0));
    else
      for (std::int64_t y = 0; y < n; ++y)
        for (std::int64_t x = 0; x < width / 2; ++x) std::swap_ranges(pixel(y, x), pixel(y, x + 1), pixel(y, width - 1 - x));
    if (auto r = to.write(rows.data(), n); !r) return r;
  }
  return {};
}

}  // namespace

Affine<SleeveSpace, SleeveSpace> turned_over(const profile::SleeveProfile& sleeve, Reversed what) {
  const auto first = sleeve.strip(0), last = sleeve.strip(sleeve.strips.count - 1);
  Affine<SleeveSpace, SleeveSpace> m;
  if (what == Reversed::columns)
    m.a = -1, m.e = std::min(first.x, last.x).mm() + std::max(first.right(), last.right()).mm();
  else
    m.d = -1, m.f = std::min(first.y, last.y).mm() + std::max(first.bottom(), last.bottom()).mm();
  return m;
}

Result<raw::Written> put_right(const std::filesystem::path& file, const profile::SleeveProfile& sleeve, Reversed what,
                               const raw::Tags& tags, const std::atomic<bool>& stop, SheetGeometry& geometry) {
  auto reader = raw::Reader::open(file);
  if (!reader) return fail(reader.error());
  auto writer = raw::Writer::create(file, (*reader)->width(), (*reader)->height(), (*reader)->ppi(), tags, 0, raw::Cached::pass_by);
  if (!writer) return fail(writer.error());
  if (auto r = copy_reversed(**reader, what, **writer, stop); !r) return fail(r.error());
  auto written = (*writer)->finish();
  if (!written) return fail(written.error());
  const double mm = geometry.ppi.mm_per_pixel();
  const auto far = turned_over(sleeve, what)(
      {geometry.origin.x + static_cast<double>(geometry.width) * mm, geometry.origin.y + static_cast<double>(geometry.height) * mm});
  if (what == Reversed::columns)
    geometry.origin.x = far.x;
  else
    geometry.origin.y = far.y;
  return written;
}

}  // namespace lapwright::join
