// The station's own certificates: a small authority, and under it one for the address at which
// tablets find the station.
//
// Invariants: EC keys on P-256, in files that only their owner can read; the authority may only sign
//   for private addresses, names below .local and the address it was made for, and lives ten years;
//   the certificate's SAN holds the address and the name, it is renewed when either changes or
//   fourteen days are left, and never given out without having been checked against the authority.
// Units: none. Thread: any. Errors: bad_data (a key that others may read), cannot_create, io.
#pragma once

#include <filesystem>
#include <string>

#include "core/result.h"

namespace lapwright::review {

struct Certificate {
  std::string chain, key;              // PEM
  std::string authority;               // DER, for tablets to install
  std::string fingerprint;             // SHA-256 of the certificate, AB:CD:...
  std::string authority_fingerprint;   // likewise
  bool fresh_authority = false;        // tablets that trust an earlier one do not trust this one
};

/// `name` may be empty: the address alone. `now`: seconds since 1970, for tests; 0: now.
Result<Certificate> station_certificate(const std::filesystem::path& folder,
                                        const std::string& address, const std::string& name,
                                        double now = 0);

}  // namespace lapwright::review
