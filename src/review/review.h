// `lapwright review`: the page on a loopback address, and for tablets on another when that is asked
// for.
//
// Invariants: without `tablets` it listens on loopback only; the port for tablets speaks TLS, gives
//   nothing but the page itself to who is not admitted, and closes when its time is over. Units:
//   hours. Thread: the caller's, until a signal. Errors: usage (the address, a build without the
//   page), unavailable (the port), those of the ledger and of what is kept of tablets.
#pragma once

#include <array>
#include <filesystem>
#include <functional>
#include <optional>
#include <string>

#include "core/result.h"
#include "profile/profile.h"
#include "review/listen.h"

namespace lapwright::ledger {
class Ledger;
}

namespace lapwright::review {

struct LetIn {
  Listen at;
  double hours = 12;
};

struct Ready {
  std::string url;
  struct Tablets {
    std::string url, until, fingerprint, authority_fingerprint;
    bool fresh_authority = false;
  };
  std::optional<Tablets> tablets = {};
};

struct Hooks {
  std::function<void(const Ready& ready)> ready;
  // From any thread, one line or a few at a time: what the log is told, what a person is told.
  std::function<void(const std::string& line)> log, say;
  std::optional<std::array<double, 2>> paper{};  // mm, that marked sheets and proofs made anew are printed on
  profile::Shelf shelf{{}};
  profile::OwnProfiles own{};
  bool outside = false;  // a conversion stage of one's own makes the positives
};
/// Returns the exit code: 0 when it was told to end, 130 after Ctrl-C.
Result<int> run(const std::filesystem::path& archive, ledger::Ledger ledger, const Listen& listen,
                const std::optional<LetIn>& tablets, const Hooks& hooks);

}  // namespace lapwright::review
