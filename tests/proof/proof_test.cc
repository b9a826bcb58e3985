#include "proof/proof.h"

#include <gtest/gtest.h>
#include <lcms2.h>
#include <sys/resource.h>

#include <cstdio>
#include <jpeglib.h>
#include <filesystem>
#include <sstream>
#include <tiffio.h>

#include "core/files.h"
#include "core/process.h"
#include "density/density.h"
#include "density/paper.h"
#include "proof/paper_sheet.h"
#include "proof/shrink.h"
#include "proof/title_block.h"
#include "proof/tone.h"
#include "proof/xmp.h"

namespace lapwright::proof {
namespace {

namespace fs = std::filesystem;

profile::SleeveProfile sleeve_135() {
  profile::SleeveProfile s;
  s.name = "135-7x5";
  s.page = {{216000}, {279000}};
  s.frame = {{36000}, {24000}, {38000}};
  s.strips = {7, 5, {{18000}, {14000}}, {36200}, {190000}, profile::Run::right};
  return s;
}

/// A positive without film: near black, a smooth patch of colour where each frame is.
class Drawn : public image::RowSource {
 public:
  Drawn(std::int64_t width, std::int64_t height, Ppi ppi) : width_(width), height_(height), ppi_(ppi) {}
  std::int64_t width() const override { return width_; }
  std::int64_t height() const override { return height_; }
  Ppi ppi() const override { return ppi_; }
  Result<> read(std::int64_t first, std::int64_t rows, std::uint16_t* out) override {
    EXPECT_EQ(first, next_);  // once, from top to bottom
    next_ = first + rows;
    if (fail_at >= 0 && next_ > fail_at) return fail(Fault::io, "the sheet cannot be read");
    for (std::int64_t y = first; y < first + rows; ++y)
      for (std::int64_t x = 0; x < width_; ++x, out += 3) {
        const double mx = static_cast<double>(x) / ppi_.pixels_per_mm(), my = static_cast<double>(y) / ppi_.pixels_per_mm();
        const bool frame = mx > 5 && mx < 41 && my > 9.5 && my < 33.5;
        for (int c = 0; c < 3; ++c) out[c] = static_cast<std::uint16_t>(frame ? (c == 0 ? 40000 : c == 1 ? 30000 : 20000) : 2000);
      }
    return {};
  }
  std::int64_t fail_at = -1;

 private:
  std::int64_t width_, height_, next_ = 0;
  Ppi ppi_;
};

frames::Frame frame(const std::string& name, double x, double y, double sure) {
  frames::Frame f;
  f.frame = name, f.strip = 1, f.sure = sure;
  f.corners = {Spot<SleeveSpace>{x, y}, {x + 36, y}, {x + 36, y + 24}, {x, y + 24}};
  return f;
}

struct Rgb8 { std::int64_t width = 0, height = 0; int density = 0, density_unit = 0; std::vector<std::uint8_t> samples; std::size_t icc = 0; };

Rgb8 read_jpeg(const fs::path& path) {  // libjpeg, another road than the one that wrote it
  Rgb8 p;
  jpeg_decompress_struct info{};
  jpeg_error_mgr errors;
  info.err = jpeg_std_error(&errors);
  jpeg_create_decompress(&info);
  FILE* f = std::fopen(path.c_str(), "rb");
  jpeg_stdio_src(&info, f);
  jpeg_save_markers(&info, JPEG_APP0 + 2, 0xffff);
  jpeg_read_header(&info, TRUE);
  JOCTET* icc = nullptr;
  unsigned size = 0;
  if (jpeg_read_icc_profile(&info, &icc, &size)) p.icc = size, std::free(icc);
  p.density = info.X_density, p.density_unit = info.density_unit;
  jpeg_start_decompress(&info);
  p.width = info.output_width, p.height = info.output_height;
  p.samples.resize(static_cast<std::size_t>(p.width * p.height * 3));
  while (info.output_scanline < info.output_height) {
    JSAMPROW row = p.samples.data() + static_cast<std::int64_t>(info.output_scanline) * p.width * 3;
    jpeg_read_scanlines(&info, &row, 1);
  }
  jpeg_finish_decompress(&info);
  jpeg_destroy_decompress(&info);
  std::fclose(f);
  return p;
}

std::string output(const std::vector<std::string>& command) {
  const auto r = core::run(command, 60);
  EXPECT_TRUE(r && r->exit_code == 0) << command[0] << ": " << (r ? r->last_lines : r.error().text);
  return r ? r->last_lines : "";
}

struct Proof : testing::Test {
  fs::path folder = fs::temp_directory_path() / ("proof-" + std::to_string(::getpid()) + testing::UnitTest::GetInstance()->current_test_info()->name());
  std::atomic<bool> stop{false};
  Caption caption{"2026-081", "c41-daylight-400", "2026-10-03", "ferry quay", "2026-11-25"};
  std::vector<frames::Frame> frames{frame("7", 18 + 5, 14 + 9.5, 0.99)};
  Spot<SleeveSpace> origin{18, 14};
  void TearDown() override { fs::remove_all(folder); }
  Result<Made> make_one(image::RowSource& positive, const Options& options = {}) {
    return make(positive, origin, sleeve_135(), frames, caption, folder, stop, options);
  }
  static Drawn sheet(int ppi, double width = 190, double height = 100) {
    return {std::llround(width / 25.4 * ppi), std::llround(height / 25.4 * ppi), {ppi}};
  }
};

TEST_F(Proof, WritesThreeWholeFilesWithTheirSums) {
  auto positive = sheet(200);
  const auto made = make_one(positive);
  ASSERT_TRUE(made) << made.error().text;
  for (const MadeFile* file : made->files()) EXPECT_EQ(output({"sha256sum", file->path}).substr(0, 64), file->sha256) << file->path;
  EXPECT_EQ(std::distance(fs::directory_iterator(folder), {}), 4);
}

TEST_F(Proof, IsTheSameEachTime) {
  auto a = sheet(150), b = sheet(150);
  const auto first = make_one(a), second = make_one(b);
  ASSERT_TRUE(first && second);
  for (std::size_t i = 0; i < 4; ++i) EXPECT_EQ(first->files()[i]->sha256, second->files()[i]->sha256) << first->files()[i]->path;
}

// Read back by libtiff's RGBA reader and by tiffinfo (libtiff-tools).
TEST_F(Proof, PyramidHasTiledJpegLevelsAsSubIfds) {
  auto positive = sheet(200);
  const std::int64_t width = positive.width(), height = positive.height();
  ASSERT_TRUE(make_one(positive));
  const std::string info = output({"tiffinfo", folder / "proof.tif"});
  EXPECT_NE(info.find("Tile Width: 512 Tile Length: 512"), std::string::npos) << info;
  EXPECT_NE(info.find("Compression Scheme: JPEG"), std::string::npos);
  EXPECT_NE(info.find("Resolution: 200, 200 pixels/inch"), std::string::npos);
  EXPECT_NE(info.find("ICC Profile: <present>"), std::string::npos);

  TIFF* t = TIFFOpen((folder / "proof.tif").c_str(), "r");
  ASSERT_NE(t, nullptr);
  std::uint16_t count = 0;
  std::uint64_t* offsets = nullptr;
  ASSERT_TRUE(TIFFGetField(t, TIFFTAG_SUBIFD, &count, &offsets));
  EXPECT_EQ(count, 2);  // 1496 x 787, 748 x 394, 374 x 197
  std::vector<std::uint64_t> places(offsets, offsets + count);
  std::int64_t w = width, h = height;
  for (int level = 0; level <= count; ++level) {
    if (level > 0) {
      ASSERT_TRUE(TIFFSetSubDirectory(t, places[static_cast<std::size_t>(level - 1)]));
      w = (w + 1) / 2, h = (h + 1) / 2;
    }
    std::uint32_t tw = 0, th = 0, kind = 0;
    TIFFGetField(t, TIFFTAG_IMAGEWIDTH, &tw), TIFFGetField(t, TIFFTAG_IMAGELENGTH, &th), TIFFGetField(t, TIFFTAG_SUBFILETYPE, &kind);
    EXPECT_EQ(tw, w);
    EXPECT_EQ(th, h);
    EXPECT_EQ(kind, level ? 1U : 0U);
    std::vector<std::uint32_t> rgba(tw * th);
    ASSERT_TRUE(TIFFReadRGBAImageOriented(t, tw, th, rgba.data(), ORIENTATION_TOPLEFT, 0));
    const double k = 200 / 25.4 / (1 << level);
    const auto at = [&](double x, double y) { return rgba[static_cast<std::size_t>(y * k) * tw + static_cast<std::size_t>(x * k)]; };
    EXPECT_NEAR(TIFFGetR(at(20, 20)), 40000 / 257, 2) << level;
    EXPECT_NEAR(TIFFGetG(at(20, 20)), 30000 / 257, 2);
    EXPECT_NEAR(TIFFGetB(at(20, 20)), 20000 / 257, 2);
    EXPECT_NEAR(TIFFGetG(at(150, 80)), 2000 / 257, 2);
  }
  TIFFClose(t);
}

TEST_F(Proof, JpegTellsItsRealScaleAndColourSpace) {
  auto positive = sheet(300);
  Options small;
  small.jpeg_long_side = 1500;
  ASSERT_TRUE(make_one(positive, small));
  const Rgb8 jpeg = read_jpeg(folder / "proof.jpg");
  EXPECT_LE(std::max(jpeg.width, jpeg.height), 1500);
  EXPECT_GT(jpeg.width, 1480);
  EXPECT_EQ(jpeg.density_unit, 1);
  EXPECT_NEAR(static_cast<double>(jpeg.width) * 25.4 / jpeg.density, 190, 0.15);  // mm, within a pixel
  EXPECT_EQ(jpeg.icc, density::srgb_icc_profile().size());
  const double k = jpeg.density / 25.4;
  const std::uint8_t* p = jpeg.samples.data() + (static_cast<std::int64_t>(20 * k) * jpeg.width + static_cast<std::int64_t>(20 * k)) * 3;
  EXPECT_NEAR(p[0], 40000 / 257, 2);
  EXPECT_NEAR(p[2], 20000 / 257, 2);
}

/// Is there lettering-coloured ink (light brown to orange) in this part of the JPEG, mm?
int orange_pixels(const Rgb8& jpeg, double x0, double y0, double x1, double y1) {
  const double k = jpeg.density / 25.4;
  int n = 0;
  for (auto y = static_cast<std::int64_t>(y0 * k); y < static_cast<std::int64_t>(y1 * k); ++y)
    for (auto x = static_cast<std::int64_t>(x0 * k); x < static_cast<std::int64_t>(x1 * k); ++x) {
      const std::uint8_t* p = jpeg.samples.data() + (y * jpeg.width + x) * 3;
      n += p[0] > 120 && p[0] > p[1] + 25 && p[1] > p[2] + 20;
    }
  return n;
}

TEST_F(Proof, NumbersStandBelowTheFilmEdgeOfTheirFrame) {
  auto positive = sheet(300);
  ASSERT_TRUE(make_one(positive));
  const Rgb8 jpeg = read_jpeg(folder / "proof.jpg");
  // The frame ends at 33.5 mm on this sheet, its film 5.49 mm lower (CALC trade.md 1.1: (34.975 - 24) / 2).
  EXPECT_GT(orange_pixels(jpeg, 17, 38.5, 29, 41), 50);
  EXPECT_EQ(orange_pixels(jpeg, 5, 34, 41, 38.4), 0);    // perforations and lettering stay free
  EXPECT_EQ(orange_pixels(jpeg, 50, 36, 180, 44), 0);    // no number where there is no frame
  const int sure = orange_pixels(jpeg, 5, 38.5, 41, 41);
  frames[0].sure = 0.5;
  auto again = sheet(300);
  ASSERT_TRUE(make_one(again));
  EXPECT_GT(orange_pixels(read_jpeg(folder / "proof.jpg"), 5, 38.5, 41, 41), sure + 10);  // and a question mark
}

// pdfinfo, pdfimages and pdftoppm of poppler-utils.
TEST_F(Proof, PageIsOneToOneAndHoldsTheJpegAsItIs) {
  auto positive = sheet(300);
  ASSERT_TRUE(make_one(positive));
  const std::string info = output({"pdfinfo", folder / "proof.pdf"});
  EXPECT_NE(info.find("A4"), std::string::npos) << info;
  EXPECT_NE(info.find("2026-081"), std::string::npos);
  const std::string images = output({"pdfimages", "-list", folder / "proof.pdf"});
  EXPECT_NE(images.find(" 300   300 "), std::string::npos) << images;  // pixels an inch on the page: 1:1
  output({"pdfimages", "-all", folder / "proof.pdf", folder / "out"});
  EXPECT_EQ(*core::sha256_of(folder / "out-000.jpg"), *core::sha256_of(folder / "proof.jpg"));
  const std::string fonts = output({"pdffonts", folder / "proof.pdf"});
  EXPECT_NE(fonts.find("yes yes"), std::string::npos) << fonts;  // embedded
  const std::string words = output({"pdftotext", folder / "proof.pdf", "-"});
  for (const char* word : {"2026-081", "c41-daylight-400", "2026-10-03", "ferry quay", "1 frame", "100 mm", "print at 100 %"})
    EXPECT_NE(words.find(word), std::string::npos) << word << " in " << words;

  // The bar: the longest run of dark pixels in a row below the sheet, rendered at 600 ppi.
  output({"pdftoppm", "-r", "600", "-gray", folder / "proof.pdf", folder / "page"});
  const auto pgm = core::read_file(folder / "page-1.pgm", 1 << 28);
  ASSERT_TRUE(pgm);
  int w = 0, h = 0, most = 0, head = 0;
  ASSERT_EQ(std::sscanf(pgm->c_str(), "P5 %d %d 255%n", &w, &h, &head), 2);
  const auto* pixels = reinterpret_cast<const unsigned char*>(pgm->data()) + head + 1;
  for (int y = 0; y < h; ++y) {
    if (pixels[y * w + static_cast<int>(11 / 25.4 * 600)] < 128) continue;  // this row crosses the sheet, whose edge is at 10 mm
    int run = 0;
    for (int x = 0; x < w; ++x) {
      const bool dark = pixels[y * w + x] < 128;
      if (!dark) most = std::max(most, run);
      run = dark ? run + 1 : 0;
    }
  }
  EXPECT_NEAR(most * 25.4 / 600, 100, 0.1);
}

// qpdf and poppler-utils. What Cairo cannot say: no viewer scales the page, colours are sRGB, XMP and Info agree, nothing is smoothed
// (ISO 32000-1 tables 150 and 365; ISO 19005-2, 6.2.3 and 6.6.2).
TEST_F(Proof, PrintedSheetIsFinishedForPrint) {
  auto positive = sheet(300);
  ASSERT_TRUE(make_one(positive));
  const fs::path pdf = folder / "proof.pdf", plain = folder / "plain.pdf";
  output({"qpdf", "--check", pdf});
  output({"qpdf", "--qdf", "--object-streams=disable", pdf, plain});
  const auto text = core::read_file(plain, 1 << 28);
  ASSERT_TRUE(text);
  for (const char* word : {"/PrintScaling /None", "/PickTrayByPDFSize true", "/S /GTS_PDFA1", "/OutputConditionIdentifier (sRGB IEC61966-2.1)"})
    EXPECT_NE(text->find(word), std::string::npos) << word;
  EXPECT_EQ(text->find("/Interpolate true"), std::string::npos);
  const std::string meta = output({"pdfinfo", "-meta", pdf});
  for (const char* word : {"<pdfaid:part>2</pdfaid:part>", "2026-11-25", "Contact sheet 2026-081", "ferry quay"})
    EXPECT_NE(meta.find(word), std::string::npos) << word << " in " << meta;
}

// 6 x 6 of 35 mm is wider than A4: two pages, each at 1:1, the picture's bytes in the file once.
TEST_F(Proof, LiesOnSeveralPagesThatLapWhereThePaperIsSmaller) {
  auto positive = sheet(300, 228, 217);
  Options options;
  options.paper = PageSize{210, 297};
  ASSERT_TRUE(make_one(positive, options));
  const fs::path pdf = folder / "proof.pdf";
  const std::string info = output({"pdfinfo", pdf});
  EXPECT_NE(info.find("Pages:           2"), std::string::npos) << info;
  EXPECT_NE(info.find("A4"), std::string::npos) << info;
  const std::string images = output({"pdfimages", "-list", pdf});
  std::istringstream lines(images);
  std::string line, object;
  int shown = 0;
  while (std::getline(lines, line)) {
    std::istringstream words(line);
    std::string page, num, kind, width, height, colour, comp, bpc, enc, interp, id, gen, x, y;
    words >> page >> num >> kind >> width >> height >> colour >> comp >> bpc >> enc >> interp >> id >> gen >> x >> y;
    if (kind != "image") continue;
    ++shown;
    EXPECT_EQ(enc, "jpeg");
    EXPECT_EQ(x + " " + y, "300 300");  // 1:1
    if (!object.empty()) { EXPECT_EQ(id, object); }
    object = id;
  }
  EXPECT_EQ(shown, 2) << images;
  const std::string words = output({"pdftotext", pdf, "-"});
  for (const char* word : {"page 1 of 2", "page 2 of 2", "100 mm"}) EXPECT_NE(words.find(word), std::string::npos) << word << " in " << words;
}

TEST(PaperSheet, PagesCoverTheSheetAndLap) {
  for (const auto& [width, height] : {std::pair{190.0, 252.0}, {228.0, 217.0}, {300.0, 400.0}, {60.0, 900.0}, {208.0, 100.0}})
    for (const PageSize paper : {PageSize{210, 297}, {297, 210}, {215.9, 279.4}, {297, 420}}) {
      const Pages p = pages_for(width, height, paper);
      ASSERT_EQ(p.parts.size(), static_cast<std::size_t>(p.across * p.down));
      EXPECT_NEAR(p.page.width * p.page.height, paper.width * paper.height, 1e-6);
      EXPECT_NEAR(p.parts.back().x + p.parts.back().width, width, 1e-9);
      EXPECT_NEAR(p.parts.back().y + p.parts.back().height, height, 1e-9);
      EXPECT_EQ(p.parts.front().x + p.parts.front().y, 0);
      for (std::size_t n = 0; n < p.parts.size(); ++n) {
        const Part& part = p.parts[n];
        EXPECT_LE(part.width, p.page.width - 12 + 1e-9);
        EXPECT_LE(part.height + TitleBlock::height_for(p.title_width), p.page.height - 12 + 1e-9);
        if (static_cast<int>(n) % p.across > 0) { EXPECT_GE(p.parts[n - 1].x + part.width - part.x, page_lap - 1e-9); }
        if (static_cast<int>(n) / p.across > 0) { EXPECT_GE(p.parts[n - static_cast<std::size_t>(p.across)].y + part.height - part.y, page_lap - 1e-9); }
      }
    }
  EXPECT_EQ(pages_for(190, 252, PageSize{210, 297}).parts.size(), 1U);
  EXPECT_EQ(pages_for(228, 217, PageSize{297, 420}).parts.size(), 1U);
}

// exiv2 reads back what was written (classic TIFF; it cannot open BigTIFF).
TEST_F(Proof, SaysOfItselfWhatItIs) {
  caption.make = "Invented", caption.model = "bed <8 & 10>", caption.sheet = std::string(64, 'a');
  caption.note = "quay & <ferry> \xc3\xa5";
  auto positive = sheet(200);
  ASSERT_TRUE(make_one(positive));
  std::vector<std::string> tags{"exiv2", "-Pkt"};
  for (const char* tag : {"DocumentName", "PageName", "Make", "Model", "DateTime", "Software"}) tags.insert(tags.end(), {"-K", std::string("Exif.Image.") + tag});
  for (const char* tag : {"DateTimeDigitized", "ImageUniqueID"}) tags.insert(tags.end(), {"-K", std::string("Exif.Photo.") + tag});
  tags.push_back(folder / "proof.tif");
  const std::string tif = output(tags) + output({"exiv2", "-PXkt", folder / "proof.tif"});
  for (const char* word : {"Exif.Image.DocumentName", "2026-081", "Exif.Image.PageName", "Exif.Image.Make", "Invented", "bed <8 & 10>", "2026:11:25 00:00:00", "Exif.Photo.DateTimeDigitized", "Exif.Photo.ImageUniqueID",
                           "lapwright", "Xmp.dc.identifier", "Xmp.dc.source", "Xmp.dc.date", "quay & <ferry> \xc3\xa5", "ImageRegion"})
    EXPECT_NE(tif.find(word), std::string::npos) << word << " in " << tif;
  const std::string said = output({"exiv2", "-PXkt", folder / "proof.xmp"});
  // The frame's left edge: 5 of 190 mm, its top 9.5 of 100.
  for (const char* word : {"Xmp.dc.title", "Contact sheet 2026-081", "rbX  0.0263", "rbY  0.095", "frame-7"})
    EXPECT_NE(said.find(word), std::string::npos) << word << " in " << said;
}

TEST(Xmp, HoldsAnyText) {
  About a;
  a.title = "\xff\xfe \x01 \xed\xa0\x80 \xc0\x80 <&>", a.identifier = "r", a.sheet = "0";
  const std::string packet = xmp_packet(a, "");
  EXPECT_NE(packet.find("\xef\xbf\xbd"), std::string::npos);
  EXPECT_NE(packet.find("&lt;&amp;&gt;"), std::string::npos);
  for (const char c : packet) EXPECT_TRUE(static_cast<unsigned char>(c) >= 0x20 || c == '\n');
}

TEST(PaperSheet, ChoosesAPageThatHoldsTheSheet) {
  EXPECT_EQ(page_for(200, 290).width, 210);
  EXPECT_EQ(page_for(290, 200).width, 297);
  EXPECT_EQ(page_for(214, 270).width, 215.9);
  EXPECT_EQ(page_for(270, 214).height, 215.9);
  EXPECT_EQ(page_for(228.2, 310).width, 229);
  EXPECT_EQ(page_for(228.2, 310).height, 310);
}

TEST_F(Proof, NarrowSheetAndLongTextsStayInPlace) {
  caption = {"A roll with a name that is much longer than any sheet is wide, and then some", "stock", "", std::string(400, 'x'), ""};
  for (const double width : {24.0, 70.0, 130.0}) {
    auto positive = sheet(150, width, 60);
    const auto made = make_one(positive);
    ASSERT_TRUE(made) << made.error().text;
  }
  caption.note = "\xff\xfe not UTF-8 \x01";
  frames.clear();
  auto positive = sheet(150);
  ASSERT_TRUE(make_one(positive));
}

TEST_F(Proof, StopsAndLeavesNothing) {
  stop = true;
  auto positive = sheet(150);
  const auto made = make_one(positive);
  ASSERT_FALSE(made);
  EXPECT_EQ(made.error().fault, Fault::cancelled);
  EXPECT_TRUE(fs::is_empty(folder));
  stop = false;
  auto broken = sheet(150);
  broken.fail_at = 400;
  EXPECT_FALSE(make_one(broken));
  EXPECT_TRUE(fs::is_empty(folder));
}

TEST_F(Proof, SaysWhyItCannotBeMade) {
  { std::FILE* f = std::fopen(folder.c_str(), "w"); std::fclose(f); }  // a file where the folder should be
  auto positive = sheet(150);
  const auto made = make_one(positive);
  ASSERT_FALSE(made);
  EXPECT_EQ(made.error().fault, Fault::cannot_create) << made.error().text;
}

TEST_F(Proof, EveryFailingFileCallIsToldAndLeavesNoPartialFile) {
  bool done = false;
  for (int n = 1; !done && n < 200; ++n) {
    fs::remove_all(folder);
    auto positive = sheet(72, 60, 40);
    core::fail_nth_call(n, ENOSPC);
    const auto made = make_one(positive);
    const bool failed_one = core::calls_made() >= n;
    core::fail_nth_call(0, 0);
    done = !failed_one;
    EXPECT_EQ(made.has_value(), !failed_one) << n;
    if (!fs::exists(folder)) continue;
    for (const auto& entry : fs::directory_iterator(folder)) EXPECT_FALSE(entry.path().filename().string().starts_with(".")) << n;
  }
  EXPECT_TRUE(done);
}

TEST_F(Proof, WritesPlainPictures) {
  for (const int bits : {16, 8}) {
    auto positive = sheet(100);
    const std::int64_t width = positive.width();
    const fs::path file = folder / ("plain" + std::to_string(bits) + ".tif");
    ASSERT_TRUE(write_picture(positive, file, bits));
    TIFF* t = TIFFOpen(file.c_str(), "r");
    ASSERT_NE(t, nullptr);
    std::vector<std::uint16_t> row(static_cast<std::size_t>(width * 3));
    ASSERT_EQ(TIFFReadScanline(t, row.data(), 80), 1);
    const double seen = bits == 16 ? row[80 * 3] / 257.0 : reinterpret_cast<const std::uint8_t*>(row.data())[80 * 3];
    EXPECT_NEAR(seen, 40000 / 257.0, bits == 16 ? 0 : 1);
    TIFFClose(t);
  }
  auto positive = sheet(100);
  ASSERT_TRUE(write_picture(positive, folder / "plain.jpg", 8));
  EXPECT_EQ(read_jpeg(folder / "plain.jpg").density, 100);
  EXPECT_EQ(write_picture(positive, folder / "plain.png", 8).error().fault, Fault::usage);
  EXPECT_EQ(write_picture(positive, folder / "plain.jpg", 16).error().fault, Fault::usage);
}

TEST(Tone, DitherKeepsTheMeanAndTheGrey) {
  std::vector<std::uint16_t> code(64 * 3, 30000);
  std::vector<std::uint8_t> out(code.size());
  double sum = 0;
  for (int y = 0; y < 64; ++y) {
    to_8bit(code.data(), 64, y, out.data());
    for (std::size_t x = 0; x < 64; ++x) {
      EXPECT_EQ(out[x * 3], out[x * 3 + 1]);
      EXPECT_EQ(out[x * 3], out[x * 3 + 2]);
      sum += out[x * 3];
    }
  }
  EXPECT_NEAR(sum / (64 * 64), 30000 / 257.0, 0.02);
  code.assign(code.size(), 65535), to_8bit(code.data(), 64, 0, out.data());
  for (const auto v : out) EXPECT_EQ(v, 255);
  code.assign(code.size(), 0), to_8bit(code.data(), 64, 0, out.data());
  for (const auto v : out) EXPECT_EQ(v, 0);
}

// The reduction keeps the light: a black and white pattern gives the code of half light (IEC 61966-2-1: 0.5 -> 0.735357).
TEST(Shrink, AveragesLightByArea) {
  for (const auto& [in, out] : {std::pair<std::int64_t, std::int64_t>{100, 50}, {99, 37}, {100, 100}, {64, 1}}) {
    std::vector<std::vector<std::uint16_t>> rows;
    Shrink shrink(in, in, out, out, [&](const std::uint16_t* code) -> Result<> {
      rows.emplace_back(code, code + out * 3);
      return {};
    });
    double light_in = 0;
    for (std::int64_t y = 0; y < in; ++y) {
      std::vector<std::uint16_t> row(static_cast<std::size_t>(in * 3));
      for (std::int64_t x = 0; x < in; ++x)
        for (int c = 0; c < 3; ++c) row[static_cast<std::size_t>(x * 3 + c)] = (x + y) % 2 ? 65535 : 0;
      for (const auto v : row) light_in += v;
      ASSERT_TRUE(shrink.row(row.data()));
    }
    ASSERT_EQ(static_cast<std::int64_t>(rows.size()), out);
    double light_out = 0;
    for (const auto& row : rows)
      for (const auto v : row) light_out += light_of_code()[v];
    const double n_in = static_cast<double>(in * in * 3), n_out = static_cast<double>(out * out * 3);
    EXPECT_NEAR(light_out / n_out / 65535, light_in / n_in / 65535, 0.005) << in << " to " << out;
    if (in == 100 && out == 50) {
      EXPECT_NEAR(rows[10][30] / 65535.0, 0.735357, 0.001);
    }
  }
}

}  // namespace
}  // namespace lapwright::proof
