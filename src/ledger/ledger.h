// Append-only facts in SQLite; everything else is derived from them.
//
// Invariants: WAL, synchronous=FULL, foreign_keys, STRICT tables; events are never changed; the
//   ledger never names a file that is not wholly on disk; paths are relative to the archive folder.
//   Order: file, manifest, ledger; what goes: ledger, manifest, file. What a kill leaves behind is
//   a file, perhaps in its manifest, that no event names, never an event without its file.
// Units: bytes, ppi, RFC 3339 times. Thread: one object in one thread. Errors: cannot_create, io,
//   try_again (locked), bad_data.
#pragma once

#include <algorithm>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <map>
#include <memory>
#include <optional>
#include <set>
#include <string>
#include <utility>
#include <vector>

#include "core/json.h"
#include "core/result.h"
#include "core/units.h"

namespace lapwright::ledger {

namespace archive {
/// rolls/NAME below the archive.
std::filesystem::path roll_folder(const std::filesystem::path& archive, const std::string& roll);
/// Roll names: letters a to z, digits, dot, dash, underscore, space; no leading dot or dash; at most 100 bytes.
Result<> check_roll_name(const std::string& name);
/// Of a roll's folder the one file that a person goes on changing: what was marked on its sheet. No manifest
/// promises it or what is made of it, and no event names them.
inline constexpr const char* marks_name = "marks.json";
/// Its verdicts and notes once more, for other programs (XMP).
inline constexpr const char* marks_xmp_name = "marks.xmp";
/// Beside files that are made anew lie the new ones in a folder of this name until they have taken their places.
inline constexpr const char* anew_name = "anew";
}  // namespace archive

struct Roll { std::string name, sleeve, stock, shot, note, added; };

struct File {
  std::string path, sha256;  // path relative to the archive
  std::uint64_t bytes = 0;
  bool operator==(const File&) const = default;
};

enum class JobKind { proof, full };
/// What the station does next, and how far it came before it stopped.
struct Job {
  std::int64_t id = 0;
  JobKind kind = JobKind::proof;
  Roll roll;
  Ppi ppi;                            // 0: the station's choice
  std::vector<std::string> frames;  // full: frame names not there yet; {"all"} for the whole sleeve
  std::optional<Json> plan;          // when already planned
  struct Captured {
    int pass = 0;
    File file;
    Json capture;                  // what bed::Captured held
    std::optional<File> infrared;  // its picture by infrared light, told in `capture`
  };
  std::vector<Captured> captured;    // kept passes, in pass order
  std::set<std::string> named;  // every path of the roll that the ledger names: never overwritten
};

/// What a pass file says of itself, for a pass that a kill caught before its event.
struct PassNote {
  std::string roll;
  std::int64_t job = 0;
  int pass = 0;
  std::string plan;  // plan_mark of the plan it was made for
  Json capture;
};
std::string plan_mark(const Json& plan);

struct Swept {
  std::vector<std::string> gone;    // paths of files deleted
  std::vector<PassNote> recovered;  // passes that were whole and are now recorded
};

struct Want { std::string roll; std::vector<std::string> frames; Ppi ppi; std::string asked; };

struct RollState {
  Roll roll;
  bool proofed = false;
  std::string proofed_at;
  int frames_found = 0;
  std::vector<std::string> at_full;   // frame names captured at full resolution
  std::vector<std::string> due;       // asked for and not yet captured
  std::vector<File> files;
  struct Copy { std::string place, checked; bool whole; };
  std::vector<Copy> copies;           // in second places; whole: of all that there is now
  std::map<std::string, std::string> verdicts;  // an editor's word, by frame
  struct Audited { std::string at; int troubles; };
  std::optional<Audited> audited;     // the last time its files were read again
  /// Chosen on the proof.
  std::vector<std::string> selects() const;
  /// Chosen, and not captured at full resolution.
  std::vector<std::string> missing() const;
  /// There is something to lose, and no second place holds all of it.
  bool unsafe() const {
    return proofed && std::none_of(copies.begin(), copies.end(), [](const Copy& c) { return c.whole; });
  }
};

/// A ledger made anew: what it took from the archive, and what it could not.
struct Rebuilt {
  int rolls = 0, proofs = 0, frames = 0;  // taken in from hand-off cards, manifests and files
  std::string kept_as;                    // where the ledger lies that was there before; empty: none
  struct Left { std::string path, why; };
  std::vector<Left> left;                 // of the rolls' folders, not taken in
};

/// The right to make a roll's proof anew, held while this lives: one program at a time has it.
class ProofHold {
 public:
  /// try_again while another program has it; no_input where there is no proof's folder.
  static Result<ProofHold> of(const std::filesystem::path& archive, const std::string& roll);
  /// Another program has it.
  static bool taken(const std::filesystem::path& archive, const std::string& roll);
  ProofHold(ProofHold&& other) noexcept : fd_(std::exchange(other.fd_, -1)) {}
  ProofHold& operator=(ProofHold&&) = delete;
  ~ProofHold();

 private:
  explicit ProofHold(int fd) : fd_(fd) {}
  int fd_;
};

struct AuditLine {
  std::string path;
  std::string trouble;  // "missing", "changed", "unreadable", "not in the ledger"
};

class Ledger {
 public:
  /// Opens or makes ARCHIVE/ledger.sqlite (folders made; network file systems refused). A ledger that is damaged, or gone, is
  /// restored from its copy and from what the archive tells beyond it; the damaged file is kept under a dated name.
  static Result<Ledger> open(const std::filesystem::path& archive);
  /// To look only: where the archive cannot be written (its disk is read-only, or it lies on the
  /// network) the ledger is read from a copy in the temporary folder, and nothing can be recorded.
  static Result<Ledger> open_to_look(const std::filesystem::path& archive);
  /// There is one to be opened or restored.
  static bool lies_in(const std::filesystem::path& archive);
  /// One sentence when open() had to restore; else empty.
  const std::string& restored() const;
  /// Makes the ledger from the archive's folders alone; the one before is kept under a dated name. try_again while a station works.
  /// Wants, notes, and rolls without a hand-off card cannot be told from folders.
  static Result<Rebuilt> rebuild(const std::filesystem::path& archive);

  Ledger(Ledger&&) noexcept;
  ~Ledger();

  Result<> add_roll(const Roll& roll);           // bad_data when the name is taken or not allowed
  Result<std::vector<Roll>> rolls();
  Result<RollState> state(const std::string& roll);  // no_input when unknown
  Result<std::vector<RollState>> states();

  /// Frames at full at `ppi` or better, or asked for already, are not asked for again. bad_data names the frames that exist.
  Result<> want(const std::string& roll, const std::vector<std::string>& frames, Ppi ppi);
  Result<std::vector<Want>> due();

  /// The next job: rolls in the order added that have no proof, then wants; an unfinished job
  /// first; `skipped` job ids left out. Kept passes whose file is gone or has another size are
  /// left out. Wants of a roll wait for its proof.
  Result<std::optional<Job>> next_job(const std::vector<std::int64_t>& skipped);
  /// Replaces an earlier plan; its passes are dropped but the first `keeps`, which the new one has as they were.
  Result<> job_planned(std::int64_t job, const Json& plan, int keeps = 0);
  Result<> pass_captured(std::int64_t job, int pass, const File& file, const Json& capture);
  Result<> pass_refused(std::int64_t job, int pass, const std::string& why);  // the file is no longer named
  Result<> lap_checked(std::int64_t job, const Json& report);
  /// The sheet and everything made from it, in one commit: files are then named, the job is done.
  Result<> proof_done(std::int64_t job, const std::vector<File>& files, const Json& frames);
  /// Frames asked for and not in `frames` stay due. The job's passes are no longer named, unless they are in `files`.
  /// `checks`: how each was compared with its proof, for the record.
  Result<> full_done(std::int64_t job, const std::vector<File>& files, const std::vector<std::string>& frames, Ppi ppi,
                     const Json& checks = {});
  /// Files of a published proof made anew, each whole in the folder `anew` beside the one it replaces: from here on they are the
  /// proof, and they take their places. At no time is a file changed that is named, nor a name without a file. `about`: why, for
  /// the record. try_again while a station has passes of the roll in hand. The caller has the ProofHold.
  Result<> proof_remade(const std::string& roll, const std::vector<File>& files, const Json& about);
  /// What a kill left of that between its steps, of every roll, is finished; rolls that are held are left alone.
  Result<> settle();
  /// A station has the archive and is making frames of this roll from passes that it has captured.
  Result<bool> in_work(const std::string& roll);
  /// Before the lamp starts: a pass that is captured again for its file's sake is no longer named,
  /// so that nothing named is overwritten. io when the archive has vanished or was moved.
  Result<> about_to_capture(std::int64_t job, int pass);
  /// A kept fact without effect on any state (faults, cancelled passes, …).
  Result<> note(const std::string& event, const Json& body);
  /// The same of a roll: an editor's word on one of its frames (select, alt, kill; empty: taken back).
  Result<> verdict(const std::string& roll, const std::string& frame, const std::string& word);

  /// Reads every named file again, from the disk; lists what is missing, changed, or foreign in the
  /// rolls' folders. What looks wrong is looked at again by the ledger as it is then, and what a
  /// station is making now is left to it.
  Result<std::vector<AuditLine>> audit();
  /// Records that every roll with files was audited, and how many troubles each has. cannot_create where the ledger is looked at only.
  Result<> audited(const std::vector<AuditLine>& troubles);
  Result<std::string> export_csv();
  /// Copies what lasts of a roll (its proof, its passes, its frames at full) into its bag in a second place, reads it again there,
  /// and records it when the bag is whole.
  Result<struct Bag> copy_roll(const std::string& roll, const std::filesystem::path& place);
  /// For a station at its start: claims the archive for this object's life (try_again when another
  /// station has it), records passes that `note_of` tells of and that an open job still wants,
  /// deletes other files in the proof and full folders of its rolls that no event names (leftovers
  /// of a kill), and mends manifests that a kill left behind.
  Result<Swept> sweep(
      const std::function<std::optional<PassNote>(const std::filesystem::path&)>& note_of = {});
  /// Writes rolls/NAME/manifest-sha256.txt durably: every file of the roll that the ledger names.
  /// Then a copy of the ledger, ARCHIVE/ledger-copy.sqlite. (A copy is made after every fact that
  /// changes what is due as well.)
  Result<> write_manifest(const std::string& roll);

  struct Store;

 private:
  explicit Ledger(std::unique_ptr<Store> store);
  std::unique_ptr<Store> store_;
};

}  // namespace lapwright::ledger
