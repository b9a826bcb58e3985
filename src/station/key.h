// The one key, from wherever it is pressed: the terminal's space bar, lines on standard input, the
// flatbed's own button, a keypad or a foot pedal; whatever it is, the page's key counts beside it
// (seat.h).
//
// Invariants: a source never blocks the caller; presses within 150 ms of the last are one press; a
// tty is given back as it was. Thread: `heard` is called on the source's own thread: hand it on.
// Errors: bad word in --key is usage; unavailable, no_input.
#pragma once

#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "bed/bed.h"
#include "core/result.h"

namespace lapwright::station {

/// "" is a press; else a word: "again", "skip", "cancel", "stop" or what was typed; ended: no more can come.
/// With `fault` it is neither: the flatbed's own button cannot be asked for (yet).
struct Heard {
  std::string word;
  bool ended = false;
  std::optional<Error> fault = {};
};

class KeySource {
 public:
  virtual ~KeySource() = default;
  /// A place waits for the key (true), or the bed is needed for something else (false; returns once
  /// it is free). Only the flatbed's own button has to know.
  virtual void arm(bool) {}
};

/// `key`: terminal | stdin | page | scanner | evdev:PATH. With `page` there is no other than the page's.
Result<std::unique_ptr<KeySource>> make_key_source(const std::string& key, bed::Bed& bed,
                                                   const std::string& device,
                                                   std::function<void(Heard)> heard);

/// One Linux input_event (as read from /dev/input/event*): true for a key going down, not for
/// repeats or releases.
bool is_press(const void* input_event);
/// Bytes of one input_event on this machine.
std::size_t input_event_bytes();

}  // namespace lapwright::station
