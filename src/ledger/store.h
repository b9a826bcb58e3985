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

namespace lapwright::ledger {

struct Ledger::Store {
  Store(std::filesystem::path where, Database opened)
      : archive(std::move(where)), db(std::move(opened)) {}
  ~Store();

  std::filesystem::path archive;
  Database db;
  Books books;
  int lock_fd = -1;  // on rolls/, held from sweep() on

  /// Takes in what was recorded since, by this or another process.
  Result<> refresh();
  struct Entry {
    std::string kind, roll;
    std::int64_t job = 0;
  };
  /// Refreshes, asks `allowed` for the entry, appends it with `body` and commits: one transaction.
  Result<> record(const Json& body, const std::function<Result<Entry>()>& allowed);
  Result<const RollBook*> roll(const std::string& name);
  /// Every file named must lie below the roll's folder and be on disk with its size.
  Result<> check_file(const std::string& roll, const File& file) const;
};

/// The text of a roll's manifest: published files and kept passes.
std::string manifest_text(const RollBook& book);

}  // namespace lapwright::ledger
