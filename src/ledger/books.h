// What follows from the events: rolls, jobs, wants and named files. Fed one event after another,
// never told anything else.
//
// Invariants: the same events give the same books; a job's number is the seq of the event that
// called for it (roll.received for
//   a proof, frames.wanted for frames). Wants that ask for the same are one job until that job is
//   planned.
// Units: ppi, bytes. Thread: values. Errors: none; a body that does not hold what it must is read
// as far as it goes.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <set>
#include <string>
#include <vector>

#include "core/json.h"
#include "ledger/ledger.h"

namespace lapwright::ledger {

struct Fact {
  std::int64_t seq = 0, job = 0;
  std::string kind, roll, at;
  Json body;
};

struct OpenJob {
  std::int64_t id = 0;
  Ppi ppi;
  std::vector<std::string> frames;
  std::string asked;
  std::optional<Json> plan;
  std::map<int, Job::Captured> captured;
  std::set<std::string> dropped;  // SHA-256 of passes refused, or made for an earlier plan
  bool begun() const { return plan.has_value() || !captured.empty(); }
};

struct RollBook {
  Roll roll;
  std::optional<OpenJob> proof;  // until it is published
  std::string proofed_at;
  std::vector<std::string> frames;          // names found on the proof
  std::map<std::string, int> full_ppi;      // frame -> best resolution captured
  std::vector<OpenJob> full;                // in the order asked
  std::map<std::string, File> published;    // by path
  std::map<std::string, File> kept_passes;  // of the published proof
  struct Copy { std::string mark, at; };
  std::map<std::string, Copy> copies;       // by place
  std::map<std::string, std::string> verdicts;  // by frame
  std::optional<RollState::Audited> audited;    // the last time

  /// Takes in a fact of this roll.
  void apply(const Fact& fact);
  /// The open job with this number; null when there is none.
  const OpenJob* job(std::int64_t id) const;
  bool proofed() const { return !proof; }
  /// Already captured at `ppi` or better.
  bool at_full(const std::string& frame, Ppi ppi) const;
  /// The frames of an open job that are not at full yet, all of them when every one is to be made.
  std::vector<std::string> still_wanted(const OpenJob& job) const;
  /// Every file that the ledger names, by path.
  std::map<std::string, File> named() const;
  std::vector<std::string> due() const;
  /// What stays whatever is still to come: what was published, and the proof's passes.
  std::map<std::string, File> lasting() const;
  /// Tells one state of lasting() from another.
  std::string copy_mark() const;

 private:
  void wanted(const Fact& fact);
  void accepted(const Fact& fact);
  OpenJob* find_job(std::int64_t id);
};

class Books {
 public:
  void apply(const Fact& fact);
  std::int64_t last_seq() const { return last_; }
  const std::vector<std::string>& order() const { return order_; }  // roll names as added
  const RollBook* roll(const std::string& name) const;
  /// The open job with this number and its roll; null when there is none.
  const OpenJob* job(std::int64_t id, const RollBook** roll = nullptr) const;

 private:
  std::int64_t last_ = 0;
  std::vector<std::string> order_;
  std::map<std::string, RollBook> rolls_;
};

/// "7" before "12" before "12A".
bool frame_order(const std::string& a, const std::string& b);

Json to_json(const File& file);
/// The infrared picture that a pass's capture tells of.
std::optional<File> infrared_of(const Json& capture);

}  // namespace lapwright::ledger
