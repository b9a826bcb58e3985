// The whole matrix of libsane's `test` backend through the driver: picture x depth x kind of frame
// x byte order x resolution x area. 16-bit colour is exact to the byte, anything less is refused by
// name. Every case has a bed worker, a process, of its own, with a time limit; as many at a time as
// there are cores.
//
// One case in three by default, each value of each dimension with each other among them;
// LAPWRIGHT_TEST_ALL=1 runs all 648.
#include <gtest/gtest.h>

#include <atomic>
#include <cstdlib>
#include <cstring>
#include <map>
#include <mutex>
#include <thread>

#include "bed/bench.h"
#include "bed/test_pictures.h"

namespace lapwright::bed {
namespace {

struct Area {
  int x, y, width, height;
};
constexpr const char* pictures[] = {"Solid black", "Solid white", "Color pattern", "Grid"};
enum class Frames { gray, rgb, three };
struct Kind {
  int depth;
  Frames frames;
  bool swapped;
};
constexpr Kind kinds[] = {
    {8, Frames::gray, false},  {8, Frames::rgb, false},    {8, Frames::three, false},
    {16, Frames::gray, false}, {16, Frames::gray, true},   {16, Frames::rgb, false},
    {16, Frames::rgb, true},   {16, Frames::three, false}, {16, Frames::three, true}};
constexpr int resolutions[] = {75, 100, 150, 300, 600, 1200};
constexpr Area areas[] = {{0, 0, 60, 50}, {10, 20, 190, 12}, {3, 70, 13, 90}};

struct Case {
  std::string picture;
  Kind kind;
  int ppi;
  Area area;
  std::string name() const {
    return picture + ", " + std::to_string(kind.depth) + " bits, " +
           (kind.frames == Frames::gray  ? "gray"
            : kind.frames == Frames::rgb ? "RGB"
                                         : "three frames") +
           (kind.swapped ? ", bytes swapped, " : ", ") + std::to_string(ppi) + " ppi, " +
           std::to_string(area.width) + " x " + std::to_string(area.height) + " mm";
  }
};

std::vector<Case> cases(bool all) {
  std::vector<Case> out;
  for (std::size_t p = 0; p < std::size(pictures); ++p)
    for (std::size_t k = 0; k < std::size(kinds); ++k)
      for (std::size_t r = 0; r < std::size(resolutions); ++r)
        for (std::size_t a = 0; a < std::size(areas); ++a)
          if (all || (p + k + r + a) % 3 == 0)
            out.push_back({pictures[p], kinds[k], resolutions[r], areas[a]});
  return out;
}

/// Compares rows as they come with rows that are drawn once; remembers the first sample that is
/// wrong.
class Comparing : public Receiver {
 public:
  explicit Comparing(const Case& c) : case_(c) {}
  Result<> begin(const Format& f) override {
    width = f.width;
    return {};
  }
  Result<> rows(const std::uint16_t* s, std::int64_t count) override {
    for (std::int64_t end = height + count; height < end; ++height, s += width * 3) {
      const std::vector<std::uint16_t>& want = drawn();
      if (std::memcmp(s, want.data(), want.size() * 2) == 0) continue;
      for (std::size_t i = 0; i < want.size(); ++i)
        if (s[i] != want[i] && wrong++ == 0)
          first = "x " + std::to_string(i / 3) + ", y " + std::to_string(height) + ", channel " +
                  std::to_string(i % 3) + ": is " + std::to_string(s[i]) + ", not " +
                  std::to_string(want[i]);
    }
    return {};
  }
  std::int64_t width = 0, height = 0, wrong = 0;
  std::string first;

 private:
  /// The colour pattern repeats after 260 rows, the grid and the solids have at most two kinds.
  const std::vector<std::uint16_t>& drawn() {
    const std::int64_t kind = case_.picture == "Color pattern" ? height % 260
                              : case_.picture == "Grid"        ? grid(0, height, case_.ppi)
                                                               : 0;
    std::vector<std::uint16_t>& row = drawn_[kind];
    if (!row.empty()) return row;
    for (std::int64_t x = 0; x < width; ++x)
      for (int c = 0; c < 3; ++c) {
        const std::uint16_t v = test_picture(case_.picture, x, height, c, case_.ppi);
        row.push_back(case_.kind.swapped ? static_cast<std::uint16_t>(v << 8 | v >> 8) : v);
      }
    return row;
  }
  const Case& case_;
  std::map<std::int64_t, std::vector<std::uint16_t>> drawn_;
};

/// Nothing when the case is right; else what is not.
std::string judged(const Case& c, std::atomic<std::int64_t>& bytes) {
  auto bed = make_sane_bed(quick_options());
  Comparing comparing(c);
  const std::atomic<bool> stop = false;
  std::map<std::string, std::string> options = {
      {"test-picture", c.picture},
      {"depth", std::to_string(c.kind.depth)},
      {"mode", c.kind.frames == Frames::gray ? "Gray" : "Color"}};
  if (c.kind.frames == Frames::three) options["three-pass"] = "true";
  if (c.kind.swapped) options["invert-endianess"] = "true";
  const auto r = bed->capture({.device = "test:0",
                               .window = window_mm(c.area.x, c.area.y, c.area.width, c.area.height),
                               .ppi = {c.ppi},
                               .options = options,
                               .light = Light::any},
                              comparing, stop);
  const bool gray = c.kind.frames == Frames::gray;
  if (gray || c.kind.depth == 8) {
    if (r) return "was taken, and should be refused";
    const std::string words = gray ? "gives gray where color is needed" : "8-bit only";
    return r.error().text.find(words) == std::string::npos
               ? "is refused for another reason: " + r.error().text
               : "";
  }
  if (!r) return r.error().text;
  if (comparing.width != test_pixels(c.area.width, c.ppi) ||
      comparing.height != test_pixels(c.area.height, c.ppi))
    return "is " + std::to_string(comparing.width) + " x " + std::to_string(comparing.height) +
           " pixels";
  bytes += comparing.width * comparing.height * 6;
  return comparing.wrong == 0
             ? ""
             : std::to_string(comparing.wrong) + " samples are wrong; " + comparing.first;
}

bool everything() {
  const char* wish = std::getenv("LAPWRIGHT_TEST_ALL");
  return wish && *wish == '1';
}

TEST(Matrix, OfTheTestBackendIsExactOrRefused) {
  const std::vector<Case> all = cases(everything());
  SaneFolder sane("test");
  std::atomic<std::size_t> next = 0;
  std::atomic<std::int64_t> bytes = 0;
  std::mutex mutex;
  std::vector<std::string> wrong;
  std::vector<std::thread> lanes;
  for (unsigned i = 0; i < std::max(2U, std::thread::hardware_concurrency()); ++i)
    lanes.emplace_back([&] {
      for (std::size_t at = next++; at < all.size(); at = next++) {
        const std::string what = judged(all[at], bytes);
        if (what.empty()) continue;
        const std::lock_guard lock(mutex);
        wrong.push_back(all[at].name() + ": " + what);
      }
    });
  for (std::thread& lane : lanes) lane.join();
  std::printf("%zu combinations, %.2f GB compared\n", all.size(),
              static_cast<double>(bytes.load()) / 1e9);
  EXPECT_GT(bytes.load(), 0);
  for (const std::string& w : wrong) ADD_FAILURE() << w;
}

TEST(Matrix, APassOfSixGigabytesIsWhole) {
  if (!everything()) GTEST_SKIP() << "takes a minute; LAPWRIGHT_TEST_ALL=1 runs it";
  // More than 32 bits can count: 31496 x 31496 pixels of 6 bytes.
  class Counting : public Receiver {
   public:
    Result<> begin(const Format& f) override {
      width = f.width;
      return {};
    }
    Result<> rows(const std::uint16_t* s, std::int64_t count) override {
      for (std::int64_t i = 0; i < count; ++i, ++height)
        for (std::int64_t x : {std::int64_t{0}, std::int64_t{5}, width / 2, width - 1})
          for (int c = 0; c < 3; ++c) wrong += s[(i * width + x) * 3 + c] != pattern(x, height, c);
      return {};
    }
    std::int64_t width = 0, height = 0, wrong = 0;
  } counting;
  SaneFolder sane("test", "", "resolution_max 12800\n");
  const std::atomic<bool> stop = false;
  const auto r = make_sane_bed(quick_options())
                     ->capture({.device = "test:0",
                                .window = window_mm(0, 0, 200, 200),
                                .ppi = {4000},
                                .options = {{"test-picture", "Color pattern"}},
                                .light = Light::any},
                               counting, stop);
  ASSERT_TRUE(r) << r.error().text;
  EXPECT_EQ(counting.width, test_pixels(200, 4000));
  EXPECT_EQ(counting.height, test_pixels(200, 4000));
  EXPECT_EQ(counting.wrong, 0);
  EXPECT_GT(counting.width * counting.height * 6, std::int64_t{1} << 32);
  std::printf("%.2f GB in %.1f s\n",
              static_cast<double>(counting.width * counting.height * 6) / 1e9, r->seconds);
}

}  // namespace
}  // namespace lapwright::bed
