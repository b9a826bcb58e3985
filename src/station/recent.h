// What of the event stream still holds: all that somebody has to be told who comes to the bed now.
//
// Invariants: lines stay in the order they came; an event that makes an earlier one old replaces it, so that what is kept does not
// grow with time. What a finished roll's own work tells (handed_over, joined, converted, frames) is kept by roll until it is done
// or has failed. Units: none. Thread: one at a time. Errors: none; an event of an unknown kind is not kept.
#pragma once

#include <string>
#include <vector>

#include "core/json.h"

namespace lapwright::station {

class Recent {
 public:
  /// `event`: with its `at` and `event` members. Returns whether anything that is kept has changed.
  bool take(const Json& event);
  const std::vector<Json>& events() const { return kept_; }
  /// The newest of a kind; null when none holds.
  const Json* of(const std::string& kind) const;
  /// What the station is about: seeking, waiting, placing, looking, capturing or checking.
  std::string about() const;

 private:
  std::vector<Json> kept_;
};

}  // namespace lapwright::station
