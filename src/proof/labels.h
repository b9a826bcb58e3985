// Frame numbers laid into the rows of a positive as they pass, where a contact sheet has its rebate numbers.
//
// Invariants: a number stands in the gutter just outside its frame's film edge, clear of picture and perforations; a frame that
//   or number that is not sure has a question mark; a number never leaves the sheet. Units: sleeve millimetres in, pixels of the positive out. Thread: one. Errors: none.
#pragma once

#include <cstdint>
#include <vector>

#include "frames/frames.h"
#include "image/rgb.h"
#include "profile/profile.h"

namespace lapwright::proof {

class Labels {
 public:
  Labels(const std::vector<frames::Frame>& frames, Spot<SleeveSpace> origin, const profile::SleeveProfile& sleeve,
         const image::RowSource& positive);
  /// Lays what belongs on row `y` (rows in order, from the top) over 16-bit sRGB codes.
  void draw(std::int64_t y, std::int64_t width, std::uint16_t* code);

 private:
  struct Label {
    std::int64_t x = 0, y = 0, width = 0, height = 0;
    std::vector<std::uint8_t> ink;  // coverage
  };
  std::vector<Label> labels_;
};

}  // namespace lapwright::proof
