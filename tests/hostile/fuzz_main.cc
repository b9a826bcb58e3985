#include <cstddef>
#include <cstdint>

#include "hostile.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  lapwright::hostile::HOSTILE_TARGET({reinterpret_cast<const char*>(data), size});
  return 0;
}
