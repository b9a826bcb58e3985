// The seat at the bed: who takes it is told what the station says, and may press its key. A Unix-domain socket that the review page
// (or a script) finds by the archive.
//
// Protocol: who connects is sent what still holds of the event stream (recent.h), then every event, the same lines as --events has.
// What he may send are the words `key` and `cancel`, each a line.
// Invariants: only this user's processes are let in, sixteen at a time. A listener that does not read (256 KiB behind), or sends
//   anything but the two words, is shown the door; no listener ever makes the station wait. The socket lies in
//   $XDG_RUNTIME_DIR/lapwright, else in lapwright/run in the XDG state folder: a folder of this user's with mode 0700. Its name tells the
//   archive's folder by device and inode, whatever path leads there. Open it only while the archive is claimed: then a socket that
//   lies there already is a dead station's and is replaced.
// Units: bytes. Thread: tell() any; `heard` is called on the seat's own thread: hand it on. Errors: cannot_create; no_input.
#pragma once

#include <filesystem>
#include <functional>
#include <memory>
#include <string>

#include "core/json.h"
#include "core/result.h"
#include "station/key.h"

namespace lapwright::station {

class Seat {
 public:
  Seat();
  ~Seat();  // the socket goes, the listeners are told by its end
  /// From now on listeners are let in. cannot_create when there is no folder that is safe for it.
  Result<> open(const std::filesystem::path& archive, std::function<void(Heard)> heard);
  /// An event, with its `at` and `event`.
  void tell(const Json& event);

  struct Room;

 private:
  std::unique_ptr<Room> room_;
};

/// Takes the seat of the station that works on this archive: a connected socket that does not block. no_input
/// when none does.
Result<int> take_seat(const std::filesystem::path& archive);

inline constexpr std::size_t most_listeners = 16, most_behind = 256 << 10, longest_word = 64;

}  // namespace lapwright::station
