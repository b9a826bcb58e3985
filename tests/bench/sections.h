// The bench's sections, each a function that prints its tables and notes the figures it measured.
//
// Units: as each table says. Thread: one. Errors: a case that fails is a row that says so.
#pragma once

#include <filesystem>
#include <optional>
#include <vector>

#include "bench/cases.h"
#include "bench/measure.h"

namespace lapwright::bench {

struct Setting {
  std::vector<int> ppi = {300, 600, 1200, 2400};
  std::vector<int> join_ppi = {300, 600, 1200, 2400, 4800};
  std::optional<Variant> one;    // this case alone
  std::string only;              // the standard cases whose name holds this
  std::filesystem::path folder;  // for pass files
  std::filesystem::path peers;   // the peers' program
  bool with_peers = true;
  bool keep = false;
  unsigned seed = 1;
  int pages = 6;  // of each kind, for framing(); fifty looks of each for recognising()
};

void registration(const Setting& setting, Figures& figures);
/// Four passes with laps on all sides: a part of registration().
void loops(const Setting& setting, int ppi, Figures& figures);
/// A sleeve bumped while pass 2 is captured, at any row: a part of registration().
void bumps(const Setting& setting, int ppi, Figures& figures);
void joining(const Setting& setting, Figures& figures);
void resampling(const Setting& setting, Figures& figures);
void capturing(const Setting& setting, Figures& figures);
/// Positives against what the film saw: charts, greys, laps, on stocks made from the seed.
void densities(const Setting& setting, Figures& figures);
/// Frames found against where they are, kind by kind.
void framing(const Setting& setting, Figures& figures);
/// Whose sleeve a quick look shows, among a thousand rolls.
void recognising(const Setting& setting, Figures& figures);

/// A linear sheet to its proof, libvips beside it.
void proofing(const Setting& setting, Figures& figures);

}  // namespace lapwright::bench
