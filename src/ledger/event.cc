#include "ledger/event.h"

#include <sys/random.h>
#include <unistd.h>

#include <array>
#include <cstdlib>
#include <nlohmann/json.hpp>
#include <random>

#include "core/clock.h"
#include "core/files.h"

namespace lapwright::ledger {
namespace {

constexpr const char* software = "lapwright " LAPWRIGHT_VERSION;

/// A random UUID (RFC 9562, version 4).
std::string new_uuid() {
  std::array<unsigned char, 16> b{};
  if (::getrandom(b.data(), b.size(), 0) != static_cast<ssize_t>(b.size())) {
    std::random_device source;
    for (auto& byte : b) byte = static_cast<unsigned char>(source());
  }
  b[6] = static_cast<unsigned char>((b[6] & 0x0f) | 0x40);
  b[8] = static_cast<unsigned char>((b[8] & 0x3f) | 0x80);
  const char* digits = "0123456789abcdef";
  std::string out;
  for (std::size_t i = 0; i < b.size(); ++i) {
    if (i == 4 || i == 6 || i == 8 || i == 10) out += '-';
    out += digits[b[i] >> 4];
    out += digits[b[i] & 15];
  }
  return out;
}

/// The same for every run on this machine; tells nothing about it.
std::string station_id() {
  static const std::string id = [] {
    std::string seed;
    if (const auto machine = core::read_file("/etc/machine-id", 4096)) seed = *machine;
    if (seed.find_first_not_of(" \n") == std::string::npos) {
      std::array<char, 256> host{};
      ::gethostname(host.data(), host.size() - 1);
      seed = host.data();
    }
    core::Sha256 sum;
    const std::string text = "lapwright station " + seed;
    sum.add(text.data(), text.size());
    return sum.hex().substr(0, 16);
  }();
  return id;
}

std::string actor() {
  for (const char* name : {"USER", "LOGNAME"}) {
    const char* value = std::getenv(name);
    if (value && *value) return value;
  }
  return "user " + std::to_string(::geteuid());
}

}  // namespace

bool kind::is_reserved(const std::string& name) {
  for (const char* k : {roll_received, frames_wanted, plan_made, pass_captured, pass_refused,
                        overlap_checked, sheet_published, proof_remade, full_accepted, copy_checked, verdict_set, verdict_cleared, audited}) {
    if (name == k) return true;
  }
  return false;
}

Result<> append(Database& db, const std::string& kind, const std::string& roll, std::int64_t job,
                const Json& body, const std::string& at) {
  auto s = Statement::make(
      db,
      "INSERT INTO event (uuid, station, number, at, actor, version, kind, roll, job, body) VALUES "
      "(?1, ?2, (SELECT coalesce(max(number), 0) + 1 FROM event WHERE station = ?2), ?3, ?4, ?5, "
      "?6, ?7, ?8, ?9)");
  if (!s) return fail(s.error());
  s->bind(1, new_uuid());
  s->bind(2, station_id());
  s->bind(3, at.empty() ? core::rfc3339_now() : at);
  s->bind(4, actor());
  s->bind(5, std::string(software));
  s->bind(6, kind);
  roll.empty() ? s->bind_null(7) : s->bind(7, roll);
  job == 0 ? s->bind_null(8) : s->bind(8, job);
  s->bind(9, body.dump(-1, ' ', false, Json::error_handler_t::replace));
  const auto done = s->step();
  if (!done) return fail(done.error());
  return {};
}

}  // namespace lapwright::ledger
