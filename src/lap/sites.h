// Where to measure: places with structure, spread over what both passes show, and their pixels.
//
// Units: overview pixels of a for the choice, pixels of the level to measure at for the sites.
// Thread: pure; gather() reads one
//   RowSource. Errors: those of the RowSource.
#pragma once

#include <functional>

#include "lap/patches.h"

namespace lapwright::lap {

using PassWarp = std::function<Spot<PassSpace>(Spot<PassSpace>)>;
using StripOf = std::function<int(Spot<PassSpace>)>;

struct SitePlan {
  double scale_a = 1, scale_b = 1;       // pixels of the level to measure at per overview pixel
  std::int64_t width = 40, height = 24;  // of a patch of a
  std::int64_t margin = 8;               // how far b may be off, beyond the patch
  double row_mm = 1;                     // rows of sites lie this far apart at least
  int count = 1500;                      // about as many sites
  bool grain = false;                    // also where only the film's grain could be seen
};

/// Sites with the best structure of their cells. `a_to_b` maps overview pixels of a place on
/// `strip_of(place)` to b's.
std::vector<Site> choose_sites(const Overview& a, const Overview& b, const PassWarp& a_to_b,
                               const StripOf& strip_of, const SitePlan& plan);

/// Cuts the sites' boxes out of planes in memory.
std::vector<image::Plane> cut(const image::Plane& from, const std::vector<Box>& boxes);

/// Density of each count over the brightest light `open`, times the channel's weight.
class CountTable {
 public:
  CountTable(const std::array<double, 3>& open, const std::array<double, 3>& weight);
  float operator()(const std::uint16_t* pixel) const {
    return table_[pixel[0]][0] + table_[pixel[1]][1] + table_[pixel[2]][2];
  }

 private:
  std::vector<std::array<float, 3>> table_;
};

/// Density of each box at full resolution, all channels in one; boxes must lie inside the pass.
Result<std::vector<image::Plane>> gather(image::RowSource& source, const std::vector<Box>& boxes,
                                         const CountTable& density);

}  // namespace lapwright::lap
