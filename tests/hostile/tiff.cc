#include "raw/tiff.h"

#include <sys/mman.h>
#include <unistd.h>

#include <algorithm>
#include <vector>

#include "hostile.h"

namespace lapwright::hostile {
namespace {

constexpr std::int64_t most_samples = 2 << 20;  // read at once

void read_some(raw::Reader& reader, const std::string& path) {
  const std::int64_t width = reader.width(), height = reader.height();
  std::vector<std::uint16_t> out;
  const auto read = [&](std::int64_t x, std::int64_t columns, std::int64_t first,
                        std::int64_t rows) {
    out.resize(static_cast<std::size_t>(columns * rows * 3));
    const auto r = columns == width ? reader.read(first, rows, out.data())
                                    : reader.read_block(x, columns, first, rows, out.data());
    if (!r) must_refuse(r.error(), Fault::bad_data, path);
  };
  const std::int64_t columns = std::min(width, most_samples / 3);
  const std::int64_t rows =
      std::min<std::int64_t>({height, 64, std::max<std::int64_t>(1, most_samples / 3 / columns)});
  read(0, columns, 0, rows);
  read(width - columns, columns, height - rows, rows);
  read(width / 2, std::min<std::int64_t>(width - width / 2, 50), height / 2,
       std::min<std::int64_t>(height - height / 2, 7));
}

}  // namespace

void tiff(std::string_view bytes) {
  static const int fd = ::memfd_create("pass", MFD_CLOEXEC);
  static const std::string path = "/proc/self/fd/" + std::to_string(fd);
  must(::ftruncate(fd, 0) == 0 &&
           ::pwrite(fd, bytes.data(), bytes.size(), 0) == static_cast<ssize_t>(bytes.size()),
       "no room for a test");
  const auto reader = raw::Reader::open(path);
  if (!reader) return must_refuse(reader.error(), Fault::bad_data, path + ": ");
  const raw::Info& info = (*reader)->info();
  must(info.width > 0 && info.height > 0, "a picture without pixels");
  must(info.ppi.value >= 1 && info.ppi.value <= 25400,
       "a resolution of " + std::to_string(info.ppi.value));
  read_some(**reader, path);
}

}  // namespace lapwright::hostile
