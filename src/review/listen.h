// Where the page is found: the addresses of the command line, held against this machine's own.
//
// Invariants: the operator's is loopback; that for tablets is one address of this machine, named by
//   itself. Units: none. Thread: any. Errors: usage.
#pragma once

#include <string>

#include "core/result.h"

namespace lapwright::review {

struct Listen {
  std::string address = "127.0.0.1";
  int port = 5279;
};
/// "127.0.0.1:5279", "localhost:0", "[::1]:80".
Result<Listen> read_listen(const std::string& text);
/// "192.0.2.7", "192.0.2.7:5280", "fd00::7", "[fd00::7]:5280"; port 5280 when none is given.
Result<Listen> read_tablets(const std::string& text);
/// As it stands in an address: an IPv6 one in brackets.
std::string in_url(const std::string& address);
/// HOST.local, as multicast DNS knows this machine; empty when its name cannot be one.
std::string local_name();

}  // namespace lapwright::review
