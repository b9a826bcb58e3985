// What was chosen and said, across rolls: for lists, tables and paper.
//
// Invariants: by roll as they were added, by frame as they lie; a table's cells are never taken for
// formulas. Units: sleeve millimetres. Thread: one. Errors: those of the desk.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "core/json.h"
#include "proof/proof.h"
#include "review/desk.h"

namespace lapwright::review {

struct Chosen {
  std::string roll, stock, frame, verdict, note;
  std::optional<std::array<double, 4>> crop;
  bool at_full = false, due = false;
};

/// Every frame of which anything was said; of one roll, or of all when `roll` is empty.
Result<std::vector<Chosen>> chosen(Desk& desk, const std::string& roll = {});
/// {"frames": [{roll, stock, frame, verdict, note, crop, at_full, due}]}
Json to_json(const std::vector<Chosen>& frames);
/// RFC 4180; verdict and note as they are.
std::string to_csv(const std::vector<Chosen>& frames);

/// The roll's sheet at 1:1 with its marks.
Result<> print_marked(Desk& desk, const std::string& roll, const std::optional<proof::PageSize>& paper,
                      const std::filesystem::path& pdf);

}  // namespace lapwright::review
