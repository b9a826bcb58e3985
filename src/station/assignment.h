// One job as the station works on it: its plan, the passes it has, what their laps said, and every
// step from key to ledger.
//
// Invariants: an Assignment is rebuilt from the ledger alone after a restart; passes are 1-based; a
// file is in the ledger only
//   after it is whole on disk.
// Units: as the modules it calls. Thread: each function runs on one lane at a time. Errors: those
// of the modules.
#pragma once

#include <array>
#include <atomic>
#include <filesystem>
#include <functional>
#include <map>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "bed/bed.h"
#include "frames/frames.h"
#include "join/assemble.h"
#include "lap/lap.h"
#include "lap/same_picture.h"
#include "ledger/ledger.h"
#include "plan/plan.h"
#include "profile/card.h"
#include "profile/profile.h"
#include "raw/tiff.h"

namespace lapwright::station {

struct Setting {
  std::filesystem::path archive;
  profile::Shelf shelf{{}};
  profile::BedProfile bed;
  std::string device;
  bed::Device identity;  // vendor and model for the TIFF tags
  Ppi proof_ppi;
  std::vector<std::string> convert;  // outside conversion stage, empty: the built-in one
  std::optional<std::array<double, 2>> paper;  // mm, that proofs are printed on
  bool even = false;  // proofs with each frame balanced by itself
  enum class Infrared { none, full, all } infrared = Infrared::none;  // of which passes as well
  int average = 1;  // captures of each full-resolution pass that are made one
};

/// A pass's picture by infrared light under the same lay.
struct InfraredPass {
  ledger::File file;
  std::optional<Affine<PassSpace, PassSpace>> from_visible;  // nothing: could not be measured
  double residual_px = 0;
};

struct KeptPass {
  ledger::File file;
  Json capture;                            // as written to the ledger
  Affine<SleeveSpace, PassSpace> planned;  // by the plan and the window that the device really gave
  bool checked = false;
  lap::Placement placement;  // as measured (pass 1: as planned)
  std::optional<InfraredPass> infrared;
};

struct Print;  // full.h: the roll's proof

/// Where a pass shows a wanted frame, as compared with its proof.
struct FoundFrame {
  int pass = 0;
  lap::SamePicture match;
  std::string caution;
};

struct Assignment {
  ledger::Job job;
  profile::SleeveProfile sleeve;
  profile::StockProfile stock;
  plan::Plan plan;
  // At full resolution: the frames to cut out, with their places on the proof; what of them was found
  // in the passes; those that were made again once because they were not sharp; what to do at the
  // next place, where the last look told.
  std::vector<frames::Frame> wanted;
  std::shared_ptr<const Print> print;
  std::map<std::string, FoundFrame> found;
  std::set<std::string> not_sharp;
  std::string advice;
  std::map<int, KeptPass> passes;
  std::vector<lap::Report> laps;                   // one for each pair checked so far
  lap::Finding last_refusal = lap::Finding::good;  // of pass 2, to see the same verdict twice
  int no_film = 0;     // the pass that showed no film; the key pressed again for it says: its pockets are empty
  std::string key_at;  // RFC 3339 of the last key
  std::string plan_mark;  // of the plan as the ledger has it

  const plan::Pass& pass(int number) const {
    return plan.passes[static_cast<std::size_t>(number - 1)];
  }
  std::filesystem::path folder(const Setting& s) const;  // rolls/NAME/proof, rolls/NAME/full
  /// Names that no file has that the ledger names of this roll: pass-1.tif in proof, pass-JOB-1.tif
  /// in full; frame-07 (.tif, .yaml), a later and better one frame-07-2400.
  std::filesystem::path pass_file(const Setting& s, int number) const;
  std::filesystem::path infrared_file(const Setting& s, int number) const;  // …-infrared.tif
  std::filesystem::path frame_stem(const Setting& s, const std::string& frame) const;
  /// Whether its passes are captured by infrared light as well; never of silver.
  bool takes_infrared(const Setting& s) const;
  /// How many captures each of its passes is the mean of.
  int captures(const Setting& s) const;
  /// How many passes, from the first on, are kept without a hole.
  int kept() const;
};

/// What is cut out of a pass for a frame: the frame and some film around it, so that its edge can be seen.
Rect<SleeveSpace> crop_area(const frames::Frame& frame);

/// Loads the profiles, plans (or takes the plan that the ledger has) and counts the passes that are
/// already there. `planned_now` tells that the plan is new and must go into the ledger. Faults:
/// bad_profile, bad_data (cannot be laid), cannot_create (the disk is too full).
Result<Assignment> prepare(const Setting& setting, const ledger::Job& job, bool& planned_now);

struct Verdict {
  bool good = true;
  int pass = 0;  // the first that must be made again
  std::string why, say;
};

/// Where the window that the device gave begins on the bed, mm.
Spot<BedSpace> window_corner(const KeptPass& pass);

/// Captures a pass into its file. `progress(line, of, bytes)` is called often; of is -1 while
/// unknown.
struct Progress {
  std::atomic<std::int64_t> line{0}, of{0}, bytes{0};
  std::function<void()> busy;  // the bed is busy or warms up; on the capturing thread
};
/// `early` is set, and the result a fault, when a lap of the rows so far shows that the pass must be made again.
Result<KeptPass> capture(const Setting& setting, bed::Bed& bed, const Assignment& a, int number,
                         Progress& progress, const std::atomic<bool>& stop,
                         std::optional<lap::Report>& early);

/// Whether a quick look first saves more time than it takes, and at what resolution.
std::optional<Ppi> look_ppi(const Setting& setting, const Assignment& a, int number);
/// The whole window at a low resolution, and which part of the bed it shows.
struct LookPicture {
  image::Rgb16 picture;
  Ppi ppi;
  Rect<BedSpace> window;
};
Result<LookPicture> look_picture(const Setting& setting, bed::Bed& bed, Ppi ppi, const std::atomic<bool>& stop);
Result<frames::Look> look(const Setting& setting, bed::Bed& bed, const Assignment& a, int number,
                          Ppi ppi, const std::atomic<bool>& stop);

/// How the sleeve lies on a picture that shows `window`.
Result<frames::Look> lies(const Assignment& a, int number, image::RowSource& picture,
                          const Rect<BedSpace>& window);
/// False when the look shows that the pass would miss film, or no sleeve as planned; when unsure it
/// is acceptable. No film at all is acceptable at the second time.
bool acceptable(Assignment& a, int number, const frames::Look& look);

/// Checks the laps of every pass up to `number` that has not been checked. Reports are appended to
/// a.laps.
using Tell = std::function<void(const std::string& event, const Json& members)>;
Result<Verdict> check(const Setting& setting, Assignment& a, int number,
                      const std::function<void(const lap::Report&)>& tell);
/// The same at full resolution: the wanted frames that each pass shows, compared with their proof.
Result<Verdict> check_full(const Setting& setting, Assignment& a, int number, const Tell& tell);
/// What a lap that must not be joined means: pass `number` again, or the first pass when the second
/// came out turned against it twice.
Verdict refusal(Assignment& a, int number, const lap::Report& report);
Json to_json(const lap::Report& report);

/// Joins, converts, finds the frames, writes the proof; or cuts out the wanted frames at full
/// resolution.
struct Products {
  std::vector<ledger::File> files;
  Json frames;                       // proof: the content of frames.json
  std::vector<std::string> at_full;  // full: the frames made
  Json checks;                       // full: how each compared with its proof
  Json outside;                      // what an outside conversion stage said; null without one
};
Result<Products> finish_proof(const Setting& setting, const Assignment& a, const Tell& tell,
                              const std::atomic<bool>& stop);
Result<Products> finish_full(const Setting& setting, const Assignment& a, const Tell& tell,
                             const std::atomic<bool>& stop);

/// What to say to the person for pass `number`: a move, when the sleeve lies as for the pass before;
/// else the whole lay.
std::string how_to_place(const Setting& setting, const Assignment& a, int number,
                         bool lies_as_before);

}  // namespace lapwright::station
