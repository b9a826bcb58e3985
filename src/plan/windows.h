// The windows that show chosen frames of a sleeve that lies anyhow, once it is known how.
//
// Invariants: every area is whole in one window or told as cut; two areas share a window exactly
// where one pass over both is quicker than one over each. Units: bed millimetres and micrometres.
// Thread: values. Errors: none.
#pragma once

#include <array>
#include <vector>

#include "plan/plan.h"

namespace lapwright::plan {

struct Windows {
  struct Group {
    Rect<BedSpace> shown;
    std::vector<int> areas;
  };
  std::vector<Group> groups;  // from the hinge towards the person
  struct Cut {
    int area = 0;
    std::array<double, 2> move_mm{};  // of the sleeve on the bed, that brings the area into the window
    bool too_large = false;
  };
  std::vector<Cut> cut;
};

/// `margin` around each area is given up as far as the window's edge needs, the area itself never.
Windows windows_for(const std::vector<Rect<BedSpace>>& areas, Micrometres margin,
                    const profile::BedProfile& bed, Ppi ppi);

/// A pass of that window under that lay: whole pixels, br-y on a whole millimetre where the bed's
/// window leaves room.
Pass pass_of(const Rect<BedSpace>& shown, const Lay& lay, const profile::SleeveProfile& sleeve,
             const profile::BedProfile& bed, Ppi ppi);

/// The nearest quarter turn, and whether it lies wrong side up.
Lay lay_of(const Affine<SleeveSpace, BedSpace>& sleeve_to_bed);

}  // namespace lapwright::plan
