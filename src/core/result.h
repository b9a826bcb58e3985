// What every function that can fail returns.
//
// Faults are grouped by what the caller does next; each has its exit code (sysexits.h,
// contract.md). "The lap is too small" or "no frame here" is not a fault but a value of its
// module's report. Units: none. Thread: values.
#pragma once

#include <string>
#include <tl/expected.hpp>
#include <utility>

namespace lapwright::core {

enum class Fault {
  usage,          // 64: the command line is wrong
  bad_data,       // 65: an input file or request does not hold what it must
  no_input,       // 66: an input does not exist or cannot be read
  unavailable,    // 69: the device cannot be had
  internal,       // 70: a bug
  cannot_create,  // 73: an output cannot be made (also: disk full before the start)
  io,             // 74: reading or writing failed on the way
  try_again,      // 75: busy, warming up
  bad_profile,    // 78: a profile or the configuration is wrong
  cancelled,      // 130: the person stopped it
};

constexpr int exit_code(Fault f) {
  switch (f) {
    case Fault::usage:
      return 64;
    case Fault::bad_data:
      return 65;
    case Fault::no_input:
      return 66;
    case Fault::unavailable:
      return 69;
    case Fault::internal:
      return 70;
    case Fault::cannot_create:
      return 73;
    case Fault::io:
      return 74;
    case Fault::try_again:
      return 75;
    case Fault::bad_profile:
      return 78;
    case Fault::cancelled:
      return 130;
  }
  return 70;
}

/// One fault and one line for a person: the file, the place in it, what would be right.
struct Error {
  Fault fault = Fault::internal;
  std::string text;
};

template <class T = void>
class [[nodiscard]] Result : public tl::expected<T, Error> {
 public:
  using tl::expected<T, Error>::expected;
};

/// return fail(Fault::bad_data, "plan.json: ...");
inline tl::unexpected<Error> fail(Fault fault, std::string text) {
  return tl::unexpected<Error>(Error{fault, std::move(text)});
}
/// Hands an error on: if (!r) return fail(r.error());
inline tl::unexpected<Error> fail(Error e) { return tl::unexpected<Error>(std::move(e)); }

}  // namespace lapwright::core

namespace lapwright {
using core::Error;
using core::fail;
using core::Fault;
using core::Result;
}  // namespace lapwright
