// The first look at a bed: an empty window at a low resolution tells whether the light is on, how
// even it is, where it ends, whether anything is clipped, how many bits the data hold, and whether
// they look linear.
//
// Invariants: fed row by row; memory grows with the width and the number of rows, not with the
// picture. What the picture does
//   not show is "cannot tell", never a guess.
// Units: levels are parts of full scale (65535); millimetres in BedSpace. Thread: one. Errors:
// bad_data without a row.
#pragma once

#include <array>
#include <cstdint>
#include <string>
#include <utility>
#include <vector>

#include "bed/bed.h"

namespace lapwright::bed {

enum class Shape { linear, curved, unknown };

struct WindowFigures {
  /// Of red, green, blue.
  std::array<double, 3> level{};  // median
  std::array<double, 3>
      clipped{};  // share of the samples that stand at the highest code, where they pile up
  std::array<double, 3> evenness{};  // darkest part of the lit area over its brightest
  std::array<int, 3> bits{};         // that carry anything; 0: cannot tell
  Shape shape = Shape::unknown;
  /// Exponent by which the noise's variance grows with the level: 1 for photons counted on a
  /// straight scale, below 0.3 when a display curve was laid over them; and its uncertainty.
  double noise_exponent = 0, noise_exponent_error = 0;
  Rect<BedSpace> lit;  // where the light is at least half of its usual level
};

struct Finding {
  bool good = true;
  std::string say;
};
/// One sentence each, the light first.
std::vector<Finding> findings(const WindowFigures& figures, const Rect<BedSpace>& window);

/// Takes the picture of an empty window.
class WindowCheck : public Receiver {
 public:
  Result<> begin(const Format& format) override;
  Result<> rows(const std::uint16_t* samples, std::int64_t count) override;
  Result<WindowFigures> figures() const;

 private:
  static constexpr int levels = 96, steps = 256;
  struct Channel {
    std::vector<std::uint32_t> codes;   // how often each of 65536
    std::vector<double> columns, rows;  // mean of each
    std::vector<std::array<std::uint32_t, steps>>
        noise;  // by level: sizes of the change from row to row
  };
  using Stretch = std::pair<std::size_t, std::size_t>;  // first, behind the last
  void row(const std::uint16_t* now);
  void compare(const std::uint16_t* before, const std::uint16_t* now);
  std::size_t tile_edge(std::size_t t) const;
  double evenness(std::size_t channel, const Stretch& columns, const Stretch& rows) const;
  void fit_noise(WindowFigures& out) const;

  Format format_;
  std::int64_t height_ = 0;
  std::array<Channel, 3> channels_;
  std::vector<std::uint16_t> before_;
  std::vector<std::array<double, 3>> tiles_;  // sums of the row of tiles under way
  std::vector<std::vector<std::array<double, 3>>> tile_means_;
  std::int64_t tile_rows_ = 0, rows_in_tile_ = 0;
};

}  // namespace lapwright::bed
