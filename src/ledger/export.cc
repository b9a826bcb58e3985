#include <algorithm>
#include <nlohmann/json.hpp>
#include <set>

#include "ledger/ledger.h"
#include "ledger/store.h"

namespace lapwright::ledger {
namespace {

/// A cell as RFC 4180 has it; one that a spreadsheet would take for a formula gets an apostrophe in
/// front.
std::string cell(const std::string& text) {
  std::string value = text;
  if (!value.empty() &&
      std::string_view("=+-@\t\r\n").find(value.front()) != std::string_view::npos)
    value.insert(0, 1, '\'');
  if (value.find_first_of(",\"\r\n'") == std::string::npos) return value;
  std::string out = "\"";
  for (const char c : value) out += c == '"' ? std::string("\"\"") : std::string(1, c);
  return out + "\"";
}

std::string row(const std::vector<std::string>& cells) {
  std::string out;
  for (std::size_t i = 0; i < cells.size(); ++i) out += (i ? "," : "") + cell(cells[i]);
  return out + "\r\n";
}

}  // namespace

Result<std::string> Ledger::export_csv() {
  if (auto r = store_->refresh(); !r) return fail(r.error());
  std::string out = row(
      {"roll", "sleeve", "stock", "shot", "note", "added", "proofed", "frame", "full_ppi", "due"});
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
      out += row({name, book.roll.sleeve, book.roll.stock, book.roll.shot, book.roll.note,
                  book.roll.added, book.proofed_at, frame,
                  full == book.full_ppi.end() ? "" : std::to_string(full->second),
                  std::find(due.begin(), due.end(), frame) == due.end() ? "" : "yes"});
    }
  }
  return out;
}

}  // namespace lapwright::ledger
