#include <linux/magic.h>
#include <sys/statfs.h>
#include <unistd.h>

#include <cstdlib>

#include "core/files.h"
#include "ledger/ledger.h"
#include "ledger/store.h"

namespace lapwright::ledger {
namespace {

namespace fs = std::filesystem;

/// WAL needs memory that all who open the file share, which a network share cannot give.
bool on_network(const fs::path& folder) {
  struct statfs s {};
  if (::statfs(folder.c_str(), &s) != 0) return false;
  const auto type = static_cast<unsigned long>(s.f_type) & 0xffffffffUL;
  return type == NFS_SUPER_MAGIC || type == SMB_SUPER_MAGIC || type == 0xff534d42UL /* CIFS */ ||
         type == 0xfe534d42UL /* SMB2 */;
}

/// A damaged ledger's place is taken by its copy and by what the folders tell beyond it. The
/// sentence for a person.
Result<std::string> restore(const fs::path& archive, const Error& damage) {
  // The copy is tried on a file of its own; opening it does not change it.
  const auto bytes = core::read_file(archive / copy_name, std::uint64_t{4} << 30);
  if (!bytes) return fail(damage);
  auto done = replace_ledger(archive, *bytes);
  if (!done) return fail(done.error().fault == Fault::bad_data ? damage : done.error());
  const auto count = [](int n, const char* what) {
    return std::to_string(n) + " " + what + (n == 1 ? "" : "s");
  };
  const bool gone = done->kept_as.empty();
  return "the ledger was " + std::string(gone ? "gone" : "damaged") +
         " and is restored from its copy, with " + count(done->rolls, "roll") + ", " +
         count(done->proofs, "proof") + " and " + count(done->frames, "frame") +
         " at full taken from the archive's cards and manifests beyond it" +
         (gone ? "" : "; the damaged one is kept as " + done->kept_as);
}

}  // namespace

bool Ledger::lies_in(const fs::path& archive) {
  std::error_code trouble;
  return fs::exists(archive / ledger_name, trouble) || fs::exists(archive / copy_name, trouble);
}

Result<Ledger> Ledger::open(const fs::path& archive) {
  std::error_code trouble;
  fs::path there = fs::absolute(archive, trouble);
  while (!fs::exists(there, trouble) && there.has_relative_path()) there = there.parent_path();
  if (on_network(there)) {
    return fail(Fault::cannot_create, archive.string() +
                                          ": on a network file system, where the ledger cannot be "
                                          "kept safely; name a folder on a disk of this machine");
  }
  if (auto r = core::make_folder(archive / "rolls"); !r) return fail(r.error());
  const fs::path file = archive / ledger_name;
  bool damage = false;
  std::string restored;
  const bool gone = !fs::exists(file, trouble) && fs::exists(archive / copy_name, trouble);
  if (gone) {
    auto done = restore(
        archive, {Fault::bad_data, file.string() + ": gone, and its copy is damaged; `lapwright "
                                                   "ledger rebuild` makes one from the archive's "
                                                   "folders"});
    if (!done) return fail(done.error());
    restored = *done;
  }
  auto first = Database::open(file, &damage);
  if (!first && !damage) return fail(first.error());
  if (!first) {
    auto done = restore(archive, first.error());
    if (!done) return fail(done.error());
    restored = *done;
  }
  auto db = first ? std::move(first) : Database::open(file);
  if (!db) return fail(db.error());
  if (auto r = core::flush_folder(archive); !r) return fail(r.error());
  auto store = std::make_unique<Store>(archive, std::move(*db));
  store->restored = std::move(restored);
  if (auto r = store->refresh(); !r) return fail(r.error());
  return Ledger(std::move(store));
}

Result<Ledger> Ledger::open_to_look(const fs::path& archive) {
  auto usual = open(archive);
  const fs::path ledger = archive / ledger_name;
  std::error_code trouble;
  if (usual || usual.error().fault != Fault::cannot_create || !fs::exists(ledger, trouble))
    return usual;
  std::string folder = (fs::temp_directory_path(trouble) / "lapwright-ledger-XXXXXX").string();
  if (trouble || !::mkdtemp(folder.data())) return usual;
  // What was recorded last may still stand in the log beside it.
  const std::string log = std::string(ledger_name) + "-wal";
  const auto copied = [&](const std::string& name) {
    return fs::copy_file(archive / name, fs::path(folder) / name, trouble);
  };
  const bool whole = copied(ledger_name) && (!fs::exists(archive / log, trouble) || copied(log));
  auto db = Database::open(fs::path(folder) / ledger_name);
  if (!whole || !db) {
    const Error why = whole ? db.error() : usual.error();
    fs::remove_all(folder, trouble);
    return fail(why);
  }
  auto store = std::make_unique<Store>(archive, std::move(*db));
  store->looked_at = folder;
  if (auto r = store->refresh(); !r) return fail(r.error());
  return Ledger(std::move(store));
}

}  // namespace lapwright::ledger
