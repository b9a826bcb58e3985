// What a flatbed must do for the station, and what it gave.
//
// Invariants: a capture delivers rows of 16-bit linear RGB from film light or an error, never less.
// Geometry is what the
//   device said after it started. Every option set was read back and is in `Captured`.
// Units: micrometres in BedSpace, pixels, seconds. Thread: blocking calls, one caller at a time
// (the station's bed lane);
//   `stop` may be set from any thread. Errors: unavailable, try_again, bad_data (not a film device,
//   8 bit only, ...), io, cancelled.
#pragma once

#include <atomic>
#include <cstdint>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "core/geometry.h"
#include "core/json.h"
#include "core/result.h"

namespace lapwright::bed {

struct Device {
  std::string name, vendor, model, type;
};

/// One option as it is set for film, and why.
struct Setting {
  std::string option, value;
  std::string was;  // before; empty where it cannot be read
  std::string why;
  bool kept = true;
};

/// One option as the driver shows it, once everything was set.
struct Seen {
  std::string option, title, kind, takes, value;
  bool active = true, settable = true;
};

// Both as the worker tells them and as `beds --json` prints them.
void to_json(Json& j, const Setting& s);
void from_json(const Json& j, Setting& s);
void to_json(Json& j, const Seen& o);
void from_json(const Json& j, Seen& o);

/// How a device was understood (`lapwright beds`).
struct Capability {
  Device device;
  std::vector<std::string> sources;
  std::string film_source;               // empty: no film light found
  std::string infrared;                  // how it is asked for; empty: none found
  std::optional<Rect<BedSpace>> window;  // range after the film source was chosen
  std::vector<int> depths;
  std::vector<int> resolutions;    // of the list; for a range the trade's steps inside it
  std::vector<Setting> settings;   // what is set for every pass, in this order
  std::vector<std::string> lacks;  // what could not be had: film light, 16 bits, a correction's off
  std::vector<std::string> notes;
  std::vector<Seen> options;
};

/// `film`: through the film. `any`: what the options say; the data must be 16-bit RGB all the same.
/// `infrared`: through the film, which only dust and silver hold back; gray comes as R = G = B.
enum class Light { film, any, infrared };

struct Request {
  std::string device;
  Rect<BedSpace> window;
  Ppi ppi;
  std::map<std::string, std::string> options;  // from the bed profile, set after negotiation
  Light light = Light::film;
};

/// Known after the device has started.
struct Format {
  std::int64_t width = 0;
  std::int64_t height = -1;  // -1: not known until the end
  Rect<BedSpace> window;     // as read back
  Ppi ppi;
};

class Receiver {
 public:
  virtual ~Receiver() = default;
  /// The device is busy or warms up, and is asked again; at most once, before begin().
  virtual void busy() {}
  virtual Result<> begin(const Format& format) = 0;
  /// Whole rows of 16-bit RGB, top first. Called on the caller's thread of capture().
  virtual Result<> rows(const std::uint16_t* samples, std::int64_t count) = 0;
};

struct Captured {
  std::string device;  // as it was listed when it was opened
  Format format;       // height filled in
  std::vector<std::pair<std::string, std::string>> asked,
      got;                        // options in the order they were set; read back at the end
  std::string started, finished;  // RFC 3339
  double seconds = 0;
  std::vector<std::string> notes;  // what could not be set, several lights, ...
};

class Bed {
 public:
  virtual ~Bed() = default;
  virtual Result<std::vector<Device>> list() = 0;
  virtual Result<Capability> probe(const std::string& device) = 0;
  virtual Result<Captured> capture(const Request& request, Receiver& receiver,
                                   const std::atomic<bool>& stop) = 0;
  /// Waits for the flatbed's own button: true pressed, false when `stop` was set; usage where
  /// there is none.
  virtual Result<bool> wait_for_button(const std::string& device,
                                       const std::atomic<bool>& stop) = 0;
};

struct WorkerOptions {
  std::string program;         // the lapwright binary; run with the hidden subcommand `bed-worker`
  double stall_seconds = 60;   // no row for longer: cancel, then end the worker
  double start_seconds = 200;  // warm-up included
  double obey_seconds = 5;     // from asking to cancel until the worker is ended by its id
  double look_seconds = 60;    // list, probe, and until the button can be waited for
  double farewell_seconds = 30;  // the picture is whole; only the driver's last word is missing
  double home_seconds = 20;      // closing the device may bring the carriage home first
  std::int64_t queue_bytes = 64 << 20;
};
/// libsane in a worker process. LAPWRIGHT_BED_PATIENCE (environment, 0.01 to 100) multiplies all of
/// the seconds.
std::unique_ptr<Bed> make_sane_bed(const WorkerOptions& options);

/// Behind another machine's saned.
inline bool on_network(const std::string& device) { return device.starts_with("net:"); }

/// Whether both expressions (POSIX extended, over the whole text) fit the device; false for a
/// broken expression.
bool matches(const std::string& vendor, const std::string& model, const Device& device);

/// The worker's main: serves one request read from `request_fd`, answers on `reply_fd`; anything
/// more on `request_fd`, its end included, means cancel. Returns the exit code.
int worker_main(int request_fd, int reply_fd);

}  // namespace lapwright::bed
