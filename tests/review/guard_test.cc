// Who may do what, against the site itself: every row, and what has no row. Rows of OWASP ASVS 5.0.
#include "review/guard.h"

#include <algorithm>

#include "desk_fixture.h"
#include "review/tablets.h"

namespace lapwright::review {
namespace {

constexpr const char* lan_host = "192.0.2.7:5280";
constexpr const char* tablet_address = "192.0.2.99";

class GuardTest : public DeskTest {
 protected:
  void SetUp() override {
    DeskTest::SetUp();
    folder_ = archive_ / "state";
    tablets_ = std::make_unique<Tablets>(folder_, archive_.string(),
                                         [this](const std::string& l) { log_ += l + "\n"; });
    Elsewhere e;
    e.door = {"https", lan_hosts("192.0.2.7", "desk.local", 5280), Visitor::stranger};
    e.url = "https://192.0.2.7:5280/", e.authority = "der";
    e.open = [this] { return open_; };
    e.shut = [this] { open_ = false; };
    site_->let_in(*tablets_, e);
  }
  void TearDown() override {
    tablets_.reset();
    DeskTest::TearDown();
  }
  /// The same request from a tablet.
  static Request far(Request q, const std::string& cookie = {}) {
    q.headers["host"] = lan_host;
    if (q.headers.contains("origin")) q.headers["origin"] = std::string("https://") + lan_host;
    if (!cookie.empty()) q.headers["cookie"] = cookie;
    q.address = tablet_address, q.from_elsewhere = true;
    return q;
  }
  static std::string value(const Reply& r) {
    const std::string_view cookie = r.header("Set-Cookie");
    return std::string(cookie.substr(0, cookie.find(';')));
  }
  /// The cookie of an admitted tablet, the way a browser gets it.
  std::string paired() {
    const std::string code = tablets_->new_code().text;
    const Reply given =
        site_->answer(far(put("/api/pairing", Json{{"code", code}}.dump())));
    EXPECT_EQ(given.status, 202) << given.body;
    const std::string asking = value(given);
    id_ = Json::parse(given.body)["tablet"];
    EXPECT_EQ(status(put("/api/tablets/asking/" + id_, R"({"admit": true})")), 200);
    const Reply in = site_->answer(far(put("/api/pairing/session", "{}"), asking));
    EXPECT_EQ(in.status, 201) << in.body;
    cookie_line_ = in.header("Set-Cookie");
    return value(in);
  }
  /// An address that a rule's pattern stands for.
  static std::string example(std::string_view pattern) {
    std::string out;
    for (std::size_t at = 1; at <= pattern.size();) {
      const std::size_t end = std::min(pattern.find('/', at), pattern.size());
      const std::string part(pattern.substr(at, end - at));
      out += "/" + (part == "*" ? "x" : part);
      at = end + 1;
    }
    return out;
  }

  std::filesystem::path folder_;
  std::unique_ptr<Tablets> tablets_;
  std::string id_, cookie_line_;
  bool open_ = true;
};

TEST_F(GuardTest, WithoutASessionOnlyThePageAndPairingAreThere) {  // 8.2.1, 8.3.1
  for (const Rule& rule : rules()) {
    Request q = rule.method == "GET" ? get(example(rule.address)) : put(example(rule.address), "{}");
    q.method = rule.method;
    const int got = status(far(q));
    if (rule.least == Visitor::stranger)
      EXPECT_TRUE(got != 401 || q.target == "/api/pairing/session") << rule.method << rule.address;
    else
      EXPECT_EQ(got, 401) << rule.method << " " << rule.address;
  }
  EXPECT_EQ(status(far(get("/"))), 200);
  EXPECT_EQ(status(far(get("/page/app.js"))), 200);
  const Reply no = site_->answer(far(get("/api/shelf")));
  EXPECT_EQ(no.status, 401);
  EXPECT_LT(Json::parse(no.body)["say"].get<std::string>().size(), 80u);
}

TEST_F(GuardTest, AReviewerLooksAndMarksAndNoMore) {  // 8.2.1, 8.3.1
  const std::string in = paired();
  const std::string base = "/api/rolls/2026-014%20b/";
  for (const Request& q :
       {get("/api/me"), get("/api/shelf"), get("/api/selects"), get("/api/marks.csv"),
        get("/api/rolls/2026-014%20b"), get("/iiif/collection.json"),
        get("/iiif/rolls/2026-014%20b/manifest.json"), get("/iiif/rolls/2026-014%20b/marks.json"),
        get("/iiif/image/" + image_ + "/info.json"),
        get("/iiif/image/" + image_ + "/0,0,512,512/512,512/0/default.jpg"),
        put(base + "frames/1/verdict", R"({"verdict": "select"})"),
        put(base + "frames/1/note", R"({"note": "n"})"),
        put(base + "frames/1/crop", R"({"crop": null})"), remove(base + "ink/" + uuid)})
    EXPECT_EQ(status(far(q, in)), 200) << q.method << " " << q.target;
  EXPECT_EQ(status(far(put(ink_, stroke().dump()), in)), 201);
  for (const Request& q :
       {put(base + "wants", R"({"frames": ["1"]})"), put(base + "trim", "{}"), put("/api/station/key", "{}"),
        get("/api/station"), get("/api/tablets"), get("/api/tablets/code.svg"),
        put("/api/tablets/code", "{}"), put("/api/tablets/door", R"({"open": false})"),
        put("/api/tablets/asking/ABCDEF", R"({"admit": true})"), remove("/api/tablets/all"),
        remove("/api/tablets/" + id_), remove(base + "frames/1"), remove("/api/rolls/2026-014%20b"),
        get("/api/anything"), put("/api/anything", "{}"), get("/ledger.sqlite")})
    EXPECT_EQ(status(far(q, in)), 403) << q.method << " " << q.target;
  EXPECT_TRUE(open_);
  EXPECT_EQ(status(put(base + "wants", R"({"frames": ["1"]})")), 200);  // the operator may
}

TEST_F(GuardTest, WhatHasNoRowIsTheOperatorsAlone) {  // 8.2.1
  EXPECT_EQ(needed("PUT", {"api", "rolls", "a", "wants"}), Visitor::operator_here);
  EXPECT_EQ(needed("PUT", {"api", "rolls", "a", "trim"}), Visitor::operator_here);
  EXPECT_EQ(needed("GET", {"api", "station", "now"}), Visitor::operator_here);
  EXPECT_EQ(needed("DELETE", {"api", "rolls", "a", "frames", "1", "note"}), Visitor::operator_here);
  EXPECT_EQ(needed("GET", {"api", "rolls", ""}), Visitor::operator_here);
  EXPECT_EQ(needed("GET", {"api", "rolls", "a", ""}), Visitor::operator_here);
  EXPECT_EQ(needed("GET", {}), Visitor::operator_here);
  EXPECT_EQ(needed("HEAD", {"api", "rolls", "a"}), Visitor::reviewer);
  EXPECT_EQ(needed("GET", {""}), Visitor::stranger);
}

TEST_F(GuardTest, ThePortForTabletsHasItsOwnNames) {  // supports 3.5.1 to 3.5.3
  for (const char* name : {"192.0.2.7:5280", "desk.local:5280"}) {
    Request q = far(get("/"));
    q.headers["host"] = name;
    EXPECT_EQ(status(q), 200) << name;
  }
  for (const char* name : {"127.0.0.1:5279", "localhost:5279", "192.0.2.7", "192.0.2.7:5279",
                           "desk.local", "example.org:5280"}) {
    Request q = far(get("/"));
    q.headers["host"] = name;
    EXPECT_EQ(status(q), 421) << name;
  }
  Request here = get("/");
  here.headers["host"] = lan_host;
  EXPECT_EQ(status(here), 421);
  const std::string in = paired();
  Request q = far(put("/api/rolls/2026-014%20b/frames/1/verdict", R"({"verdict": "alt"})"), in);
  EXPECT_EQ(status(q), 200);
  for (const char* origin : {"http://192.0.2.7:5280", "https://desk.local:5280",
                             "https://192.0.2.7", "http://127.0.0.1:5279", "null", ""}) {
    q.headers["origin"] = origin;
    EXPECT_EQ(status(q), 403) << origin;
  }
  EXPECT_EQ(lan_hosts("fd00::7", "", 443), (std::vector<std::string>{"[fd00::7]:443", "[fd00::7]"}));
}

TEST_F(GuardTest, TheCookieIsForThisHostOverTlsAndNoScript) {  // 3.3.1 to 3.3.4
  const std::string in = paired();
  EXPECT_TRUE(cookie_line_.starts_with("__Host-lapwright="));
  for (const char* part : {"; Path=/", "; Secure", "; HttpOnly", "; SameSite=Strict", "; Max-Age="})
    EXPECT_NE(cookie_line_.find(part), std::string::npos) << part;
  EXPECT_EQ(cookie_line_.find("Domain"), std::string::npos);
  EXPECT_EQ(status(far(get("/api/shelf"), "a=b; " + in + "; c=d")), 200);
  for (const std::string& cookie : {std::string("__Host-lapwright="), in + "0",
                                    in.substr(0, in.size() - 1), in + "; " + in,
                                    "x" + in, in.substr(in.find('=') + 1)})
    EXPECT_EQ(status(far(get("/api/shelf"), cookie)), 401) << cookie;
  EXPECT_EQ(status(get("/api/shelf")), 200);  // the operator shows none
}

TEST_F(GuardTest, ASessionThatIsOverIsToldAndItsPicturesDoNotStay) {  // 7.4.1, 7.4.5
  const std::string in = paired();
  EXPECT_EQ(status(remove("/api/tablets/" + id_)), 200);
  const Reply out = site_->answer(far(get("/api/shelf"), in));
  EXPECT_EQ(out.status, 401);
  EXPECT_EQ(out.header("Clear-Site-Data"), "\"cache\"");  // the outbox is storage: it stays
  EXPECT_NE(out.header("Set-Cookie").find("Max-Age=0"), std::string_view::npos);
  EXPECT_EQ(status(far(put(ink_, stroke().dump()), in)), 401);
  const std::string again = paired();
  EXPECT_EQ(status(far(remove("/api/me"), again)), 200);  // 7.4.4: by itself
  EXPECT_EQ(status(far(get("/api/shelf"), again)), 401);
}

TEST_F(GuardTest, TooOftenIsToldWithWhen) {  // 6.5.5, 15.2.2
  const std::string in = paired();
  int turned = 0;
  Reply r;
  for (int i = 0; i < 20 && !turned; ++i) {
    r = site_->answer(far(put("/api/pairing", R"({"code": "0000-0000"})")));
    turned = r.status == 429 ? i : 0;
  }
  EXPECT_EQ(turned, 8);  // ten at once, two of them to pair
  EXPECT_GE(std::stoi(std::string(r.header("Retry-After"))), 1);
  turned = 0;
  for (int i = 0; i < 400 && !turned; ++i) {
    r = site_->answer(far(put("/api/rolls/2026-014%20b/frames/99/verdict", "{}"), in));
    turned = r.status == 429 ? i : 0;
  }
  EXPECT_GE(turned, 120);
  EXPECT_FALSE(r.header("Retry-After").empty());
  turned = 0;
  for (int i = 0; i < 5000 && !turned; ++i) {
    r = site_->answer(far(get("/nothing")));
    turned = r.status == 429 ? i : 0;
  }
  EXPECT_GE(turned, 1000);
  for (int i = 0; i < 2000; ++i) ASSERT_EQ(status(get("/page/lamp.svg")), 200);  // not the operator
}

TEST_F(GuardTest, InkBeyondASessionsShareIsNotNow) {  // 15.2.2
  const std::string in = paired();
  tablets_->kept(id_, Tablets::most_bytes - 10);
  EXPECT_EQ(status(far(put(ink_, stroke().dump()), in)), 507);  // the tablet keeps what it drew
  EXPECT_EQ(status(put(ink_, stroke().dump())), 201);
  const std::string again = paired();
  EXPECT_EQ(status(far(put("/api/rolls/2026-014%20b/ink/21111111-2222-4333-8444-555555555555",
                           stroke().dump()),
                       again)),
            201);
}

TEST_F(GuardTest, ThereIsNothingToPairAtTheStationItself) {
  EXPECT_EQ(status(put("/api/pairing", R"({"code": "0000-0000"})")), 404);
  EXPECT_EQ(status(get("/api/pairing")), 404);
  EXPECT_EQ(json(get("/api/me"))["visitor"], "operator");
  const Json now = json(get("/api/tablets"));
  EXPECT_TRUE(now["open"].get<bool>());
  EXPECT_TRUE(now["code"].is_null());
  EXPECT_EQ(status(put("/api/tablets/code", "{}")), 201);
  EXPECT_TRUE(json(get("/api/tablets"))["code"]["url"].get<std::string>().starts_with(
      "https://192.0.2.7:5280/#/pair/"));
  EXPECT_EQ(site_->answer(get("/api/tablets/code.svg")).header("Content-Type"), "image/svg+xml");
  EXPECT_EQ(status(put("/api/tablets/door", R"({"open": true})")), 422);
  EXPECT_EQ(status(put("/api/tablets/door", R"({"open": false})")), 200);
  EXPECT_FALSE(open_);
  EXPECT_EQ(status(put("/api/tablets/code", "{}")), 409);
  EXPECT_EQ(status(remove("/api/tablets/NOBODY")), 404);
}

TEST_F(GuardTest, AListThatCannotBeReadTurnsNobodyOut) {
  const std::string in = paired();
  ASSERT_TRUE(core::write_private_file(folder_ / "tablets.json", "{"));
  const Reply r = site_->answer(far(get("/api/shelf"), in));
  EXPECT_EQ(r.status, 500);
  EXPECT_TRUE(r.header("Set-Cookie").empty());
  EXPECT_EQ(r.body.find("tablets.json"), std::string::npos);  // 16.5.1
}

TEST_F(GuardTest, WhoAsksIsInTheLogAndNoLineIsForged) {  // 16.3.2, 16.4.1
  const std::string in = paired();
  log_.clear();
  EXPECT_EQ(status(far(put("/api/rolls/a%0A/wants", "{}"), in)), 404);
  EXPECT_EQ(status(far(put("/api/tablets/code", "{}"), in)), 403);
  EXPECT_NE(log_.find("refused 403: PUT /api/tablets/code for 192.0.2.7:5280 from 192.0.2.99, tablet " +
                      id_ + "\n"),
            std::string::npos)
      << log_;
  Request q = far(get("/"));
  q.headers["host"] = "a\nrefused";
  EXPECT_EQ(status(q), 421);
  EXPECT_EQ(std::count(log_.begin(), log_.end(), '\n'), 2) << log_;
}

}  // namespace
}  // namespace lapwright::review
