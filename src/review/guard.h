// What every request must be before anything is looked up, and what every reply carries.
//
// Invariants: pure. A request passes only with a Host of the list; a change only from the page
//   itself. Units: none. Thread: any. Errors: a refusing Reply.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "review/message.h"

namespace lapwright::review {

/// Who asks. Letting reviewers in from other machines adds their kind here.
enum class Visitor { operator_here };
/// What only some may do.
enum class Doing { work_the_station };  // see the bed, press its key
/// The one table of who may do what; whoever is not in it may not.
bool may(Visitor visitor, Doing doing);

struct Door {
  std::string scheme = "http";
  std::vector<std::string> hosts;  // exactly as browsers send them: "127.0.0.1:5279"
  Visitor visitor = Visitor::operator_here;
};

/// The hosts under which a loopback port is reached.
std::vector<std::string> loopback_hosts(int port);

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
