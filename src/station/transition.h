// The station's states and what each event does to them: pure, without clock, threads or I/O.
//
// One job at a time is at the bed (placed and captured pass by pass); finished captures go on in
// the background, where they are joined, converted and recorded, while the next sleeve is placed.
//
//   seeking --job_found--> placing --key--> looking --look_good--> capturing --captured--> checking
//   --laps_good--> placing (next pass), capturing (next pass under the same lay), or seeking (the
//   job goes to the background). look_bad, laps_bad and pass_failed go back to placing.
//
// Invariants: every (phase, event) pair that is not in the table is refused by name and changes
// nothing, except a key, which
//   does nothing outside `placing`. Units: none. Thread: pure. Errors: a refusal is in
//   Step::refused.
#pragma once

#include <cstdint>
#include <set>
#include <string>
#include <variant>
#include <vector>

namespace lapwright::station {

enum class Phase { seeking, idle, placing, looking, capturing, checking, stopping, stopped };

struct State {
  Phase phase = Phase::seeking;
  std::int64_t job = 0;               // at the bed; 0: none
  int pass = 0, of = 0;               // the pass asked for, and how many the job has
  int under = 0;                      // the last pass that the present lay serves; 0: each has its own
  std::set<std::int64_t> background;  // jobs being joined and converted
  bool once = false;                  // end after one job
  bool keys_ended = false;            // no key can come any more
  bool finish_background = true;      // when stopping: let the background finish
  int exit_code = 0;

  bool operator==(const State&) const = default;
};

namespace event {
struct JobFound {
  std::int64_t job;
  int passes;
  int kept;
};  // kept: captured before, in order
struct NoJob {};
struct NewWork {};  // something was added to the ledger, or time to look again
struct Key {};
struct KeysEnded {};  // the key's source is closed
/// Also: no look was worth its time. With `of`: the look has told how the sleeve lies and so what
/// the passes are, of this or of another job; those up to `under` need no key.
struct LookGood {
  std::int64_t job = 0;
  int pass = 0, of = 0, under = 0;
};
struct LookBad {};
struct CaptureDone {};
struct PassFailed {};  // the bed or the disk failed; the pass can be repeated
struct LapsGood {};
struct LapsBad {
  int pass;
};  // this one and those after it are made again; known while capturing, or when checked
struct JobDone {
  std::int64_t job;
};
struct JobFailed {
  std::int64_t job;
  int exit_code;
};
struct CannotGoOn {
  int exit_code;
};                // fatal
struct Again {};  // the person wants the pass before once more
struct Skip {};   // leave this roll for later
struct Stop {};   // finish the background, then end
struct Cancel {};  // end the look or the pass that runs, and ask for it again
struct Withdraw {
  int exit_code;
};  // a signal: end now, nothing half-done left
}  // namespace event
using Event =
    std::variant<event::JobFound, event::NoJob, event::NewWork, event::Key, event::KeysEnded,
                 event::LookGood, event::LookBad, event::CaptureDone, event::PassFailed,
                 event::LapsGood, event::LapsBad, event::JobDone, event::JobFailed,
                 event::CannotGoOn, event::Again, event::Skip, event::Stop, event::Cancel, event::Withdraw>;

namespace command {
struct FindJob {};
struct WaitForWork {};
struct AskToPlace {
  int pass;
};
struct StartLook {
  int pass;
};
struct StartCapture {
  int pass;
};
struct CheckLaps {
  int pass;
};
struct DropPass {
  int pass;
};  // forget a captured pass so that it is made again
struct FinishJob {
  std::int64_t job;
};
struct SkipJob {
  std::int64_t job;
};
struct CancelBed {};
struct CancelBackground {};
struct End {
  int exit_code;
};
}  // namespace command
using Command =
    std::variant<command::FindJob, command::WaitForWork, command::AskToPlace, command::StartLook,
                 command::StartCapture, command::CheckLaps, command::DropPass, command::FinishJob,
                 command::SkipJob, command::CancelBed, command::CancelBackground, command::End>;

struct Step {
  State state;
  std::vector<Command> commands;
  std::string refused;  // "key while seeking": not in the table
};

Step transition(State state, const Event& event);

std::string name(Phase phase);
std::string name(const Event& event);

}  // namespace lapwright::station
