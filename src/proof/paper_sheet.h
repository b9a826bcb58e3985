// proof.pdf: the JPEG as it is, at 1:1, on a page that holds it, with the title block drawn in vectors.
//
// Units: mm. Thread: one. Errors: io, cannot_create.
#pragma once

#include <filesystem>
#include <string>

#include "core/result.h"
#include "proof/proof.h"
#include "proof/title_block.h"

namespace lapwright::proof {

struct PrintedJpeg {
  std::string bytes;
  std::int64_t width = 0, height = 0;  // pixels of the whole JPEG
  std::int64_t sheet_height = 0;       // rows that show the sheet; below them is the JPEG's own title block
  double mm_per_pixel = 0;
};

struct PageSize { double width = 0, height = 0; };
/// A4 or Letter, upright or across, that holds `width` x `height` mm; else a page of that size.
PageSize page_for(double width, double height);

Result<> write_pdf(const std::filesystem::path& path, const PrintedJpeg& jpeg, const TitleBlock& title, const Caption& caption);

}  // namespace lapwright::proof
