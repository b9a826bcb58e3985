// Changes to a TIFF that libFuzzer alone would not hit upon, since it sees nothing of libtiff: one
// field of one directory entry (TIFF 6.0, section 2; BigTIFF's layout) becomes a value of its own
// kind, or any bytes change.
#include <algorithm>
#include <cstddef>
#include <cstdint>
#include <cstring>
#include <random>

extern "C" std::size_t LLVMFuzzerMutate(std::uint8_t* data, std::size_t size, std::size_t most);

namespace {

template <class T>
T pick(std::minstd_rand& chance, std::initializer_list<T> values) {
  return values.begin()[chance() % values.size()];
}

std::uint64_t number(const std::uint8_t* from, int bytes, bool swapped) {
  std::uint64_t v = 0;
  for (int i = 0; i < bytes; ++i)
    v |= std::uint64_t{from[i]} << (8 * (swapped ? bytes - 1 - i : i));
  return v;
}
void put(std::uint8_t* to, int bytes, bool swapped, std::uint64_t v) {
  for (int i = 0; i < bytes; ++i)
    to[i] = static_cast<std::uint8_t>(v >> (8 * (swapped ? bytes - 1 - i : i)));
}

bool change_entry(std::uint8_t* data, std::size_t size, std::minstd_rand& chance) {
  if (size < 24) return false;
  const bool swapped = data[0] == 'M', big = number(data + 2, 2, swapped) == 43;
  const int word = big ? 8 : 4;
  const std::uint64_t directory = number(data + (big ? 8 : 4), word, swapped);
  if (directory >= size || size - directory < 16) return false;
  const std::uint64_t entries = number(data + directory, big ? 8 : 2, swapped);
  const std::size_t entry = 4 + 2 * static_cast<std::size_t>(word);
  const std::uint64_t at =
      directory + (big ? 8 : 2) + chance() % std::clamp<std::uint64_t>(entries, 1, 30) * entry;
  if (at > size || size - at < entry) return false;
  const auto value = pick<std::uint64_t>(chance, {0,           1,
                                                  2,           3,
                                                  4,           7,
                                                  8,           16,
                                                  size,        size - 1,
                                                  directory,   at,
                                                  0x7fff,      0xffff,
                                                  0x10000,     0x7fffffff,
                                                  0x80000000,  0xffffffff,
                                                  0x100000000, ~std::uint64_t{0},
                                                  chance(),    chance() % size});
  switch (chance() % 4) {
    case 0:
      put(data + at, 2, swapped,
          pick<std::uint64_t>(
              chance, {256, 257, 258, 259, 262, 266, 273, 274, 277, 278, 279,   282, 283,
                       284, 296, 317, 322, 323, 324, 325, 339, 347, 530, 34675, 700, chance()}));
      break;
    case 1:
      put(data + at + 2, 2, swapped, chance() % 19);
      break;
    case 2:
      put(data + at + 4, word, swapped, value);
      break;
    default:
      put(data + at + 4 + word, word, swapped,
          number(data + at, 2, swapped) == 259
              ? pick<std::uint64_t>(chance, {1, 5, 7, 8, 32773, 32946, 34925, 50000, 50001, 50002,
                                             34887, 32909, 34676, 6, 34661, 2, 3, 4})
              : value);
  }
  return true;
}

}  // namespace

extern "C" std::size_t LLVMFuzzerCustomMutator(std::uint8_t* data, std::size_t size,
                                               std::size_t most, unsigned seed) {
  std::minstd_rand chance(seed);
  if (chance() % 4 == 0 || !change_entry(data, size, chance))
    return LLVMFuzzerMutate(data, size, most);
  while (chance() % 3 == 0) change_entry(data, size, chance);
  return size;
}
