#include <algorithm>
#include <nlohmann/json.hpp>
#include <set>

#include "core/files.h"
#include "ledger/ledger.h"
#include "ledger/store.h"

namespace lapwright::ledger {
namespace {

namespace fs = std::filesystem;

/// Every file below a folder, relative to `base`; links are files of their own and never followed.
Result<std::vector<std::string>> files_below(const fs::path& folder, const fs::path& base) {
  std::vector<std::string> out;
  std::error_code trouble;
  if (!fs::exists(folder, trouble)) return out;
  fs::recursive_directory_iterator it(folder, trouble), end;
  for (; !trouble && it != end; it.increment(trouble)) {
    std::error_code ignored;
    if (!fs::is_directory(it->symlink_status(ignored)))
      out.push_back(it->path().lexically_relative(base).generic_string());
  }
  if (trouble)
    return fail(Fault::io, folder.string() + ": cannot be looked through: " + trouble.message());
  std::sort(out.begin(), out.end());
  return out;
}

/// A file that some program is still writing (core/files.h).
bool is_partial(const std::string& path) {
  const std::string name = fs::path(path).filename().string();
  return name.starts_with(".") && name.ends_with(".part");
}

/// "missing", "changed", or nothing when the file is what it was.
Result<std::string> trouble_with(const fs::path& path, const File& file) {
  std::error_code error;
  const fs::file_status status = fs::symlink_status(path, error);
  if (!fs::exists(status)) return std::string("missing");
  if (!fs::is_regular_file(status) || fs::file_size(path, error) != file.bytes || error)
    return std::string("changed");
  const auto sum = core::sha256_of(path);
  if (!sum)
    return sum.error().fault == Fault::no_input ? Result<std::string>("missing")
                                                : fail(sum.error());
  return std::string(*sum == file.sha256 ? "" : "changed");
}

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

/// "missing", "changed", or nothing when it names what the ledger names. Files beyond that are no
/// trouble of the manifest as long as they are there: only the ledger does not know them yet.
Result<std::string> trouble_with_manifest(const fs::path& archive, const RollBook& book) {
  const std::string& name = book.roll.name;
  const Named named = book.named();
  const auto text = core::read_file(archive::roll_folder(archive, name) / manifest_name);
  if (!text && text.error().fault == Fault::no_input)
    return std::string(named.empty() ? "" : "missing");
  if (!text) return fail(text.error());
  Manifest told = read_manifest(name, *text);
  Named all = named;
  for (const auto& [path, sum] : told.sums) {
    std::error_code error;
    if (!all.count(path) && fs::exists(fs::symlink_status(archive / path, error)))
      all[path] = {path, sum, 0};
  }
  return std::string(*text == manifest_text(name, all) ? "" : "changed");
}

}  // namespace

std::string plan_mark(const Json& plan) {
  core::Sha256 sum;
  const std::string text = plan.dump(-1, ' ', true, Json::error_handler_t::replace);
  sum.add(text.data(), text.size());
  return sum.hex();
}

Result<std::vector<AuditLine>> Ledger::audit() {
  if (auto r = store_->refresh(); !r) return fail(r.error());
  const fs::path& archive = store_->archive;
  std::vector<AuditLine> out;
  std::set<std::string> known;
  for (const std::string& name : store_->books.order()) {
    const RollBook& book = *store_->books.roll(name);
    for (const auto& [path, file] : book.named()) {
      known.insert(path);
      const auto trouble = trouble_with(archive / path, file);
      if (!trouble) return fail(trouble.error());
      if (!trouble->empty()) out.push_back({path, *trouble});
    }
    const std::string manifest = "rolls/" + name + "/" + manifest_name;
    known.insert(manifest);
    const auto trouble = trouble_with_manifest(archive, book);
    if (!trouble) return fail(trouble.error());
    if (!trouble->empty()) out.push_back({manifest, *trouble});
  }
  const auto found = files_below(archive / "rolls", archive);
  if (!found) return fail(found.error());
  for (const std::string& path : *found) {
    if (!known.count(path) && !is_partial(path)) out.push_back({path, "not in the ledger"});
  }
  return out;
}

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

namespace {

/// A pass that an open job of the roll has by its present plan not got, and that was not refused.
bool still_wanted(const RollBook& book, const PassNote& note, const std::string& sum) {
  const OpenJob* job = book.job(note.job);
  return note.roll == book.roll.name && job && job->plan && plan_mark(*job->plan) == note.plan &&
         !job->captured.count(note.pass) && !job->dropped.count(sum);
}

}  // namespace

Result<Swept> Ledger::sweep(
    const std::function<std::optional<PassNote>(const std::filesystem::path&)>& note_of) {
  if (auto r = store_->claim(); !r) return fail(r.error());
  if (auto r = store_->refresh(); !r) return fail(r.error());
  Swept swept;
  for (const std::string& name : store_->books.order()) {
    const fs::path folder = archive::roll_folder(store_->archive, name);
    const auto text = core::read_file(folder / manifest_name);
    const Manifest promised = text ? read_manifest(name, *text) : Manifest{};
    std::vector<std::string> leftovers;
    for (const char* part : {"proof", "full"}) {
      const auto found = files_below(folder / part, store_->archive);
      if (!found) return fail(found.error());
      for (const std::string& path : *found) {
        const fs::path file = store_->archive / path;
        const RollBook& book = *store_->books.roll(name);
        if (book.named().count(path)) continue;
        const auto note = note_of && !is_partial(path) ? note_of(file) : std::nullopt;
        const auto sum = note ? core::sha256_of(file) : Result<std::string>();
        const auto line = promised.sums.find(path);
        if (!note || !sum || !still_wanted(book, *note, *sum) ||
            (line != promised.sums.end() && line->second != *sum)) {
          leftovers.push_back(path);
          continue;
        }
        std::error_code trouble;
        const File whole{path, *sum, fs::file_size(file, trouble)};
        if (auto r = pass_captured(note->job, note->pass, whole, note->capture); !r)
          return fail(r.error());
        swept.recovered.push_back(*note);
      }
    }
    if (auto r = store_->put_manifest(name, store_->books.roll(name)->named()); !r)
      return fail(r.error());
    for (const std::string& path : leftovers) {
      if (auto r = core::remove_file(store_->archive / path); !r) return fail(r.error());
      swept.gone.push_back(path);
    }
    if (auto r = core::sweep_partials(folder); !r && r.error().fault != Fault::no_input)
      return fail(r.error());
  }
  return swept;
}

Result<> Ledger::write_manifest(const std::string& roll) {
  {
    auto t = Transaction::begin(store_->db);  // whoever records writes manifests as well
    if (!t) return fail(t.error());
    if (auto r = store_->refresh(); !r) return fail(r.error());
    const auto book = store_->roll(roll);
    if (!book) return fail(book.error());
    if (auto r = store_->put_manifest(roll, (*book)->named()); !r) return r;
  }
  return store_->copy();
}

}  // namespace lapwright::ledger
