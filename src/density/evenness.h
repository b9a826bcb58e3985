// The light of a sheet where no film lies in it: how it falls off along either axis, and what
// reaches the sensor past the film.
//
// A parabola stands for the fall-off along the sensor line (READ trade.md 3.4), a cubic for the
// lamp's drift along a pass; since a sheet may hold passes turned against each other, both axes get
// both. Units: counts of 65535; u and v run from -1 to 1 over the sheet. Thread: values. Errors:
// none.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "density/plateau.h"
#include "profile/card.h"

namespace lapwright::density {

/// Light at a place over the light that `open_light` names.
class LightField {
 public:
  LightField() = default;
  explicit LightField(const profile::Card::Evenness& terms) : terms_(terms.terms), even_(false) {}
  bool even() const { return even_; }
  double along(std::size_t channel, double u) const { return part(channel, u, 0); }
  double across(std::size_t channel, double v) const { return part(channel, v, 3); }

 private:
  double part(std::size_t c, double t, std::size_t first) const;
  std::array<std::array<double, 6>, 3> terms_{};
  bool even_ = true;
};

struct OpenLight {
  profile::Card::Evenness evenness{};
  std::array<double, 3> counts{};  // where the evenness is 1
  double residual = 0;             // D: robust spread about the surface
  int cells = 0;                   // how many places it was read at
  double uneven = 0;  // largest share of the light that any place lacks against another
};
/// Through the open light near `level` (as Overview::density counts) of `area`. Too few places:
/// `cells` says so, all else is flat.
OpenLight open_light(const Overview& overview, const PixelRect<SheetSpace>& area, double level);

}  // namespace lapwright::density
