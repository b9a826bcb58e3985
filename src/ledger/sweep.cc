#include <nlohmann/json.hpp>

#include "core/files.h"
#include "ledger/folders.h"
#include "ledger/ledger.h"
#include "ledger/store.h"

namespace lapwright::ledger {

namespace fs = std::filesystem;

std::string plan_mark(const Json& plan) {
  core::Sha256 sum;
  const std::string text = plan.dump(-1, ' ', true, Json::error_handler_t::replace);
  sum.add(text.data(), text.size());
  return sum.hex();
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
  if (auto r = settle(); !r) return fail(r.error());
  Swept swept;
  for (const std::string& name : store_->books.order()) {
    const fs::path folder = archive::roll_folder(store_->archive, name);
    std::error_code error;
    if (!fs::exists(folder, error)) continue;  // perhaps only moved: nothing is begun in its place
    if (ProofHold::taken(store_->archive, name)) continue;  // its proof is being made anew
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
