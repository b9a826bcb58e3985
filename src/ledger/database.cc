#include "ledger/database.h"

#include <sqlite3.h>

#include <cerrno>
#include <nlohmann/json.hpp>
#include <utility>

#include "core/files.h"
#include "core/json.h"

namespace lapwright::ledger {
namespace {

constexpr std::int64_t application = 0x4c415057;  // "LAPW"
constexpr std::int64_t schema_version = 1;

// One table of facts that only grows. The views are for people with an SQL shell.
constexpr const char* schema = R"sql(
CREATE TABLE event (
  seq     INTEGER PRIMARY KEY,
  uuid    TEXT NOT NULL UNIQUE,
  station TEXT NOT NULL,
  number  INTEGER NOT NULL CHECK (number > 0),
  at      TEXT NOT NULL,
  actor   TEXT NOT NULL,
  version TEXT NOT NULL,
  kind    TEXT NOT NULL,
  roll    TEXT,
  job     INTEGER REFERENCES event (seq),
  body    TEXT NOT NULL CHECK (json_valid(body)),
  UNIQUE (station, number)
) STRICT;
CREATE UNIQUE INDEX event_roll_name ON event (roll) WHERE kind = 'roll.received';
CREATE INDEX event_kind ON event (kind, seq);
CREATE TRIGGER event_is_kept_as_it_is BEFORE UPDATE ON event
  BEGIN SELECT RAISE(ABORT, 'events are never changed'); END;
CREATE TRIGGER event_is_kept BEFORE DELETE ON event
  BEGIN SELECT RAISE(ABORT, 'events are never deleted'); END;
CREATE VIEW roll AS SELECT roll, body ->> 'sleeve' AS sleeve, body ->> 'stock' AS stock, body ->> 'shot' AS shot,
  body ->> 'note' AS note, at AS added FROM event WHERE kind = 'roll.received' ORDER BY seq;
CREATE VIEW proof AS SELECT roll, at, json_array_length(body, '$.frames.frames') AS frames
  FROM event WHERE kind = 'sheet.published' ORDER BY seq;
CREATE VIEW full_frame AS SELECT e.roll, f.value AS frame, max(e.body ->> 'ppi') AS ppi
  FROM event e, json_each(e.body, '$.frames') f WHERE e.kind = 'full.accepted' GROUP BY e.roll, f.value;
CREATE VIEW want AS SELECT e.roll, f.value AS frame, e.body ->> 'ppi' AS ppi, e.at AS asked
  FROM event e, json_each(e.body, '$.frames') f WHERE e.kind = 'frames.wanted' ORDER BY e.seq;
)sql";

/// SQLite 3.38 to 3.40 take their own json_valid for unsafe in a CHECK under trusted_schema=OFF;
/// this one is marked harmless.
void json_valid(sqlite3_context* context, int, sqlite3_value** values) {
  const auto* text = reinterpret_cast<const char*>(sqlite3_value_text(values[0]));
  const auto bytes = static_cast<std::size_t>(sqlite3_value_bytes(values[0]));
  sqlite3_result_int(context, text && Json::accept(text, text + bytes) ? 1 : 0);
}

void add_functions(sqlite3* db) {
  sqlite3_create_function_v2(db, "json_valid", 1,
                             SQLITE_UTF8 | SQLITE_DETERMINISTIC | SQLITE_INNOCUOUS, nullptr,
                             json_valid, nullptr, nullptr, nullptr);
}

Result<std::int64_t> one_number(Database& db, const char* sql) {
  auto s = Statement::make(db, sql);
  if (!s) return fail(s.error());
  auto row = s->step();
  if (!row) return fail(row.error());
  return *row ? s->number(0) : 0;
}

}  // namespace

Database::Database(Database&& o) noexcept
    : db_(std::exchange(o.db_, nullptr)),
      file_(std::move(o.file_)),
      damage_seen_(o.damage_seen_) {}
Database::~Database() { sqlite3_close_v2(db_); }

Error Database::damaged(const std::string& why) const {
  damage_seen_ = true;
  return {Fault::bad_data, file_ + ": the ledger is damaged (" + why +
                               "), and no sound copy of it is there; `lapwright ledger "
                               "rebuild` makes one from the archive's folders"};
}

Error Database::trouble(int code) const {
  const std::string why = db_ ? sqlite3_errmsg(db_) : sqlite3_errstr(code);
  const int system = db_ ? sqlite3_system_errno(db_) : 0;
  const bool full = (code & 0xff) == SQLITE_IOERR && (system == ENOSPC || system == EDQUOT);
  switch (full ? SQLITE_FULL : code & 0xff) {
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
      return {Fault::try_again,
              file_ + ": another program is writing to the ledger; try again in a moment"};
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
      return damaged(why);
    case SQLITE_FULL:
      return {Fault::io, file_ + ": the disk is full; nothing was recorded; free some space on it"};
    case SQLITE_CANTOPEN:
    case SQLITE_READONLY:
    case SQLITE_PERM:
    case SQLITE_AUTH:
      return {Fault::cannot_create, file_ + ": cannot be opened for writing (" + why +
                                        "); the folder must be yours to write, on a disk that "
                                        "is writable"};
    case SQLITE_IOERR:
      return {Fault::io,
              file_ + ": reading or writing failed (" + why + ")" + core::advice(system)};
    default:
      return {Fault::internal, file_ + ": " + why};
  }
}

Result<> Database::run(const char* sql) {
  const int code = sqlite3_exec(db_, sql, nullptr, nullptr, nullptr);
  if (code != SQLITE_OK) return fail(trouble(code));
  return {};
}

Result<std::string> Database::bytes() {
  sqlite3_int64 size = 0;
  unsigned char* data = sqlite3_serialize(db_, "main", &size, 0);
  if (!data) return fail(Fault::io, file_ + ": cannot be copied");
  std::string out(reinterpret_cast<const char*>(data), static_cast<std::size_t>(size));
  sqlite3_free(data);
  // A copy in WAL mode cannot be opened from memory; these two bytes say which mode (SQLite's file
  // format, section 1.3.3).
  std::string looked_at = out;
  if (looked_at.size() > 20) looked_at[18] = looked_at[19] = 1;
  sqlite3* memory = nullptr;
  int code = sqlite3_open_v2(":memory:", &memory, SQLITE_OPEN_READWRITE | SQLITE_OPEN_NOMUTEX,
                             nullptr);
  Database copy(memory, file_);
  if (code == SQLITE_OK)
    code = sqlite3_deserialize(memory, "main", reinterpret_cast<unsigned char*>(looked_at.data()),
                               size, size, SQLITE_DESERIALIZE_READONLY);
  if (code != SQLITE_OK) return fail(copy.trouble(code));
  add_functions(memory);
  if (auto r = copy.check_sound(); !r) return fail(r.error());
  return out;
}

bool Database::moved() const {
  int yes = 0;
  return sqlite3_file_control(db_, "main", SQLITE_FCNTL_HAS_MOVED, &yes) == SQLITE_OK && yes != 0;
}

Result<Database> Database::open(const std::filesystem::path& file, bool* damage) {
  sqlite3* raw = nullptr;
  const int code = sqlite3_open_v2(
      file.c_str(), &raw,
      SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_NOMUTEX | SQLITE_OPEN_EXRESCODE,
      nullptr);
  Database db(raw, file.string());
  if (code != SQLITE_OK) return fail(db.trouble(code));
  sqlite3_busy_timeout(raw, 5000);
  sqlite3_db_config(raw, SQLITE_DBCONFIG_DEFENSIVE, 1, nullptr);
  add_functions(raw);
  // The change to WAL does not wait for others as everything else does.
  for (int again = 0;; ++again) {
    const auto r = db.prepare_tables();
    if (damage) *damage = db.damage_seen_;
    if (r) return db;
    if (r.error().fault != Fault::try_again || again == 50) return fail(r.error());
    sqlite3_sleep(100);
  }
}

Result<> Database::prepare_tables() {
  if (auto r =
          run("PRAGMA trusted_schema = OFF; PRAGMA foreign_keys = ON; PRAGMA synchronous = FULL;");
      !r)
    return r;
  if (sqlite3_db_readonly(db_, "main") == 1) return fail(trouble(SQLITE_READONLY));
  if (auto r = run("BEGIN"); !r)
    return r;  // both numbers from one moment: another process may be making the tables
  const auto tables = one_number(*this, "SELECT count(*) FROM sqlite_schema");
  const auto ours = one_number(*this, "PRAGMA application_id");
  if (auto r = run("COMMIT"); !r) return r;
  if (!tables) return fail(tables.error());
  if (!ours) return fail(ours.error());
  if (*ours != application && *tables > 0) {
    return fail(Fault::bad_data,
                file_ + ": an SQLite file of another program, not a ledger; name another archive");
  }
  if (auto r = run("PRAGMA journal_mode = WAL"); !r) return r;
  const auto version = one_number(*this, "PRAGMA user_version");
  if (!version) return fail(version.error());
  if (*version > schema_version) {
    return fail(Fault::bad_data, file_ + ": made by a newer lapwright (ledger version " +
                                     std::to_string(*version) + ", this one knows " +
                                     std::to_string(schema_version) + "); use that one");
  }
  if (*version < schema_version) {
    auto t = Transaction::begin(*this);
    if (!t) return fail(t.error());
    const auto meanwhile =
        one_number(*this, "PRAGMA user_version");  // another process may have been quicker
    if (!meanwhile) return fail(meanwhile.error());
    if (*meanwhile < schema_version) {
      if (auto r = run(schema); !r) return r;
      const std::string marks = "PRAGMA application_id = " + std::to_string(application) +
                                "; PRAGMA user_version = " + std::to_string(schema_version);
      if (auto r = run(marks.c_str()); !r) return r;
    }
    if (auto r = t->commit(); !r) return r;
  }
  return check_sound();
}

Result<> Database::check_sound() {
  auto check = Statement::make(*this, "PRAGMA quick_check(1)");
  if (!check) return fail(check.error());
  const auto row = check->step();
  if (!row) return fail(row.error());
  if (!*row || check->text(0) != "ok")
    return fail(damaged(check->text(0).substr(0, check->text(0).find('\n'))));
  return {};
}

Result<Statement> Statement::make(Database& db, const char* sql) {
  sqlite3_stmt* s = nullptr;
  const int code = sqlite3_prepare_v2(db.handle(), sql, -1, &s, nullptr);
  if (code != SQLITE_OK) return fail(db.trouble(code));
  return Statement(db, s);
}
Statement::Statement(Statement&& o) noexcept
    : db_(o.db_), statement_(std::exchange(o.statement_, nullptr)) {}
Statement::~Statement() { sqlite3_finalize(statement_); }

void Statement::bind(int index, const std::string& text) {
  sqlite3_bind_text64(statement_, index, text.data(), text.size(), SQLITE_TRANSIENT, SQLITE_UTF8);
}
void Statement::bind(int index, std::int64_t number) {
  sqlite3_bind_int64(statement_, index, number);
}
void Statement::bind_null(int index) { sqlite3_bind_null(statement_, index); }

Result<bool> Statement::step() {
  const int code = sqlite3_step(statement_);
  if (code == SQLITE_ROW) return true;
  if (code == SQLITE_DONE) return false;
  return fail(db_->trouble(code));
}
std::string Statement::text(int column) const {
  const auto* t = reinterpret_cast<const char*>(sqlite3_column_text(statement_, column));
  return t ? std::string(t, static_cast<std::size_t>(sqlite3_column_bytes(statement_, column)))
           : std::string();
}
std::int64_t Statement::number(int column) const {
  return sqlite3_column_int64(statement_, column);
}
bool Statement::null(int column) const {
  return sqlite3_column_type(statement_, column) == SQLITE_NULL;
}

Result<Transaction> Transaction::begin(Database& db) {
  if (auto r = db.run("BEGIN IMMEDIATE"); !r) return fail(r.error());
  return Transaction(db);
}
Transaction::Transaction(Transaction&& o) noexcept : db_(std::exchange(o.db_, nullptr)) {}
Transaction::~Transaction() {
  if (db_) sqlite3_exec(db_->handle(), "ROLLBACK", nullptr, nullptr, nullptr);
}
Result<> Transaction::commit() {
  if (auto r = db_->run("COMMIT"); !r) return r;
  db_ = nullptr;
  return {};
}

}  // namespace lapwright::ledger
