// proof.pdf: the JPEG as it is, at 1:1, on a page that holds it, or on several that lap, with the
// title block drawn in vectors.
//
// Invariants: nothing is scaled; the picture's bytes are in the file once. Units: mm. Thread: one.
// Errors: io, cannot_create.
#pragma once

#include <filesystem>
#include <string>

#include "core/result.h"
#include "proof/paper_marks.h"
#include "proof/proof.h"
#include "proof/title_block.h"
#include "proof/xmp.h"

namespace lapwright::proof {

struct PrintedJpeg {
  std::string bytes;
  std::int64_t width = 0, height = 0;  // pixels of the whole JPEG
  std::int64_t sheet_height =
      0;  // rows that show the sheet; below them is the JPEG's own title block
  double mm_per_pixel = 0;
};

/// A4 or Letter, upright or across, that holds `width` x `height` mm; else a page of that size.
PageSize page_for(double width, double height);

/// What one page shows of a sheet.
struct Part {
  double x = 0, y = 0, width = 0, height = 0;
};  // from the sheet's top left corner
struct Pages {
  PageSize page;
  double title_width = 0;
  int across = 1, down = 1;
  std::vector<Part> parts;  // row by row
};
constexpr double page_lap = 10;
/// The fewest pages of `paper`, upright or across, that show the sheet with a lap; without `paper`
/// one page that holds it.
Pages pages_for(double sheet_width, double sheet_height, const std::optional<PageSize>& paper);

/// What was marked on the sheet whose first pixel lies at `origin`.
struct Marked {
  PaperMarks marks;
  Spot<SleeveSpace> origin;
};

Result<> write_pdf(const std::filesystem::path& path, const PrintedJpeg& jpeg,
                   const std::vector<frames::Frame>& frames, const Caption& caption,
                   const About& about, const std::optional<PageSize>& paper,
                   const Marked& marked = {});

}  // namespace lapwright::proof
