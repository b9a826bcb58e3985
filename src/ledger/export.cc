#include <algorithm>
#include <nlohmann/json.hpp>
#include <set>

#include "core/csv.h"
#include "ledger/ledger.h"
#include "ledger/store.h"

namespace lapwright::ledger {
Result<std::string> Ledger::export_csv() {
  if (auto r = store_->refresh(); !r) return fail(r.error());
  std::string out = core::csv_row(
      {"roll", "sleeve", "stock", "shot", "note", "added", "proofed", "frame", "full_ppi", "due", "verdict"});
  for (const std::string& name : store_->books.order()) {
    const RollBook& book = *store_->books.roll(name);
    const std::vector<std::string> due = book.due();
    std::set<std::string> frames(book.frames.begin(), book.frames.end());
    for (const auto& [frame, ppi] : book.full_ppi) frames.insert(frame);
    frames.insert(due.begin(), due.end());
    std::vector<std::string> sorted(frames.begin(), frames.end());
    std::sort(sorted.begin(), sorted.end(), frame_order);
    if (sorted.empty()) sorted.emplace_back();
    for (const std::string& frame : sorted) {
      const auto full = book.full_ppi.find(frame);
      out += core::csv_row({name, book.roll.sleeve, book.roll.stock, book.roll.shot, book.roll.note,
                  book.roll.added, book.proofed_at, frame,
                  full == book.full_ppi.end() ? "" : std::to_string(full->second),
                  std::find(due.begin(), due.end(), frame) == due.end() ? "" : "yes",
                  book.verdicts.contains(frame) ? book.verdicts.at(frame) : ""});
    }
  }
  return out;
}

}  // namespace lapwright::ledger
