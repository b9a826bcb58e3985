#include "review/guard.h"

#include <algorithm>

namespace lapwright::review {

Reply json_reply(const Json& json, int status, std::string_view type) {
  Reply r;
  r.status = status;
  r.set("Content-Type", std::string(type));
  r.set("Cache-Control", "no-store");
  r.body = json.dump(-1, ' ', false, Json::error_handler_t::replace);
  return r;
}

Reply refusal(int status, const std::string& say) { return json_reply({{"say", say}}, status); }

std::vector<std::string> loopback_hosts(int port) {
  std::vector<std::string> hosts;
  for (const char* name : {"127.0.0.1", "localhost", "[::1]"}) {
    hosts.push_back(std::string(name) + ":" + std::to_string(port));
    if (port == 80) hosts.emplace_back(name);  // a browser leaves the usual port out
  }
  return hosts;
}

bool may(Visitor visitor, Doing doing) {
  switch (doing) {
    case Doing::work_the_station: return visitor == Visitor::operator_here;
  }
  return false;
}

std::optional<Reply> refused(const Request& q, const Door& door) {
  const std::string host(q.header("host"));
  if (std::find(door.hosts.begin(), door.hosts.end(), host) == door.hosts.end())
    return refusal(421, "this is not a name of this station");
  if (q.target.size() > 2000) return refusal(414, "the address is too long");
  const std::string_view site = q.header("sec-fetch-site");
  const bool reads = q.method == "GET" || q.method == "HEAD";
  if (reads) {
    if (site == "cross-site" && q.header("sec-fetch-mode") != "navigate")
      return refusal(403, "other sites get nothing from here");
    return std::nullopt;
  }
  if (q.method != "PUT" && q.method != "POST" && q.method != "DELETE") {
    Reply r = refusal(405, "GET, HEAD, PUT, POST and DELETE are known here");
    r.set("Allow", "GET, HEAD, PUT, POST, DELETE");
    return r;
  }
  if (q.header(change_header) != "1") return refusal(403, "a change comes from the page only");
  if (q.header("origin") != door.scheme + "://" + host)
    return refusal(403, "a change comes from this page's own address only");
  if (!site.empty() && site != "same-origin")
    return refusal(403, "a change comes from this page's own address only");
  if (q.method != "DELETE" && q.header("content-type") != "application/json")
    return refusal(415, "a change is application/json");
  return std::nullopt;
}

void protect(Reply& reply) {
  static const std::string policy =
      std::string("default-src 'none'; script-src 'self'; style-src 'self' '") + viewer_style_hash +
      "'; img-src 'self'; connect-src 'self'; base-uri 'none'; object-src 'none'; "
      "frame-ancestors 'none'; form-action 'self'";
  reply.set("Content-Security-Policy", policy);
  reply.set("X-Content-Type-Options", "nosniff");
  reply.set("Cross-Origin-Resource-Policy", "same-origin");
  reply.set("Cross-Origin-Opener-Policy", "same-origin");
  reply.set("Referrer-Policy", "no-referrer");
}

}  // namespace lapwright::review
