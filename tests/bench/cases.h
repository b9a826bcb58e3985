// The pairs of passes that the bench measures on: one bed model, one sleeve, many ways to lie.
//
// Units: as bed_model.h. Thread: values; PassMaker in one thread. Errors: messages.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "bench/bed_model.h"

namespace lapwright::bench {

enum class LapKind {
  across,
  along
};  // the lap lies across the carriage's travel (passes one after the other), or along it (side by
    // side)

struct Variant {
  std::string name;
  LapKind lap = LapKind::across;
  int turn = 0;  // planned turn of pass 2, degrees
  bool wobble = true, gutter = false;
  double gear_um = 0, gear_mm = 5, noise = 1, dust = 0.5, sideways_um = 0, lens_um = 0;
  std::vector<double> slid_mm;  // of strips, between the passes
  unsigned seed = 1;
  bool at_all_ppi = true;  // else at 600 and 1200 alone
  bool peers = false;      // general libraries try it too
  bool counted = true;     // else the truth is one of two answers, and the row is only printed
};

struct Case {
  Variant variant;
  int ppi = 600;
  PassSpec a, b;
};

Case make_case(const Variant& variant, int ppi);
/// What the figures are asked of.
std::vector<Variant> standard_variants();
profile::SleeveProfile bench_sleeve();

/// Makes pass files in a process of its own that keeps the page, so that its memory is nobody
/// else's.
class PassMaker {
 public:
  PassMaker(int ppi, unsigned seed, std::vector<PassSpec> specs);
  ~PassMaker();
  PassMaker(const PassMaker&) = delete;
  PassMaker& operator=(const PassMaker&) = delete;
  /// Writes one of the passes; "" or what went wrong.
  std::string make(std::size_t which, const std::filesystem::path& file);

 private:
  void serve(int ppi, unsigned seed, int in, int out) const;
  std::vector<PassSpec> specs_;
  int child_ = -1, to_ = -1, from_ = -1;
};

}  // namespace lapwright::bench
