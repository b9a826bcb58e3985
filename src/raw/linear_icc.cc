#include <array>
#include <cstdint>
#include <string_view>

#include "raw/tiff.h"

namespace lapwright::raw {
namespace {

class Bytes {
 public:
  void u32(std::uint32_t v) {
    for (int shift = 24; shift >= 0; shift -= 8) data.push_back(static_cast<unsigned char>(v >> shift));
  }
  void u16(std::uint16_t v) {
    data.push_back(static_cast<unsigned char>(v >> 8));
    data.push_back(static_cast<unsigned char>(v & 255));
  }
  void text(std::string_view s) { data.insert(data.end(), s.begin(), s.end()); }
  void pad_to(std::size_t multiple) {
    while (data.size() % multiple != 0) data.push_back(0);
  }
  void zeros(std::size_t n) { data.insert(data.end(), n, 0); }
  std::vector<unsigned char> data;
};

using Xyz = std::array<std::uint32_t, 3>;  // s15Fixed16

std::vector<unsigned char> xyz_tag(const Xyz& v) {
  Bytes b;
  b.text("XYZ ");
  b.u32(0);
  for (const std::uint32_t x : v) b.u32(x);
  return b.data;
}

std::vector<unsigned char> description_tag(std::string_view s) {
  Bytes b;
  b.text("desc");
  b.u32(0);
  b.u32(static_cast<std::uint32_t>(s.size() + 1));
  b.text(s);
  b.zeros(1 + 4 + 4 + 2 + 1 + 67);  // no Unicode and no script version
  b.pad_to(4);
  return b.data;
}

std::vector<unsigned char> text_tag(std::string_view s) {
  Bytes b;
  b.text("text");
  b.u32(0);
  b.text(s);
  b.zeros(1);
  b.pad_to(4);
  return b.data;
}

/// A curve without entries is the identity (ICC.1:2001-04, 6.5.3).
std::vector<unsigned char> identity_curve() {
  Bytes b;
  b.text("curv");
  b.u32(0);
  b.u32(0);
  return b.data;
}

}  // namespace

// Laid out after ICC.1:2001-04 (version 2.4); colorants are those of IEC 61966-2-1 adapted to D50 (Bradford).
std::vector<unsigned char> linear_icc_profile() {
  const Xyz white{0xF6D6, 0x10000, 0xD32D};
  const Xyz red{0x6FA2, 0x38F5, 0x0390}, green{0x6299, 0xB785, 0x18DA}, blue{0x24A0, 0x0F84, 0xB6CF};
  struct Tag {
    std::string_view name;
    std::vector<unsigned char> bytes;
  };
  const std::array<Tag, 9> tags{{{"desc", description_tag("scanner-linear RGB")},
                                 {"cprt", text_tag("public domain")},
                                 {"wtpt", xyz_tag(white)},
                                 {"rXYZ", xyz_tag(red)},
                                 {"gXYZ", xyz_tag(green)},
                                 {"bXYZ", xyz_tag(blue)},
                                 {"rTRC", identity_curve()},
                                 {"gTRC", identity_curve()},
                                 {"bTRC", identity_curve()}}};
  std::uint32_t size = 128 + 4 + 12 * static_cast<std::uint32_t>(tags.size());
  Bytes table, data;
  table.u32(static_cast<std::uint32_t>(tags.size()));
  for (const Tag& t : tags) {
    table.text(t.name);
    table.u32(size);
    table.u32(static_cast<std::uint32_t>(t.bytes.size()));
    data.data.insert(data.data.end(), t.bytes.begin(), t.bytes.end());
    size += static_cast<std::uint32_t>(t.bytes.size());
  }
  Bytes b;
  b.u32(size);
  b.u32(0);            // no preferred module
  b.u32(0x02400000);   // version 2.4
  b.text("mntrRGB XYZ ");
  for (const int v : {2026, 1, 1, 0, 0, 0}) b.u16(static_cast<std::uint16_t>(v));
  b.text("acsp");
  b.zeros(4 + 4 + 4 + 4 + 8 + 4);  // platform, flags, maker, model, attributes, perceptual
  for (const std::uint32_t x : white) b.u32(x);
  b.zeros(128 - b.data.size());
  b.data.insert(b.data.end(), table.data.begin(), table.data.end());
  b.data.insert(b.data.end(), data.data.begin(), data.data.end());
  return b.data;
}

}  // namespace lapwright::raw
