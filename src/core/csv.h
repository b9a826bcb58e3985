// Tables for spreadsheets, as RFC 4180 has them.
//
// Invariants: a cell that would be taken for a formula gets an apostrophe in front. Units: none.
// Thread: pure. Errors: none.
#pragma once

#include <string>
#include <vector>

namespace lapwright::core {

std::string csv_row(const std::vector<std::string>& cells);

}  // namespace lapwright::core
