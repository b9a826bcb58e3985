// A sleeve of film as one continuous picture whose every point is known: real photographs as masked
// negatives with rebate, perforations, lettering and grain, in pockets with gutters.
//
// Each strip is a grid of transmissions at the bed's resolution; the page is the cubic B-spline
// that those samples are the coefficients of. That spline is the scene and its kernel the optics'
// blur (standard deviation 1/sqrt(3) px), so any bed may sample it anywhere: where a pixel looks is
// exact, nothing is interpolated that the scene does not define. Units: sleeve millimetres;
// transmission 0..1 over open light. Thread: const after making. Errors: those of photographs.h.
#pragma once

#include <cstdint>
#include <vector>

#include "core/geometry.h"
#include "core/result.h"
#include "profile/profile.h"

namespace lapwright::bench {

struct PageOptions {
  unsigned seed = 1;
  double grain = 0.0045;      // RMS density in a circle of 48 um (common practice, no source)
  Rect<SleeveSpace> shown{};  // what passes will look at; empty: everything. Saves memory.
};

class FilmPage {
 public:
  static Result<FilmPage> make(const profile::SleeveProfile& sleeve, int ppi,
                               const PageOptions& options);
  /// `n` places from `at`, each a step further, four floats a place (R, G, B, unused). `slid_mm`:
  /// each strip's own shift along its pocket.
  void sample(Spot<SleeveSpace> at, Spot<SleeveSpace> step, std::int64_t n,
              const std::vector<double>& slid_mm, float* out) const;
  const profile::SleeveProfile& sleeve() const { return sleeve_; }

  static constexpr double pocket_density = 0.065;  // trade.md section 2

 private:
  struct Strip {
    std::int64_t width = 0, height = 0, first = 0;  // first column kept
    std::vector<std::uint16_t> samples;             // four a pixel
  };
  Result<Strip> strip(int index, const PageOptions& options) const;

  profile::SleeveProfile sleeve_;
  double k_ = 1;  // samples a mm
  std::vector<Strip> strips_;
};

/// A standard normal number for each state of a 64-bit counter-like value, by table.
float normal_of(std::uint64_t bits);
std::uint64_t mixed(std::uint64_t x);

}  // namespace lapwright::bench
