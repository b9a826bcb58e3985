// A fit on trial: cell by cell, whether b lies where it is said to lie.
//
// Invariants: nothing here moves a fit; it is believed or not. Units: overview pixels,
// millimetres, density. Thread: pure. Errors: none.
#pragma once

#include <optional>
#include <vector>

#include "lap/cells.h"
#include "lap/estimate.h"

namespace lapwright::lap {

struct Trial {
  Cells cells;                // strips that slid are looked for where they went
  std::optional<Break> ends;  // of b, where the sleeve moved while it was captured
  std::optional<int> astray;  // a strip that does not lie where the others say
  double worst_band_mm = 0;   // how far the cells of a few rows lie from where they should
  // How far film that both passes show lies from where they were seen to agree, by cells or `seen`
  // of the fit, along x and along y; and how far before the first or behind the last such row of b:
  // what moved there would go unseen.
  double unseen_mm = 0, unseen_rows_mm = 0;
  bool finer = false;   // `seen` of the fit was among it
  bool swings = false;  // more than carriages do: the curve took up a bump

  bool much_unseen() const;
  bool passed() const;
};

Trial try_fit(const Overview& a, const Overview& b, const Placement& a_on_sleeve,
              const Placement& b_on_sleeve, const std::vector<Slid>& slid,
              const std::vector<Twin>& seen, const profile::SleeveProfile& sleeve);

/// No strip lies on both sides of b's row, so that it may as well be strips that slid.
bool between_strips(const Cells& cells, double row, const Overview& a, const Placement& a_on_sleeve,
                    const profile::SleeveProfile& sleeve);

/// Over the whole lap: light that lies over the picture, or a picture out of focus. Nothing where
/// neither is so.
struct Haze {
  double veil = 0;     // density by which dense film is thinner in b, against clear film
  double sharper = 1;  // gradient energy of b over that of a
};
std::optional<Haze> haze_of(const Cells& cells);

}  // namespace lapwright::lap
