// From codes read to what a roll's strips say together.
//
// Invariants: as edge.h. Units: as edge.h. Thread: pure. Errors: none.
#pragma once

#include "frames/edge.h"
#include "frames/edge_reader.h"

namespace lapwright::frames {

struct SeenCode {
  EdgeMark mark;
  bool other_edge = false;  // which rebate
  Spot<SleeveSpace> at;
};
/// One list a strip, the first strip first. `down`: the strips run down the page, so that the run's
/// frame is the mirrored one.
RollEdge vote(const std::vector<std::vector<SeenCode>>& strips, bool down);

/// A frame to be numbered by the codes.
struct Numbered {
  int strip = 0;         // 1-based
  int slot = 0;          // its place in the strip by position
  double along = 0;      // its middle
  std::string name;      // out; empty: by position
  bool by_code = false;  // out: from its own strip's codes
  bool sure = true;      // out: false 7 to 12 mm from both neighbouring codes, or carried over from
                         // another strip's codes
};
/// Numbers what codes tell; `advance` from frame to frame, `slots` a strip. False, with nothing
/// numbered, when no strip tells a number or a number would come twice; the latter is told in
/// edge.cautions.
bool number_frames(std::vector<Numbered>& frames, RollEdge& edge, double advance, int slots);

}  // namespace lapwright::frames
