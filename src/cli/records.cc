#include "cli/records.h"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "ledger/ledger.h"

namespace lapwright::cli {
namespace {

/// Columns on a terminal, counting one for each code point.
std::size_t width(const std::string& s) {
  return static_cast<std::size_t>(std::count_if(
      s.begin(), s.end(), [](char c) { return (static_cast<unsigned char>(c) & 0xc0) != 0x80; }));
}

/// A note may hold line breaks and escapes; a table shows one plain line.
std::string plain(std::string s) {
  for (char& c : s) {
    if (static_cast<unsigned char>(c) < 0x20 || c == 0x7f) c = ' ';
  }
  return s;
}

Result<ledger::Ledger> existing(const Common& common,
                                Result<ledger::Ledger> (*open)(const std::filesystem::path&)) {
  const auto archive = common.archive();
  if (!archive) return fail(archive.error());
  if (!ledger::Ledger::lies_in(*archive)) {
    return fail(
        Fault::no_input,
        archive->string() +
            ": no ledger there; name the archive's folder, or make one by `lapwright roll add`");
  }
  auto ledger = open(*archive);
  if (ledger && !ledger->restored().empty()) say(ledger->restored());
  return ledger;
}

}  // namespace

Result<ledger::Ledger> open_existing(const Common& common) {
  return existing(common, ledger::Ledger::open);
}
Result<ledger::Ledger> open_to_look(const Common& common) {
  return existing(common, ledger::Ledger::open_to_look);
}

Json roll_json(const ledger::RollState& s) {
  Json files = Json::array();
  for (const ledger::File& f : s.files)
    files.push_back({{"path", f.path}, {"sha256", f.sha256}, {"bytes", f.bytes}});
  Json copies = Json::array();
  for (const auto& c : s.copies)
    copies.push_back({{"place", c.place}, {"checked", c.checked}, {"whole", c.whole}});
  return {{"roll", s.roll.name},
          {"sleeve", s.roll.sleeve},
          {"stock", s.roll.stock},
          {"shot", s.roll.shot},
          {"note", s.roll.note},
          {"added", s.roll.added},
          {"proofed", s.proofed},
          {"proofed_at", s.proofed_at},
          {"frames_found", s.frames_found},
          {"at_full", s.at_full},
          {"due", s.due},
          {"selects", s.selects()},
          {"missing", s.missing()},
          {"audited", s.audited ? Json{{"at", s.audited->at}, {"troubles", s.audited->troubles}} : Json()},
          {"files", files},
          {"copies", copies},
          {"unsafe", s.unsafe()}};
}

std::string table(const std::vector<std::string>& header,
                  const std::vector<std::vector<std::string>>& rows) {
  std::vector<std::size_t> widths;
  for (const std::string& h : header) widths.push_back(width(h));
  for (const auto& row : rows) {
    for (std::size_t i = 0; i < row.size(); ++i)
      widths[i] = std::max(widths[i], width(plain(row[i])));
  }
  std::string out;
  const auto line = [&](const std::vector<std::string>& cells) {
    std::string text;
    for (std::size_t i = 0; i < cells.size(); ++i) {
      const std::string cell = plain(cells[i]);
      text += cell + std::string(widths[i] - width(cell) + 2, ' ');
    }
    text.erase(text.find_last_not_of(' ') + 1);
    out += (out.empty() ? "" : "\n") + text;
  };
  line(header);
  for (const auto& row : rows) line(row);
  return out;
}

}  // namespace lapwright::cli
