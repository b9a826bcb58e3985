// The pattern that strips in pockets make across the run: open gutters, film edges, rows of perforations.
//
// Invariants: a Profile's share is NaN-free; parts without pixels have weight 0. Scores are 0 (nothing) to 1 (as drawn).
// Units: run millimetres, radians. Thread: pure. Errors: none.
#pragma once

#include <optional>
#include <vector>

#include "frames/film_map.h"

namespace lapwright::frames {

/// Share of open pixels along one axis.
struct Profile {
  double from = 0, step = 0.15;
  std::vector<double> open, weight;  // summed
  /// Mean openness over [a, b); nothing where fewer than half of it was seen.
  std::optional<double> mean(double a, double b) const;
};

enum class Along { run, across };  // which axis the profile runs along

/// Openness projected along lines turned by `angle` about `pivot`; only pixels with other-axis position inside [low, high).
Profile project(const FilmMap& map, Along axis, double angle, Spot<RunSpace> pivot, double low, double high,
                std::int64_t stride);
/// How much a profile jumps: large when the lines run along the film's edges.
double edge_energy(const Profile& profile);

struct Comb {
  int count = 0;
  double pitch = 0, width = 0;
  bool perforated = false;
};
Comb comb_of(const profile::SleeveProfile& sleeve);

struct StripScore {
  double score = 0;  // 0..1 over what was seen
  double seen = 0;   // parts of the pattern inside the picture, 0..4
};
/// One strip whose first edge lies at `edge`.
StripScore score_strip(const Profile& across, const Comb& comb, double edge);
/// The best place of a strip near `edge`, within `reach`.
double best_edge(const Profile& across, const Comb& comb, double edge, double reach, StripScore& score);
/// All strips moved by `shift`, each free to lie a little off in its pocket; mean of `off` is taken into `centred`.
double score_comb(const Profile& across, const Comb& comb, double shift, double* centred = nullptr);

}  // namespace lapwright::frames
