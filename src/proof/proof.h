// The contact sheet: pyramid for the screen, JPEG, 1:1 PDF.
//
// Invariants: files are whole or absent; the positive is read once from top to bottom; memory bounded by a few hundred rows
//   and one JPEG-sized picture (at most `jpeg_long_side` pixels).
// Units: pixels, sleeve millimetres. Thread: one caller. Errors: cannot_create, io.
#pragma once

#include <atomic>
#include <filesystem>
#include <string>
#include <vector>

#include "frames/frames.h"
#include "image/rgb.h"
#include "profile/profile.h"

namespace lapwright::proof {

struct Caption { std::string roll, stock, shot, note, made; };  // dates as given; `made` YYYY-MM-DD

struct Options { std::int64_t jpeg_long_side = 4800; int jpeg_quality = 90; };

struct Made { std::filesystem::path tif, jpg, pdf; std::string tif_sha256, jpg_sha256, pdf_sha256; };

/// Writes proof.tif (8-bit sRGB, tiled pyramid), proof.jpg and proof.pdf (1:1, caption, 100 mm bar) into `folder`, with frame
/// numbers beside the frames as rebate numbers are. `positive` gives sRGB-encoded 16-bit rows.
Result<Made> make(image::RowSource& positive, Spot<SleeveSpace> origin, const profile::SleeveProfile& sleeve,
                  const std::vector<frames::Frame>& frames, const Caption& caption,
                  const std::filesystem::path& folder, const std::atomic<bool>& stop, const Options& options = {});

/// `lapwright convert`: a plain picture of the positive, by extension: .tif (16 or 8 bit), .jpg.
Result<> write_picture(image::RowSource& positive, const std::filesystem::path& file, int bits);

}  // namespace lapwright::proof
