// The archive as the page sees it: rolls, their sheets, what was marked on them.
//
// Invariants: nothing from an address is a path: rolls and pictures are looked up among what the
//   ledger names. A verdict is in marks.json before the ledger is told. Units: as named. Thread:
//   one.
// Errors: no_input (not known here), bad_data, io, try_again.
#pragma once

#include <filesystem>
#include <list>
#include <map>
#include <memory>
#include <string>
#include <vector>

#include "ledger/ledger.h"
#include "proof/tiles.h"
#include "review/iiif.h"
#include "review/marks.h"

namespace lapwright::review {

class Desk {
 public:
  struct Sheet {
    iiif::Sheet about;
    std::filesystem::path file;  // proof.tif
  };
  struct Waiting {
    std::string roll, stock;
  };
  struct Shelf {
    std::vector<std::shared_ptr<const Sheet>> sheets;
    std::vector<Waiting> waiting;                         // rolls without a proof
    std::vector<std::pair<std::string, Error>> cautions;  // rolls whose proof cannot be shown
  };

  Desk(std::filesystem::path archive, ledger::Ledger ledger)
      : archive_(std::move(archive)), ledger_(std::move(ledger)) {}

  struct Due {
    std::string roll;
    std::vector<std::string> frames;  // at full resolution; empty: its proof
  };

  Result<Shelf> shelf();
  /// What the station has to make, in its order.
  Result<std::vector<Due>> queue();
  /// The proof made last; null when there is none.
  Result<std::shared_ptr<const Sheet>> last_proof();
  const std::filesystem::path& archive() const { return archive_; }
  Result<std::shared_ptr<const Sheet>> sheet(const std::string& roll);
  /// The tiles of the picture with this id, kept open for a while.
  Result<std::shared_ptr<const proof::Tiles>> tiles(const std::string& image_id);
  Marks& marks(const std::string& roll);
  /// What the ledger knows of the roll.
  Result<ledger::RollState> state(const std::string& roll) { return ledger_.state(roll); }
  Result<> want(const std::string& roll, const std::vector<std::string>& frames) { return ledger_.want(roll, frames, {}); }
  Result<> set_verdict(const Sheet& sheet, const frames::Frame& frame, const std::string& verdict);
  /// The ledger takes in what the marks say otherwise of a frame: after a kill between the two, or a ledger made anew.
  Result<> agree();
  Result<> set_note(const Sheet& sheet, const frames::Frame& frame, const std::string& note);

 private:
  Result<std::shared_ptr<const Sheet>> load(const ledger::RollState& state);
  static constexpr std::size_t most_open = 12;

  std::filesystem::path archive_;
  ledger::Ledger ledger_;
  std::map<std::string, std::shared_ptr<const Sheet>> sheets_;                   // by image id
  std::map<std::string, Marks> marks_;                                           // by roll
  std::list<std::pair<std::string, std::shared_ptr<const proof::Tiles>>> open_;  // last used first
};

/// As it stands in an address: everything but letters, digits, dash, dot and underscore as %XX.
std::string address_part(const std::string& name);

}  // namespace lapwright::review
