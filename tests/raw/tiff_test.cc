#include "raw/tiff.h"

#include <fcntl.h>
#include <gtest/gtest.h>
#include <lcms2.h>
#include <tiffio.h>
#include <unistd.h>

#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <fstream>
#include <functional>
#include <map>

#include "core/files.h"
#include "raw/layout.h"

namespace lapwright::raw {
namespace {

namespace fs = std::filesystem;

class Folder {
 public:
  Folder() {
    std::string name = (fs::temp_directory_path() / "lapwright-raw-XXXXXX").string();
    path = ::mkdtemp(name.data());
  }
  ~Folder() { fs::remove_all(path); }
  fs::path path;
};

std::uint16_t sample(std::int64_t x, std::int64_t y, int c) {
  return static_cast<std::uint16_t>((x * 40503 + y * 9973 + c * 27449 + (x * y >> 3)) & 0xFFFF);
}

std::vector<std::uint16_t> rows_of(std::int64_t width, std::int64_t first, std::int64_t count) {
  std::vector<std::uint16_t> rows;
  for (std::int64_t y = first; y < first + count; ++y)
    for (std::int64_t x = 0; x < width; ++x)
      for (int c = 0; c < 3; ++c) rows.push_back(sample(x, y, c));
  return rows;
}

Result<Written> write(const fs::path& path, std::int64_t width, std::int64_t height, bool known,
                      std::int64_t most, std::int64_t chunk, const Tags& tags = {},
                      const std::string& note = {}) {
  auto writer = Writer::create(path, width, known ? height : -1, Ppi{2400}, tags, most);
  if (!writer) return fail(writer.error());
  for (std::int64_t y = 0; y < height; y += chunk) {
    const std::int64_t n = std::min(chunk, height - y);
    if (auto r = (*writer)->write(rows_of(width, y, n).data(), n); !r) return fail(r.error());
  }
  return (*writer)->finish(note);
}

std::string bytes_of(const fs::path& path) {
  std::ifstream in(path, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}

std::string output_of(const std::string& command) {
  std::string text;
  FILE* pipe = ::popen((command + " 2>&1").c_str(), "r");
  for (int c; (c = std::fgetc(pipe)) != EOF;) text += static_cast<char>(c);
  ::pclose(pipe);
  return text;
}

/// A reader of its own, after TIFF 6.0 section 2 and the BigTIFF layout; little-endian, uncompressed, contiguous only.
struct Plain {
  std::string bytes;
  bool big = false;
  std::map<int, std::vector<std::uint64_t>> numbers;
  std::map<int, std::string> blobs;
  std::uint64_t at(std::uint64_t offset, int n) const {
    std::uint64_t v = 0;
    for (int i = 0; i < n; ++i) v |= static_cast<std::uint64_t>(static_cast<unsigned char>(bytes.at(offset + static_cast<std::uint64_t>(i)))) << (8 * i);
    return v;
  }
  explicit Plain(const fs::path& path) : bytes(bytes_of(path)) {
    EXPECT_EQ(bytes.substr(0, 2), "II");
    big = at(2, 2) == 43;
    directory(big ? at(8, 8) : at(4, 4));
    if (numbers.count(34665)) directory(one(34665));  // Exif's
  }
  void directory(std::uint64_t ifd) {
    const std::uint64_t count = at(ifd, big ? 8 : 2);
    ifd += big ? 8 : 2;
    const int word = big ? 8 : 4;
    std::uint64_t before = 0;
    for (std::uint64_t i = 0; i < count; ++i, ifd += static_cast<std::uint64_t>(4 + 2 * word)) {
      const int tag = static_cast<int>(at(ifd, 2)), type = static_cast<int>(at(ifd + 2, 2));
      EXPECT_GT(static_cast<std::uint64_t>(tag), before) << "tags ascend (TIFF 6.0 section 2)";
      before = static_cast<std::uint64_t>(tag);
      static const std::map<int, int> sizes{{1, 1}, {2, 1}, {3, 2}, {4, 4}, {5, 8}, {7, 1}, {13, 4}, {16, 8}, {18, 8}};
      const int size = sizes.at(type);
      const std::uint64_t n = at(ifd + 4, word);
      const std::uint64_t total = n * static_cast<std::uint64_t>(size);
      const std::uint64_t value = total <= static_cast<std::uint64_t>(word) ? ifd + 4 + static_cast<std::uint64_t>(word) : at(ifd + 4 + static_cast<std::uint64_t>(word), word);
      if (type == 2 || type == 7 || type == 1) {
        blobs[tag] = bytes.substr(value, total);
        continue;
      }
      for (std::uint64_t k = 0; k < n; ++k)
        numbers[tag].push_back(type == 5 ? at(value + k * 8, 4) / at(value + k * 8 + 4, 4) : at(value + k * static_cast<std::uint64_t>(size), size));
    }
  }
  std::uint64_t one(int tag) const { return numbers.at(tag).at(0); }
  std::uint16_t pixel(std::uint64_t x, std::uint64_t y, std::uint64_t c) const {
    const std::uint64_t rows = one(278);
    return static_cast<std::uint16_t>(at(numbers.at(273).at(y / rows) + ((y % rows) * one(256) + x) * 6 + c * 2, 2));
  }
};

struct Case {
  std::int64_t width, height, chunk;
  bool known;
  std::int64_t most;
  bool big;
};

TEST(Writer, IsReadBackByAnotherReaderAndTheSumIsThatOfTheFile) {
  const Folder folder;
  // Odd sizes, one pixel, several strips, rows that come one by one, all at once or so many that their sum has a thread, height known or
  // not, BigTIFF by the bound.
  for (const Case& c : {Case{1, 1, 1, true, 0, false}, Case{333, 1001, 7, true, 0, false}, Case{4097, 131, 1000, true, 0, false}, Case{4097, 391, 200, true, 0, false},
                        Case{333, 1001, 13, false, 2000, false}, Case{333, 1001, 13, false, 0, true}, Case{50, 17, 5, false, 1 << 25, true}}) {
    const fs::path path = folder.path / "a.tif";
    auto written = write(path, c.width, c.height, c.known, c.most, c.chunk,
                         {.roll = "roll 7",
                          .page = "pass 1",
                          .make = "M",
                          .model = "N",
                          .date_time = "2026:01:02 03:04:05",
                          .note = "a note"},
                         "said at the end");
    ASSERT_TRUE(written) << written.error().text;
    const Plain tiff(path);
    EXPECT_EQ(tiff.big, c.big);
    EXPECT_EQ(tiff.bytes.size(), written->bytes);
    EXPECT_EQ(written->height, c.height);
    EXPECT_EQ(tiff.one(256), static_cast<std::uint64_t>(c.width));
    EXPECT_EQ(tiff.one(257), static_cast<std::uint64_t>(c.height));
    EXPECT_EQ(tiff.numbers.at(258), (std::vector<std::uint64_t>{16, 16, 16}));
    EXPECT_EQ(tiff.one(259), 1u);                                           // uncompressed
    EXPECT_EQ(tiff.one(262), 2u);                                           // RGB
    EXPECT_EQ(tiff.one(274), 1u);                                           // first row on top, first column left
    EXPECT_EQ(tiff.one(277), 3u);
    EXPECT_EQ(tiff.one(282), 2400u);
    EXPECT_EQ(tiff.one(283), 2400u);
    EXPECT_EQ(tiff.one(284), 1u);                                           // contiguous
    EXPECT_EQ(tiff.one(296), 2u);                                           // inch
    EXPECT_EQ(
        tiff.blobs.at(270).rfind("scanner-linear, not colour managed; a note; said at the end", 0),
        0u);
    EXPECT_STREQ(tiff.blobs.at(269).c_str(), "roll 7");
    EXPECT_STREQ(tiff.blobs.at(285).c_str(), "pass 1");
    EXPECT_STREQ(tiff.blobs.at(305).c_str(), "lapwright");
    EXPECT_STREQ(tiff.blobs.at(306).c_str(), "2026:01:02 03:04:05");
    // CIPA DC-008, Exif 2.32: version, digitised when, in which zone, a name of 128 bits.
    EXPECT_EQ(tiff.blobs.at(0x9000), "0232");
    EXPECT_STREQ(tiff.blobs.at(0x9004).c_str(), "2026:01:02 03:04:05");
    EXPECT_STREQ(tiff.blobs.at(0x9012).c_str(), "+00:00");
    EXPECT_EQ(tiff.blobs.at(0xA420).size(), 33u);
    if (!c.big) {  // Debian's exiv2 cannot open BigTIFF
      const std::string said = output_of("exiv2 -Pkt -g Exif.Photo " + path.string());
      for (const char* word : {"Exif.Photo.DateTimeDigitized", "2026:01:02 03:04:05", "Exif.Photo.OffsetTimeDigitized", "+00:00", "Exif.Photo.ImageUniqueID"})
        EXPECT_NE(said.find(word), std::string::npos) << word << " in " << said;
    }
    const auto icc = linear_icc_profile();
    EXPECT_EQ(tiff.blobs.at(34675), std::string(icc.begin(), icc.end()));
    const std::uint64_t strips = (tiff.one(257) + tiff.one(278) - 1) / tiff.one(278);
    EXPECT_EQ(tiff.numbers.at(273).size(), strips);
    EXPECT_LE(tiff.numbers.at(279).at(0), 1u << 20);
    bool same = true;
    for (std::int64_t y = 0; y < c.height; ++y)
      for (std::int64_t x = 0; x < c.width; x += c.width > 1000 ? 17 : 1)
        for (int k = 0; k < 3; ++k)
          same = same && tiff.pixel(static_cast<std::uint64_t>(x), static_cast<std::uint64_t>(y), static_cast<std::uint64_t>(k)) == sample(x, y, k);
    EXPECT_TRUE(same) << c.width << " x " << c.height;
    EXPECT_EQ(output_of("sha256sum " + path.string()).substr(0, 64), written->sha256);
    const std::string info = output_of("tiffinfo " + path.string());  // Debian's libtiff-tools
    EXPECT_NE(info.find("Bits/Sample: 16"), std::string::npos) << info;
    EXPECT_EQ(info.find("rror"), std::string::npos) << info;
    EXPECT_EQ(info.find("arning"), std::string::npos) << info;
  }
}

TEST(Writer, MakesBigTiffOnlyWhereTheFileCouldPassThreePointNineGiB) {
  // CALC: 3.9 GiB = 3.9 * 2^30 = 4 187 593 113.6 bytes; the directory of 1 MiB strips takes less than 200 000 bytes.
  EXPECT_FALSE(layout_of(19200, 24000).big);                // contract.md's 2 764 800 000 bytes
  EXPECT_FALSE(layout_of(19200, 36348).big);                // 4 187 289 600 + directory stays below
  EXPECT_TRUE(layout_of(19200, 36352).big);                 // 4 187 750 400
  EXPECT_TRUE(layout_of(40800, 120000).big);                // 29 GB: the count passes 32 bits
  EXPECT_EQ(layout_of(40800, 120000).data_bytes, 29376000000u);
  EXPECT_TRUE(layout_of(100, 0).big);                       // no bound known
  EXPECT_EQ(layout_of(1, 10).rows_per_strip, 174762u);      // 2^20 / 6
  EXPECT_EQ(layout_of(400000, 10).rows_per_strip, 1u);      // a row of 2.4 MB is a strip
}

TEST(Writer, LeavesNothingUnderTheFinalNameWhicheverCallFails) {
  const Folder folder;
  for (const bool known : {true, false}) {
    for (const int number : {EIO, ENOSPC}) {
      const fs::path path = folder.path / "never.tif";
      int failures = 0;
      for (std::int64_t n = 1;; ++n) {
        fs::remove(path);
        core::fail_nth_call(n, number);
        const auto written = write(path, 700, 600, known, 600, 50);
        const bool fired = core::calls_made() >= n;
        core::fail_nth_call(0, 0);
        if (!fired) {
          EXPECT_TRUE(written);
          EXPECT_TRUE(fs::exists(path));
          break;
        }
        ASSERT_LT(n, 100);
        if (written) continue;  // the call's failure did not matter (EINVAL-like cases)
        ++failures;
        const bool last = !written && fs::exists(path);
        // Only the flush of the folder, after the rename, may leave the whole file behind.
        if (last) {
          EXPECT_NE(written.error().text.find("folder"), std::string::npos) << written.error().text;
          EXPECT_TRUE(Reader::open(path));
        }
        for (const auto& entry : fs::directory_iterator(folder.path)) EXPECT_EQ(entry.path().extension(), ".tif") << entry.path();
      }
      EXPECT_GE(failures, 6);
    }
  }
}

TEST(Writer, RefusesTooFewAndTooManyRowsAndWithdrawsTheFile) {
  const Folder folder;
  {
    auto writer = Writer::create(folder.path / "a.tif", 10, 5, Ppi{300}, {});
    ASSERT_TRUE(writer);
    ASSERT_TRUE((*writer)->write(rows_of(10, 0, 4).data(), 4));
    auto written = (*writer)->finish();
    ASSERT_FALSE(written);
    EXPECT_NE(written.error().text.find("4 of 5 rows"), std::string::npos);
  }
  {
    auto writer = Writer::create(folder.path / "b.tif", 10, 5, Ppi{300}, {});
    ASSERT_TRUE(writer);
    EXPECT_FALSE((*writer)->write(rows_of(10, 0, 6).data(), 6));
  }
  { auto dropped = Writer::create(folder.path / "c.tif", 1000, 5000, Ppi{300}, {}); }
  EXPECT_TRUE(fs::is_empty(folder.path));
  EXPECT_FALSE(Writer::create(folder.path / "d.tif", 0, 5, Ppi{300}, {}));
}

TEST(Writer, LargeFilesPastTheCacheAreTheSameBytes) {
  constexpr std::int64_t width = 4999, chunk = 733, chunks = 13;  // 286 MB, no row begins at a block
  const auto rows = rows_of(width, 0, chunk);
  Tags tags;
  tags.date_time = "2026:01:31 09:12:44";
  const auto make = [&](const fs::path& path, Cached cached) -> Result<Written> {
    auto writer = Writer::create(path, width, chunk * chunks, Ppi{2400}, tags, 0, cached);
    if (!writer) return fail(writer.error());
    for (std::int64_t k = 0; k < chunks; ++k)
      if (auto r = (*writer)->write(rows.data(), chunk); !r) return fail(r.error());
    return (*writer)->finish();
  };
  const Folder folder;
  const auto kept = make(folder.path / "kept.tif", Cached::keep);
  ASSERT_TRUE(kept) << kept.error().text;
  // /dev/shm: a file system that may have no way past its cache.
  for (const fs::path& path : {folder.path / "passed.tif", fs::path("/dev/shm/lapwright-passed.tif")}) {
    const auto passed = make(path, Cached::pass_by);
    ASSERT_TRUE(passed) << passed.error().text;
    EXPECT_EQ(passed->sha256, kept->sha256);
    EXPECT_EQ(output_of("sha256sum < " + path.string()).substr(0, 64), kept->sha256) << path;  // coreutils
    EXPECT_EQ(passed->bytes, fs::file_size(path));
    fs::remove(path);
  }
  core::fail_nth_call(60, ENOSPC);  // in the middle of the picture
  const auto full = make(folder.path / "passed.tif", Cached::pass_by);
  core::fail_nth_call(0, 0);
  ASSERT_FALSE(full);
  EXPECT_EQ(full.error().fault, Fault::io);
  EXPECT_EQ(std::distance(fs::directory_iterator(folder.path), {}), 1);
}

TEST(Reader, GivesRowsAndBlocksInAnyOrder) {
  const Folder folder;
  const fs::path path = folder.path / "a.tif", packed = folder.path / "z.tif", other = folder.path / "b.tif";
  ASSERT_TRUE(write(path, 611, 1409, true, 0, 100));
  // Another program's files: compressed, and of the other byte order (Debian's libtiff-tools).
  ASSERT_EQ(output_of("tiffcp -c zip:2 " + path.string() + " " + packed.string()).find("rror"), std::string::npos);
  ASSERT_EQ(output_of("tiffcp -B " + path.string() + " " + other.string()).find("rror"), std::string::npos);
  for (const fs::path& p : {path, packed, other}) {
    auto reader = Reader::open(p);
    ASSERT_TRUE(reader) << reader.error().text;
    EXPECT_EQ((*reader)->width(), 611);
    EXPECT_EQ((*reader)->height(), 1409);
    EXPECT_EQ((*reader)->ppi().value, 2400);
    EXPECT_EQ((*reader)->info().description, "scanner-linear, not colour managed");
    std::vector<std::uint16_t> rows(611 * 3 * 1409);
    for (const auto& [first, count] : std::vector<std::pair<std::int64_t, std::int64_t>>{{0, 1409}, {1408, 1}, {700, 33}, {3, 290}}) {
      ASSERT_TRUE((*reader)->read(first, count, rows.data()));
      const auto wanted = rows_of(611, first, count);
      EXPECT_TRUE(std::equal(wanted.begin(), wanted.end(), rows.begin())) << p << first;
    }
    ASSERT_TRUE((*reader)->read_block(100, 7, 600, 400, rows.data()));
    bool same = true;
    for (std::int64_t y = 0; y < 400; ++y)
      for (std::int64_t x = 0; x < 7; ++x) same = same && rows[static_cast<std::size_t>((y * 7 + x) * 3 + 1)] == sample(100 + x, 600 + y, 1);
    EXPECT_TRUE(same) << p;
  }
}

/// Writes a TIFF with libtiff after `change` set what it wants.
void odd_file(const fs::path& path, const std::function<void(TIFF*)>& change) {
  TIFF* t = TIFFOpen(path.c_str(), "w");
  TIFFSetField(t, TIFFTAG_IMAGEWIDTH, 64);
  TIFFSetField(t, TIFFTAG_IMAGELENGTH, 48);
  TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, 16);
  TIFFSetField(t, TIFFTAG_SAMPLESPERPIXEL, 3);
  TIFFSetField(t, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_RGB);
  TIFFSetField(t, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
  TIFFSetField(t, TIFFTAG_ROWSPERSTRIP, 16);
  TIFFSetField(t, TIFFTAG_RESOLUTIONUNIT, RESUNIT_INCH);
  TIFFSetField(t, TIFFTAG_XRESOLUTION, 300.0);
  TIFFSetField(t, TIFFTAG_YRESOLUTION, 300.0);
  change(t);
  std::vector<char> strip(static_cast<std::size_t>(TIFFIsTiled(t) ? TIFFTileSize(t) : TIFFStripSize(t)));
  const std::uint32_t n = TIFFIsTiled(t) ? TIFFNumberOfTiles(t) : TIFFNumberOfStrips(t);
  for (std::uint32_t i = 0; i < n; ++i) {
    if (TIFFIsTiled(t)) TIFFWriteEncodedTile(t, i, strip.data(), static_cast<tmsize_t>(strip.size()));
    else TIFFWriteEncodedStrip(t, i, strip.data(), static_cast<tmsize_t>(strip.size()));
  }
  TIFFClose(t);
}

TEST(Reader, RefusesWhatItMustNotTake) {
  const Folder folder;
  const fs::path path = folder.path / "odd.tif";
  const auto says = [&](const std::string& word, Fault fault = Fault::bad_data) {
    auto reader = Reader::open(path);
    ASSERT_FALSE(reader) << word;
    EXPECT_EQ(reader.error().fault, fault) << reader.error().text;
    EXPECT_NE(reader.error().text.find(word), std::string::npos) << reader.error().text;
    EXPECT_NE(reader.error().text.find("odd.tif"), std::string::npos);
    EXPECT_EQ(reader.error().text.find('\n'), std::string::npos);
  };
  says("cannot be read", Fault::no_input);
  odd_file(path, [](TIFF* t) { TIFFSetField(t, TIFFTAG_ROWSPERSTRIP, 48); });
  EXPECT_TRUE(Reader::open(path));
  odd_file(path, [](TIFF* t) { TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, 8); });
  says("8 bits");
  odd_file(path, [](TIFF* t) { TIFFSetField(t, TIFFTAG_SAMPLESPERPIXEL, 1), TIFFSetField(t, TIFFTAG_PHOTOMETRIC, PHOTOMETRIC_MINISBLACK); });
  says("RGB would be right");
  odd_file(path, [](TIFF* t) { TIFFSetField(t, TIFFTAG_PLANARCONFIG, PLANARCONFIG_SEPARATE); });
  says("planes");
  odd_file(path, [](TIFF* t) { TIFFSetField(t, TIFFTAG_SAMPLEFORMAT, SAMPLEFORMAT_IEEEFP); });
  says("sample format 3");
  odd_file(path, [](TIFF* t) { TIFFSetField(t, TIFFTAG_ORIENTATION, ORIENTATION_BOTLEFT); });
  says("orientation 4");
  odd_file(path, [](TIFF* t) { TIFFSetField(t, TIFFTAG_TILEWIDTH, 16), TIFFSetField(t, TIFFTAG_TILELENGTH, 16); });
  says("tiled");
  odd_file(path, [](TIFF* t) { TIFFSetField(t, TIFFTAG_RESOLUTIONUNIT, RESUNIT_NONE); });
  says("resolution");
  odd_file(path, [](TIFF* t) { TIFFSetField(t, TIFFTAG_YRESOLUTION, 600.0); });
  says("the same both ways");
  std::ofstream(path) << "not a picture";
  says("not a TIFF");
  fs::remove(path);
  fs::create_directory(path);
  says("is not a file", Fault::no_input);
}

TEST(Reader, RefusesEveryTruncationAndAbsurdSizes) {
  const Folder folder;
  const fs::path whole = folder.path / "whole.tif", path = folder.path / "cut.tif";
  ASSERT_TRUE(write(whole, 64, 3000, true, 0, 500));
  const std::string bytes = bytes_of(whole);
  for (std::size_t n = 0; n < bytes.size(); n += n < 64 || n + 3000 > bytes.size() ? 13 : 7919) {
    std::ofstream(path, std::ios::binary) << bytes.substr(0, n);
    EXPECT_FALSE(Reader::open(path)) << n;
  }
  // The directory's numbers one after another set to absurd values: refused, or read without harm.
  const Plain tiff(whole);
  const std::uint64_t ifd = tiff.at(4, 4), count = tiff.at(ifd, 2);
  for (std::uint64_t i = 0; i < count; ++i) {
    for (const std::uint32_t value : {0u, 1u, 0x7FFFu, 0xFFFFFFFFu, 0xFFFFFFFEu, 0x10000000u}) {
      for (const std::uint64_t field : {4u, 8u}) {  // the count, the value or offset
        std::string broken = bytes;
        std::memcpy(broken.data() + ifd + 2 + i * 12 + field, &value, 4);
        std::ofstream(path, std::ios::binary) << broken;
        if (auto reader = Reader::open(path)) {
          ASSERT_LE((*reader)->width() * (*reader)->height() * 6, static_cast<std::int64_t>(broken.size()));
          std::vector<std::uint16_t> rows(static_cast<std::size_t>((*reader)->width() * (*reader)->height() * 3));
          (void)(*reader)->read(0, (*reader)->height(), rows.data());
        }
      }
    }
  }
}

TEST(LinearProfile, IsLinearWithSrgbPrimariesByLcms) {
  const auto bytes = linear_icc_profile();
  cmsHPROFILE ours = cmsOpenProfileFromMem(bytes.data(), static_cast<cmsUInt32Number>(bytes.size()));
  ASSERT_NE(ours, nullptr);
  EXPECT_EQ(cmsGetColorSpace(ours), cmsSigRgbData);
  EXPECT_TRUE(cmsIsMatrixShaper(ours));
  // lcms2's own: primaries of IEC 61966-2-1 with gamma 1.0.
  const cmsCIExyY white{0.3127, 0.3290, 1.0};
  const cmsCIExyYTRIPLE primaries{{0.6400, 0.3300, 1.0}, {0.3000, 0.6000, 1.0}, {0.1500, 0.0600, 1.0}};
  cmsToneCurve* line = cmsBuildGamma(nullptr, 1.0);
  cmsToneCurve* curves[3] = {line, line, line};
  cmsHPROFILE theirs = cmsCreateRGBProfile(&white, &primaries, curves);
  cmsHPROFILE lab = cmsCreateLab4Profile(nullptr);
  cmsHTRANSFORM a = cmsCreateTransform(ours, TYPE_RGB_DBL, lab, TYPE_Lab_DBL, INTENT_RELATIVE_COLORIMETRIC, cmsFLAGS_NOOPTIMIZE);
  cmsHTRANSFORM b = cmsCreateTransform(theirs, TYPE_RGB_DBL, lab, TYPE_Lab_DBL, INTENT_RELATIVE_COLORIMETRIC, cmsFLAGS_NOOPTIMIZE);
  ASSERT_NE(a, nullptr);
  for (int i = 0; i < 125; ++i) {
    const double rgb[3] = {(i % 5) / 4.0, (i / 5 % 5) / 4.0, (i / 25) / 4.0};
    cmsCIELab x, y;
    cmsDoTransform(a, rgb, &x, 1);
    cmsDoTransform(b, rgb, &y, 1);
    EXPECT_LT(cmsDeltaE(&x, &y), 0.05) << rgb[0] << ' ' << rgb[1] << ' ' << rgb[2];
  }
  cmsDeleteTransform(a);
  cmsDeleteTransform(b);
  cmsFreeToneCurve(line);
  for (cmsHPROFILE p : {ours, theirs, lab}) cmsCloseProfile(p);
}

}  // namespace
}  // namespace lapwright::raw
