#include "review/guard.h"

#include <algorithm>

namespace lapwright::review {
namespace {

/// Who may do what. A change of settings, of what the station is to do and of who is let in is the
/// operator's: it needs no row here.
constexpr Rule table[] = {
    // The page itself, which is no secret and must open from a link of another program, when a
    // browser sends no cookie of SameSite=Strict; and what pairs a tablet.
    {"GET", "/", Visitor::stranger},
    {"GET", "/favicon.ico", Visitor::stranger},
    {"GET", "/page/*", Visitor::stranger},
    {"GET", "/station.crt", Visitor::stranger},
    {"GET", "/api/pairing", Visitor::stranger},
    {"PUT", "/api/pairing", Visitor::stranger},
    {"PUT", "/api/pairing/session", Visitor::stranger},
    // To look.
    {"GET", "/api/me", Visitor::reviewer},
    {"GET", "/api/shelf", Visitor::reviewer},
    {"GET", "/api/selects", Visitor::reviewer},
    {"GET", "/api/marks.csv", Visitor::reviewer},
    {"GET", "/api/rolls/*", Visitor::reviewer},
    {"GET", "/api/rolls/*/marked.pdf", Visitor::reviewer},
    {"GET", "/api/rolls/*/trim", Visitor::reviewer},  // whether he may trim: he may not
    {"GET", "/iiif/collection.json", Visitor::reviewer},
    {"GET", "/iiif/rolls/*/manifest.json", Visitor::reviewer},
    {"GET", "/iiif/rolls/*/sheet", Visitor::reviewer},
    {"GET", "/iiif/rolls/*/marks.json", Visitor::reviewer},
    {"GET", "/iiif/image/*", Visitor::reviewer},
    {"GET", "/iiif/image/*/info.json", Visitor::reviewer},
    {"GET", "/iiif/image/*/*/*/*/*", Visitor::reviewer},
    // To mark.
    {"PUT", "/api/rolls/*/ink/*", Visitor::reviewer},
    {"DELETE", "/api/rolls/*/ink/*", Visitor::reviewer},
    {"PUT", "/api/rolls/*/frames/*/verdict", Visitor::reviewer},
    {"PUT", "/api/rolls/*/frames/*/note", Visitor::reviewer},
    {"PUT", "/api/rolls/*/frames/*/crop", Visitor::reviewer},
    // To leave.
    {"DELETE", "/api/me", Visitor::reviewer},
};

bool fits(std::string_view address, const std::vector<std::string>& parts) {
  for (std::size_t i = 0;; ++i) {
    address.remove_prefix(1);  // its slash
    const std::string_view want = address.substr(0, address.find('/'));
    if (i == parts.size() || (want != "*" && want != parts[i])) return false;
    if (want == "*" && parts[i].empty()) return false;
    address.remove_prefix(want.size());
    if (address.empty()) return i + 1 == parts.size();
  }
}

/// A browser leaves the usual port out.
void add_host(std::vector<std::string>& hosts, const std::string& name, int port, int usual) {
  hosts.push_back(name + ":" + std::to_string(port));
  if (port == usual) hosts.push_back(name);
}

}  // namespace

std::span<const Rule> rules() { return table; }

Visitor needed(std::string_view method, const std::vector<std::string>& parts) {
  if (method == "HEAD") method = "GET";
  for (const Rule& rule : table)
    if (rule.method == method && fits(rule.address, parts)) return rule.least;
  return Visitor::operator_here;
}

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
  for (const char* name : {"127.0.0.1", "localhost", "[::1]"}) add_host(hosts, name, port, 80);
  return hosts;
}

std::vector<std::string> lan_hosts(const std::string& address, const std::string& name, int port) {
  std::vector<std::string> hosts;
  add_host(hosts, address.find(':') == std::string::npos ? address : "[" + address + "]", port,
           443);
  if (!name.empty()) add_host(hosts, name, port, 443);
  return hosts;
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
