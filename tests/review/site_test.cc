// What the page's addresses answer and refuse. Each test of a refusal names its row of OWASP
// ASVS 5.0.
#include "review/site.h"

#include "desk_fixture.h"
#include "review/page_files.h"

namespace lapwright::review {
namespace {

class SiteTest : public DeskTest {
 protected:
  std::string tile() const {
    return "/iiif/image/" + image_ + "/0,0,512,512/512,512/0/default.jpg";
  }
  std::string verdict() const { return "/api/rolls/2026-014%20b/frames/1/verdict"; }
};

TEST_F(SiteTest, ThePageAndEverythingItLoadsIsInTheBinary) {
  ASSERT_TRUE(page_is_whole()) << "built without openseadragon and perfect-freehand: see the "
                                  "configuration's warning, or give -DWEB_VENDOR_DIR";
  const Reply r = site_->answer(get("/"));
  EXPECT_EQ(r.status, 200);
  EXPECT_EQ(r.header("Content-Type"), "text/html; charset=utf-8");
  for (const char* name :
       {"app.js", "api.js", "keys.js", "ink.js", "pane.js", "sheet.js", "shelf.js", "beside.js",
         "bed.js", "lay.js", "parts.js", "pairing.js", "tablets.js", "trim.js", "loupe.js", "table.css", "lamp.svg", "openseadragon.min.js", "perfect-freehand.js"}) {
    const Reply file = site_->answer(get(std::string("/page/") + name));
    EXPECT_EQ(file.status, 200) << name;
    EXPECT_FALSE(file.body.empty()) << name;
    EXPECT_FALSE(file.header("Content-Type").empty()) << name;
    Request again = get(std::string("/page/") + name);
    again.headers["if-none-match"] = std::string(file.header("ETag"));
    EXPECT_EQ(site_->answer(again).status, 304);
  }
  // Nothing in it comes from elsewhere, and the policy needs no exception for it (3.4.3).
  const std::string html = r.body;
  EXPECT_EQ(html.find("http:"), std::string::npos);
  EXPECT_EQ(html.find("https:"), std::string::npos);
  EXPECT_EQ(html.find(" style="), std::string::npos);
  EXPECT_EQ(html.find(" onclick="), std::string::npos);
  // What it says to fetch early is what it will need: nothing that is not there.
  for (std::size_t at = html.find("\"/page/"); at != std::string::npos; at = html.find("\"/page/", at + 1)) {
    const std::string named = html.substr(at + 1, html.find('"', at + 1) - at - 1);
    EXPECT_EQ(site_->answer(get(named)).status, 200) << named;
  }
}

TEST_F(SiteTest, EveryReplyCarriesTheProtectingHeaders) {  // 3.4.3, 3.4.4, 3.4.5, 3.4.6, 3.5.8
  for (const Request& q :
       {get("/"), get(tile()), get("/api/shelf"), get("/nothing"), get("/page/app.js"),
        put(verdict(), "{}"), remove("/x"), Request{"GET", "/", {}, {}}}) {
    const Reply r = site_->answer(q);
    const std::string policy(r.header("Content-Security-Policy"));
    EXPECT_TRUE(
        policy.starts_with("default-src 'none'; script-src 'self'; style-src 'self' 'sha256-"));
    EXPECT_EQ(policy.find("unsafe"), std::string::npos);
    EXPECT_NE(policy.find("frame-ancestors 'none'"), std::string::npos);
    EXPECT_EQ(r.header("X-Content-Type-Options"), "nosniff");
    EXPECT_EQ(r.header("Cross-Origin-Resource-Policy"), "same-origin");
    EXPECT_EQ(r.header("Referrer-Policy"), "no-referrer");
    for (const auto& [name, value] : r.headers)
      EXPECT_FALSE(name.starts_with("Access-Control")) << name;  // 3.4.2: no CORS
  }
}

TEST_F(SiteTest, OnlyTheHostsOfTheListAreServed) {  // supports 3.5.1 to 3.5.3
  for (const char* name : {"127.0.0.1:5279", "localhost:5279", "[::1]:5279"}) {
    Request q = get("/");
    q.headers["host"] = name;
    EXPECT_EQ(status(q), 200) << name;
  }
  for (const char* name :
       {"", "example.org", "example.org:5279", "127.0.0.1", "127.0.0.1:80", "localhost",
        "127.0.0.1:5279.example.org", "LOCALHOST:5279 ", "127.0.0.1:5279, example.org"}) {
    Request q = get("/");
    q.headers["host"] = name;
    EXPECT_EQ(status(q), 421) << name;
  }
  EXPECT_EQ(status({"GET", "/", {}, {}}), 421);
}

TEST_F(SiteTest, AChangeComesFromThePageOnly) {  // 3.5.1, 3.5.2, 3.5.3
  const std::string body = R"({"verdict": "select"})";
  EXPECT_EQ(status(put(verdict(), body)), 200);
  const auto without = [&](const char* name, const char* value) {
    Request q = put(verdict(), body);
    if (value)
      q.headers[name] = value;
    else
      q.headers.erase(name);
    return status(q);
  };
  EXPECT_EQ(without("lapwright-change", nullptr), 403);
  EXPECT_EQ(without("lapwright-change", "0"), 403);
  EXPECT_EQ(without("origin", nullptr), 403);
  EXPECT_EQ(without("origin", "null"), 403);
  EXPECT_EQ(without("origin", "http://example.org"), 403);
  EXPECT_EQ(without("origin", "https://127.0.0.1:5279"), 403);
  EXPECT_EQ(without("origin", "http://localhost:5279"),
            403);  // another of our names is not this page
  EXPECT_EQ(without("sec-fetch-site", "cross-site"), 403);
  EXPECT_EQ(without("sec-fetch-site", "same-site"), 403);
  EXPECT_EQ(without("sec-fetch-site", "none"), 403);
  EXPECT_EQ(without("sec-fetch-site", nullptr), 200);  // an older browser sends none
  EXPECT_EQ(without("content-type", "text/plain"), 415);
  EXPECT_EQ(without("content-type", "application/x-www-form-urlencoded"), 415);
  EXPECT_EQ(without("content-type", nullptr), 415);
  for (const char* method : {"PATCH", "OPTIONS", "TRACE", "CONNECT", "get", ""}) {
    Request q = put(verdict(), body);
    q.method = method;
    EXPECT_EQ(status(q), 405) << method;
  }
}

TEST_F(SiteTest, OtherSitesGetNoPictures) {  // 3.5.8
  Request q = get(tile());
  q.headers["sec-fetch-site"] = "cross-site", q.headers["sec-fetch-mode"] = "no-cors";
  EXPECT_EQ(status(q), 403);
  Request link = get("/");
  link.headers["sec-fetch-site"] = "cross-site", link.headers["sec-fetch-mode"] = "navigate";
  EXPECT_EQ(status(link), 200);
}

TEST_F(SiteTest, NoAddressIsAPath) {  // 5.3.2, 13.4.3, 13.4.7
  for (const char* target : {"/../ledger.sqlite",
                             "/%2e%2e/ledger.sqlite",
                             "/page/../app.js",
                             "/page/%2e%2e%2fapp.js",
                             "/page/..%2f..%2fledger.sqlite",
                             "/ledger.sqlite",
                             "/rolls",
                             "/page/",
                             "/page",
                             "//",
                             "/%00",
                             "/%",
                             "/%zz",
                             "/%2",
                             "/iiif/rolls/..%2f/manifest.json",
                             "/iiif/rolls/%2e%2e/manifest.json",
                             "/api/rolls/..",
                             "/api/rolls/../shelf",
                             "/iiif/image/../info.json",
                             "/iiif/image/x/info.json",
                             "/api/rolls/",
                             "/api",
                             "/api/rolls/2026-014%20b/../../../x",
                             "*",
                             "",
                             "http://127.0.0.1:5279/",
                             "/a/b/c/d/e/f/g/h/i/j",
                             "/iiif/rolls/nobody/manifest.json",
                             "/.git/config"}) {
    EXPECT_EQ(status(get(target)), 404) << target;
  }
  EXPECT_EQ(status(get("/" + std::string(3000, 'a'))), 414);
}

TEST_F(SiteTest, FaultsTellNoDetails) {  // 16.5.1
  std::filesystem::remove(archive_ / "rolls" / roll_ / "proof" / "proof.tif");
  const Reply r = site_->answer(get(tile()));
  EXPECT_GE(r.status, 404);
  EXPECT_EQ(r.body.find(archive_.string()), std::string::npos);
}

TEST_F(SiteTest, TilesAreJpegsThatABrowserMayKeep) {
  const Reply r = site_->answer(get(tile()));
  EXPECT_EQ(r.status, 200);
  EXPECT_EQ(r.header("Content-Type"), "image/jpeg");
  EXPECT_EQ(r.body.substr(0, 4), "\xFF\xD8\xFF\xE0");
  EXPECT_NE(r.header("Cache-Control").find("immutable"), std::string_view::npos);
  EXPECT_EQ(status(get("/iiif/image/" + image_)), 303);
  EXPECT_EQ(status(get("/iiif/image/" + image_ + "/full/max/0/default.jpg")), 200);
  EXPECT_EQ(status(get("/iiif/image/" + image_ + "/full/90,90/0/default.jpg")), 200);
  EXPECT_EQ(status(get("/iiif/image/" + image_ + "/10,10,700,500/70,50/0/default.jpg")), 200);
  EXPECT_EQ(status(get("/iiif/image/" + image_ + "/full/max/90/default.jpg")), 400);
}

TEST_F(SiteTest, TheShelfAndTheChosenFrames) {
  EXPECT_EQ(status(put(verdict(), R"({"verdict": "select"})")), 200);
  EXPECT_EQ(status(put("/api/rolls/2026-014%20b/frames/2/verdict", R"({"verdict": "kill"})")), 200);
  const Json shelf = json(get("/api/shelf"));
  ASSERT_EQ(shelf["rolls"].size(), 1u);
  EXPECT_EQ(shelf["rolls"][0]["roll"], roll_);
  EXPECT_EQ(shelf["rolls"][0]["counts"]["select"], 1);
  EXPECT_EQ(shelf["rolls"][0]["counts"]["kill"], 1);
  const Json chosen = json(get("/api/selects"))["selects"];
  ASSERT_EQ(chosen.size(), 1u);
  EXPECT_EQ(chosen[0]["frame"], "1");
  EXPECT_EQ(status(get(chosen[0]["image"].get<std::string>() + "/" +
                       chosen[0]["region"].get<std::string>() + "/48,32/0/default.jpg")),
            200);
}

}  // namespace
}  // namespace lapwright::review
