// How one pass sits on another, how sure that is, and what to tell the person when it is wrong.
//
// Invariants: check() never answers ok by the repeat of perforations or pockets alone; "cannot
// tell" is an answer. Units: pixels of PassSpace, millimetres of SleeveSpace, degrees, per cent.
// Thread: pure, may use two threads itself. Errors: only what reading the passes gives; a bad lap
// is a Report, not an error.
#pragma once

#include <array>
#include <cstdint>
#include <string>
#include <vector>

#include "core/geometry.h"
#include "core/result.h"
#include "image/rgb.h"
#include "profile/profile.h"

namespace lapwright::lap {

/// A smooth one-dimensional curve by uniform knots over pass rows (cubic B-spline coefficients);
/// zero when empty.
struct Curve {
  double first_row = 0, knot_rows = 1;
  std::vector<double> coefficients;
  double operator()(double row) const;  // constant beyond its ends
};

/// Curves over the rows of another pass. A pass is placed on what another shows, and that one's
/// wobble is in its picture: where both rows are not the same rows (it lies turned, if only a
/// little), following it takes curves of their own.
struct Follow {
  double x = 0, y = 0, at = 0;  // the other pass's row = x * s.x + y * s.y + at
  Curve dx, dy;
};

/// What a lens adds along the sensor's line, which the affine part cannot: second and third order
/// of (x - middle) / half, x as the affine part has it. Nothing where the coefficients are 0.
struct Bow {
  double middle = 0, half = 1;
  std::array<double, 2> dx{}, dy{};
  bool none() const { return dx[0] == 0 && dx[1] == 0 && dy[0] == 0 && dy[1] == 0; }
  Spot<PassSpace> operator()(double x) const;
};

/// Where a pass lies: sleeve mm -> pass px. The affine part first, then the carriage's wobble,
/// which belongs to the pass's rows: p = affine(s), result = {p.x + dx(p.y), p.y + dy(p.y)};
/// `followed` and `bow` add to that.
struct Placement {
  Affine<SleeveSpace, PassSpace> affine;
  Curve dx, dy;
  Follow followed{};
  Bow bow{};
  Spot<PassSpace> operator()(Spot<SleeveSpace> s) const;
  bool straight() const;  // the affine part alone
};

/// The sleeve place that `placement` puts at pass pixel `p`.
Spot<SleeveSpace> sleeve_at(const Placement& placement, Spot<PassSpace> p);

/// Multiplies a pass's linear samples so that it agrees with pass 1: gain[c] * 10^(drift[c] * row /
/// height).
struct Light {
  std::array<double, 3> gain{1, 1, 1};
  std::array<double, 3> drift{0, 0, 0};  // density over the whole height
};

struct Input {
  image::RowSource* picture = nullptr;
  Affine<SleeveSpace, PassSpace> planned;  // as the plan says it lies
  int number = 0;                          // for messages
  Spot<BedSpace>
      corner{};  // mm: the window's, to see whether the sleeve still lies as for another pass
};

enum class Finding {
  good,
  too_little,
  not_moved,
  turned,
  mirrored,
  off_place,
  other_sleeve,
  light,
  bumped,
  cannot_tell
};

struct Options {
  double needed_mm = 3;  // smallest lap that the check accepts, across the seam
  double most_off_mm =
      15;  // farther from the plan than this is "off_place" even when enough lap remains
  double sure = 0.99;  // least confidence of an ok
  double most_light_percent = 12;
  std::int64_t rows_in_all = 0;  // of b, of which the picture may be the beginning; 0: it is all
};

/// A strip that lies elsewhere in its pocket than in the pass before; `strip` is 0-based.
struct Slid {
  int strip = 0;
  double along_mm = 0, across_mm = 0;
};

struct Report {
  int a = 0, b = 0;
  bool ok = false;
  Finding finding = Finding::cannot_tell;
  std::string why;        // for the record
  std::string say;        // one sentence for the person: what to do, in mm and direction
  Placement b_on_sleeve;  // where b lies when a lies as `a_placement` says (valid when `located`)
  bool located = false;
  std::array<double, 2> shift_px{};  // b's shift against its planned place, pass pixels
  double turn_degrees = 0, scale = 1;
  double residual_px = 0, confidence = 0;
  double overlap_mm = 0, needed_mm = 0;
  std::array<double, 3> light_percent{};
  Light light;  // b's light against a
  int patches = 0;
  std::vector<Slid> slid;  // in the sleeve's directions
  Placement a_on_sleeve;   // a as given to check()
  double seconds = 0;
};

/// Compares b with a. `a_placement` says where a lies (planned, for the first pass).
Result<Report> check(const Input& a, const Placement& a_placement, const Input& b,
                     const profile::SleeveProfile& sleeve, const Options& options = {});

/// Places of all passes from the pair reports, pass 1 (front of `passes`) as planned: what join
/// needs.
struct Solved {
  std::vector<Placement> placements;
  std::vector<Light> lights;
  double worst_loop_px = 0;
};
Result<Solved> solve(const std::vector<Input>& passes, const std::vector<Report>& reports);

}  // namespace lapwright::lap
