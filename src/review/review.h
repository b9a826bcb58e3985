// `lapwright review`: the page on a loopback address.
//
// Invariants: listens on loopback only. Units: none. Thread: the caller's, until a signal. Errors:
// usage (the address, a build without the page), unavailable (the port), those of the ledger.
#pragma once

#include <array>
#include <filesystem>
#include <functional>
#include <optional>
#include <string>

#include "core/result.h"
#include "profile/profile.h"

namespace lapwright::ledger {
class Ledger;
}

namespace lapwright::review {

struct Listen {
  std::string address = "127.0.0.1";
  int port = 5279;
};
/// "127.0.0.1:5279", "localhost:0", "[::1]:80"; usage when it is none, or not loopback.
Result<Listen> read_listen(const std::string& text);

struct Hooks {
  std::function<void(const std::string& url)> ready;
  std::function<void(const std::string& line)> log;
  std::optional<std::array<double, 2>> paper{};  // mm, that marked sheets and proofs made anew are printed on
  profile::Shelf shelf{{}};
  profile::OwnProfiles own{};
  bool outside = false;  // a conversion stage of one's own makes the positives
};
/// Returns the exit code: 0 when it was told to end, 130 after Ctrl-C.
Result<int> run(const std::filesystem::path& archive, ledger::Ledger ledger, const Listen& listen,
                const Hooks& hooks);

}  // namespace lapwright::review
