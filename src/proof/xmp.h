// What a proof says of itself in XMP (ISO 16684-1): the roll, when it was made, from which sheet,
// and where its frames are.
//
// Invariants: well-formed XML whatever the texts hold; the same packet each time. The namespaces'
// names are those that ISO 16684-1 and the IPTC Photo Metadata Standard 2019.1 fix. Units: frames
// as shares of the picture. Thread: pure. Errors: none.
#pragma once

#include <array>
#include <string>
#include <vector>

namespace lapwright::proof {

struct Region {
  std::string name;                              // the frame's number
  std::array<std::array<double, 2>, 4> corners;  // x, y from the top left, 0..1
  std::string verdict{}, note{};                 // an editor's; as Dublin Core's subject and description
};

struct About {
  std::string title, identifier, description;
  std::string created;  // YYYY-MM-DD, or RFC 3339
  std::string sheet;    // SHA-256 of the linear sheet it was made from; empty: not known
  std::vector<Region> frames;
};

/// `format`: the media type of the file that holds it; empty in a sidecar. `for_print`: PDF/A-2
/// (ISO 19005-2), part 2, conformance B.
std::string xmp_packet(const About& about, const std::string& format, bool for_print = false);

}  // namespace lapwright::proof
