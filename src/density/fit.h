// A stock profile made from a sheet of that stock: what all its pictures together show, and what a
// person says of some places.
//
// Invariants: the result differs from the stock it started from only in base, gain, offset, curve
// and (with a wedge) toe. Units: sleeve millimetres, densities, log10 exposure. Thread: pure.
// Errors: those of measure(); bad_data for a slide, for a
//   place that is no even tone, for a wedge whose steps do not rise.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "density/density.h"

namespace lapwright::density {

struct Wedge {
  Spot<SleeveSpace> first, last;  // middles of its outermost steps
  int steps = 21;
  double step = 0.15;  // density from step to step (READ trade.md 4.1)
};

struct FitRequest {
  std::vector<Rect<SleeveSpace>> frames;
  struct Neutral {
    std::string name;  // as the person wrote it, for messages
    Spot<SleeveSpace> at;
  };
  std::vector<Neutral> neutrals;
  std::optional<Wedge> wedge;
};

struct Fit {
  profile::StockProfile stock;
  Measured measured;
  int frames = 0, known = 0;  // pictures that told something; places known to be neutral, steps of
                              // the wedge among them
  double sure = 0;            // 0..1
  double halves_differ = 0;   // D: by one half of the frames against the other
  double from = 0, to = 0;    // net densities of green that neutrals were seen at
  double known_off = 0;  // D: how far the places known to be neutral lie from it (root mean square)
  std::vector<std::string> remarks;  // one line each, for people
};

/// `like` is what to start from; its process says what kind of film it is.
Result<Fit> fit_stock(image::RowSource& sheet, Spot<SleeveSpace> origin,
                      const profile::SleeveProfile& sleeve, const profile::StockProfile& like,
                      const std::string& name, const FitRequest& request);

}  // namespace lapwright::density
