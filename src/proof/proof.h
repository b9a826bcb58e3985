// The contact sheet: pyramid for the screen, JPEG, 1:1 PDF.
//
// Invariants: files are whole or absent; the positive is read once from top to bottom; memory
// bounded by a few hundred rows
//   and one JPEG-sized picture (at most `jpeg_long_side` pixels).
// Units: pixels, sleeve millimetres. Thread: one caller; the positive is read in another. Errors:
// cannot_create, io.
#pragma once

#include <array>
#include <atomic>
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "frames/frames.h"
#include "image/rgb.h"
#include "profile/profile.h"

namespace lapwright::proof {

/// Dates as given; `made` YYYY-MM-DD. `make`, `model`: of the flatbed. `sheet`: SHA-256 of the
/// linear sheet.
struct Caption {
  std::string roll, stock, shot, note, made, make{}, model{}, sheet{};
};

struct PageSize {
  double width = 0, height = 0;
};  // mm

struct Options {
  std::int64_t jpeg_long_side = 4800;
  int jpeg_quality = 90;
  std::optional<PageSize> paper;  // that there is; none: a page that holds the sheet
};

struct MadeFile {
  std::filesystem::path path;
  std::string sha256;
};
struct Made {
  MadeFile tif, jpg, pdf, xmp;
  std::vector<std::string> cautions;
  std::array<const MadeFile*, 4> files() const { return {&tif, &jpg, &pdf, &xmp}; }
};

/// Writes proof.tif (8-bit sRGB, tiled pyramid), proof.jpg, proof.pdf (1:1, caption, 100 mm bar; on
/// several pages with a lap where the paper is smaller) and proof.xmp (what they say of themselves)
/// into `folder`, with frame numbers beside the frames as rebate numbers are. `positive` gives
/// sRGB-encoded 16-bit rows.
Result<Made> make(image::RowSource& positive, Spot<SleeveSpace> origin,
                  const profile::SleeveProfile& sleeve, const std::vector<frames::Frame>& frames,
                  const Caption& caption, const std::filesystem::path& folder,
                  const std::atomic<bool>& stop, const Options& options = {});

/// Prints a proof again, from its proof.jpg, with what was marked on it: 1:1, as proof.pdf is, and a
/// page of verdicts and notes. `width`, `height`: of the sheet, mm. bad_data when the JPEG is not this sheet's.
struct PaperMarks;
Result<> print_marked(const std::filesystem::path& jpeg, double width, double height,
                      Spot<SleeveSpace> origin, const std::vector<frames::Frame>& frames,
                      const Caption& caption, const PaperMarks& marks,
                      const std::optional<PageSize>& paper, const std::filesystem::path& pdf);

/// `lapwright convert`: a plain picture of the positive, by extension: .tif (16 or 8 bit), .jpg.
Result<> write_picture(image::RowSource& positive, const std::filesystem::path& file, int bits);

}  // namespace lapwright::proof
