// Where in a pass the agreement with the other one ends at a row: the sleeve moved while it was
// captured.
//
// A carriage sees one row after the other, so what moves the sleeve leaves rows before that agree
// and rows after that do not (or the other way round, where more was captured after). Two rates of
// agreement against one, by their likelihoods. Units: pass rows. Thread: pure. Errors: none.
#pragma once

#include <optional>
#include <vector>

namespace lapwright::lap {

/// A place that should have been found in the other pass, and whether it was.
struct Tried {
  double row = 0;
  bool found = false;
};

/// The row at which finding ends or begins; nothing where one rate explains it as well.
std::optional<double> jolt_at(std::vector<Tried> tried);

}  // namespace lapwright::lap
