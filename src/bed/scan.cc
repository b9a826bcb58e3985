#include "bed/scan.h"

#include <sane/sane.h>
#include <signal.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <chrono>
#include <cstdlib>
#include <cstring>
#include <thread>
#include <vector>

#include "bed/status.h"

namespace lapwright::bed {
namespace {

constexpr std::size_t read_bytes = 256 << 10;
constexpr std::size_t send_bytes = 256 << 10;
constexpr double first_cancel_seconds = 0.030;

double now() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}
void pause(double seconds) { std::this_thread::sleep_for(std::chrono::duration<double>(seconds)); }

Error early(std::int64_t rows, std::int64_t promised) {
  return {Fault::io, "the flatbed ended the picture after " + std::to_string(rows) + " of " +
                         std::to_string(promised) +
                         " rows; make the pass again, at a lower resolution if it ends there each "
                         "time"};
}

/// A file that has no name, for one colour of a three-frame set.
class Spill {
 public:
  Spill() = default;
  ~Spill() {
    if (fd_ >= 0) ::close(fd_);
  }
  Spill(const Spill&) = delete;
  Spill& operator=(const Spill&) = delete;
  Result<> open() {
    const char* folder = ::getenv("TMPDIR");
    std::string path =
        std::string(folder && *folder ? folder : "/var/tmp") + "/lapwright-frame-XXXXXX";
    fd_ = ::mkostemp(path.data(), 0);
    if (fd_ < 0)
      return fail(Fault::cannot_create, path + ": cannot be made (" + std::strerror(errno) +
                                            "); set TMPDIR to a folder with room for one pass");
    ::unlink(path.c_str());
    return {};
  }
  Result<> add(const char* data, std::size_t bytes) {
    while (bytes > 0) {
      const ssize_t n = ::write(fd_, data, bytes);
      if (n < 0 && errno == EINTR) continue;
      if (n <= 0)
        return fail(Fault::io, std::string("no room to put a three-frame pass together (") +
                                   std::strerror(errno) +
                                   "); set TMPDIR to a folder with room for one pass");
      data += n;
      bytes -= static_cast<std::size_t>(n);
    }
    return {};
  }
  bool read(std::int64_t offset, char* to, std::size_t bytes) const {
    while (bytes > 0) {
      const ssize_t n = ::pread(fd_, to, bytes, offset);
      if (n < 0 && errno == EINTR) continue;
      if (n <= 0) return false;
      to += n;
      offset += n;
      bytes -= static_cast<std::size_t>(n);
    }
    return true;
  }

 private:
  int fd_ = -1;
};

void nothing(int) {}

}  // namespace

void guard_signals() {
  // Reader threads of the drivers set SIGPIPE back to its default, which would end the worker
  // without a word.
  struct sigaction ignore {};
  ignore.sa_handler = nothing;
  ignore.sa_flags = SA_RESTART;
  ::sigaction(SIGPIPE, &ignore, nullptr);
  struct sigaction standard {};
  standard.sa_handler = SIG_DFL;
  for (const int s : {SIGTERM, SIGCHLD, SIGALRM, SIGUSR1}) ::sigaction(s, &standard, nullptr);
}

Result<> Scan::begin_frame(double most_seconds) {
  const double until = now() + most_seconds;
  double wait = 0.25;
  for (;;) {
    if (wire_.cancelled()) return fail(Fault::cancelled, "cancelled before the pass began");
    const SANE_Status status = sane_start(handle_);
    guard_signals();
    if (status == SANE_STATUS_GOOD) break;
    if (status != SANE_STATUS_DEVICE_BUSY || now() + wait >= until)
      return fail(explain(status, "starting the pass"));
    wire_.say_busy();
    wire_.rest(wait);
    wait = std::min(wait * 1.6, 5.0);
  }
  started_ = true;
  began_ = now();
  return {};
}

Result<Scan::Frame> Scan::parameters() {
  SANE_Parameters p{};
  const SANE_Status status = sane_get_parameters(handle_, &p);
  if (status != SANE_STATUS_GOOD) return fail(explain(status, "asking for the picture's size"));
  Frame f;
  f.last = p.last_frame != SANE_FALSE;
  f.width = p.pixels_per_line, f.height = p.lines < 0 ? -1 : p.lines, f.stride = p.bytes_per_line;
  f.format = p.format;
  if (p.format == SANE_FRAME_GRAY && !gray_)
    return fail(Fault::bad_data,
                "the device gives gray where color is needed; its mode option is not understood, "
                "name it under the bed profile's options");
  if (p.format != SANE_FRAME_GRAY && p.format != SANE_FRAME_RGB && p.format != SANE_FRAME_RED &&
      p.format != SANE_FRAME_GREEN && p.format != SANE_FRAME_BLUE)
    return fail(Fault::bad_data,
                "the device gives a kind of picture (" + std::to_string(p.format) +
                    ") that is neither RGB nor red, green, blue; name a color mode "
                    "under the bed profile's options");
  const std::string probe = "lapwright beds --probe tells what it offers";
  if (p.depth != 16)
    return fail(Fault::bad_data,
                p.depth == 8
                    ? "8-bit only: the device gives 8 bits a sample where film needs 16; " + probe
                    : "the device gives " + std::to_string(p.depth) +
                          " bits a sample where film needs 16; " + probe);
  const std::int64_t least = f.width * (p.format == SANE_FRAME_RGB ? 6 : 2);
  if (f.width < 1 || f.height == 0 || f.stride < least || f.width > 4'000'000)
    return fail(Fault::bad_data,
                "the device's picture size makes no sense: " + std::to_string(p.pixels_per_line) +
                    " x " + std::to_string(p.lines) + " pixels in " +
                    std::to_string(p.bytes_per_line) +
                    " bytes a line; make the pass again, at another resolution if it says so each "
                    "time");
  return f;
}

Result<Started> Scan::start(double most_seconds) {
  if (auto r = begin_frame(most_seconds); !r) return fail(r.error());
  auto f = parameters();
  if (!f) return fail(f.error());
  frame_ = *f;
  return Started{frame_.width, frame_.height};
}

void Scan::progress(std::int64_t bytes) {
  if (now() - told_ < 0.5) return;
  told_ = now();
  wire_.send("{\"event\":\"progress\",\"bytes\":" + std::to_string(bytes) + "}");
}

/// Reads one frame to its end; `take(row)` gets each whole row without its padding.
template <class Take>
Result<std::int64_t> Scan::read_frame(std::int64_t row_bytes, Take take) {
  const auto stride = static_cast<std::size_t>(frame_.stride);
  std::vector<SANE_Byte> buffer(read_bytes);
  std::vector<char> row;
  row.reserve(stride);
  std::int64_t rows = 0, total = 0;
  const std::int64_t expected = frame_.height < 0 ? -1 : frame_.height * frame_.stride;
  bool paused_late = false, paused_end = false;
  for (;;) {
    if (wire_.cancelled()) return fail(Fault::cancelled, "cancelled");
    // The reader threads of some drivers must be left to end by themselves: once before the last
    // piece, once before the end.
    if (expected >= 0 && !paused_late && expected - total <= 65536)
      pause(0.003), paused_late = true;
    if (expected >= 0 && !paused_end && total >= expected) pause(0.003), paused_end = true;
    SANE_Int length = 0;
    const SANE_Status status =
        sane_read(handle_, buffer.data(), static_cast<SANE_Int>(buffer.size()), &length);
    if (status == SANE_STATUS_EOF) break;
    if (status != SANE_STATUS_GOOD) return fail(explain(status, "reading the picture"));
    if (length < 0 || static_cast<std::size_t>(length) > buffer.size())
      return fail(Fault::io, "the driver says it read " + std::to_string(length) + " bytes where " +
                                 std::to_string(buffer.size()) +
                                 " were possible; make the pass again, and look for a newer driver "
                                 "if it says so each time");
    if (length == 0) {
      wire_.rest(0.002);
      continue;
    }
    total += length;
    progress(total);
    const char* at = reinterpret_cast<const char*>(buffer.data());
    auto left = static_cast<std::size_t>(length);
    while (left > 0) {
      const char* whole = nullptr;
      if (row.empty() && left >= stride) {
        whole = at;
        at += stride, left -= stride;
      } else {
        const std::size_t n = std::min(left, stride - row.size());
        row.insert(row.end(), at, at + n);
        at += n, left -= n;
        if (row.size() < stride) break;
        whole = row.data();
      }
      if (expected >= 0 && rows == frame_.height)
        return fail(Fault::io, "the flatbed gives more than the " + std::to_string(rows) +
                                   " rows it promised; make the pass again");
      if (Result<> r = take(whole, static_cast<std::size_t>(row_bytes)); !r) return fail(r.error());
      row.clear();
      ++rows;
    }
  }
  if (frame_.height >= 0 && rows < frame_.height) return fail(early(rows, frame_.height));
  // A last row that is whole but for its padding is a whole row.
  if (!row.empty() && row.size() >= static_cast<std::size_t>(row_bytes) && frame_.height < 0) {
    if (Result<> r = take(row.data(), static_cast<std::size_t>(row_bytes)); !r)
      return fail(r.error());
    ++rows;
  } else if (!row.empty()) {
    return fail(Fault::io, "the flatbed ended the picture inside row " + std::to_string(rows) +
                               "; make the pass again");
  }
  if (rows == 0) return fail(explain(SANE_STATUS_EOF, "reading the picture"));
  return rows;
}

Result<> Scan::deliver(const char* rows, std::size_t bytes, bool flush) {
  pending_.append(rows, bytes);
  if (pending_.empty() || (!flush && pending_.size() < send_bytes && now() - told_ < 0.25))
    return {};
  told_ = now();
  if (!wire_.send(MessageKind::rows, pending_.data(), pending_.size()))
    return fail(Fault::cancelled, "cancelled");
  pending_.clear();
  return {};
}

Result<std::int64_t> Scan::one_frame() {
  told_ = now();
  const bool gray = frame_.format == SANE_FRAME_GRAY;
  std::vector<char> wide(gray ? static_cast<std::size_t>(frame_.width) * 6 : 0);
  auto rows = read_frame(frame_.width * (gray ? 2 : 6), [&](const char* row, std::size_t bytes) {
    if (!gray) return deliver(row, bytes, false);
    for (std::size_t x = 0; x < wide.size(); x += 2) std::memcpy(&wide[x], row + x / 6 * 2, 2);
    return deliver(wide.data(), wide.size(), false);
  });
  if (!rows) return rows;
  if (auto r = deliver(nullptr, 0, true); !r) return fail(r.error());
  return rows;
}

Result<std::int64_t> Scan::three_frames() {
  Spill planes[3];
  bool have[3] = {false, false, false};
  const Frame first = frame_;
  std::int64_t rows = 0;
  for (int n = 0; n < 3; ++n) {
    if (n > 0) {
      if (auto r = begin_frame(30); !r) return fail(r.error());
      auto f = parameters();
      if (!f) return fail(f.error());
      frame_ = *f;
    }
    const int color = frame_.format == SANE_FRAME_RED     ? 0
                      : frame_.format == SANE_FRAME_GREEN ? 1
                      : frame_.format == SANE_FRAME_BLUE  ? 2
                                                          : -1;
    if (color < 0 || have[color] || frame_.width != first.width || frame_.height != first.height)
      return fail(Fault::io,
                  "the three frames of the pass (red, green, blue) do not belong together; make "
                  "the pass again");
    have[color] = true;
    if (auto r = planes[color].open(); !r) return fail(r.error());
    std::string part;
    auto read = read_frame(frame_.width * 2, [&](const char* row, std::size_t bytes) -> Result<> {
      part.append(row, bytes);
      if (part.size() < send_bytes) return {};
      auto r = planes[color].add(part.data(), part.size());
      part.clear();
      return r;
    });
    if (!read) return read;
    if (auto r = planes[color].add(part.data(), part.size()); !r) return fail(r.error());
    if (n > 0 && *read != rows)
      return fail(Fault::io, "the three frames of the pass have " + std::to_string(rows) + " and " +
                                 std::to_string(*read) + " rows; make the pass again");
    rows = *read;
    if (frame_.last && n < 2)
      return fail(Fault::io, "the pass ended after " + std::to_string(n + 1) +
                                 " of its three frames; make it again");
  }
  const auto row_bytes = static_cast<std::size_t>(first.width * 2);
  std::vector<std::uint16_t> plane(static_cast<std::size_t>(first.width)),
      row(static_cast<std::size_t>(first.width * 3));
  for (std::int64_t y = 0; y < rows; ++y) {
    if (wire_.cancelled()) return fail(Fault::cancelled, "cancelled");
    for (std::size_t c = 0; c < 3; ++c) {
      if (!planes[c].read(y * static_cast<std::int64_t>(row_bytes),
                          reinterpret_cast<char*>(plane.data()), row_bytes))
        return fail(Fault::io,
                    "a frame of the pass could not be read back from the temporary folder; look at "
                    "that disk, or set TMPDIR to a folder on another");
      for (std::size_t x = 0; x < plane.size(); ++x) row[x * 3 + c] = plane[x];
    }
    if (auto r = deliver(reinterpret_cast<const char*>(row.data()), row.size() * 2, y + 1 == rows);
        !r)
      return fail(r.error());
  }
  return rows;
}

Result<std::int64_t> Scan::rows() {
  auto done = frame_.format == SANE_FRAME_RGB || frame_.format == SANE_FRAME_GRAY ? one_frame()
                                                                                  : three_frames();
  if (!done && done.error().fault == Fault::cancelled && started_) {
    // Some drivers only take note of a cancel, and end at the next read.
    finish();
  }
  return done;
}

void Scan::finish() {
  if (!started_) return;
  started_ = false;
  if (const double age = now() - began_; age < first_cancel_seconds)
    pause(first_cancel_seconds - age);
  sane_cancel(handle_);
  guard_signals();
  if (!wire_.cancelled()) return;
  std::vector<SANE_Byte> rest(65536);
  SANE_Int length = 0;
  for (const double until = now() + 2; now() < until;)
    if (sane_read(handle_, rest.data(), static_cast<SANE_Int>(rest.size()), &length) !=
        SANE_STATUS_GOOD)
      break;
}

}  // namespace lapwright::bed
