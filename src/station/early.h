// The lap judged while the carriage still moves: rows are reduced as they come, and once enough of
// the lap is there it is checked, so that a wrong lay costs seconds and not minutes.
//
// Invariants: only what is sure and wrong ends a pass early; whatever cannot be told yet is left to
// the check of the whole pass. Units: pass rows, millimetres. Thread: begin() and rows() on the
// capturing thread, the check on one of its own, for which the
//   destructor waits. Errors: none; without an earlier pass that the plan joins this one to,
//   nothing is said.
#pragma once

#include <chrono>
#include <future>
#include <memory>

#include "station/assignment.h"

namespace lapwright::station {

class EarlyLap {
 public:
  EarlyLap(const Setting& setting, const Assignment& a, int number);
  void begin(std::int64_t width, Ppi ppi);
  /// Takes the next rows; the lap's report when it is sure that the pass is wrong.
  std::optional<lap::Report> rows(const std::uint16_t* samples, std::int64_t count);
  /// Waits for a check that still runs.
  void settle() const {
    if (running_.valid()) running_.wait();
  }
  /// What was last judged, good or bad.
  const std::optional<lap::Report>& judged() const { return judged_; }

 private:
  struct Other {  // the pass that this one laps over
    int number = 0;
    std::filesystem::path file;
    Affine<SleeveSpace, PassSpace> planned;
    lap::Placement placement;
    Spot<BedSpace> corner;
    image::Rgb16 small;
    std::int64_t factor = 1;
    Ppi ppi;
  };
  /// What is known of the rows so far; nothing when it is not sure.
  static std::optional<lap::Report> judge(const Other& other, const image::Rgb16& so_far,
                                          std::int64_t factor, Ppi ppi,
                                          const Affine<SleeveSpace, PassSpace>& planned,
                                          std::int64_t rows_in_all, Spot<BedSpace> corner,
                                          int number, const profile::SleeveProfile& sleeve);
  static bool load(Other& other);
  void reduce(const std::uint16_t* row);
  double lap_mm() const;  // of the planned lap, along the carriage, in the rows so far

  profile::SleeveProfile sleeve_;
  int number_;
  plan::Pass pass_;
  std::shared_ptr<Other> other_;  // null: nothing to compare with; read by `ready_`
  std::int64_t width_ = 0, factor_ = 1, row_ = 0;
  Ppi ppi_;
  Affine<SleeveSpace, PassSpace> planned_;
  Rect<SleeveSpace> lap_;
  std::vector<std::uint32_t> sums_;
  std::vector<std::uint16_t> small_;  // rows reduced so far
  using Clock = std::chrono::steady_clock;
  double next_mm_ = 10, judged_mm_ = 0;   // of lap: when to look next; what the last look saw
  Clock::time_point began_, rest_until_;  // the last look; the next one not before
  bool settled_ = false;                  // there is nothing to compare with
  std::shared_future<bool> ready_;        // the other pass has been read
  std::future<std::optional<lap::Report>> running_;
  std::optional<lap::Report> judged_;
};

}  // namespace lapwright::station
