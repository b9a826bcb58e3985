#include <algorithm>
#include <nlohmann/json.hpp>
#include <set>

#include "core/clock.h"
#include "core/files.h"
#include "core/text.h"
#include "ledger/event.h"
#include "ledger/store.h"
#include "profile/card.h"

namespace lapwright::ledger {
namespace {

namespace fs = std::filesystem;

std::vector<std::string> names_in(const fs::path& folder) {
  std::vector<std::string> out;
  std::error_code trouble;
  for (fs::directory_iterator it(folder, trouble), end; !trouble && it != end;
       it.increment(trouble))
    out.push_back(it->path().filename().string());
  std::sort(out.begin(), out.end());
  return out;
}

/// "7" of frame-07.yaml and of frame-07-2400.yaml.
std::string frame_of(const fs::path& file) {
  std::string name = file.stem().string();
  if (!name.starts_with("frame-")) return {};
  name.erase(0, 6);
  name.erase(std::min(name.find('-'), name.size()));
  if (name.size() > 1 && name[0] == '0') name.erase(0, 1);
  return name;
}

/// One roll's folder, read into facts.
class Folder {
 public:
  Folder(Ledger::Store& store, std::string roll, Rebuilt& out)
      : store_(store), roll_(std::move(roll)), out_(out) {}

  Result<> read() {
    const std::string base = "rolls/" + roll_ + "/";
    if (auto r = read_manifest(base); !r) return r;
    if (!book() || !book()->proofed()) {
      if (auto r = read_proof(base + "proof/"); !r) return r;
    }
    if (!book() || !book()->proofed()) return {};
    if (auto r = read_full(base + "full/"); !r) return r;
    return read_others();
  }

 private:
  const RollBook* book() const { return store_.books.roll(roll_); }
  void left(const std::string& path, const std::string& why) { out_.left.push_back({core::one_line(path), core::one_line(why, 800)}); }
  bool on_disk(const std::string& path) const {
    std::error_code trouble;
    return fs::is_regular_file(fs::symlink_status(store_.archive / path, trouble));
  }

  Result<> record(const char* kind, std::int64_t job, const Json& body, const std::string& at) {
    if (auto r = append(store_.db, kind, roll_, job, body, at); !r) return r;
    return store_.refresh();
  }

  /// The sum that was promised, else the one that the bytes have now.
  Result<File> file(const std::string& path, const std::string& promised = {}) const {
    std::error_code trouble;
    File f{path, promised, fs::file_size(store_.archive / path, trouble)};
    if (trouble) return fail(Fault::io, path + ": cannot be read: " + trouble.message());
    if (const auto there = manifest_.find(path); there != manifest_.end()) f.sha256 = there->second;
    if (!f.sha256.empty()) return f;
    const auto sum = core::sha256_of(store_.archive / path);
    if (!sum) return fail(sum.error());
    f.sha256 = *sum;
    return f;
  }

  Result<> read_manifest(const std::string& base) {
    const std::string path = base + manifest_name;
    if (!on_disk(path)) return {};
    const auto text = core::read_file(store_.archive / path);
    if (!text) {
      left(path, text.error().text);
      return {};
    }
    Manifest told = ledger::read_manifest(roll_, *text);
    for (const std::size_t number : told.odd_lines)
      left(path,
           "line " + std::to_string(number) + " is not a SHA-256, two blanks and a path in UTF-8");
    manifest_ = std::move(told.sums);
    return {};
  }

  /// The card at `path`, when it can be read and is this roll's.
  std::optional<profile::Card> card(const std::string& path) {
    const auto text = core::read_file(store_.archive / path);
    auto read = text ? profile::read_card(*text, path) : Result<profile::Card>(fail(text.error()));
    if (!read) {
      left(path, read.error().text);
      return std::nullopt;
    }
    const bool plain = !read->file.empty() && core::is_plain(read->file) &&
                       fs::path(read->file).filename() == read->file &&
                       std::all_of(read->passes.begin(), read->passes.end(), [](const auto& p) {
                         return core::is_plain(p.file);
                       });
    if (read->roll != roll_ || !plain) {
      left(path, plain ? "it is the card of roll '" + core::one_line(read->roll, 100) + "'"
                       : "each `file` must be one line, the picture's a name beside the card");
      return std::nullopt;
    }
    return std::move(*read);
  }

  /// The picture is the one that its card was written for.
  Result<bool> vouched(const std::string& picture, const profile::Card& card) const {
    if (!on_disk(picture)) return false;
    if (manifest_.count(picture)) return true;
    const auto sum = core::sha256_of(store_.archive / picture);
    if (!sum) return fail(sum.error());
    return *sum == card.sha256;
  }

  Result<> read_proof(const std::string& base) {
    const std::string card_path = base + "sheet.yaml";
    if (!on_disk(card_path)) {
      if (!book())
        left("rolls/" + roll_,
             "no hand-off card, so sleeve and stock cannot be told; "
             "move its files aside and add the roll again");
      return {};
    }
    const auto c = card(card_path);
    if (!c) return {};
    const std::string started = c->passes.empty() ? "" : c->passes.front().started;
    if (!book()) {
      const Json body = {{"sleeve", c->sleeve}, {"stock", c->stock}, {"shot", ""}, {"note", ""}};
      if (auto r = record(kind::roll_received, 0, body, started); !r) return r;
      ++out_.rolls;
    }
    const std::string sheet = base + c->file;
    const auto whole = vouched(sheet, *c);
    if (!whole) return fail(whole.error());
    // plan.json is the last file of a proof.
    const auto frames_text = core::read_file(store_.archive / (base + "frames.json"));
    const auto plan_text = core::read_file(store_.archive / (base + "plan.json"));
    auto frames = frames_text ? core::parse_json(*frames_text, base + "frames.json")
                              : Result<Json>(fail(frames_text.error()));
    if (!*whole || !frames || (!plan_text && !manifest_.count(sheet))) {
      left(sheet, *whole ? "its proof is not complete; it is made again"
                         : "not there, or not the picture that its card tells; it is made again");
      return {};
    }
    const std::int64_t job = book()->proof->id;
    const auto captured = book()->proof->captured;
    const auto plan = plan_text ? core::parse_json(*plan_text, base + "plan.json")
                                : Result<Json>(fail(plan_text.error()));
    if (plan && !book()->proof->plan) {
      if (auto r = record(kind::plan_made, job, {{"plan", *plan}}, started); !r) return r;
    }
    std::set<std::string> passes;
    for (const profile::Card::Pass& p : c->passes) {
      const std::string path = base + fs::path(p.file).filename().string();
      passes.insert(path);
      if (const auto there = captured.find(p.pass);
          there != captured.end() && there->second.file.path == path)
        continue;
      if (!on_disk(path)) {
        left(path, "missing; the card names it");
        continue;
      }
      const auto f = file(path, p.sha256);
      if (!f) return fail(f.error());
      Json options = Json::object();
      for (const auto& [name, value] : p.options) options[name] = value;
      const Json capture = {{"device", p.device},
                            {"started", p.started},
                            {"finished", p.finished},
                            {"options", options}};
      const Json body = {{"pass", p.pass}, {"file", to_json(*f)}, {"capture", capture}};
      if (auto r = record(kind::pass_captured, job, body, p.finished); !r) return r;
    }
    Json files = Json::array();
    for (const std::string& name :
         {c->file, std::string("sheet.yaml"), std::string("proof.tif"), std::string("proof.jpg"),
          std::string("proof.pdf"), std::string("proof.xmp"), std::string("frames.json"), std::string("features.json"), std::string("plan.json")}) {
      if (!on_disk(base + name)) continue;
      const auto f = file(base + name, name == c->file ? c->sha256 : "");
      if (!f) return fail(f.error());
      files.push_back(to_json(*f));
    }
    const std::string finished = c->passes.empty() ? "" : c->passes.back().finished;
    ++out_.proofs;
    return record(kind::sheet_published, job, {{"files", files}, {"frames", *frames}}, finished);
  }

  Result<> read_full(const std::string& base) {
    for (const std::string& name : names_in(store_.archive / base)) {
      if (!name.starts_with("frame-") || !name.ends_with(".yaml")) continue;
      const std::string card_path = base + name;
      if (!on_disk(card_path)) continue;
      const auto c = card(card_path);
      if (!c) continue;
      const std::string picture = base + c->file;
      const auto known = book()->published.find(picture);
      if (known != book()->published.end() && known->second.sha256 == c->sha256) continue;
      const auto whole = vouched(picture, *c);
      if (!whole) return fail(whole.error());
      if (!*whole) {
        left(picture, "not there, or not the picture that its card tells");
        continue;
      }
      const auto f = file(picture, c->sha256), with = file(card_path);
      if (!f) return fail(f.error());
      if (!with) return fail(with.error());
      const std::string frame = frame_of(card_path);
      const Json body = {
          {"files", {to_json(*f), to_json(*with)}}, {"frames", {frame}}, {"ppi", c->ppi.value}};
      // No job: another frame of the same job may still be to do.
      const std::string finished = c->passes.empty() ? "" : c->passes.back().finished;
      if (auto r = record(kind::full_accepted, 0, body, finished); !r) return r;
      ++out_.frames;
    }
    return {};
  }

  /// What the manifest names and no card does.
  Result<> read_others() {
    const auto named = book()->named();
    Json files = Json::array();
    for (const auto& [path, sum] : manifest_) {
      if (named.count(path)) continue;
      if (path.starts_with("rolls/" + roll_ + "/full/pass-")) {
        left(path, "a pass of frames at full that were not finished; ask for them again");
        continue;
      }
      if (!on_disk(path)) {
        left(path, "missing; the manifest names it");
        continue;
      }
      const auto f = file(path, sum);
      if (!f) return fail(f.error());
      files.push_back(to_json(*f));
    }
    if (files.empty()) return {};
    return record(kind::full_accepted, 0, {{"files", files}, {"frames", Json::array()}, {"ppi", 0}},
                  "");
  }

  Ledger::Store& store_;
  std::string roll_;
  Rebuilt& out_;
  std::map<std::string, std::string> manifest_;  // path from the archive -> sum
};

Result<> put_in_place(const fs::path& archive, const fs::path& old, const fs::path& fresh,
                      std::string& kept_as) {
  std::error_code trouble;
  std::string stamp = core::rfc3339_now();
  std::replace(stamp.begin(), stamp.end(), ':', '-');
  const fs::path kept = archive / ("ledger-before-" + stamp + ".sqlite");
  if (fs::exists(old, trouble)) {
    // The old name is never without a file: first a second name, then the new one in its place.
    if (auto r = core::link_file(old, kept); !r) return r;
    kept_as = kept.filename().string();
  }
  // A -wal left beside the new file would be replayed into it.
  if (fs::exists(old.string() + "-wal", trouble)) {
    if (auto r = core::rename_file(old.string() + "-wal", kept.string() + "-wal"); !r) return r;
  }
  if (auto r = core::remove_file(old.string() + "-shm"); !r) return r;
  if (auto r = core::rename_file(fresh, old); !r) return r;
  return core::flush_folder(archive);
}

}  // namespace

Result<Rebuilt> absorb(Ledger::Store& store) {
  Rebuilt out;
  auto t = Transaction::begin(store.db);
  if (!t) return fail(t.error());
  if (auto r = store.refresh(); !r) return fail(r.error());
  for (const std::string& name : names_in(store.archive / "rolls")) {
    std::error_code trouble;
    const bool folder =
        fs::is_directory(fs::symlink_status(archive::roll_folder(store.archive, name), trouble));
    if (!folder || !archive::check_roll_name(name)) {
      out.left.push_back({core::one_line("rolls/" + name), "not a roll's folder"});
      continue;
    }
    if (auto r = Folder(store, name, out).read(); !r) return fail(r.error());
  }
  const Json note = {{"rolls", out.rolls}, {"proofs", out.proofs}, {"frames", out.frames}};
  if (auto r = append(store.db, "ledger.rebuilt", "", 0, note); !r) return fail(r.error());
  if (auto r = t->commit(); !r) return fail(r.error());
  return out;
}

Result<Rebuilt> replace_ledger(const fs::path& archive, const std::string& copy) {
  const fs::path fresh = archive / ".ledger-new.sqlite.part";
  const auto clear = [&] {  // what stays is overwritten the next time
    for (const char* end : {"", "-wal", "-shm"}) (void)core::remove_file(fresh.string() + end);
  };
  Result<Rebuilt> out;
  {
    // Claimed before anything is touched: a station at work would go on writing to the old file.
    auto nothing = Database::open(":memory:");
    if (!nothing) return fail(nothing.error());
    Ledger::Store claim(archive, std::move(*nothing));
    if (auto r = claim.claim(); !r) return fail(r.error());
    clear();
    if (!copy.empty()) {
      if (auto r = core::write_file(fresh, copy); !r) return fail(r.error());
    }
    auto db = Database::open(fresh);
    if (!db) {
      clear();
      return fail(db.error());
    }
    {
      Ledger::Store store(archive, std::move(*db));
      out = absorb(store);
    }  // the last to close it takes the -wal in
    std::error_code ignored;
    if (out && fs::exists(fresh.string() + "-wal", ignored))
      out = fail(Fault::io, fresh.string() + ": could not be finished; nothing was changed");
    std::string kept_as;
    if (out) {
      if (auto r = put_in_place(archive, archive / ledger_name, fresh, kept_as); !r)
        out = fail(r.error());
      else
        out->kept_as = kept_as;
    }
    clear();
  }
  return out;
}

Result<Rebuilt> Ledger::rebuild(const fs::path& archive) {
  std::error_code trouble;
  if (!fs::is_directory(archive / "rolls", trouble))
    return fail(Fault::no_input,
                archive.string() + ": no archive there; name the folder that holds rolls/");
  auto out = replace_ledger(archive, "");
  if (!out) return fail(out.error());
  auto made = open(archive);  // flushes the folder as well
  if (!made) return fail(made.error());
  for (const std::string& name : made->store_->books.order()) {
    if (auto r = made->write_manifest(name); !r) return fail(r.error());
  }
  if (auto r = made->store_->copy(); !r) return fail(r.error());
  return out;
}

}  // namespace lapwright::ledger
