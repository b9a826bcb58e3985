// A small TIFF made byte by byte after TIFF 6.0 (section 2) and BigTIFF's layout, so that anything
// in it can be made wrong. Units: pixels, bytes. Thread: values. Errors: none.
#pragma once

#include <algorithm>
#include <cstdint>
#include <map>
#include <string>
#include <vector>

namespace lapwright::hostile {

struct TiffBytes {
  bool swapped = false, big = false;  // "MM"; BigTIFF
  std::uint64_t width = 5, height = 4, rows_per_strip = 2;

  struct Entry {
    int type = 4;
    std::vector<std::uint64_t> values;  // of type 5 two each
    std::uint64_t count = 0;            // 0: as many as there are values
    std::uint64_t told_offset = 0;      // where the values are said to lie; 0: where they do
  };
  std::map<int, Entry> entries;                                         // by tag
  std::uint64_t directory_at = 0, next_directory = 0, entry_count = 0;  // as told; 0: as it is
  std::uint64_t data_cut = 0;  // bytes of pixels that the file lacks

  static constexpr std::uint64_t itself = ~std::uint64_t{0};  // next_directory: the same one again

  TiffBytes(bool swapped_, bool big_, std::uint64_t width_ = 5, std::uint64_t height_ = 4)
      : swapped(swapped_), big(big_), width(width_), height(height_) {
    const std::uint64_t row = width * 6;
    std::vector<std::uint64_t> offsets, counts;
    for (std::uint64_t y = 0; y < height; y += rows_per_strip) {
      offsets.push_back(head() + y * row);
      counts.push_back(std::min(rows_per_strip, height - y) * row);
    }
    entries = {{256, {4, {width}}},      {257, {4, {height}}},
               {258, {3, {16, 16, 16}}}, {259, {3, {1}}},
               {262, {3, {2}}},          {273, {4, offsets}},
               {277, {3, {3}}},          {278, {4, {rows_per_strip}}},
               {279, {4, counts}},       {282, {5, {300, 1}}},
               {283, {5, {300, 1}}},     {284, {3, {1}}},
               {296, {3, {2}}}};
  }

  std::uint64_t head() const { return big ? 16 : 8; }
  std::uint64_t directory() const { return head() + width * height * 6 - data_cut; }

  std::string bytes() const {
    const int word = big ? 8 : 4;
    std::string out = swapped ? "MM" : "II";
    put(out, 2, big ? 43 : 42);
    if (big) put(out, 2, 8), put(out, 2, 0);
    put(out, word, directory_at != 0 ? directory_at : directory());
    out.resize(directory(), '\x55');
    put(out, big ? 8 : 2, entry_count != 0 ? entry_count : entries.size());
    const std::uint64_t behind = out.size() +
                                 entries.size() * (4 + 2 * static_cast<std::size_t>(word)) +
                                 static_cast<std::size_t>(word);
    std::string far;
    for (const auto& [tag, entry] : entries) {
      std::string values;
      const int size = entry.type == 3 ? 2 : entry.type == 16 ? 8 : 4;
      for (const std::uint64_t v : entry.values) put(values, size, v);
      put(out, 2, static_cast<std::uint64_t>(tag));
      put(out, 2, static_cast<std::uint64_t>(entry.type));
      put(out, word,
          entry.count != 0 ? entry.count : entry.values.size() / (entry.type == 5 ? 2 : 1));
      if (entry.told_offset == 0 && values.size() <= static_cast<std::size_t>(word)) {
        out += values + std::string(static_cast<std::size_t>(word) - values.size(), '\0');
      } else {
        put(out, word, entry.told_offset != 0 ? entry.told_offset : behind + far.size());
        far += values;
      }
    }
    put(out, word, next_directory == itself ? directory() : next_directory);
    return out + far;
  }

 private:
  void put(std::string& to, int n, std::uint64_t v) const {
    for (int i = 0; i < n; ++i)
      to += static_cast<char>(v >> (8 * (swapped ? n - 1 - i : i)) & 0xff);
  }
};

}  // namespace lapwright::hostile
