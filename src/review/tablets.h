// Who is let in from other machines: the pairing code, who asks, and the sessions of those that the
// operator admitted.
//
// Invariants: a code is used once, for five minutes and five tries at most; nobody has a session
//   that the operator did not admit by name and address; of a session's token only the SHA-256 is
//   kept, in FOLDER/tablets.json (0600), replaced whole under a lock, and read again when another
//   process changed it; a session is for one archive. The log tells of tries, admissions, refusals
//   and ends with their addresses, never a code or a token.
// Units: seconds. Thread: any. Errors: bad_data (of the file, which is then left alone),
//   cannot_create, io.
#pragma once

#include <cstdint>
#include <filesystem>
#include <functional>
#include <map>
#include <mutex>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "core/json.h"
#include "core/result.h"

namespace lapwright::review {

/// $XDG_STATE_HOME/lapwright/tablets; usage when neither it nor HOME is set.
Result<std::filesystem::path> tablets_folder();

class Tablets {
 public:
  static constexpr double code_seconds = 300, asking_seconds = 300, told_seconds = 120;
  static constexpr double idle_seconds = 12 * 3600.0, whole_seconds = 30 * 86400.0;
  static constexpr int code_tries = 5;
  static constexpr std::size_t most_sessions = 32, most_asking = 4;
  static constexpr std::uint64_t most_bytes = 32 << 20;  // of strokes that one session may add

  using Log = std::function<void(const std::string& line)>;
  /// Seconds since 1970, and seconds that no one sets.
  struct Clocks {
    std::function<double()> wall, steady;
  };
  Tablets(std::filesystem::path folder, std::string archive, Log log, Clocks clocks = {});
  ~Tablets();

  struct Code {
    std::string text;  // ABCD-EFGH, Crockford's base 32: 40 bits
    double seconds_left = 0;
  };
  /// The one before is void from now on.
  Code new_code();
  std::optional<Code> code();

  struct Given {
    enum class How { taken, wrong, full } how = How::wrong;
    std::string secret, id;  // when taken: what the tablet asks with from now on, and its name
  };
  Given give_code(std::string_view code, const std::string& address);

  /// A tablet that gave the code and waits for the operator's word.
  struct Asking {
    std::string id, address;
    double seconds_left = 0;
  };
  std::vector<Asking> asking();
  /// False when it is not waiting (any more). `where` goes into the log: "by key", "on the page".
  bool decide(const std::string& id, bool admit, const std::string& where);
  enum class Standing { unknown, waiting, admitted, refused };
  Standing standing(std::string_view secret, const std::string& address);
  std::string id_of(std::string_view secret);

  struct Session {
    std::string id, address, archive, hash;
    double admitted = 0, seen = 0;  // since 1970
    std::uint64_t bytes = 0;        // of strokes
  };
  /// A new token for who was admitted, in place of the one it had (`old_token`). Nothing: it was not.
  Result<std::optional<std::string>> collect(std::string_view secret, const std::string& address,
                                             std::string_view old_token);
  /// Whose token that is; what it says is a sign of life.
  Result<std::optional<Session>> who(std::string_view token, const std::string& address);
  /// Whether so much more may be kept of the session.
  bool has_room(const std::string& id, std::uint64_t bytes);
  void kept(const std::string& id, std::uint64_t bytes);

  Result<std::vector<Session>> sessions();
  /// Ends one session, or with "all" every one; those that were.
  Result<std::vector<std::string>> forget(const std::string& id, const std::string& where);
  /// Writes down what was only remembered: signs of life, bytes.
  void write_down();

 private:
  struct Stamp {
    std::int64_t seconds = 0, nanoseconds = 0, bytes = -1;
    std::uint64_t inode = 0;
    bool operator==(const Stamp&) const = default;
  };
  struct Request {
    std::string id, address, hash;  // of the secret
    Standing standing = Standing::waiting;
    double until = 0;
    bool collected = false;  // it has had a token
  };
  std::filesystem::path file() const { return folder_ / "tablets.json"; }
  Stamp stamp() const;
  Result<> refresh();
  Result<> write();
  template <class Change>
  Result<> change(Change change);
  void sweep();
  Request* find(std::string_view secret, const std::string& address);

  std::mutex lock_;
  std::filesystem::path folder_;
  std::string archive_;
  Log log_;
  Clocks clocks_;

  std::string code_;  // eight characters; empty: none
  double code_until_ = 0;
  int tries_ = 0;
  std::vector<Request> requests_;

  std::vector<Session> sessions_;
  struct Life {
    double seen = 0, written = 0;
    std::uint64_t bytes = 0;
  };
  std::map<std::string, Life> life_;  // by id: newer than the file
  std::optional<Stamp> read_;
};

/// {"tablet", "address", "archive", "admitted", "seen", "ends"}, times in UTC.
Json to_json(const Tablets::Session& session);

}  // namespace lapwright::review
