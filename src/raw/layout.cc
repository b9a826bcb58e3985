#include "raw/layout.h"

#include <algorithm>

namespace lapwright::raw {

Layout layout_of(std::int64_t width, std::int64_t most_rows) {
  Layout l;
  l.row_bytes = static_cast<std::uint64_t>(width) * 6;
  l.rows_per_strip = static_cast<std::uint32_t>(std::max<std::uint64_t>(1, (1u << 20) / l.row_bytes));
  l.data_bytes = l.row_bytes * static_cast<std::uint64_t>(most_rows);
  const std::uint64_t strips = static_cast<std::uint64_t>(most_rows) / l.rows_per_strip + 1;
  const std::uint64_t directory = strips * 16 + (64u << 10);  // strip table, profile, texts
  l.big = most_rows == 0 || l.data_bytes + directory > classic_limit;
  return l;
}

}  // namespace lapwright::raw
