// A proof made anew takes the place of the one before: the new files under names of their own, then named by the ledger in place of
// the old, then moved to the old names, step by step, so that a kill between any two leaves one whole proof that is named.
#include <fcntl.h>
#include <sys/file.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <nlohmann/json.hpp>

#include "core/files.h"
#include "ledger/event.h"
#include "ledger/store.h"

namespace lapwright::ledger {
namespace {

namespace fs = std::filesystem;

bool lies_anew(const std::string& path) { return fs::path(path).parent_path().filename() == archive::anew_name; }

/// rolls/NAME/proof/anew/proof.tif -> rolls/NAME/proof/proof.tif
std::string place_of(const std::string& path) {
  const fs::path p(path);
  return (p.parent_path().parent_path() / p.filename()).generic_string();
}

Json body_of(const std::vector<File>& files, const std::vector<std::string>& gone, const Json& about = {}) {
  Json list = Json::array();
  for (const File& f : files) list.push_back(to_json(f));
  Json body = {{"files", list}, {"gone", gone}};
  if (!about.is_null()) body["about"] = about;
  return body;
}

Result<> record(Ledger::Store& store, const std::string& roll, const Json& body, const std::vector<File>& files,
                const std::function<Result<>(const RollBook&)>& may = {}) {
  return store.record(body, [&]() -> Result<Ledger::Store::Entry> {
    const auto book = store.roll(roll);
    if (!book) return fail(book.error());
    if (!(*book)->proofed()) return fail(Fault::bad_data, "roll " + roll + " has no proof that could be made anew");
    if (may)
      if (auto r = may(**book); !r) return fail(r.error());
    for (const File& f : files)
      if (auto r = store.check_file(roll, f); !r) return fail(r.error());
    return Ledger::Store::Entry{kind::proof_remade, roll, 0};
  });
}

/// The new files, named already, take the places of the old.
Result<> take_places(Ledger::Store& store, const std::string& roll) {
  std::vector<File> files, placed;
  std::vector<std::string> here, there;
  for (const auto& [path, file] : store.books.roll(roll)->published) {
    if (!lies_anew(path)) continue;
    files.push_back(file), here.push_back(path);
    placed.push_back({place_of(path), file.sha256, file.bytes});
  }
  if (files.empty()) return {};
  for (const File& f : placed)
    if (store.books.roll(roll)->published.count(f.path)) there.push_back(f.path);
  if (!there.empty())  // a ledger that was made from folders names both
    if (auto r = record(store, roll, body_of({}, there), {}); !r) return r;
  for (std::size_t i = 0; i < files.size(); ++i) {
    const fs::path to = store.archive / placed[i].path, step = to.parent_path() / ("." + to.filename().string() + ".part");
    if (auto r = core::remove_file(step); !r) return r;
    if (auto r = core::link_file(store.archive / files[i].path, step); !r) return r;
    if (auto r = core::rename_file(step, to); !r) return r;
  }
  if (auto r = core::flush_folder((store.archive / placed[0].path).parent_path()); !r) return r;
  if (auto r = record(store, roll, body_of(placed, here), placed); !r) return r;
  for (const std::string& path : here)
    if (auto r = core::remove_file(store.archive / path); !r) return r;
  std::error_code ignored;
  fs::remove((store.archive / here[0]).parent_path(), ignored);  // an empty folder, if it stays, promises nothing
  return {};
}

/// -1: another has it.
Result<int> lock_proof(const fs::path& archive, const std::string& roll, int how) {
  const fs::path folder = archive::roll_folder(archive, roll) / "proof";
  const int fd = ::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
  if (fd < 0) return fail(Fault::no_input, folder.string() + ": cannot be opened: " + std::strerror(errno));
  if (::flock(fd, how | LOCK_NB) == 0) return fd;
  const int why = errno;
  ::close(fd);
  if (why == EWOULDBLOCK) return -1;
  return fail(Fault::io, folder.string() + ": cannot be locked: " + std::strerror(why));
}

bool passes_in_hand(const RollBook& book) {
  return std::any_of(book.full.begin(), book.full.end(), [](const OpenJob& job) { return !job.captured.empty(); });
}

}  // namespace

Result<ProofHold> ProofHold::of(const fs::path& archive, const std::string& roll) {
  // One that only asks holds it for no time.
  for (int again = 0; again < 10; ++again) {
    if (again > 0) ::usleep(20000);
    const auto fd = lock_proof(archive, roll, LOCK_EX);
    if (!fd) return fail(fd.error());
    if (*fd >= 0) return ProofHold(*fd);
  }
  return fail(Fault::try_again, "the proof of roll " + roll + " is being made anew already; wait until that is done");
}

bool ProofHold::taken(const fs::path& archive, const std::string& roll) {
  const auto fd = lock_proof(archive, roll, LOCK_SH);
  if (fd && *fd >= 0) ::close(*fd);
  return fd && *fd < 0;
}

ProofHold::~ProofHold() {
  if (fd_ >= 0) ::close(fd_);
}

Result<bool> Ledger::in_work(const std::string& roll) {
  if (auto r = store_->refresh(); !r) return fail(r.error());
  const auto book = store_->roll(roll);
  if (!book) return fail(book.error());
  return passes_in_hand(**book) && store_->others_claim();
}

Result<> Ledger::proof_remade(const std::string& roll, const std::vector<File>& files, const Json& about) {
  std::vector<std::string> gone;
  for (const File& f : files) {
    if (!lies_anew(f.path)) return fail(Fault::internal, f.path + ": does not lie in a folder " + archive::anew_name);
    gone.push_back(place_of(f.path));
  }
  const auto may = [&](const RollBook& book) -> Result<> {
    if (passes_in_hand(book) && store_->others_claim())
      return fail(Fault::try_again, "a station is making frames of roll " + roll + "; make its proof anew when they are done");
    return {};
  };
  if (auto r = record(*store_, roll, body_of(files, gone, about), files, may); !r) return r;
  return take_places(*store_, roll);
}

Result<> Ledger::settle() {
  if (auto r = store_->refresh(); !r) return r;
  for (const std::string& name : store_->books.order()) {
    const auto waits = [&] {
      const auto& files = store_->books.roll(name)->published;
      return std::any_of(files.begin(), files.end(), [](const auto& f) { return lies_anew(f.first); });
    };
    if (!waits()) continue;
    const auto held = ProofHold::of(store_->archive, name);
    if (!held) {
      if (held.error().fault == Fault::try_again || held.error().fault == Fault::no_input) continue;
      return fail(held.error());
    }
    if (auto r = store_->refresh(); !r) return r;
    if (auto r = take_places(*store_, name); !r) return r;
  }
  return {};
}

}  // namespace lapwright::ledger
