#include "image/exif.h"

#include <cstring>

#include "core/files.h"

namespace lapwright::image {
namespace {

struct Entry {
  std::uint16_t tag, type;
  std::string bytes;
};

class Bytes {
 public:
  template <class Number>
  void add(Number n) {
    const auto at = out.size();
    out.resize(at + sizeof n);
    std::memcpy(out.data() + at, &n, sizeof n);
  }
  void offset(std::uint64_t v, bool big) { big ? add(v) : add(static_cast<std::uint32_t>(v)); }
  std::vector<unsigned char> out;
};

}  // namespace

std::vector<unsigned char> exif_directory(std::uint64_t offset, bool big, const std::string& date_time,
                                          const std::string& unique) {
  constexpr std::uint16_t ascii = 2, undefined = 7;
  const auto text = [](const std::string& s) { return s + '\0'; };
  const Entry entries[] = {{0x9000, undefined, "0232"},
                           {0x9004, ascii, text(date_time)},
                           {0x9012, ascii, text("+00:00")},
                           {0xA420, ascii, text(unique)}};
  const std::uint64_t inline_bytes = big ? 8 : 4, count = std::size(entries);
  std::uint64_t behind = offset + (big ? 8 + count * 20 + 8 : 2 + count * 12 + 4);
  Bytes directory;
  std::string values;
  if (big) {
    directory.add(count);
  } else {
    directory.add(static_cast<std::uint16_t>(count));
  }
  for (const Entry& e : entries) {
    directory.add(e.tag), directory.add(e.type);
    directory.offset(e.bytes.size(), big);
    std::string value = e.bytes;
    if (value.size() > inline_bytes) {
      directory.offset(behind + values.size(), big);
      values += value;
      if (values.size() % 2) values += '\0';
      continue;
    }
    value.resize(inline_bytes);
    for (const char c : value) directory.add(c);
  }
  directory.offset(0, big);
  for (const char c : values) directory.add(c);
  return directory.out;
}

std::string unique_id(const std::vector<std::string>& of) {
  core::Sha256 sum;
  for (const std::string& s : of) sum.add(s.c_str(), s.size() + 1);
  return sum.hex().substr(0, 32);
}

}  // namespace lapwright::image
