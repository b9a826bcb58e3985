// A running count and hash (FNV-1a, 64 bits) of bytes, to compare two ends of a road.
#pragma once

#include <cstddef>
#include <cstdint>

namespace lapwright::bed {

struct BytesHash {
  std::uint64_t bytes = 0, hash = 0xcbf29ce484222325U;
  void add(const void* data, std::size_t count) {
    const auto* at = static_cast<const unsigned char*>(data);
    for (std::size_t i = 0; i < count; ++i) hash = (hash ^ at[i]) * 0x100000001b3U;
    bytes += count;
  }
};

}  // namespace lapwright::bed
