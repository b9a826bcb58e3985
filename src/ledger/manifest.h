// A roll's manifest-sha256.txt, in RFC 8493 form (section 2.1.3: HEX, two blanks, path).
//
// Invariants: names every file that the ledger names of the roll, open jobs' passes among them. It
// is written before the ledger
//   when names are added and after it when they go, so that what it names beyond the ledger is on
//   disk and only a crash leaves it.
// Units: paths relative to the archive. Thread: values. Errors: none; lines that are none of a
// manifest are counted.
#pragma once

#include <cstddef>
#include <map>
#include <string>
#include <vector>

#include "ledger/ledger.h"

namespace lapwright::ledger {

using Named = std::map<std::string, File>;  // by path

struct Manifest {
  std::map<std::string, std::string> sums;  // by path
  std::vector<std::size_t> odd_lines;       // from 1
};

std::string manifest_text(const std::string& roll, const Named& files);
Manifest read_manifest(const std::string& roll, const std::string& text);

}  // namespace lapwright::ledger
