// What every request must be before anything is looked up, who may ask for what, and what every
// reply carries.
//
// Invariants: pure. A request passes only with a Host of the list; a change only from the page
//   itself. What no rule names is the operator's alone. Units: none. Thread: any. Errors: a refusing
//   Reply.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "review/message.h"

namespace lapwright::review {

/// Who asks; each may do what those before it may.
enum class Visitor {
  stranger,      // from another machine, with no session
  reviewer,      // from another machine, admitted by the operator
  operator_here  // by the loopback port
};

struct Door {
  std::string scheme = "http";
  std::vector<std::string> hosts;  // exactly as browsers send them: "127.0.0.1:5279"
  Visitor visitor = Visitor::operator_here;  // what one is who shows no session
};

/// The hosts under which a loopback port is reached.
std::vector<std::string> loopback_hosts(int port);
/// Those of the port for other machines: its address, and its name when it has one.
std::vector<std::string> lan_hosts(const std::string& address, const std::string& name, int port);

/// Who may use an address: "/api/rolls/*/ink/*", where * is one part.
struct Rule {
  std::string_view method, address;
  Visitor least;
};
std::span<const Rule> rules();
/// What one must be at least for a request; HEAD counts as GET.
Visitor needed(std::string_view method, const std::vector<std::string>& parts);

/// A refusal, or nothing when the request may go on.
std::optional<Reply> refused(const Request& request, const Door& door);
/// Adds the headers of every reply.
void protect(Reply& reply);

/// The header that only the page's own scripts set.
inline constexpr const char* change_header = "lapwright-change";
/// SHA-256 of the one style element that the pinned sheet viewer puts into the page.
inline constexpr const char* viewer_style_hash =
    "sha256-9xTiqzfwFaL2SGb1rmr8gysEwVVjIvqWAgmZgqFqpEE=";

}  // namespace lapwright::review
