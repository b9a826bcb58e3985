// One scan on an open, negotiated device: start, rows out in order, cancel.
//
// Invariants: rows are whole, 16-bit RGB in the host's order, unpadded; three-frame sets are put
// together through files without a
//   name, so memory does not grow with the picture. sane_cancel follows every start, never in its
//   first 30 ms.
// Units: pixels, seconds. Thread: the worker's only thread. Errors: bad_data (8 bit, gray), io
// (ended early), cancelled, the
//   device's own.
#pragma once

#include <cstdint>
#include <string>

#include "bed/wire.h"
#include "core/result.h"

namespace lapwright::bed {

struct Started {
  std::int64_t width = 0, height = -1;
};

class Scan {
 public:
  /// `gray`: a gray picture will do; its rows are sent as R = G = B.
  Scan(void* handle, Wire& wire, bool gray = false) : handle_(handle), wire_(wire), gray_(gray) {}
  ~Scan() { finish(); }
  Scan(const Scan&) = delete;
  Scan& operator=(const Scan&) = delete;

  /// Starts, again while the device is busy, for `most_seconds`.
  Result<Started> start(double most_seconds);
  /// Sends all rows; returns how many.
  Result<std::int64_t> rows();
  void finish();

 private:
  struct Frame {
    int format = 0;
    bool last = true;
    std::int64_t width = 0, height = -1, stride = 0;
  };
  Result<> begin_frame(double most_seconds);
  Result<Frame> parameters();
  template <class Take>
  Result<std::int64_t> read_frame(std::int64_t row_bytes, Take take);
  Result<std::int64_t> one_frame();
  Result<std::int64_t> three_frames();
  Result<> deliver(const char* rows, std::size_t bytes, bool flush);
  void progress(std::int64_t bytes);

  void* handle_;
  Wire& wire_;
  bool gray_;
  Frame frame_;
  bool started_ = false;
  double began_ = 0, told_ = 0;
  std::string pending_;
};

void guard_signals();

}  // namespace lapwright::bed
