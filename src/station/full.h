// Full-resolution passes of a sleeve laid anyhow: whose sleeve it is, how it lies, and which windows
// show the wanted frames.
//
// Invariants: nothing is captured of a sleeve that its own pictures do not name; every window shows
// its frames as they were found on the look, strips that slid in their pockets included. Units:
// sleeve and bed millimetres. Thread: one lane at a time. Errors: no_input (no proof), bad_data, io.
#pragma once

#include <memory>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "lap/features.h"
#include "lap/recognise.h"
#include "station/assignment.h"

namespace lapwright::station {

/// A roll's proof as later passes are compared with it: the joined sheet, and the same in memory at
/// about 150 ppi.
struct Print {
  std::unique_ptr<raw::Reader> sheet;
  Affine<SleeveSpace, PassSpace> on_sheet;  // sleeve mm to its pixels
  image::Rgb16 small;
  Ppi small_ppi;
  Affine<SleeveSpace, PassSpace> on_small;
  profile::Card card;
  std::vector<frames::Frame> frames;
  std::set<int> films;  // the film numbers that its edges tell; empty: none was read
};
/// Where the frames are on the roll's proof.
Result<std::vector<frames::Frame>> frames_of(const Setting& setting, const std::string& roll);
Result<std::shared_ptr<const Print>> print_of(const Setting& setting, const std::string& roll);

/// What a later look will know the roll by: features of its frames' pictures, in sleeve mm.
Result<std::vector<lap::Feature>> features_of(image::RowSource& sheet, Spot<SleeveSpace> origin,
                                              const std::vector<frames::Frame>& frames);
inline constexpr const char* features_file = "features.json";
/// Sleeve millimetres, and the comparisons as 64 hexadecimal digits. Reading: bad_data.
Json features_json(const std::vector<lap::Feature>& features);
Result<std::vector<lap::Feature>> features_from_json(const Json& json, const std::string& source);

/// The frames of a proof that a look shows under a lay (its pixels from its own corner).
struct Shown {
  lap::Likeness candidate;
  std::map<std::string, Spot<SleeveSpace>> beside;  // those that are the same: where they lie from where the proof has them
  int seen = 0, same = 0;
};
/// `proof` with its resolution, and where the sleeve lies on it.
Result<Shown> shown_by(const image::Rgb16& proof, Ppi ppi, const Affine<SleeveSpace, PassSpace>& on_proof, const std::vector<frames::Frame>& frames,
                       const profile::SleeveProfile& sleeve, const lap::LookMap& lay, const image::Rgb16& look, Ppi look_ppi);
/// How many of the likeliest rolls are held against a look that places alone do not name, and the places they must share with it.
inline constexpr std::size_t most_candidates = 3;
inline constexpr int least_of_candidate = 5;
/// Whether the candidate with the most frames that are the same is clear by them alone.
bool told_by_pictures(const std::vector<Shown>& shown);

/// The film number on the film's edge as a look shows it under a lay (its pixels from its own corner): several codes must say the
/// same. Nothing where none can be read, or it is not 135 film.
Result<std::optional<int>> film_seen(const image::Rgb16& look, Ppi look_ppi, const lap::LookMap& lay, const profile::SleeveProfile& sleeve,
                                     profile::Process process);

/// What a look at a sleeve laid anyhow showed.
struct Recognised {
  std::string roll;  // empty: not clear
  std::shared_ptr<const Print> print;
  Affine<SleeveSpace, BedSpace> lay;                // mm
  std::map<std::string, Spot<SleeveSpace>> beside;  // frames seen: where they lie from where the proof has them
  int frames_seen = 0, frames_same = 0, agreeing = 0, next = 0;
  double seconds = 0;
  std::string why, say;  // when it is not clear
};
/// `rolls`: those that have wants; `likely`: whose print is at hand already (may be null).
Result<Recognised> recognise(const Setting& setting, const std::vector<std::string>& rolls,
                             const std::string& likely, std::shared_ptr<const Print> print,
                             const LookPicture& look);

/// Plans the windows of the wanted frames that are not found yet, after the passes that are kept.
/// Returns the last pass that the sleeve need not be moved for; kept() when none of the frames lies
/// in the window (`say` tells how to move it then).
struct WindowsPlanned {
  int under = 0;
  std::vector<std::string> cut;  // frames past the window's edge
  std::string say;
};
Result<WindowsPlanned> plan_windows(const Setting& setting, Assignment& a, const Recognised& seen);

}  // namespace lapwright::station
