// A roll's proof made anew with another trim, from the linear sheet that its archive keeps.
//
// Invariants: measured is what the card tells, so that the same trim makes the same positive; the proof that is there stays whole
//   until the new one is, and is what the ledger names until then.
// Units: trims -100..100, sleeve millimetres. Thread: one caller. Errors: no_input (no such roll, no proof yet, its linear sheet is
//   gone), usage (the positive is an outside stage's), try_again (held, or a station has passes of the roll in hand), bad_data,
//   cannot_create, io, cancelled.
#pragma once

#include <atomic>
#include <filesystem>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "density/density.h"
#include "frames/frames.h"
#include "ledger/ledger.h"
#include "profile/card.h"
#include "profile/profile.h"
#include "raw/tiff.h"

namespace lapwright::station {

/// A proof, and all that its positive is made of.
struct Negative {
  std::filesystem::path sheet;       // the linear one
  profile::Card card;
  profile::StockProfile stock;       // as it is now
  profile::SleeveProfile sleeve;
  std::vector<frames::Frame> frames;
  density::Measured measured;
  profile::Card::Positive made;      // what the proof was made with
  std::string of_card;               // the card's SHA-256: another one, another proof
};
/// `outside`: the configuration names a conversion stage of one's own.
Result<Negative> negative_of(const std::filesystem::path& archive, const profile::Shelf& shelf, const ledger::RollState& state,
                             bool outside);

/// A positive seen through one trim: as rows are asked for, from the sheet on the disk.
class Positive {
 public:
  /// `area`: where frames that are balanced by themselves matter; nothing: the whole sheet.
  static Result<std::unique_ptr<Positive>> of(const Negative& negative, const profile::Trim& trim,
                                              const std::optional<PixelRect<SheetSpace>>& area = {});
  image::RowSource& rows() { return even_ ? static_cast<image::RowSource&>(*even_) : *page_; }
  const raw::Info& sheet() const { return sheet_->info(); }

 private:
  std::unique_ptr<raw::Reader> sheet_;
  std::unique_ptr<density::Converter> converter_;
  std::unique_ptr<density::PositiveSource> page_;
  std::unique_ptr<density::EvenSource> even_;
};

struct Remake {
  profile::Trim trim;
  bool of_roll = true;                          // false: it is the stock's own
  std::optional<std::array<double, 2>> paper;   // mm, that proofs are printed on
  std::function<void(double share)> progress{};
};
/// Returns what is to be said of it besides.
Result<std::vector<std::string>> remake_proof(const std::filesystem::path& archive, const profile::Shelf& shelf, ledger::Ledger& ledger,
                                              const std::string& roll, bool outside, const Remake& how, const std::atomic<bool>& stop);

}  // namespace lapwright::station
