#include "station/transition.h"

#include <utility>

namespace lapwright::station {
namespace {

constexpr const char* event_names[] = {
    "job_found",  "no_job",       "new_work",    "key",       "keys_ended", "look_good",
    "look_bad",   "captured",     "pass_failed", "laps_good", "laps_bad",   "job_done",
    "job_failed", "cannot_go_on", "again",       "skip",      "stop",       "cancel",
    "withdraw"};
static_assert(std::size(event_names) == std::variant_size_v<Event>);

/// One step under construction: each member function is an arrow of the table.
class Stepper {
 public:
  explicit Stepper(State state) { step_.state = std::move(state); }

  Step take(const Event& event) {
    std::visit([&](const auto& e) { on(e); }, event);
    if (refused_) step_.refused = name(event) + " while " + name(step_.state.phase);
    return std::move(step_);
  }

 private:
  State& s() { return step_.state; }
  bool in(Phase p) { return s().phase == p; }
  bool at_the_bed() { return in(Phase::looking) || in(Phase::capturing) || in(Phase::checking); }
  void give(Command c) { step_.commands.push_back(std::move(c)); }
  void refuse() { refused_ = true; }

  void place(int pass) {
    if (s().keys_ended) return stop(75);  // nobody can press a key any more
    s().phase = Phase::placing;
    s().pass = pass;
    s().under = 0;
    give(command::AskToPlace{pass});
  }
  void seek() {
    s().job = 0;
    s().pass = s().of = s().under = 0;
    s().phase = Phase::seeking;
    give(command::FindJob{});
  }
  /// All passes are good: the job goes on by itself, the bed is free.
  void hand_over() {
    const std::int64_t job = s().job;
    s().background.insert(job);
    give(command::FinishJob{job});
    s().job = 0;
    s().pass = s().of = s().under = 0;
    if (s().once)
      s().phase = Phase::idle;
    else
      seek();
  }
  void stop(int exit_code) {
    s().phase = Phase::stopping;
    if (s().exit_code == 0) s().exit_code = exit_code;
    end_when_quiet();
  }
  void end_when_quiet() {
    if (!in(Phase::stopping) || !s().background.empty()) return;
    s().phase = Phase::stopped;
    give(command::End{s().exit_code});
  }

  void on(const event::JobFound& e) {
    if (in(Phase::stopping)) return;
    if (!in(Phase::seeking)) return refuse();
    s().job = e.job;
    s().of = e.passes;
    if (e.kept == 0) return place(1);
    s().pass = e.kept;  // the last kept pass may not have been checked before the interruption
    s().phase = Phase::checking;
    give(command::CheckLaps{e.kept});
  }
  void on(const event::NoJob&) {
    if (in(Phase::stopping)) return;
    if (!in(Phase::seeking)) return refuse();
    if (s().once && s().background.empty()) return stop(0);
    s().phase = Phase::idle;
    give(command::WaitForWork{});
  }
  void on(const event::NewWork&) {
    if (in(Phase::idle) && !s().once) seek();
  }
  void on(const event::Key&) {
    if (!in(Phase::placing)) return;  // a key while no place waits does nothing
    s().phase = Phase::looking;
    give(command::StartLook{s().pass});
  }
  void on(const event::KeysEnded&) {
    s().keys_ended = true;
    if (in(Phase::placing)) return stop(75);
    if (in(Phase::idle) && !s().once) stop(0);
  }
  void on(const event::LookGood& e) {
    if (in(Phase::stopping)) return;
    if (!in(Phase::looking)) return refuse();
    if (e.of > 0) s().job = e.job, s().pass = e.pass, s().of = e.of, s().under = e.under;
    s().phase = Phase::capturing;
    give(command::StartCapture{s().pass});
  }
  void on(const event::LookBad&) {
    if (in(Phase::stopping)) return;
    if (!in(Phase::looking)) return refuse();
    place(s().pass);
  }
  void on(const event::CaptureDone&) {
    if (in(Phase::stopping)) return;
    if (!in(Phase::capturing)) return refuse();
    s().phase = Phase::checking;
    give(command::CheckLaps{s().pass});
  }
  void on(const event::PassFailed&) {
    if (in(Phase::stopping)) return;
    if (!at_the_bed()) return refuse();
    place(s().pass);
  }
  void on(const event::LapsGood&) {
    if (in(Phase::stopping)) return;
    if (!in(Phase::checking)) return refuse();
    if (s().pass < s().under) {
      s().phase = Phase::capturing;
      return give(command::StartCapture{++s().pass});
    }
    if (s().pass < s().of) return place(s().pass + 1);
    hand_over();
  }
  void on(const event::LapsBad& e) {
    if (in(Phase::stopping)) return;
    const bool known = in(Phase::checking) || in(Phase::capturing);
    if (!known || e.pass < 1 || e.pass > s().pass) return refuse();
    for (int pass = s().pass; pass >= e.pass; --pass) give(command::DropPass{pass});
    place(e.pass);
  }
  void on(const event::JobDone& e) { background_ended(e.job, 0); }
  void on(const event::JobFailed& e) { background_ended(e.job, e.exit_code); }
  void background_ended(std::int64_t job, int exit_code) {
    if (s().background.erase(job) == 0) return refuse();
    if (exit_code != 0) give(command::SkipJob{job});
    if (in(Phase::stopping)) {
      if (exit_code != 0 && s().exit_code == 0) s().exit_code = exit_code;
      return end_when_quiet();
    }
    if (s().once) return stop(exit_code);
    if (in(Phase::idle)) s().keys_ended ? stop(0) : seek();
  }
  void on(const event::CannotGoOn& e) { stop(e.exit_code); }
  void on(const event::Again&) {
    if (!in(Phase::placing)) return refuse();
    if (s().pass <= 1) return place(s().pass);
    give(command::DropPass{s().pass - 1});
    place(s().pass - 1);
  }
  void on(const event::Skip&) {
    if (!in(Phase::placing)) return refuse();
    give(command::SkipJob{s().job});
    s().once ? stop(0) : seek();
  }
  void on(const event::Stop&) {
    if (at_the_bed()) give(command::CancelBed{});
    stop(0);
  }
  void on(const event::Cancel&) {
    // What it ends comes back as pass_failed, which asks for the pass again.
    if (!in(Phase::looking) && !in(Phase::capturing)) return refuse();
    give(command::CancelBed{});
  }
  void on(const event::Withdraw& e) {
    if (in(Phase::stopped)) return;
    s().exit_code = e.exit_code;
    s().finish_background = false;
    if (at_the_bed()) give(command::CancelBed{});
    if (!s().background.empty()) give(command::CancelBackground{});
    s().phase = Phase::stopping;
    end_when_quiet();
  }

  Step step_;
  bool refused_ = false;
};

}  // namespace

Step transition(State state, const Event& event) { return Stepper(std::move(state)).take(event); }

std::string name(Phase phase) {
  switch (phase) {
    case Phase::seeking:
      return "seeking";
    case Phase::idle:
      return "idle";
    case Phase::placing:
      return "placing";
    case Phase::looking:
      return "looking";
    case Phase::capturing:
      return "capturing";
    case Phase::checking:
      return "checking";
    case Phase::stopping:
      return "stopping";
    case Phase::stopped:
      return "stopped";
  }
  return "?";
}

std::string name(const Event& event) { return event_names[event.index()]; }

}  // namespace lapwright::station
