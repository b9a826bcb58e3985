// The file seen by SQLite itself, opened without the ledger's code.
#include <fcntl.h>
#include <signal.h>
#include <sqlite3.h>
#include <sys/wait.h>

#include <set>
#include <thread>

#include "ledger/archive_fixture.h"

namespace lapwright::ledger {
namespace {

class Raw {
 public:
  explicit Raw(const std::filesystem::path& file) {
    EXPECT_EQ(sqlite3_open(file.c_str(), &db_), SQLITE_OK);
  }
  ~Raw() { sqlite3_close(db_); }
  int run(const std::string& sql) {
    return sqlite3_exec(db_, sql.c_str(), nullptr, nullptr, nullptr);
  }
  std::string why() { return sqlite3_errmsg(db_); }
  std::string one(const std::string& sql) {
    std::string out;
    const auto take = [](void* to, int n, char** values, char**) {
      *static_cast<std::string*>(to) += n > 0 && values[0] ? values[0] : "(null)";
      return 0;
    };
    EXPECT_EQ(sqlite3_exec(db_, sql.c_str(), take, &out, nullptr), SQLITE_OK)
        << sql << ": " << why();
    return out;
  }

 private:
  sqlite3* db_ = nullptr;
};

class DatabaseTest : public ArchiveTest {
 protected:
  std::filesystem::path file() const { return archive_ / "ledger.sqlite"; }
};

TEST_F(DatabaseTest, SqliteFindsItAsPromised) {
  {
    Ledger l = open();
    proofed(l, "r", {"1", "2"});
    ASSERT_TRUE(l.want("r", {"2"}, {2400}));
  }
  Raw raw(file());
  EXPECT_EQ(raw.one("PRAGMA journal_mode"), "wal");
  EXPECT_EQ(raw.one("PRAGMA application_id"), std::to_string(0x4c415057));
  EXPECT_EQ(raw.one("PRAGMA user_version"), "1");
  EXPECT_EQ(raw.one("PRAGMA integrity_check"), "ok");
  EXPECT_EQ(raw.one("PRAGMA foreign_key_check"), "");
  EXPECT_EQ(raw.one("SELECT strict FROM pragma_table_list WHERE name = 'event'"), "1");
  EXPECT_NE(raw.run("UPDATE event SET at = 'x'"), SQLITE_OK);
  EXPECT_NE(raw.why().find("never changed"), std::string::npos);
  EXPECT_NE(raw.run("DELETE FROM event"), SQLITE_OK);
  EXPECT_NE(raw.why().find("never deleted"), std::string::npos);
  EXPECT_NE(raw.run("INSERT INTO event (uuid, station, number, at, actor, version, kind, body) "
                    "VALUES ('u', 's', 1, 'a', 'b', 'c', 'd', '{')"),
            SQLITE_OK)
      << "a body that is not JSON";
  EXPECT_NE(raw.run("INSERT INTO event (uuid, station, number, at, actor, version, kind, body) "
                    "VALUES ('u', 's', 'x', 'a', 'b', 'c', 'd', '{}')"),
            SQLITE_OK)
      << "STRICT";
  EXPECT_EQ(raw.one("SELECT count(*) = count(DISTINCT uuid) AND min(number) = 1 AND max(number) = "
                    "count(*) FROM event"),
            "1");
  EXPECT_EQ(raw.one("SELECT count(*) FROM event WHERE at NOT LIKE '20__-__-__T__:__:__.___Z' OR "
                    "actor = '' OR version NOT LIKE 'lapwright %'"),
            "0");
  EXPECT_EQ(raw.one("SELECT frames FROM proof"), "2");
  EXPECT_EQ(raw.one("SELECT frame FROM want"), "2");
  EXPECT_EQ(raw.one("SELECT sleeve FROM roll"), "135-7x5");
}

TEST_F(DatabaseTest, AWriterInTheWayIsTryAgain) {
  Ledger l = open();
  Raw raw(file());
  ASSERT_EQ(raw.run("BEGIN IMMEDIATE"), SQLITE_OK);
  const auto r = l.add_roll({"r", "s", "k", "", "", ""});
  ASSERT_FALSE(r);
  EXPECT_EQ(r.error().fault, Fault::try_again);
  ASSERT_EQ(raw.run("COMMIT"), SQLITE_OK);
  EXPECT_TRUE(l.add_roll({"r", "s", "k", "", "", ""}));
}

TEST_F(DatabaseTest, ADamagedLedgerIsSaidSoInOneLine) {
  {
    Ledger l = open();
    for (int i = 0; i < 200; ++i) ASSERT_TRUE(l.note("filler", {{"text", std::string(200, 'x')}}));
  }
  const auto whole = *core::read_file(file(), 64 << 20);
  const auto opened = [&](std::string text) {
    std::filesystem::remove(archive_ / "ledger.sqlite-wal");
    std::filesystem::remove(archive_ / "ledger.sqlite-shm");
    std::ofstream(file(), std::ios::binary) << text;
    const auto l = Ledger::open(archive_);
    EXPECT_FALSE(l);
    if (l) return std::string();
    EXPECT_EQ(l.error().fault, Fault::bad_data);
    EXPECT_EQ(l.error().text.find('\n'), std::string::npos);
    EXPECT_NE(l.error().text.find("ledger.sqlite"), std::string::npos);
    return l.error().text;
  };
  EXPECT_NE(opened("This is a text, and no database at all, whatever its name may promise.")
                .find("damaged"),
            std::string::npos);
  std::string holed = whole;
  for (std::size_t page = 2; page * 4096 + 4096 <= holed.size(); ++page)
    std::fill_n(holed.begin() + static_cast<std::ptrdiff_t>(page * 4096), 64, '\x5a');
  EXPECT_NE(opened(holed).find("damaged"), std::string::npos);
  EXPECT_NE(opened(whole.substr(0, whole.size() / 2)).find("damaged"), std::string::npos);
}

TEST_F(DatabaseTest, TheCopyTakesADamagedLedgersPlace) {
  {
    Ledger l = open();
    proofed(l, "r", {"1", "2"});
  }
  std::filesystem::remove(archive_ / "ledger.sqlite-wal");
  std::filesystem::remove(archive_ / "ledger.sqlite-shm");
  std::ofstream(file(), std::ios::binary) << "gone";
  {
    Ledger l = open();
    EXPECT_NE(l.restored().find("damaged and is restored from its copy"), std::string::npos)
        << l.restored();
    const auto at = l.restored().find("ledger-before-");
    ASSERT_NE(at, std::string::npos) << "the damaged file is kept";
    EXPECT_EQ(*core::read_file(archive_ / l.restored().substr(at)), "gone");
    EXPECT_TRUE(l.state("r")->proofed);
    EXPECT_TRUE(l.audit()->empty());
    EXPECT_TRUE(l.add_roll({"next", "s", "k", "", "", ""}));
  }
  EXPECT_EQ(Raw(file()).one("PRAGMA integrity_check"), "ok");
}

TEST_F(DatabaseTest, ADeletedLedgerComesBackFromItsCopyWithEveryFact) {
  {
    Ledger l = open();
    proofed(l, "r", {"1", "2"});
    ASSERT_TRUE(l.want("r", {"2"}, {2400}));
    ASSERT_TRUE(l.add_roll({"next", "s", "k", "", "", ""}));
  }
  std::filesystem::remove(file());
  Ledger l = open();
  EXPECT_NE(l.restored().find("gone"), std::string::npos) << l.restored();
  EXPECT_EQ(l.state("r")->due, std::vector<std::string>{"2"});
  EXPECT_EQ(l.rolls()->size(), 2u);
  EXPECT_TRUE(l.audit()->empty());
}

TEST_F(DatabaseTest, ADamagedCopyIsNotTakenAndNothingIsTouched) {
  { proofed(*std::make_unique<Ledger>(open()), "r", {"1"}); }
  for (const char* name : {"ledger.sqlite", "ledger-copy.sqlite"})
    std::ofstream(archive_ / name, std::ios::binary) << "this is not a database at all, either one";
  const auto l = Ledger::open(archive_);
  ASSERT_FALSE(l);
  EXPECT_EQ(l.error().fault, Fault::bad_data);
  EXPECT_NE(l.error().text.find("ledger rebuild"), std::string::npos) << l.error().text;
  EXPECT_EQ(*core::read_file(file()), "this is not a database at all, either one");
}

TEST_F(DatabaseTest, WhileAStationWorksNothingIsReplaced) {
  Ledger l = open();
  ASSERT_TRUE(l.sweep());
  const auto r = Ledger::rebuild(archive_);
  ASSERT_FALSE(r);
  EXPECT_EQ(r.error().fault, Fault::try_again);
}

TEST_F(DatabaseTest, AFolderThatVanishesIsSaidSo) {
  Ledger l = open();
  const auto away = std::filesystem::path(archive_.string() + "-away");
  std::filesystem::rename(archive_, away);
  const auto r = l.add_roll({"r", "s", "k", "", "", ""});
  std::filesystem::rename(away, archive_);
  ASSERT_FALSE(r);
  EXPECT_EQ(r.error().fault, Fault::io);
  EXPECT_NE(r.error().text.find("vanished"), std::string::npos);
}

TEST_F(DatabaseTest, OtherDatabasesAndNewerLedgersAreLeftAlone) {
  std::filesystem::create_directories(archive_);
  {
    Raw raw(file());
    ASSERT_EQ(raw.run("CREATE TABLE recipe (x)"), SQLITE_OK);
  }
  const auto other = Ledger::open(archive_);
  ASSERT_FALSE(other);
  EXPECT_EQ(other.error().fault, Fault::bad_data);
  {
    Raw raw(file());
    EXPECT_EQ(raw.one("SELECT count(*) FROM sqlite_schema"), "1");
  }
  std::filesystem::remove_all(archive_);
  { open(); }
  {
    Raw raw(file());
    ASSERT_EQ(raw.run("PRAGMA user_version = 99"), SQLITE_OK);
  }
  const auto newer = Ledger::open(archive_);
  ASSERT_FALSE(newer);
  EXPECT_NE(newer.error().text.find("newer"), std::string::npos);
}

TEST_F(DatabaseTest, AFolderThatCannotBeMadeIsCannotCreate) {
  std::filesystem::create_directories(archive_);
  std::ofstream(archive_ / "plain") << "x";
  const auto l = Ledger::open(archive_ / "plain" / "below");
  ASSERT_FALSE(l);
  EXPECT_EQ(l.error().fault, Fault::cannot_create);
}

// Many processes make the same archive and write at once: no event is lost, numbers run without a
// gap.
TEST_F(DatabaseTest, ManyProcessesMayOpenAndWriteAtOnce) {
  std::vector<pid_t> children;
  for (int p = 0; p < 4; ++p) {
    const pid_t child = ::fork();
    if (child == 0) {
      auto l = Ledger::open(archive_);
      int bad = l ? 0 : 1;
      for (int i = 0; l && i < 10; ++i)
        bad +=
            l->add_roll({"r-" + std::to_string(p) + "-" + std::to_string(i), "s", "k", "", "", ""})
                ? 0
                : 1;
      ::_exit(bad);
    }
    children.push_back(child);
  }
  for (const pid_t child : children) {
    int status = 1;
    ::waitpid(child, &status, 0);
    EXPECT_EQ(status, 0);
  }
  EXPECT_EQ(open().rolls()->size(), 40u);
  Raw raw(file());
  EXPECT_EQ(raw.one("SELECT max(number) FROM event"), "40");
}

// kill -9 at twenty instants while a child records passes: what it was told is recorded is there,
// and the ledger is sound.
TEST_F(DatabaseTest, AKilledWriterLosesNothingThatWasPromised) {
  std::size_t promised_in_all = 0;
  for (int round = 0; round < 20; ++round) {
    std::filesystem::remove_all(archive_);
    int pipe_fd[2];
    ASSERT_EQ(::pipe(pipe_fd), 0);
    const pid_t child = ::fork();
    if (child == 0) {
      ::close(pipe_fd[0]);
      auto l = Ledger::open(archive_);
      if (!l) ::_exit(1);
      for (int i = 0; i < 1000; ++i) {
        if (!l->add_roll({std::to_string(i), "s", "k", "", "", ""})) ::_exit(2);
        if (::write(pipe_fd[1], "x", 1) != 1) ::_exit(3);
      }
      ::_exit(0);
    }
    ::close(pipe_fd[1]);
    std::this_thread::sleep_for(std::chrono::milliseconds(8 + 7 * round));
    ::kill(child, SIGKILL);
    ::waitpid(child, nullptr, 0);
    std::size_t promised = 0;
    char c = 0;
    while (::read(pipe_fd[0], &c, 1) == 1) ++promised;
    ::close(pipe_fd[0]);
    promised_in_all += promised;
    const auto rolls = open().rolls();
    ASSERT_TRUE(rolls);
    EXPECT_GE(rolls->size(), promised);
    EXPECT_LE(rolls->size(), promised + 1);
    for (std::size_t i = 0; i < rolls->size(); ++i) EXPECT_EQ((*rolls)[i].name, std::to_string(i));
  }
  EXPECT_GT(promised_in_all, 10u) << "the kills came before anything was written";
}

}  // namespace
}  // namespace lapwright::ledger
