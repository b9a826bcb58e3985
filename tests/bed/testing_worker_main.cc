// The bed worker over a backend in its testing mode, with an ear on what the device gives, and a
// mark in every byte.
//
// LAPWRIGHT_TESTING (environment): library, symbol, vendor and product (decimal), separated by
// spaces. Every byte that sane_read gives is counted and hashed; the file named by
// LAPWRIGHT_TESTING_HEARD holds "COUNT HASH" once the device said that it is done.
#include <dlfcn.h>
#include <sane/sane.h>

#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <fstream>
#include <functional>
#include <sstream>
#include <string>

#include "bed/bed.h"
#include "bed/bytes_hash.h"

namespace {

lapwright::bed::BytesHash heard;

struct Inside;
struct Interface;
using Checkpoint = std::function<void(const Inside&, Interface&, const std::string&)>;
using Enable = void (*)(std::uint16_t, std::uint16_t, std::uint16_t, Checkpoint);

bool enable() {
  const char* wish = std::getenv("LAPWRIGHT_TESTING");
  std::istringstream in(wish ? wish : "");
  std::string library, symbol;
  unsigned vendor = 0, product = 0;
  if (!(in >> library >> symbol >> vendor >> product)) return false;
  void* handle = ::dlopen(library.c_str(), RTLD_NOW | RTLD_GLOBAL);
  void* found = handle ? ::dlsym(handle, symbol.c_str()) : nullptr;
  if (!found) return false;
  reinterpret_cast<Enable>(found)(static_cast<std::uint16_t>(vendor),
                                  static_cast<std::uint16_t>(product), 0,
                                  [](const Inside&, Interface&, const std::string&) {});
  return true;
}

}  // namespace

extern "C" SANE_Status sane_read(SANE_Handle handle, SANE_Byte* data, SANE_Int most,
                                 SANE_Int* length) {
  using Read = SANE_Status (*)(SANE_Handle, SANE_Byte*, SANE_Int, SANE_Int*);
  static const auto real = reinterpret_cast<Read>(::dlsym(RTLD_NEXT, "sane_read"));
  const SANE_Status status = real(handle, data, most, length);
  if (status == SANE_STATUS_GOOD) {
    // The mode gives one value only; with its place in it a byte that is lost, doubled or moved is
    // seen.
    for (std::uint64_t i = 0; i < static_cast<std::uint64_t>(*length); ++i)
      data[i] ^= static_cast<SANE_Byte>((heard.bytes + i) * 2654435761U >> 24);
    heard.add(data, static_cast<std::size_t>(*length));
  }
  if (status == SANE_STATUS_EOF)
    if (const char* path = std::getenv("LAPWRIGHT_TESTING_HEARD"))
      std::ofstream(path) << heard.bytes << ' ' << heard.hash << '\n';
  return status;
}

int main() {
  if (!enable()) {
    std::fputs("the backend's testing mode cannot be entered\n", stderr);
    return 1;
  }
  return lapwright::bed::worker_main(3, 4);
}
