// The fewest passes that show chosen areas of a sleeve, each whole in one pass where that can be.
// Units: micrometres. Thread: values. Errors: none.
#pragma once

#include <vector>

#include "plan/reach.h"
#include "plan/layout.h"

namespace lapwright::plan {

struct Gathering {
  struct Group {
    int reach = 0;
    Box shown;               // the hull of its areas
    std::vector<int> areas;
  };
  std::vector<Group> groups;
  std::vector<int> too_large;  // areas that no one pass can show
};

/// Candidates for the same number of passes, with different sets of turns; one at least.
std::vector<Gathering> gather(const std::vector<Box>& areas, const std::vector<Reach>& reaches);

}  // namespace lapwright::plan
