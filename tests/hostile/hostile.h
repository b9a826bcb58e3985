// What reaches the program from outside, one entry a kind of input: each reads its bytes as the
// program does and holds what the modules promise of it.
//
// Invariants: an entry throws only where the project is wrong; bytes that are refused as they must
// be are well. Units: as the modules have them. Thread: one at a time (one takes standard input).
// Errors: Broken.
#pragma once

#include <stdexcept>
#include <string>
#include <string_view>

#include "core/result.h"

namespace lapwright::hostile {

/// A promise was not kept.
struct Broken : std::logic_error {
  using std::logic_error::logic_error;
};

void must(bool held, const std::string& what);
/// A refusal is this fault and one line, short enough to be read, that begins with the input's
/// name.
void must_refuse(const Error& error, Fault fault, const std::string& name);

void profile(std::string_view bytes);  // a bed's, a sleeve's, a stock's, the configuration
void plan(std::string_view bytes);     // plan.json
void card(std::string_view bytes);     // sheet.yaml, and what the conversion makes of it
void tiff(std::string_view bytes);     // a pass
void events(std::string_view bytes);  // standard input, an event device, a list of frames; what the
                                      // station does about them
void manifest(std::string_view bytes);  // a roll's folder, as `ledger rebuild` reads it

struct Target {
  const char* name;
  void (*run)(std::string_view bytes);
};
inline constexpr Target targets[] = {{"profile", profile}, {"plan", plan},
                                     {"card", card},       {"tiff", tiff},
                                     {"events", events},   {"manifest", manifest}};

}  // namespace lapwright::hostile
