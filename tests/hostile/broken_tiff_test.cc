// Broken passes of each kind, classic and BigTIFF, either byte order: refused as bad data before
// memory is asked for.
#include <gtest/gtest.h>
#include <sys/mman.h>
#include <sys/wait.h>
#include <unistd.h>

#include <fstream>
#include <functional>
#include <numeric>

#include "raw/tiff.h"
#include "tiff_bytes.h"

namespace lapwright::hostile {
namespace {

constexpr std::int64_t most_kb = 8 << 10;  // of address space beyond what the test itself holds

std::int64_t status_kb(const std::string& key) {
  std::ifstream in("/proc/self/status");
  for (std::string line; std::getline(in, line);)
    if (line.starts_with(key + ":")) return std::stoll(line.substr(key.size() + 1));
  return -1;
}

/// Does the work in a child, whose highest address space begins at what it holds (proc(5), VmPeak):
/// empty when all was well.
std::string in_a_child(const std::function<std::string()>& work) {
  int ends[2];
  if (::pipe(ends) != 0) return "no pipe";
  const pid_t child = ::fork();
  if (child == 0) {
    const std::int64_t before = status_kb("VmSize");
    std::string said = work();
    const std::int64_t grown = status_kb("VmPeak") - before;
    if (said.empty() && grown > most_kb) said = std::to_string(grown) + " kB were asked for";
    (void)!::write(ends[1], said.data(), std::min<std::size_t>(said.size(), 4096));
    ::_exit(0);
  }
  ::close(ends[1]);
  std::string said;
  char piece[4096];
  for (ssize_t n; (n = ::read(ends[0], piece, sizeof piece)) > 0;)
    said.append(piece, static_cast<std::size_t>(n));
  ::close(ends[0]);
  int status = 0;
  ::waitpid(child, &status, 0);
  if (!WIFEXITED(status) || WEXITSTATUS(status) != 0)
    said += " ended with status " + std::to_string(status);
  return said;
}

/// "" when the bytes are refused as they must be, else what happened.
std::string refused(const std::string& bytes, std::int64_t sparse_to = 0) {
  const int fd = ::memfd_create("pass", MFD_CLOEXEC);
  const std::string path = "/proc/self/fd/" + std::to_string(fd);
  std::string said;
  if (::write(fd, bytes.data(), bytes.size()) != static_cast<ssize_t>(bytes.size()))
    said = "no room";
  if (sparse_to > 0 && ::ftruncate(fd, sparse_to) != 0) said = "no large file";
  const auto reader = raw::Reader::open(path);
  if (reader)
    said = "taken";
  else if (reader.error().fault != Fault::bad_data)
    said = "not bad data: " + reader.error().text;
  else if (!reader.error().text.starts_with(path + ": ") ||
           reader.error().text.find('\n') != std::string::npos)
    said = reader.error().text;
  ::close(fd);
  return said;
}

struct Broken {
  const char* what;
  std::function<void(TiffBytes&)> make;
};

const Broken kinds[] = {
    // TIFF 6.0, section 8: what the fields must hold
    {"short strips", [](TiffBytes& t) { t.entries[279].values[0] -= 6; }},
    {"a short last strip", [](TiffBytes& t) { t.entries[279].values[1] -= 1; }},
    {"long strips", [](TiffBytes& t) { t.entries[279].values[0] += 6; }},
    {"empty strips",
     [](TiffBytes& t) {
       t.entries[279].values = {0, 0};
     }},
    {"strips of 4 GB",
     [](TiffBytes& t) {
       t.entries[279].values = {0xffffffff, 0xffffffff};
     }},
    {"one strip, short",
     [](TiffBytes& t) { t = TiffBytes(t.swapped, t.big, 5, 2), t.entries[279].values[0] -= 6; }},
    {"one strip, empty",
     [](TiffBytes& t) { t = TiffBytes(t.swapped, t.big, 5, 2), t.entries[279].values[0] = 0; }},
    {"one strip, no byte count",
     [](TiffBytes& t) { t = TiffBytes(t.swapped, t.big, 5, 2), t.entries.erase(279); }},
    {"no byte counts", [](TiffBytes& t) { t.entries.erase(279); }},
    {"too few offsets", [](TiffBytes& t) { t.entries[273].values.resize(1); }},
    {"too few byte counts", [](TiffBytes& t) { t.entries[279].values.resize(1); }},
    {"no offsets", [](TiffBytes& t) { t.entries.erase(273); }},
    {"no byte counts and short pixels",
     [](TiffBytes& t) {
       t.entries.erase(279), t.data_cut = 7;
       t.entries[273].values[1] = 1u << 30;
     }},
    {"0 rows a strip", [](TiffBytes& t) { t.entries[278].values = {0}; }},
    {"more rows a strip than its bytes", [](TiffBytes& t) { t.entries[278].values = {4}; }},
    {"no width", [](TiffBytes& t) { t.entries.erase(256); }},
    {"no height", [](TiffBytes& t) { t.entries.erase(257); }},
    {"width 0", [](TiffBytes& t) { t.entries[256].values = {0}; }},
    {"height 0", [](TiffBytes& t) { t.entries[257].values = {0}; }},
    {"width 4 G", [](TiffBytes& t) { t.entries[256].values = {0xffffffff}; }},
    {"height 4 G", [](TiffBytes& t) { t.entries[257].values = {0xffffffff}; }},
    {"height 4 G in one strip",
     [](TiffBytes& t) {
       t.entries[257].values = {0xffffffff}, t.entries[278].values = {0xffffffff};
     }},
    {"4 G x 4 G",
     [](TiffBytes& t) {
       t.entries[256].values = {0xffffffff}, t.entries[257].values = {0xffffffff};
     }},
    {"4 G x 4 G, strips told as many",
     [](TiffBytes& t) {
       t.entries[256].values = {0xffffffff}, t.entries[257].values = {0xffffffff},
       t.entries[278].values = {1};
       t.entries[273].count = t.entries[279].count = 0xffffffff;
     }},
    {"compressed, 4 G wide",
     [](TiffBytes& t) { t.entries[259].values = {8}, t.entries[256].values = {0xffffffff}; }},
    {"compressed, strips of 4 G rows",
     [](TiffBytes& t) {
       t.entries[259].values = {8}, t.entries[257].values = t.entries[278].values = {0xffffffff};
     }},
    {"compressed, 2 G strips",
     [](TiffBytes& t) { t.entries[259].values = {5}, t.entries[257].values = {0xfffffffe}; }},
    {"compressed, strips beyond the end",
     [](TiffBytes& t) { t.entries[259].values = {8}, t.entries[273].values[1] = 1u << 20; }},
    {"compressed, empty strips",
     [](TiffBytes& t) {
       t.entries[259].values = {8}, t.entries[279].values = {0, 0};
     }},
    {"unknown compression", [](TiffBytes& t) { t.entries[259].values = {0xfffe}; }},
    {"an offset beyond the end", [](TiffBytes& t) { t.entries[273].values[1] = t.bytes().size(); }},
    {"an offset that just passes the end",
     [](TiffBytes& t) {
       t.entries[273].values[1] = t.bytes().size() - t.entries[279].values[1] + 1;
     }},
    {"an offset of 4 G", [](TiffBytes& t) { t.entries[273].values[0] = 0xffffffff; }},
    {"an offset in the header", [](TiffBytes& t) { t.entries[273].values[0] = 0; }},
    {"values of a tag beyond the end", [](TiffBytes& t) { t.entries[273].told_offset = 1u << 24; }},
    {"a huge count of offsets",
     [](TiffBytes& t) {
       t.entries[273].count = 0x7fffffff, t.entries[273].told_offset = 1u << 24;
     }},
    {"a huge count of bits", [](TiffBytes& t) { t.entries[258].count = 0xffffffff; }},
    {"a directory that is its own next, and nothing else",
     [](TiffBytes& t) { t.entries.clear(), t.next_directory = TiffBytes::itself; }},
    {"a directory beyond the end", [](TiffBytes& t) { t.directory_at = t.bytes().size() + 100; }},
    {"a directory in the header", [](TiffBytes& t) { t.directory_at = 2; }},
    {"a directory at the last byte", [](TiffBytes& t) { t.directory_at = t.bytes().size() - 1; }},
    {"60000 entries told", [](TiffBytes& t) { t.entry_count = 60000; }},
    {"pixels cut", [](TiffBytes& t) { t.data_cut = 30, t.entries[279].values[1] += 1000; }},
    {"tiles",
     [](TiffBytes& t) {
       t.entries[322] = {4, {16}}, t.entries[323] = {4, {16}};
     }},
    {"4 bits",
     [](TiffBytes& t) {
       t.entries[258].values = {4, 4, 4};
     }},
    {"unlike bits",
     [](TiffBytes& t) {
       t.entries[258].values = {16, 8, 16};
     }},
    {"65535 samples", [](TiffBytes& t) { t.entries[277].values = {65535}; }},
    {"resolution 0/0",
     [](TiffBytes& t) {
       t.entries[282].values = {0, 0}, t.entries[283].values = {0, 0};
     }},
    {"resolution 4 G",
     [](TiffBytes& t) {
       t.entries[282].values = {0xffffffff, 1}, t.entries[283].values = {0xffffffff, 1};
     }},
};

class BrokenTiff : public ::testing::TestWithParam<std::pair<bool, bool>> {
 protected:
  const bool swapped_ = GetParam().first, big_ = GetParam().second;
};

TEST_P(BrokenTiff, AsItIsItIsTaken) {
  TiffBytes good(swapped_, big_);
  EXPECT_EQ(refused(good.bytes()), "taken");
  // A second directory is another picture; one that goes in a circle harms nobody who reads the
  // first.
  good.next_directory = TiffBytes::itself;
  EXPECT_EQ(refused(good.bytes()), "taken");
}

TEST_P(BrokenTiff, OfEachKindIsRefusedBeforeMemoryIsAskedFor) {
  for (const Broken& kind : kinds) {
    TiffBytes t(swapped_, big_);
    kind.make(t);
    const std::string bytes = t.bytes();
    EXPECT_EQ(in_a_child([&] { return refused(bytes); }), "") << kind.what;
  }
}

TEST_P(BrokenTiff, ThatIsLargeForNothingIsRefusedBeforeMemoryIsAskedFor) {
  // A file with a hole of 100 GB takes no room, and could hold the four thousand million strips
  // that it tells of.
  TiffBytes t(swapped_, big_, 1, 2);
  t.entries[257].values = {4'000'000'000}, t.entries[278].values = {1};
  for (const int tag : {273, 279})
    t.entries[tag].count = 4'000'000'000, t.entries[tag].told_offset = 4096;
  const std::string bytes = t.bytes();
  EXPECT_EQ(in_a_child([&] { return refused(bytes, 100'000'000'000); }), "");
  t.entries[259].values = {8};
  const std::string packed = t.bytes();
  EXPECT_EQ(in_a_child([&] { return refused(packed, 100'000'000'000); }), "");
}

TEST_P(BrokenTiff, CutAtEveryByteOfHeaderAndDirectoryIsRefused) {
  const TiffBytes whole(swapped_, big_);
  std::string bytes = whole.bytes();
  // BigTIFF holds all of these values in its entries; with nothing but the place of a next
  // directory cut off, the picture is whole.
  if (big_) bytes.resize(bytes.size() - 8);
  EXPECT_EQ(in_a_child([&]() -> std::string {
              for (std::size_t n = 0; n < bytes.size(); ++n) {
                if (n == whole.head())
                  n = static_cast<std::size_t>(whole.directory());  // pixels in between
                if (const std::string said = refused(bytes.substr(0, n)); !said.empty())
                  return "cut to " + std::to_string(n) + ": " + said;
              }
              return "";
            }),
            "");
}

TEST_P(BrokenTiff, EveryFieldOfEveryEntryMayBeAnythingWithoutHarm) {
  EXPECT_EQ(in_a_child([&]() -> std::string {
              const TiffBytes whole(swapped_, big_);
              for (const auto& [tag, entry] : whole.entries) {
                for (const std::uint64_t v : {0ull, 1ull, 2ull, 5ull, 0x7fffull, 0xffffull,
                                              0x10000ull, 0x7fffffffull, 0xffffffffull, ~0ull}) {
                  for (int field = 0; field < 4; ++field) {
                    TiffBytes t = whole;
                    TiffBytes::Entry& e = t.entries[tag];
                    if (field == 0) e.type = static_cast<int>(v & 31);
                    if (field == 1) e.count = v;
                    if (field == 2) e.told_offset = v;
                    if (field == 3) std::fill(e.values.begin(), e.values.end(), v);
                    const std::string said = refused(t.bytes());
                    if (!said.empty() && said != "taken")
                      return "tag " + std::to_string(tag) + ", value " + std::to_string(v) + ": " +
                             said;
                  }
                }
              }
              return "";
            }),
            "");
}

INSTANTIATE_TEST_SUITE_P(Hostile, BrokenTiff,
                         ::testing::Values(std::pair{false, false}, std::pair{true, false},
                                           std::pair{false, true}, std::pair{true, true}),
                         [](const auto& test) {
                           return std::string(test.param.second ? "Big" : "Classic") +
                                  (test.param.first ? "MM" : "II");
                         });

}  // namespace
}  // namespace lapwright::hostile
