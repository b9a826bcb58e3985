// How a linear TIFF is laid out in bytes: what can be known before a row is written.
//
// Units: pixels, bytes. Thread: values. Errors: none.
#pragma once

#include <cstdint>

namespace lapwright::raw {

struct Layout {
  std::uint64_t row_bytes = 0, data_bytes = 0;  // data of the most rows that may come
  std::uint32_t rows_per_strip = 1;
  bool big = false;
  std::uint64_t header_bytes() const { return big ? 16 : 8; }
};

/// Files that could pass this are BigTIFF (contract.md: 3.9 GiB).
constexpr std::uint64_t classic_limit = 4187593113;

/// `most_rows` 0: no bound is known, hence BigTIFF.
Layout layout_of(std::int64_t width, std::int64_t most_rows);

}  // namespace lapwright::raw
