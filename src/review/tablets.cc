#include "review/tablets.h"

#include <fcntl.h>
#include <openssl/crypto.h>
#include <openssl/rand.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cstdlib>
#include <nlohmann/json.hpp>
#include <stdexcept>

#include "core/clock.h"
#include "core/files.h"
#include "review/folder_lock.h"

namespace lapwright::review {
namespace {

constexpr double written_every = 300;  // how far behind a sign of life may be on the disk
constexpr std::string_view crockford = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";

std::vector<unsigned char> random_bytes(std::size_t n) {
  std::vector<unsigned char> bytes(n);
  if (RAND_bytes(bytes.data(), static_cast<int>(n)) != 1)
    throw std::runtime_error("the system has no random numbers");
  return bytes;
}

/// Five bits a character.
std::string characters(std::size_t n) {
  std::string text;
  for (const unsigned char b : random_bytes(n)) text += crockford[b & 31];
  return text;
}

/// 256 bits.
std::string token() {
  static constexpr char digits[] = "0123456789abcdef";
  std::string text;
  for (const unsigned char b : random_bytes(32)) (text += digits[b >> 4]) += digits[b & 15];
  return text;
}

std::string hash_of(std::string_view secret) {
  core::Sha256 sum;
  sum.add(secret.data(), secret.size());
  return sum.hex();
}

bool same(const std::string& a, const std::string& b) {
  return a.size() == b.size() && CRYPTO_memcmp(a.data(), b.data(), a.size()) == 0;
}

/// As a person may type it: small letters, dashes, O for 0, I and L for 1.
std::string read_code(std::string_view typed) {
  std::string code;
  for (char c : typed.substr(0, 40)) {
    if (c >= 'a' && c <= 'z') c = static_cast<char>(c - 'a' + 'A');
    if (c == 'O') c = '0';
    if (c == 'I' || c == 'L') c = '1';
    if (c != '-' && c != ' ') code += c;
  }
  return code;
}

double seconds_of(auto time) { return std::chrono::duration<double>(time.time_since_epoch()).count(); }

std::string utc(double seconds) {
  return core::rfc3339(std::chrono::system_clock::time_point(
      std::chrono::duration_cast<std::chrono::system_clock::duration>(
          std::chrono::duration<double>(seconds))));
}

bool idle(const Tablets::Session& s, double now) { return now - s.seen >= Tablets::idle_seconds; }

/// A clock that was wrong by more than a day when it was admitted lends no time.
bool over(const Tablets::Session& s, double now) {
  return idle(s, now) || now - s.admitted >= Tablets::whole_seconds || s.admitted - now > 86400;
}

template <class T>
bool take(const Json& json, const char* key, T& out) {
  const auto it = json.find(key);
  if (it == json.end()) return false;
  if constexpr (std::is_same_v<T, std::string>) {
    if (!it->is_string()) return false;
  } else {
    if (!it->is_number() || it->get<double>() < 0) return false;
  }
  out = it->get<T>();
  return true;
}

}  // namespace

Result<std::filesystem::path> tablets_folder() {
  namespace fs = std::filesystem;
  const char* state = std::getenv("XDG_STATE_HOME");
  // The XDG base directory specification: a relative path there is to be ignored.
  if (state && fs::path(state).is_absolute()) return fs::path(state) / "lapwright" / "tablets";
  const char* home = std::getenv("HOME");
  if (!home || !*home)
    return fail(Fault::usage, "neither XDG_STATE_HOME nor HOME is set: one of them says where what "
                              "is known of tablets is kept");
  return fs::path(home) / ".local" / "state" / "lapwright" / "tablets";
}

Tablets::Tablets(std::filesystem::path folder, std::string archive, Log log, Clocks clocks)
    : folder_(std::move(folder)),
      archive_(std::move(archive)),
      log_(std::move(log)),
      clocks_(std::move(clocks)) {
  if (!clocks_.wall) clocks_.wall = [] { return seconds_of(std::chrono::system_clock::now()); };
  if (!clocks_.steady) clocks_.steady = [] { return seconds_of(std::chrono::steady_clock::now()); };
}

Tablets::~Tablets() { write_down(); }

Tablets::Code Tablets::new_code() {
  const std::lock_guard guard(lock_);
  code_ = characters(8);
  code_until_ = clocks_.steady() + code_seconds;
  tries_ = 0;
  return {code_.substr(0, 4) + "-" + code_.substr(4), code_seconds};
}

std::optional<Tablets::Code> Tablets::code() {
  const std::lock_guard guard(lock_);
  sweep();
  if (code_.empty()) return std::nullopt;
  return Code{code_.substr(0, 4) + "-" + code_.substr(4), code_until_ - clocks_.steady()};
}

/// What its time is over for.
void Tablets::sweep() {
  const double now = clocks_.steady();
  if (!code_.empty() && now >= code_until_) code_.clear();
  std::erase_if(requests_, [&](const Request& r) {
    if (now < r.until) return false;
    if (r.standing == Standing::waiting)
      log_("tablet " + r.id + ", " + r.address + " waited too long");
    return true;
  });
}

Tablets::Given Tablets::give_code(std::string_view typed, const std::string& address) {
  const std::lock_guard guard(lock_);
  sweep();
  if (code_.empty()) {
    log_("a pairing try from " + address + ": there is no code to give");
    return {};
  }
  if (!same(read_code(typed), code_)) {
    ++tries_;
    log_("a pairing try from " + address + ": wrong, " + std::to_string(tries_) + " of " +
         std::to_string(code_tries));
    if (tries_ >= code_tries) {
      code_.clear();
      log_("the code is void after " + std::to_string(code_tries) +
           " wrong tries; a new one has to be made");
    }
    return {};
  }
  const auto waiting = std::count_if(requests_.begin(), requests_.end(), [](const Request& r) {
    return r.standing == Standing::waiting;
  });
  if (auto r = refresh(); !r) log_(r.error().text);  // collect() says it to who asks
  const double now = clocks_.wall();
  const auto known = std::count_if(sessions_.begin(), sessions_.end(),
                                   [&](const Session& s) { return !over(s, now); });
  if (static_cast<std::size_t>(known) >= most_sessions ||
      static_cast<std::size_t>(waiting) >= most_asking) {
    log_("a pairing try from " + address + ": right, but there are too many tablets");
    return {Given::How::full, {}, {}};
  }
  code_.clear();
  Request r;
  r.id = characters(6);
  r.address = address;
  const std::string secret = token();
  r.hash = hash_of(secret);
  r.until = clocks_.steady() + asking_seconds;
  log_("a pairing try from " + address + ": right; tablet " + r.id +
       " waits for the operator's word");
  requests_.push_back(r);
  return {Given::How::taken, secret, r.id};
}

std::vector<Tablets::Asking> Tablets::asking() {
  const std::lock_guard guard(lock_);
  sweep();
  std::vector<Asking> out;
  for (const Request& r : requests_)
    if (r.standing == Standing::waiting)
      out.push_back({r.id, r.address, r.until - clocks_.steady()});
  return out;
}

bool Tablets::decide(const std::string& id, bool admit, const std::string& where) {
  const std::lock_guard guard(lock_);
  sweep();
  for (Request& r : requests_) {
    if (r.id != id || r.standing != Standing::waiting) continue;
    r.standing = admit ? Standing::admitted : Standing::refused;
    r.until = clocks_.steady() + told_seconds;
    log_("tablet " + r.id + ", " + r.address + (admit ? " is admitted " : " is refused ") + where);
    return true;
  }
  return false;
}

Tablets::Request* Tablets::find(std::string_view secret, const std::string& address) {
  sweep();
  if (secret.empty()) return nullptr;
  const std::string hash = hash_of(secret);
  for (Request& r : requests_)
    if (r.address == address && same(r.hash, hash)) return &r;
  return nullptr;
}

Tablets::Standing Tablets::standing(std::string_view secret, const std::string& address) {
  const std::lock_guard guard(lock_);
  const Request* r = find(secret, address);
  return r ? r->standing : Standing::unknown;
}

std::string Tablets::id_of(std::string_view secret) {
  const std::lock_guard guard(lock_);
  const std::string hash = hash_of(secret);
  for (const Request& r : requests_)
    if (same(r.hash, hash)) return r.id;
  return {};
}

Result<std::optional<std::string>> Tablets::collect(std::string_view secret,
                                                    const std::string& address,
                                                    std::string_view old_token) {
  using Token = std::optional<std::string>;
  const std::lock_guard guard(lock_);
  Request* r = find(secret, address);
  if (!r || r->standing != Standing::admitted) return Token();
  const std::string fresh = token();
  const std::string old = old_token.empty() ? std::string() : hash_of(old_token);
  const double now = clocks_.wall();
  bool forgotten = false;
  // Asked for again, the answer before was lost on the way: that token is void.
  auto done = change([&] {
    forgotten = r->collected && std::none_of(sessions_.begin(), sessions_.end(),
                                             [&](const Session& s) { return s.id == r->id; });
    if (forgotten) return false;
    std::erase_if(sessions_, [&](const Session& s) {
      return (!old.empty() && s.hash == old) || s.id == r->id || over(s, now);
    });
    sessions_.push_back({r->id, address, archive_, hash_of(fresh), now, now, 0});
    return true;
  });
  if (!done) return fail(done.error());
  if (forgotten) return Token();
  r->collected = true;
  life_[r->id] = {now, now, 0};
  return Token(fresh);
}

Result<std::optional<Tablets::Session>> Tablets::who(std::string_view secret,
                                                     const std::string& address) {
  using Found = std::optional<Session>;
  const std::lock_guard guard(lock_);
  if (auto r = refresh(); !r) return fail(r.error());
  if (secret.empty()) return Found();
  const std::string hash = hash_of(secret);
  const auto it = std::find_if(sessions_.begin(), sessions_.end(), [&](const Session& s) {
    return same(s.hash, hash) && s.archive == archive_;
  });
  if (it == sessions_.end()) return Found();
  const double now = clocks_.wall();
  if (over(*it, now)) {
    log_("tablet " + it->id + ", " + address + ": its session is over after " +
         (idle(*it, now) ? "12 hours without a word" : "30 days"));
    const std::string id = it->id;
    if (auto r = change([&] {
          return std::erase_if(sessions_, [&](const Session& s) { return s.id == id; }) > 0;
        });
        !r)
      return fail(r.error());
    life_.erase(id);
    return Found();
  }
  Life& life = life_[it->id];
  life.seen = it->seen = now;
  const Session found = *it;
  if (now - life.written >= written_every) {
    life.written = now;
    // That it cannot be written down is no reason to turn the tablet away.
    (void)change([] { return true; });
  }
  return Found(found);
}

bool Tablets::has_room(const std::string& id, std::uint64_t bytes) {
  const std::lock_guard guard(lock_);
  return life_[id].bytes + bytes <= most_bytes;
}

void Tablets::kept(const std::string& id, std::uint64_t bytes) {
  const std::lock_guard guard(lock_);
  life_[id].bytes += bytes;
}

Result<std::vector<Tablets::Session>> Tablets::sessions() {
  const std::lock_guard guard(lock_);
  if (auto r = refresh(); !r) return fail(r.error());
  std::vector<Session> out;
  const double now = clocks_.wall();
  for (const Session& s : sessions_)
    if (!over(s, now)) out.push_back(s);
  return out;
}

Result<std::vector<std::string>> Tablets::forget(const std::string& id, const std::string& where) {
  const std::lock_guard guard(lock_);
  std::vector<Session> gone;
  std::error_code ignored;
  if (!std::filesystem::exists(folder_, ignored)) return std::vector<std::string>();
  auto done = change([&] {
    std::erase_if(sessions_, [&](const Session& s) {
      if (id != "all" && s.id != id) return false;
      gone.push_back(s);
      return true;
    });
    return !gone.empty();
  });
  if (!done) return fail(done.error());
  std::vector<std::string> ids;
  for (const Session& s : gone) {
    log_("tablet " + s.id + ", " + s.address + " is forgotten " + where);
    life_.erase(s.id);
    ids.push_back(s.id);
  }
  return ids;
}

void Tablets::write_down() {
  const std::lock_guard guard(lock_);
  bool newer = false;
  for (const auto& [id, life] : life_) newer = newer || life.seen > life.written;
  if (newer) (void)change([] { return true; });
}

Tablets::Stamp Tablets::stamp() const {
  struct stat about {};
  if (::stat(file().c_str(), &about) != 0) return {};
  return {about.st_mtim.tv_sec, about.st_mtim.tv_nsec, about.st_size, about.st_ino};
}

Result<> Tablets::refresh() {
  const Stamp now = stamp();
  if (!read_ || *read_ != now) {
    std::vector<Session> read;
    if (now.bytes >= 0) {
      const auto wrong = [&] {
        return fail(Fault::bad_data, file().string() +
                                         ": a list of tablets as it was written here is right; "
                                         "remove the file to forget every tablet");
      };
      const auto text = core::read_file(file(), 1 << 20);
      if (!text) return fail(text.error());
      const auto json = core::parse_json(*text, file().string());
      if (!json) return fail(json.error());
      const auto list = json->is_object() ? json->find("tablets") : json->end();
      if (!json->is_object() || list == json->end() || !list->is_array()) return wrong();
      for (const Json& one : *list) {
        Session s;
        if (!one.is_object() || !take(one, "id", s.id) || !take(one, "address", s.address) ||
            !take(one, "archive", s.archive) || !take(one, "token_sha256", s.hash) ||
            !take(one, "admitted", s.admitted) || !take(one, "seen", s.seen) ||
            !take(one, "bytes", s.bytes) || s.hash.size() != 64)
          return wrong();
        read.push_back(std::move(s));
      }
    }
    sessions_ = std::move(read);
    read_ = now;
  }
  for (Session& s : sessions_) {
    const auto [it, fresh] = life_.try_emplace(s.id, Life{s.seen, s.seen, s.bytes});
    s.seen = it->second.seen = std::max(s.seen, it->second.seen);
    s.bytes = it->second.bytes = std::max(s.bytes, it->second.bytes);
  }
  std::erase_if(life_, [&](const auto& one) {
    return std::none_of(sessions_.begin(), sessions_.end(),
                        [&](const Session& s) { return s.id == one.first; });
  });
  return {};
}

Result<> Tablets::write() {
  Json list = Json::array();
  for (const Session& s : sessions_)
    list.push_back({{"id", s.id},
                    {"address", s.address},
                    {"archive", s.archive},
                    {"token_sha256", s.hash},
                    {"admitted", s.admitted},
                    {"seen", s.seen},
                    {"bytes", s.bytes}});
  if (auto r = core::write_private_file(file(), Json{{"v", 1}, {"tablets", list}}.dump(1) + "\n");
      !r)
    return r;
  for (auto& [id, life] : life_) life.written = life.seen;
  read_ = stamp();
  return {};
}

/// Under the lock: reads again, changes, and writes when `change` says so.
template <class Change>
Result<> Tablets::change(Change change) {
  if (auto r = core::make_private_folder(folder_); !r) return r;
  const FolderLock lock(folder_);
  if (!lock.held()) return fail(Fault::io, folder_.string() + ": cannot be locked");
  if (auto r = refresh(); !r) return r;
  if (!change()) return {};
  auto done = write();
  if (!done) read_.reset();  // what is on the disk counts
  return done;
}

Json to_json(const Tablets::Session& s) {
  return {{"tablet", s.id},
          {"address", s.address},
          {"archive", s.archive},
          {"admitted", utc(s.admitted)},
          {"seen", utc(s.seen)},
          {"ends", utc(std::min(s.seen + Tablets::idle_seconds, s.admitted + Tablets::whole_seconds))}};
}

}  // namespace lapwright::review
