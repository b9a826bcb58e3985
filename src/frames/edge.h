// What the film edge codes of a roll say together: its film number, how each strip lies, and where
// on it which half frame is.
//
// Invariants: a code that does not agree with the others of its strip, or that stands alone and is
// not borne out, is refused and
//   only counted; `half` is there only where codes that tell a frame agree.
// Units: run millimetres, sleeve millimetres for places; half frames as in edge_code.h. Thread:
// values. Errors: none.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "core/geometry.h"
#include "frames/edge_code.h"

namespace lapwright::frames {

struct StripEdge {
  int strip = 0;  // 1-based
  struct Code {
    EdgeCode code;
    Spot<SleeveSpace> at;  // its middle
    double along = 0, margin = 0;
  };
  std::vector<Code> codes;
  int refused = 0;
  std::optional<int> film;
  /// Numbers run against the sleeve's reading direction; right only where a camera or a whole
  /// sleeve has it so.
  bool turned = false;
  bool mirrored =
      false;  // wrong side up: the reading direction XOR the clock's side (trade.md 1.4)
  /// half frame = slope * along + offset, a code's own place being its middle.
  struct Numbers {
    double slope = 0, offset = 0;
  };
  std::optional<Numbers> numbers;
};

struct RollEdge {
  std::vector<StripEdge> strips;  // those with codes, accepted or refused
  std::optional<int> film;        // by vote
  bool mirrored = false;          // every strip that tells, and more than one code
  bool turned = false;            // most strips that tell
  int codes = 0, refused = 0;
  /// What a person should look at: strips turned or wrong side up against the others, of another
  /// film.
  std::vector<std::string> cautions;
};

}  // namespace lapwright::frames
