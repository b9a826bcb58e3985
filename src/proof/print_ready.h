// The last hand on a printed sheet: what Cairo cannot say in a PDF.
//
// Invariants: pages and pictures stay as they are; no viewer scales the page by itself; colours are
// sRGB by an output intent; the same bytes each time. Aims at PDF/A-2b (ISO 19005-2), which nothing
// here proves. Units: bytes. Thread: pure. Errors: internal, for a PDF that is none.
#pragma once

#include <string>
#include <vector>

#include "core/result.h"
#include "proof/xmp.h"

namespace lapwright::proof {

Result<std::string> print_ready(const std::string& pdf, const About& about,
                                const std::vector<unsigned char>& icc);

}  // namespace lapwright::proof
