// What the page knows of a station, from a seat that this test holds.
#include "review/bedside.h"

#include "core/clock.h"
#include "desk_fixture.h"
#include "station/seat.h"

namespace lapwright::review {
namespace {

Json event(const std::string& kind, const std::string& at, Json members = Json::object()) {
  Json e = {{"at", at}, {"event", kind}};
  e.update(members);
  return e;
}

class BedsideTest : public DeskTest {
 protected:
  void SetUp() override {
    auto folder = core::temporary_folder();
    ASSERT_TRUE(folder);
    run_ = *folder;
    ::setenv("XDG_RUNTIME_DIR", run_.c_str(), 1);
    DeskTest::SetUp();
  }
  void TearDown() override {
    DeskTest::TearDown();
    ::unsetenv("XDG_RUNTIME_DIR");
    std::filesystem::remove_all(run_);
  }
  void start() {
    seat_ = std::make_unique<station::Seat>();
    ASSERT_TRUE(seat_->open(archive_, [this](station::Heard h) {
      const std::lock_guard guard(lock_);
      heard_ += h.word.empty() ? "key " : h.word + " ";
    }));
    seat_->tell(event("ready", "0", {{"bed", "b"}}));
  }
  bool until(const std::function<bool()>& test, double seconds = 10) {
    const core::Stopwatch watch;
    while (!test() && watch.seconds() < seconds) std::this_thread::sleep_for(std::chrono::milliseconds(5));
    return test();
  }
  bool about(const std::string& word) {
    return until([&] { return bedside_->state().at("about") == word; });
  }
  std::string heard() {
    const std::lock_guard guard(lock_);
    return heard_;
  }
  static Request post(const std::string& target, const std::string& body) {
    Request q = put(target, body);
    q.method = "POST";
    return q;
  }

  std::filesystem::path run_;
  std::mutex lock_;
  std::string heard_;
  std::unique_ptr<station::Seat> seat_;
};

TEST_F(BedsideTest, WithoutAStationThePageIsToldSoAndItIsFoundWhenItStarts) {
  const Json none = json(get("/api/station"));
  EXPECT_EQ(none["station"], Json({{"running", false}, {"about", "stopped"}, {"finishing", Json::array()}}));
  EXPECT_EQ(none["archive"], archive_.string());
  EXPECT_EQ(none["last"]["roll"], roll_);
  EXPECT_EQ(status(post("/api/station/key", R"({"place": "1"})")), 409);
  EXPECT_EQ(status(post("/api/station/cancel", "{}")), 409);
  start();
  seat_->tell(event("place", "1", {{"roll", "r"}}));
  ASSERT_TRUE(about("placing"));
  EXPECT_EQ(json(get("/api/station"))["station"]["place"]["roll"], "r");
  // It goes: what ended it stays to be read; it comes again.
  seat_->tell(event("fault", "2", {{"say", "the disk is full"}, {"fatal", true}}));
  seat_.reset();
  ASSERT_TRUE(about("stopped"));
  EXPECT_EQ(bedside_->state()["fault"]["say"], "the disk is full");
  start();
  ASSERT_TRUE(about("seeking"));
  EXPECT_FALSE(bedside_->state().contains("fault"));
}

TEST_F(BedsideTest, AKeyCountsForThePlaceThatItWasPressedForOnly) {
  start();
  seat_->tell(event("place", "1"));
  ASSERT_TRUE(about("placing"));
  EXPECT_EQ(status(post("/api/station/key", R"({"place": "0"})")), 409);
  EXPECT_EQ(status(post("/api/station/key", R"({"place": "1"})")), 202);
  ASSERT_TRUE(until([&] { return heard() == "key "; }));
  seat_->tell(event("key", "2"));
  ASSERT_TRUE(about("looking"));
  EXPECT_EQ(status(post("/api/station/key", R"({"place": "1"})")), 409) << "it looks already";
  EXPECT_EQ(status(post("/api/station/cancel", "{}")), 202);
  ASSERT_TRUE(until([&] { return heard() == "key cancel "; }));
}

TEST_F(BedsideTest, WhatWaitsIsInTheStationsOrder) {
  auto ledger = ledger::Ledger::open(archive_);
  ASSERT_TRUE(ledger);
  ASSERT_TRUE(ledger->want(roll_, {"2", "12A"}, {}));
  ASSERT_TRUE(ledger->add_roll({"a later one", "135-7x5", "c41-daylight-400", "", "", ""}));
  const Json queue = json(get("/api/station"))["queue"];
  EXPECT_EQ(queue, Json::parse(R"([{"roll": "a later one", "job": "proof"}, {"roll": "2026-014 b", "job": "full", "frames": ["2", "12A"]}])"));
}

TEST_F(BedsideTest, ThePagesRulesForChangesHoldAtTheBed) {  // ASVS 5.0, 3.5.1 to 3.5.3
  start();
  seat_->tell(event("place", "1"));
  ASSERT_TRUE(about("placing"));
  for (const char* header : {"lapwright-change", "origin", "content-type"}) {
    for (const char* target : {"/api/station/key", "/api/station/cancel"}) {
      Request q = post(target, R"({"place": "1"})");
      q.headers.erase(header);
      EXPECT_GE(status(q), 403) << header;
      EXPECT_LE(status(q), 415) << header;
    }
  }
  Request elsewhere = post("/api/station/key", R"({"place": "1"})");
  elsewhere.headers["origin"] = "http://example.org";
  EXPECT_EQ(status(elsewhere), 403);
  Request watches = get("/api/station/events");
  watches.headers["sec-fetch-site"] = "cross-site";
  EXPECT_EQ(status(watches), 403);
  EXPECT_EQ(status(get("/api/station/key")), 404);
  EXPECT_EQ(status(put("/api/station/key", R"({"place": "1"})")), 404);
  for (const char* body : {"", "[]", "7", "{", R"({"place": 7})", "{}"}) EXPECT_GE(status(post("/api/station/key", body)), 400) << body;
  EXPECT_EQ(status(post("/api/rolls/x", "{}")), 404);
  EXPECT_EQ(heard(), "");
}

TEST_F(BedsideTest, OnlyTheOperatorOnThisMachineWorksTheStation) {
  Site site(*desk_, *bedside_, Door{"http", loopback_hosts(5279), Visitor::reviewer}, [](const std::string&) {});
  for (const Request& q : {get("/api/station"), get("/api/station/events"), get("/api/%73tation"), post("/api/station/key", R"({"place": "1"})"),
                           post("/api/station/cancel", "{}")}) {
    const Reply r = site.answer(q);
    EXPECT_EQ(r.status, 403) << q.target;
    EXPECT_FALSE(r.flow);
  }
  EXPECT_EQ(site.answer(get("/api/shelf")).status, 200);
}

TEST_F(BedsideTest, AWatcherGetsTheWholeThenWhatChangesAndSixteenWatchAtMost) {
  start();
  seat_->tell(event("place", "1", {{"roll", "r"}}));
  ASSERT_TRUE(about("placing"));
  const Reply r = site_->answer(get("/api/station/events"));
  EXPECT_EQ(r.header("Content-Type"), "text/event-stream");
  EXPECT_EQ(r.header("X-Content-Type-Options"), "nosniff");
  ASSERT_TRUE(r.flow);
  const std::string whole = r.flow->take();
  ASSERT_TRUE(whole.starts_with("retry: 1000\nevent: whole\ndata: {")) << whole;
  ASSERT_TRUE(whole.ends_with("}\n\n"));
  EXPECT_EQ(Json::parse(whole.substr(whole.find("data: ") + 6))["place"]["roll"], "r");
  seat_->tell(event("key", "2"));
  ASSERT_TRUE(about("looking"));
  EXPECT_EQ(r.flow->take(), "data: {\"about\":\"looking\"}\n\n");
  seat_->tell(event("waiting", "3", {{"say", "line\nline"}}));
  ASSERT_TRUE(about("waiting"));
  EXPECT_EQ(r.flow->take(), "data: {\"about\":\"waiting\",\"waiting\":{\"at\":\"3\",\"event\":\"waiting\",\"say\":\"line\\nline\"},\"place\":null}\n\n");
  std::vector<Reply> more;
  for (std::size_t i = 1; i < Bedside::most_watchers; ++i) more.push_back(site_->answer(get("/api/station/events")));
  EXPECT_EQ(more.back().status, 200);
  EXPECT_EQ(site_->answer(get("/api/station/events")).status, 503);
  more.clear();
  EXPECT_EQ(site_->answer(get("/api/station/events")).status, 200);
}

TEST(Flow, OneThatIsNotReadEndsAndKeepsNothing) {
  Flow stream(100);
  int woken = 0;
  stream.on_push([&] { ++woken; });
  stream.push(std::string(60, 'a'));
  EXPECT_EQ(stream.take().size(), 60u);
  EXPECT_FALSE(stream.ended());
  stream.push(std::string(60, 'a'));
  stream.push(std::string(60, 'b'));
  EXPECT_TRUE(stream.ended());
  EXPECT_EQ(stream.take(), "");
  stream.push("more");
  EXPECT_EQ(stream.take(), "");
  EXPECT_EQ(woken, 3);
}

}  // namespace
}  // namespace lapwright::review
