// Who comes in from other machines, and what the operator's page says of that.
#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "review/qr.h"
#include "review/site.h"

namespace lapwright::review {
namespace {

// The prefix makes a browser take them over TLS only, for this host and every path (RFC 6265bis).
constexpr const char* session_cookie = "__Host-lapwright";
constexpr const char* asking_cookie = "__Host-lapwright-asking";

std::string cookie(const std::string& name, const std::string& value, double seconds) {
  return name + "=" + value + "; Path=/; Max-Age=" + std::to_string(std::lround(seconds)) +
         "; Secure; HttpOnly; SameSite=Strict";
}

/// Empty when there is none, or more than one.
std::string_view cookie_of(const Request& request, std::string_view name) {
  std::string_view rest = request.header("cookie"), found;
  while (!rest.empty()) {
    std::string_view one = rest.substr(0, rest.find(';'));
    rest.remove_prefix(std::min(rest.size(), one.size() + 1));
    while (!one.empty() && one.front() == ' ') one.remove_prefix(1);
    if (!one.starts_with(name) || one.size() <= name.size() || one[name.size()] != '=') continue;
    if (!found.empty()) return {};
    found = one.substr(name.size() + 1);
  }
  return found;
}

std::optional<Json> body_of(const Request& request) {
  auto body = core::parse_json(request.body, "body");
  return body && body->is_object() ? std::optional<Json>(std::move(*body)) : std::nullopt;
}

Reply nothing_here() { return refusal(404, "there is nothing here"); }

}  // namespace

void Site::let_in(Tablets& tablets, std::optional<Elsewhere> elsewhere) {
  tablets_ = &tablets;
  elsewhere_ = std::move(elsewhere);
}

std::optional<Reply> Site::too_often(Rates& rates, const std::string& who, double cost) {
  const double wait = rates.spend(who, watch_.seconds(), cost);
  if (wait <= 0) return std::nullopt;
  const long seconds = std::max(1L, std::lround(std::ceil(wait)));
  Reply r = refusal(429, "that is too often; again in " + std::to_string(seconds) + " s");
  r.set("Retry-After", std::to_string(seconds));
  return r;
}

/// Finds out who asks, as far as that matters, and turns away who may not.
std::optional<Reply> Site::kept_out(const Request& request, const Path& path, Visit& visit) {
  const Visitor least = needed(request.method, path.parts);
  if (request.from_elsewhere && least != Visitor::stranger) {
    if (!tablets_) return refusal(401, "tablets are not let in");
    const std::string_view token = cookie_of(request, session_cookie);
    auto session = tablets_->who(token, request.address);
    if (!session) return failed(session.error());
    if (!*session) {
      Reply r = refusal(401, "this tablet is not let in; pair it at the station");
      if (!token.empty()) {  // a session that is over: nothing of it stays on the tablet but its marks
        r.set("Set-Cookie", cookie(session_cookie, "", 0));
        r.set("Clear-Site-Data", "\"cache\"");
      }
      return r;
    }
    visit.visitor = Visitor::reviewer;
    visit.session = std::move(*session);
  }
  if (visit.visitor < least) return refusal(403, "that is done at the station only");
  if (!visit.session) return std::nullopt;
  // What is dear to make counts as much as ten marks.
  const bool dear = path.size() == 4 && path[3] == "marked.pdf";
  if ((request.method != "GET" && request.method != "HEAD") || dear)
    return too_often(changes_, visit.session->id, dear ? 10 : 1);
  return std::nullopt;
}

std::optional<Reply> Site::about_tablets(const Request& request, const Path& path,
                                         const Visit& visit) {
  const bool reads = request.method == "GET" || request.method == "HEAD";
  if (path.is({"api", "me"})) {
    if (reads && visit.visitor == Visitor::operator_here)
      return json_reply({{"visitor", "operator"}, {"tablets", elsewhere_.has_value()}});
    if (!visit.session) return nothing_here();
    if (reads) return json_reply({{"visitor", "reviewer"}, {"tablet", visit.session->id}});
    if (request.method != "DELETE") return nothing_here();
    const auto gone = tablets_->forget(visit.session->id, "by itself");
    if (!gone) return failed(gone.error());
    Reply r = json_reply({{"left", true}});
    r.set("Set-Cookie", cookie(session_cookie, "", 0));
    r.set("Clear-Site-Data", "\"cache\"");
    return r;
  }
  if (reads && path.is({"station.crt"})) {
    if (!elsewhere_) return nothing_here();
    return download(elsewhere_->authority, "application/x-x509-ca-cert", "lapwright-station.crt");
  }
  if (path.begins({"api", "pairing"}))
    return request.from_elsewhere && tablets_ ? pairing(request, path) : nothing_here();
  if (path.begins({"api", "tablets"})) return tablets_ ? tablets_now(request, path) : nothing_here();
  return std::nullopt;
}

Reply Site::pairing(const Request& request, const Path& path) {
  const std::string& from = request.address;
  const std::string_view secret = cookie_of(request, asking_cookie);
  if (request.method == "GET" && path.size() == 2) {
    const auto standing = tablets_->standing(secret, from);
    const char* state = standing == Tablets::Standing::waiting    ? "waiting"
                        : standing == Tablets::Standing::admitted ? "admitted"
                        : standing == Tablets::Standing::refused  ? "refused"
                                                                  : "none";
    return json_reply({{"state", state}, {"tablet", tablets_->id_of(secret)}});
  }
  if (request.method != "PUT") return nothing_here();
  if (auto much = too_often(tries_, from)) return std::move(*much);
  if (path.is({"api", "pairing", "session"})) {
    const auto token = tablets_->collect(secret, from, cookie_of(request, session_cookie));
    if (!token) return failed(token.error());
    if (!*token) return refusal(401, "this tablet is not admitted");
    Reply r = json_reply({{"tablet", tablets_->id_of(secret)}}, 201);
    r.set("Set-Cookie", cookie(session_cookie, **token, Tablets::whole_seconds));
    return r;
  }
  if (path.size() != 2) return nothing_here();
  const auto body = body_of(request);
  const auto code = body ? body->find("code") : Json::const_iterator();
  if (!body || code == body->end() || !code->is_string())
    return refusal(422, "code: the eight characters that the station shows are right");
  const Tablets::Given given = tablets_->give_code(code->get<std::string>(), from);
  if (given.how == Tablets::Given::How::full)
    return refusal(503, "too many tablets are known; forget one at the station first");
  if (given.how == Tablets::Given::How::wrong)
    return refusal(403, "this code is not right, or not any more; ask at the station for a new one");
  Reply r = json_reply({{"tablet", given.id}}, 202);
  r.set("Set-Cookie", cookie(asking_cookie, given.secret,
                             Tablets::asking_seconds + Tablets::told_seconds));
  return r;
}

Reply Site::tablets_now(const Request& request, const Path& path) {
  const bool open = elsewhere_ && elsewhere_->open();
  const auto code = open ? tablets_->code() : std::nullopt;
  const auto link = [&] { return elsewhere_->url + "#/pair/" + code->text; };
  if (request.method == "GET" && path.size() == 2) {
    const auto sessions = tablets_->sessions();
    if (!sessions) return failed(sessions.error());
    Json asking = Json::array(), known = Json::array();
    for (const auto& a : tablets_->asking())
      asking.push_back(
          {{"tablet", a.id}, {"address", a.address}, {"seconds_left", std::lround(a.seconds_left)}});
    for (const auto& s : *sessions) known.push_back(to_json(s));
    Json out = {{"open", open}};
    if (elsewhere_) {
      out["url"] = elsewhere_->url, out["until"] = elsewhere_->until;
      out["fingerprint"] = elsewhere_->fingerprint;
      out["authority_fingerprint"] = elsewhere_->authority_fingerprint;
    }
    out["code"] = code ? Json{{"text", code->text},
                              {"url", link()},
                              {"seconds_left", std::lround(code->seconds_left)}}
                       : Json();
    out["asking"] = std::move(asking), out["tablets"] = std::move(known);
    return json_reply(out);
  }
  if (request.method == "GET" && path.size() == 3 && path[2] == "code.svg") {
    if (!code) return nothing_here();
    Reply r;
    r.set("Content-Type", "image/svg+xml");
    r.set("Cache-Control", "no-store");
    r.body = qr_svg(link());
    return r;
  }
  if (request.method == "DELETE" && path.size() == 3) {
    const auto gone = tablets_->forget(path[2], "on the operator's page");
    if (!gone) return failed(gone.error());
    return gone->empty() && path[2] != "all" ? nothing_here() : json_reply({{"forgotten", *gone}});
  }
  if (request.method != "PUT") return nothing_here();
  const auto body = body_of(request);
  if (!body) return refusal(422, "a change is one JSON object");
  if (path.size() == 3 && path[2] == "code") {
    if (!open) return refusal(409, "tablets are not let in now");
    const auto fresh = tablets_->new_code();
    return json_reply({{"text", fresh.text}}, 201);
  }
  if (path.size() == 3 && path[2] == "door") {
    const auto word = body->find("open");
    if (word == body->end() || *word != false)
      return refusal(422, "open: false is right; `lapwright review --tablets` lets tablets in");
    if (open) elsewhere_->shut();
    return json_reply({{"open", false}});
  }
  if (path.size() == 4 && path[2] == "asking") {
    const auto admit = body->find("admit");
    if (admit == body->end() || !admit->is_boolean())
      return refusal(422, "admit: true or false is right");
    if (!tablets_->decide(path[3], admit->get<bool>(), "on the operator's page"))
      return refusal(404, "this tablet does not ask any more");
    return json_reply({{"tablet", path[3]}, {"admitted", *admit}});
  }
  return nothing_here();
}

}  // namespace lapwright::review
