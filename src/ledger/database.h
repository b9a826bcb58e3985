// SQLite as the ledger uses it: one connection, statements and transactions that give Results.
//
// Invariants: WAL, synchronous=FULL, foreign_keys, trusted_schema off, busy_timeout 5 s; a
// Transaction not committed is rolled back. Units: none. Thread: one connection in one thread.
// Errors: try_again (locked), bad_data (damaged, or not this program's), cannot_create, io.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <optional>
#include <string>

#include "core/result.h"

struct sqlite3;
struct sqlite3_stmt;

namespace lapwright::ledger {

class Database {
 public:
  /// Opens or makes the file with its tables; checks that it is sound.
  static Result<Database> open(const std::filesystem::path& file, bool* damage = nullptr);
  Database(Database&&) noexcept;
  Database& operator=(Database&&) = delete;
  ~Database();

  Result<> run(const char* sql);
  /// The whole database as the bytes of a file; bad_data when these bytes would not be sound.
  Result<std::string> bytes();
  /// SQLite, or the check at opening, found the file damaged. `open` tells it through `damage`.
  bool damage_seen() const { return damage_seen_; }
  /// The file was moved or deleted under the open connection: what is written would be lost.
  bool moved() const;
  Error trouble(int code) const;  // what SQLite's code means for the caller
  sqlite3* handle() const { return db_; }

 private:
  Database(sqlite3* db, std::string file) : db_(db), file_(std::move(file)) {}
  Result<> prepare_tables();
  Result<> check_sound();
  Error damaged(const std::string& why) const;
  sqlite3* db_ = nullptr;
  std::string file_;
  mutable bool damage_seen_ = false;
};

class Statement {
 public:
  static Result<Statement> make(Database& db, const char* sql);
  Statement(Statement&&) noexcept;
  Statement& operator=(Statement&&) = delete;
  ~Statement();

  void bind(int index, const std::string& text);
  void bind(int index, std::int64_t number);
  void bind_null(int index);
  /// True when a row stands ready, false at the end.
  Result<bool> step();
  std::string text(int column) const;
  std::int64_t number(int column) const;
  bool null(int column) const;

 private:
  Statement(Database& db, sqlite3_stmt* s) : db_(&db), statement_(s) {}
  Database* db_;
  sqlite3_stmt* statement_;
};

/// BEGIN IMMEDIATE: nobody else writes until it ends.
class Transaction {
 public:
  static Result<Transaction> begin(Database& db);
  Transaction(Transaction&&) noexcept;
  Transaction& operator=(Transaction&&) = delete;
  ~Transaction();
  Result<> commit();

 private:
  explicit Transaction(Database& db) : db_(&db) {}
  Database* db_;
};

}  // namespace lapwright::ledger
