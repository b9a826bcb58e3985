#include <algorithm>
#include <atomic>
#include <chrono>
#include <future>
#include <nlohmann/json.hpp>
#include <thread>

#include "core/files.h"
#include "ledger/folders.h"
#include "ledger/ledger.h"
#include "ledger/event.h"
#include "ledger/store.h"

namespace lapwright::ledger {
namespace {

namespace fs = std::filesystem;

constexpr const char* missing = "missing";
constexpr const char* changed = "changed";
constexpr const char* unreadable = "unreadable";
constexpr const char* foreign = "not in the ledger";

/// Empty when the file is what it was.
std::string trouble_with(const fs::path& path, const File& file) {
  std::error_code error;
  const fs::file_status status = fs::symlink_status(path, error);
  if (!fs::exists(status)) return missing;
  if (!fs::is_regular_file(status) || fs::file_size(path, error) != file.bytes || error)
    return changed;
  const auto sum = core::sha256_of(path);
  if (!sum) return fs::exists(fs::symlink_status(path, error)) ? unreadable : missing;
  return *sum == file.sha256 ? "" : changed;
}

/// Empty when the manifest names what the ledger names. Files beyond that are no trouble of the
/// manifest as long as they are there: only the ledger does not know them yet.
std::string trouble_with_manifest(const fs::path& archive, const RollBook& book) {
  const std::string& name = book.roll.name;
  Named named = book.named();
  const fs::path path = archive::roll_folder(archive, name) / manifest_name;
  std::error_code error;
  const auto text = core::read_file(path);
  if (!text && !fs::exists(fs::symlink_status(path, error))) return named.empty() ? "" : missing;
  if (!text) return text.error().fault == Fault::bad_data ? changed : unreadable;
  for (const auto& [told, sum] : read_manifest(name, *text).sums) {
    if (!named.count(told) && fs::exists(fs::symlink_status(archive / told, error)))
      named[told] = {told, sum, 0};
  }
  return *text == manifest_text(name, named) ? "" : changed;
}

/// What the ledger knew when it was last read, and how a file looks beside that.
class Look {
 public:
  Look(const fs::path& archive, const Books& books, bool station_works) : archive_(archive) {
    for (const std::string& name : books.order()) {
      const RollBook& book = *books.roll(name);
      named_.merge(book.named());
      const std::string folder = "rolls/" + name + "/";
      manifests_[folder + manifest_name] = &book;
      marks_.insert(folder + archive::marks_name);
      marks_.insert(folder + archive::marks_xmp_name);
      // What is being made now is recorded when it is whole.
      if (ProofHold::taken(archive_, name)) in_work_.push_back(folder + "proof/");
      if (!station_works) continue;
      if (book.proof && book.proof->begun()) in_work_.push_back(folder + "proof/");
      if (std::any_of(book.full.begin(), book.full.end(), [](const auto& j) { return j.begun(); }))
        in_work_.push_back(folder + "full/");
    }
  }

  std::string trouble(const std::string& path) const {
    if (const auto it = named_.find(path); it != named_.end())
      return trouble_with(archive_ / path, it->second);
    if (const auto it = manifests_.find(path); it != manifests_.end())
      return trouble_with_manifest(archive_, *it->second);
    if (marks_.count(path)) return "";
    std::error_code error;
    const bool made_now =
        is_partial(path) || std::any_of(in_work_.begin(), in_work_.end(),
                                        [&](const auto& f) { return path.starts_with(f); });
    return made_now || !fs::exists(fs::symlink_status(archive_ / path, error)) ? "" : foreign;
  }

  /// Every path to look at: named, manifests, and what lies in the folders.
  Result<std::vector<std::string>> paths() const {
    auto found = files_below(archive_ / "rolls", archive_);
    if (!found) return found;
    for (const auto& [path, file] : named_) found->push_back(path);
    for (const auto& [path, book] : manifests_) found->push_back(path);
    std::sort(found->begin(), found->end());
    found->erase(std::unique(found->begin(), found->end()), found->end());
    return found;
  }

 private:
  fs::path archive_;
  Named named_;
  std::map<std::string, const RollBook*> manifests_;
  std::set<std::string> marks_;       // which change as a person wills
  std::vector<std::string> in_work_;  // folders
};

/// Two at a time: while one is hashed, the other is read.
std::vector<AuditLine> troubles(const Look& look, const std::vector<std::string>& paths) {
  std::vector<std::string> found(paths.size());
  std::atomic<std::size_t> next{0};
  const auto work = [&] {
    for (std::size_t i; (i = next++) < paths.size();) found[i] = look.trouble(paths[i]);
  };
  auto other = std::async(std::launch::async | std::launch::deferred, work);
  work();
  other.wait();
  std::vector<AuditLine> out;
  for (std::size_t i = 0; i < paths.size(); ++i)
    if (!found[i].empty()) out.push_back({paths[i], found[i]});
  return out;
}

}  // namespace

Result<std::vector<AuditLine>> Ledger::audit() {
  constexpr int looks = 3;  // at what a station at work may have changed meanwhile
  std::vector<AuditLine> out;
  for (int n = 0; n < looks && (n == 0 || !out.empty()); ++n) {
    const bool station_works = store_->others_claim();
    if (n > 1 && !station_works) break;
    if (n > 1) std::this_thread::sleep_for(std::chrono::milliseconds(200));
    if (auto r = store_->refresh(); !r) return fail(r.error());
    const Look look(store_->archive, store_->books, station_works);
    std::vector<std::string> again;
    for (const AuditLine& line : out) again.push_back(line.path);
    if (n == 0) {
      auto all = look.paths();
      if (!all) return fail(all.error());
      again = std::move(*all);
    }
    out = troubles(look, again);
  }
  return out;
}

Result<> Ledger::audited(const std::vector<AuditLine>& troubles) {
  if (auto r = store_->refresh(); !r) return r;
  Json rolls = Json::object();
  for (const std::string& name : store_->books.order())
    if (!store_->books.roll(name)->named().empty()) rolls[name] = 0;
  for (const AuditLine& line : troubles) {
    const fs::path path(line.path);
    const auto part = std::next(path.begin());
    if (path.empty() || *path.begin() != "rolls" || part == path.end()) continue;
    if (const auto roll = rolls.find(part->string()); roll != rolls.end()) *roll = roll->get<int>() + 1;
  }
  return store_->record({{"rolls", rolls}}, [&]() -> Result<Store::Entry> { return Store::Entry{kind::audited, "", 0}; });
}

}  // namespace lapwright::ledger
