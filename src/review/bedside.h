// The station at the bed as the page sees it: listens to the station's seat (station/seat.h) and tells those who watch.
//
// Invariants: one listener at the station, however many watch; without a station it is looked for once a second. A watcher gets the
//   whole state first (event: whole), then the members that have changed (null: gone); sixteen watch at most. A key counts for the place it was
//   pressed for and for no later one. Units: as the event stream has them. Thread: any; its own listens. Errors: as named.
#pragma once

#include <filesystem>
#include <memory>
#include <string>

#include "core/json.h"
#include "core/result.h"
#include "review/flow.h"

namespace lapwright::review {

class Bedside {
 public:
  explicit Bedside(std::filesystem::path archive);
  ~Bedside();

  /// {"running": true, "about": "placing", "ready": …, "place": …, …}: the newest event of each kind that still holds, and
  /// "finishing": [{"roll", "job", "step", "say"}].
  Json state() const;
  /// Server-sent events, each with a patch of the state. Null when too many watch.
  std::shared_ptr<Flow> watch();
  /// `place`: the `at` of the place event that the person sees. no_input: no station; usage: it asks for something else by now;
  /// try_again: it does not listen.
  Result<> press(const std::string& place);
  Result<> cancel();

  static constexpr std::size_t most_watchers = 16;

 private:
  struct Ear;
  std::unique_ptr<Ear> ear_;
};

}  // namespace lapwright::review
