// Trim at the page: a frame seen with another trim at once; its sheet made anew with it, which keeps it for the roll; kept for the stock.
//
// Invariants: what is seen is what the sheet made anew shows: the linear sheet's own samples through the same converter. One sheet
//   is made at a time, in a thread of its own with a ledger of its own. Who may trim is said in guard.h's table, and once more here.
// Units: pixels of the sheet, trims -100..100. Thread: the desk's, and the one that makes a sheet. Errors: replies.
#pragma once

#include <array>
#include <atomic>
#include <filesystem>
#include <functional>
#include <list>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <thread>
#include <vector>

#include "profile/profile.h"
#include "review/desk.h"
#include "review/guard.h"
#include "review/message.h"

namespace lapwright::station {
struct Negative;
class Positive;
}  // namespace lapwright::station

namespace lapwright::review {

/// Changing how a roll or a stock looks is for the one at the station.
inline bool may_trim(Visitor visitor) { return visitor == Visitor::operator_here; }

class Trimming {
 public:
  struct Setting {
    std::filesystem::path archive;
    profile::Shelf shelf{{}};
    profile::OwnProfiles own;
    bool outside = false;                        // a conversion stage of one's own makes the positives
    std::optional<std::array<double, 2>> paper;  // mm, that proofs are printed on
  };
  using Log = std::function<void(const std::string& line)>;

  Trimming(Setting setting, Log log);
  /// A sheet that is being made is stopped; the one before stays.
  ~Trimming();

  /// GET; `rest`: what follows .../trim in the address.
  Reply look(const ledger::RollState& roll, const std::vector<std::string>& rest, Visitor visitor);
  /// PUT.
  Reply change(const ledger::RollState& roll, const std::vector<std::string>& rest, const Json& body, Visitor visitor);

  static constexpr std::int64_t most_area = 64 << 20, most_shown = 6 << 20, longest = 4096;  // pixels
  static constexpr std::size_t most_kept = 96 << 20;                                         // bytes

 private:
  /// A part of a sheet as small as it is shown, without any trim.
  struct Piece {
    std::string key;
    std::int64_t width = 0, height = 0;
    std::vector<std::uint16_t> codes;
  };
  struct Making {
    std::string roll, state, say;  // running, done, failed
    double share = 0;
  };
  Reply state(const ledger::RollState& roll);
  Reply piece_reply(const ledger::RollState& roll, const std::vector<std::string>& rest);
  Reply make(const ledger::RollState& roll, const profile::Trim& trim);
  Reply keep(const ledger::RollState& roll, const profile::Trim& trim);
  Result<const station::Negative*> negative(const ledger::RollState& roll);
  Result<const Piece*> piece(const station::Negative& negative, const PixelRect<SheetSpace>& area, std::int64_t width, std::int64_t height);
  Reply failed(const Error& error);
  std::string say(const Error& error);

  Setting setting_;
  Log log_;
  std::string negative_key_;
  std::unique_ptr<station::Negative> negative_;
  std::unique_ptr<station::Positive> plain_;  // of negative_, where one converter serves the whole sheet
  std::list<Piece> pieces_;                   // last used first

  std::mutex mutex_;  // of making_
  Making making_;
  std::atomic<bool> stop_{false};
  std::thread maker_;
};

}  // namespace lapwright::review
