// What a Ledger holds: the open database, the books read from it so far, and the lock of a working
// station.
//
// Invariants: the books hold committed events only. Thread: one. Errors: those of Database.
#pragma once

#include <filesystem>
#include <functional>

#include "ledger/books.h"
#include "ledger/database.h"
#include "ledger/ledger.h"
#include "ledger/manifest.h"

namespace lapwright::ledger {

struct Ledger::Store {
  Store(std::filesystem::path where, Database opened)
      : archive(std::move(where)), db(std::move(opened)) {}
  ~Store();

  std::filesystem::path archive;
  Database db;
  Books books;
  int lock_fd = -1;      // on rolls/, held from sweep() on
  std::string restored;  // what open() had to do
  std::filesystem::path looked_at;  // a folder with a copy that is forgotten; empty: the ledger

  Result<> in_place() const;
  /// Takes in what was recorded since, by this or another process.
  Result<> refresh();
  struct Entry {
    std::string kind, roll;
    std::int64_t job = 0;
  };
  /// Refreshes, asks `allowed` for the entry, appends it with `body` and commits: one transaction.
  /// The roll's manifest is written before the commit when the fact adds names, after it when names
  /// go.
  Result<> record(const Json& body, const std::function<Result<Entry>()>& allowed);
  /// Claims the archive for this object's life; try_again when another station has it.
  Result<> claim();
  /// Another process has claimed it.
  bool others_claim() const;
  /// Makes the roll's manifest name `files`; without any there is none.
  Result<> put_manifest(const std::string& roll, const Named& files);
  /// Writes ARCHIVE/ledger-copy.sqlite; other processes that write wait meanwhile.
  Result<> copy();
  Result<const RollBook*> roll(const std::string& name);
  /// Every file named must lie below the roll's folder and be on disk with its size.
  Result<> check_file(const std::string& roll, const File& file) const;
};

inline constexpr const char* manifest_name = "manifest-sha256.txt";
inline constexpr const char* ledger_name = "ledger.sqlite";
inline constexpr const char* copy_name = "ledger-copy.sqlite";

/// Takes in, in one transaction, what the rolls' folders tell beyond the store's books.
Result<Rebuilt> absorb(Ledger::Store& store);
/// Puts a new ledger in the place of the one that is there, which is kept under a dated name: made from `copy` (the bytes of a
/// sound database, or empty) and from the folders.
Result<Rebuilt> replace_ledger(const std::filesystem::path& archive, const std::string& copy);

}  // namespace lapwright::ledger
