// Tiles of proof.tif as they are served, against libtiff's own decoding of the same file.
#include "proof/tiles.h"

#include <gtest/gtest.h>
#include <tiffio.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <string>

#include "core/files.h"
#include "proof/jpeg.h"
#include "proof/pyramid.h"

namespace lapwright::proof {
namespace {

namespace fs = std::filesystem;

class TilesTest : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = fs::temp_directory_path() / ("tiles-test-" + std::to_string(::getpid()));
    fs::create_directories(folder_);
  }
  void TearDown() override { fs::remove_all(folder_); }

  fs::path make(std::int64_t width, std::int64_t height, bool rings = true) {
    const fs::path file = folder_ / (std::to_string(width) + "x" + std::to_string(height) + ".tif");
    auto p = Pyramid::start(file, width, height, {300}, 85, {}, {});
    EXPECT_TRUE(p);
    std::vector<std::uint16_t> row(static_cast<std::size_t>(width * 3));
    for (std::int64_t y = 0; y < height; ++y) {
      for (std::int64_t x = 0; x < width; ++x) {
        const double r = std::hypot(static_cast<double>(x) - 400, static_cast<double>(y) - 300);
        const auto at = static_cast<std::size_t>(x * 3);
        row[at] = static_cast<std::uint16_t>(rings ? 32768 + 30000 * std::sin(r / 9) : 32768);
        row[at + 1] = static_cast<std::uint16_t>(65535 * x / width);
        row[at + 2] = static_cast<std::uint16_t>(65535 * y / height);
      }
      EXPECT_TRUE((*p)->row(row.data()));
    }
    EXPECT_TRUE((*p)->finish());
    return file;
  }
  fs::path folder_;
};

/// A level as libtiff decodes it, tile by tile.
Bitmap by_libtiff(const fs::path& file, std::size_t level) {
  TIFF* t = TIFFOpen(file.c_str(), "r");
  std::uint16_t count = 0;
  std::uint64_t* places = nullptr;
  if (level > 0) {
    EXPECT_TRUE(TIFFGetField(t, TIFFTAG_SUBIFD, &count, &places));
    EXPECT_TRUE(TIFFSetSubDirectory(t, places[level - 1]));
  }
  std::uint32_t w = 0, h = 0, tw = 0, th = 0;
  TIFFGetField(t, TIFFTAG_IMAGEWIDTH, &w), TIFFGetField(t, TIFFTAG_IMAGELENGTH, &h);
  TIFFGetField(t, TIFFTAG_TILEWIDTH, &tw), TIFFGetField(t, TIFFTAG_TILELENGTH, &th);
  TIFFSetField(t, TIFFTAG_JPEGCOLORMODE, JPEGCOLORMODE_RGB);
  Bitmap out{w, h, std::vector<std::uint8_t>(std::size_t{w} * h * 3)};
  std::vector<std::uint8_t> tile(std::size_t{tw} * th * 3);
  for (std::uint32_t y = 0; y < h; y += th) {
    for (std::uint32_t x = 0; x < w; x += tw) {
      EXPECT_GT(TIFFReadTile(t, tile.data(), x, y, 0, 0), 0);
      for (std::uint32_t j = 0; j < std::min(th, h - y); ++j)
        std::copy_n(tile.data() + std::size_t{j} * tw * 3, std::min(tw, w - x) * 3,
                    out.rgb.data() + (std::size_t{y + j} * w + x) * 3);
    }
  }
  TIFFClose(t);
  return out;
}

TEST_F(TilesTest, EveryTileOfEveryLevelIsWhatLibtiffDecodes) {
  std::size_t tiles_seen = 0, cut = 0;
  int worst_inside = 0;
  double worst_at_cut = 0;
  for (const auto& [width, height] : {std::pair<int, int>{1300, 1100},
                                      {1024, 1024},
                                      {513, 515},
                                      {1025, 37},
                                      {1, 1},
                                      {700, 512}}) {
    const fs::path file = make(width, height);
    const auto tiles = Tiles::open(file);
    ASSERT_TRUE(tiles) << tiles.error().text;
    for (std::size_t k = 0; k < tiles->levels().size(); ++k) {
      const auto& l = tiles->levels()[k];
      const Bitmap truth = by_libtiff(file, k);
      ASSERT_EQ(truth.width, l.width);
      ASSERT_EQ(truth.height, l.height);
      for (std::int64_t y = 0; y < l.down; ++y) {
        for (std::int64_t x = 0; x < l.across; ++x) {
          const auto jpeg = tiles->at(k, x, y);
          ASSERT_TRUE(jpeg) << jpeg.error().text;
          const auto got = decode_jpeg(*jpeg, 512);
          ASSERT_TRUE(got) << got.error().text;
          ASSERT_EQ(got->width, std::min<std::int64_t>(512, l.width - x * 512));
          ASSERT_EQ(got->height, std::min<std::int64_t>(512, l.height - y * 512));
          ++tiles_seen;
          const bool cut_right = got->width < 512, cut_below = got->height < 512;
          cut += cut_right || cut_below;
          for (std::int64_t j = 0; j < got->height; ++j) {
            for (std::int64_t i = 0; i < got->width; ++i) {
              const std::uint8_t* g = got->rgb.data() + (j * got->width + i) * 3;
              const std::uint8_t* t =
                  truth.rgb.data() + ((y * 512 + j) * l.width + x * 512 + i) * 3;
              // Colour is kept for two pixels together; where a tile is cut, a decoder no longer
              // sees the neighbour that it would smooth the last one with. Its lightness stays
              // (JFIF's Y).
              if ((cut_right && i == got->width - 1) || (cut_below && j == got->height - 1)) {
                const auto grey = [](const std::uint8_t* p) {
                  return 0.299 * p[0] + 0.587 * p[1] + 0.114 * p[2];
                };
                worst_at_cut = std::max(worst_at_cut, std::abs(grey(g) - grey(t)));
              } else {
                for (int c = 0; c < 3; ++c)
                  worst_inside = std::max(worst_inside, std::abs(g[c] - t[c]));
              }
            }
          }
        }
      }
    }
  }
  std::printf(
      "%zu tiles, %zu of them cut; off by %d inside, by %.2f in lightness in the last pixel before "
      "a cut\n",
      tiles_seen, cut, worst_inside, worst_at_cut);
  EXPECT_EQ(worst_inside, 0);
  EXPECT_LE(worst_at_cut, 2);  // rounding to codes, three times
  EXPECT_GT(cut, 10u);
}

TEST_F(TilesTest, APartIsTheMeanOfWhatItCovers) {
  const fs::path file = make(1300, 1100, false);
  const auto tiles = Tiles::open(file);
  ASSERT_TRUE(tiles);
  const Bitmap truth = by_libtiff(file, 0);
  // The ramps of green and blue are the picture's own numbers: 255 x / 1300 and 255 y / 1100.
  const auto jpeg = tiles->part({{130}, {110}, {1040}, {880}}, 104, 88);
  ASSERT_TRUE(jpeg) << jpeg.error().text;
  const auto got = decode_jpeg(*jpeg, 512);
  ASSERT_TRUE(got);
  ASSERT_EQ(got->width, 104);
  ASSERT_EQ(got->height, 88);
  for (std::int64_t y = 4; y < 84; y += 8) {
    for (std::int64_t x = 4; x < 100; x += 8) {
      const auto at = static_cast<std::size_t>((y * 104 + x) * 3);
      EXPECT_NEAR(got->rgb[at + 1], 255.0 * (130 + (static_cast<double>(x) + 0.5) * 10) / 1300, 8)
          << x << "," << y;
      EXPECT_NEAR(got->rgb[at + 2], 255.0 * (110 + (static_cast<double>(y) + 0.5) * 10) / 1100, 8)
          << x << "," << y;
    }
  }
  // At 1:1 it is the picture, but for being a JPEG once more.
  const auto same = tiles->part({{500}, {500}, {64}, {48}}, 64, 48);
  ASSERT_TRUE(same);
  const auto pixels = decode_jpeg(*same, 512);
  ASSERT_TRUE(pixels);
  double sum = 0;
  for (std::int64_t y = 0; y < 48; ++y)
    for (std::int64_t x = 0; x < 64 * 3; ++x)
      sum += std::abs(pixels->rgb[static_cast<std::size_t>(y * 64 * 3 + x)] -
                      truth.rgb[static_cast<std::size_t>(((500 + y) * 1300 + 500) * 3 + x)]);
  EXPECT_LT(sum / (64 * 48 * 3), 4);
}

TEST_F(TilesTest, AWholeLevelIsItsTilesBlocksAndNotAJpegOnceMore) {
  const fs::path file = make(1300, 1100);
  const auto tiles = Tiles::open(file);
  ASSERT_TRUE(tiles);
  for (std::size_t k = 0; k < tiles->levels().size(); ++k) {
    const auto& l = tiles->levels()[k];
    const Bitmap truth = by_libtiff(file, k);
    const auto jpeg = tiles->part({{0}, {0}, {tiles->width()}, {tiles->height()}}, l.width, l.height);
    ASSERT_TRUE(jpeg) << jpeg.error().text;
    const auto got = decode_jpeg(*jpeg, 2048);
    ASSERT_TRUE(got) << got.error().text;
    ASSERT_EQ(got->width, l.width);
    ASSERT_EQ(got->height, l.height);
    int inside = 0;
    double joint = 0;
    for (std::int64_t y = 0; y < l.height; ++y)
      for (std::int64_t x = 0; x < l.width; ++x) {
        const std::uint8_t *g = got->rgb.data() + (y * l.width + x) * 3, *t = truth.rgb.data() + (y * l.width + x) * 3;
        // Beside a joint or a cut a decoder smooths colour over other neighbours than within a tile; lightness stays (JFIF's Y).
        const auto near = [](std::int64_t at, std::int64_t of) { return (at > 0 && (at + 1) % 512 <= 1) || at == of - 1; };
        const auto grey = [](const std::uint8_t* p) { return 0.299 * p[0] + 0.587 * p[1] + 0.114 * p[2]; };
        if (near(x, l.width) || near(y, l.height))
          joint = std::max(joint, std::abs(grey(g) - grey(t)));
        else
          for (int c = 0; c < 3; ++c) inside = std::max(inside, std::abs(g[c] - t[c]));
      }
    EXPECT_EQ(inside, 0) << "level " << k;
    EXPECT_LE(joint, 2) << "level " << k;
  }
}

TEST_F(TilesTest, PartsThatAskTooMuchAreRefused) {
  const auto tiles = Tiles::open(make(1300, 1100));
  ASSERT_TRUE(tiles);
  const auto refused = [&](std::int64_t x, std::int64_t y, std::int64_t w, std::int64_t h,
                           std::int64_t ow, std::int64_t oh) {
    const auto r = tiles->part({{x}, {y}, {w}, {h}}, ow, oh);
    return !r && r.error().fault == Fault::usage;
  };
  EXPECT_TRUE(refused(0, 0, 1301, 1, 1, 1));
  EXPECT_TRUE(refused(1, 0, 1300, 1, 1, 1));
  EXPECT_TRUE(refused(-1, 0, 10, 10, 1, 1));
  EXPECT_TRUE(refused(0, 0, 10, 10, 11, 10));
  EXPECT_TRUE(refused(0, 0, 0, 10, 1, 1));
  EXPECT_TRUE(refused(0, 0, 10, 10, 0, 1));
  EXPECT_TRUE(refused(INT64_MAX - 1, 0, 10, 10, 1, 1));
  EXPECT_FALSE(tiles->at(0, 3, 0));
  EXPECT_FALSE(tiles->at(9, 0, 0));
  EXPECT_FALSE(tiles->at(0, -1, 0));
}

TEST_F(TilesTest, ABrokenFileIsRefusedOrGivesNoTile) {
  const fs::path good = make(700, 600);
  const std::string bytes = *core::read_file(good, 64 << 20);
  const fs::path bad = folder_ / "bad.tif";
  const auto survives = [&](const std::string& text) {
    std::ofstream(bad, std::ios::binary)
        .write(text.data(), static_cast<std::streamsize>(text.size()));
    const auto tiles = Tiles::open(bad);
    if (!tiles) return;
    for (std::size_t k = 0; k < tiles->levels().size(); ++k)
      for (std::int64_t y = 0; y < tiles->levels()[k].down; ++y)
        for (std::int64_t x = 0; x < tiles->levels()[k].across; ++x) {
          (void)tiles->at(k, x, y);
        }
    (void)tiles->part({{0}, {0}, {tiles->width()}, {tiles->height()}}, 1, 1);
    for (const auto& l : tiles->levels()) (void)tiles->part({{0}, {0}, {tiles->width()}, {tiles->height()}}, l.width, l.height);
  };
  EXPECT_FALSE(Tiles::open(folder_ / "none.tif"));
  EXPECT_FALSE(Tiles::open(folder_));
  for (std::size_t n = 0; n < bytes.size(); n += 1 + bytes.size() / 60)
    survives(bytes.substr(0, n));
  std::uint32_t state = 7;
  const auto next = [&] { return state = state * 1664525 + 1013904223; };
  for (int i = 0; i < 150; ++i) {
    std::string one = bytes;
    for (int j = 0; j < 6; ++j) one[next() % one.size()] = static_cast<char>(next() >> 24);
    // Half of the damage goes to where the numbers stand.
    if (i % 2)
      one[one.size() - 1 - next() % std::min<std::size_t>(one.size(), 1500)] =
          static_cast<char>(next() >> 24);
    survives(one);
  }
  const auto tiles = Tiles::open(good);  // cut while it is open
  ASSERT_TRUE(tiles);
  fs::resize_file(good, 400);
  const auto tile = tiles->at(0, 1, 1);
  ASSERT_FALSE(tile);
  EXPECT_EQ(tile.error().fault, Fault::io);
}

}  // namespace
}  // namespace lapwright::proof
