// Marks as the page sends them, and as rolls/NAME/marks.json keeps them. Shapes: W3C Web Annotation
// Data Model (4.2.1 FragmentSelector, 4.2.6 SvgSelector), IIIF Presentation 3.0 (AnnotationPage).
#include "review/marks.h"

#include <sys/wait.h>

#include <cerrno>
#include <regex>

#include "desk_fixture.h"

namespace lapwright::review {
namespace {

class MarksTest : public DeskTest {
 protected:
  std::string frame(const std::string& member, const std::string& name = "1") {
    return "/api/rolls/2026-014%20b/frames/" + name + "/" + member;
  }
  Json page() { return json(get("/iiif/rolls/2026-014%20b/marks.json")); }
};

TEST_F(MarksTest, VerdictNoteAndCropStandAsAnnotationsOnTheirFrame) {
  EXPECT_EQ(status(put(frame("verdict", "12A"), R"({"verdict": "select"})")), 200);
  EXPECT_EQ(status(put(frame("note", "12A"), R"({"note": "the left one\nbrighter"})")), 200);
  EXPECT_EQ(status(put(frame("crop", "12A"), R"({"crop": [16, 47, 30, 20]})")), 200);
  const Json state = roll();
  const Json& f = state["frames"][2];
  EXPECT_EQ(f["verdict"], "select");
  EXPECT_EQ(f["note"], "the left one\nbrighter");
  EXPECT_EQ(f["crop"], Json({16, 47, 30, 20}));
  const Json p = page();
  EXPECT_EQ(p["type"], "AnnotationPage");
  EXPECT_EQ(p["@context"].back(), "http://iiif.io/api/presentation/3/context.json");
  ASSERT_EQ(p["items"].size(), 3u);
  const Json& verdict = p["items"][0];
  EXPECT_EQ(verdict["type"], "Annotation");
  EXPECT_EQ(verdict["motivation"], "assessing");
  EXPECT_EQ(verdict["body"]["value"], "select");
  const std::string at = std::string("http://") + host + "/iiif/rolls/2026-014%20b/";
  EXPECT_EQ(verdict["target"]["source"], at + "sheet");
  EXPECT_EQ(verdict["target"]["selector"]["type"], "FragmentSelector");
  EXPECT_EQ(verdict["target"]["selector"]["conformsTo"], "http://www.w3.org/TR/media-frags/");
  EXPECT_TRUE(std::regex_match(verdict["target"]["selector"]["value"].get<std::string>(),
                               std::regex("xywh=pixel:\\d+,\\d+,\\d+,\\d+")));
  EXPECT_EQ(p["items"][1]["motivation"], "commenting");
  EXPECT_EQ(p["items"][2]["motivation"], "editing");
  // Taken back.
  EXPECT_EQ(status(put(frame("verdict", "12A"), R"({"verdict": null})")), 200);
  EXPECT_EQ(status(put(frame("note", "12A"), R"({"note": ""})")), 200);
  EXPECT_EQ(status(put(frame("crop", "12A"), R"({"crop": null})")), 200);
  EXPECT_EQ(page()["items"].size(), 0u);
}

TEST_F(MarksTest, AStrokeIsOneFilledPathMadeFromNumbersAndItsSamplesStayBesideIt) {
  EXPECT_EQ(status(put(ink_, stroke().dump())), 201);
  const Json a = page()["items"][0];
  EXPECT_EQ(a["id"], std::string("urn:uuid:") + uuid);
  EXPECT_EQ(a["target"]["selector"]["type"], "SvgSelector");
  const std::string svg = a["target"]["selector"]["value"];
  EXPECT_TRUE(std::regex_match(
      svg, std::regex(R"(<svg xmlns="http://www\.w3\.org/2000/svg"><path fill="#[0-9a-f]{6}" )"
                      R"(d="M-?[0-9. ]+(Q-?[0-9. -]+)+Z"/></svg>)")))
      << svg;
  EXPECT_EQ(a["ink"]["samples"], stroke()["samples"]);
  EXPECT_EQ(roll()["ink"][0]["id"], uuid);
  EXPECT_EQ(roll()["ink"][0]["samples"], stroke()["samples"]);
}

TEST_F(MarksTest, TheSameStrokeTwiceIsOneAndAnotherUnderItsIdIsRefused) {
  EXPECT_EQ(status(put(ink_, stroke().dump())), 201);
  const auto before = core::read_file(marks_file());
  EXPECT_EQ(status(put(ink_, stroke().dump())), 200);
  EXPECT_EQ(*core::read_file(marks_file()), *before);
  Json other = stroke();
  other["colour"] = "blue";
  EXPECT_EQ(status(put(ink_, other.dump())), 409);
  EXPECT_EQ(*core::read_file(marks_file()), *before);
  EXPECT_EQ(json(remove(ink_))["removed"], true);
  EXPECT_EQ(json(remove(ink_))["removed"], false);
  EXPECT_EQ(roll()["ink"].size(), 0u);
}

// ASVS 5.0 row 2.2.1 (input is validated), 1.3.4 (SVG), 5.2.1 (sizes).
TEST_F(MarksTest, HostileStrokesAreRefusedAndNothingIsWritten) {
  const auto with = [](const char* key, const Json& value) {
    Json s = stroke();
    s[key] = value;
    return s.dump();
  };
  Json many = Json::array(), gone = Json::array();
  for (int i = 0; i < 20001 * 4; ++i) many.push_back(i % 4 == 2 ? 0 : i % 4 == 3 ? 5 : 20);
  const std::vector<std::string> wrong = {
      "",
      "[]",
      "null",
      "7",
      "\"x\"",
      "{}",
      "{",
      std::string(300, '['),
      "\xff\xfe",
      with("colour", "#fff"),
      with("colour", "red\" onload=\"x"),
      with("colour", nullptr),
      with("width", 0),
      with("width", -1),
      with("width", 1e300),
      with("width", "0.9"),
      with("samples", Json::array()),
      with("samples", {1, 2, 3}),
      with("samples", "20 20"),
      with("samples", {20, 20, 2, 0}),
      with("samples", {20, 20, -0.1, 0}),
      with("samples", {20, 20, 0.5, -1}),
      with("samples", {20, 20, 0.5, 5, 20, 20, 0.5, 4}),
      with("samples", {1e9, 20, 0.5, 0}),
      with("samples", {nullptr, 20, 0.5, 0}),
      with("samples", {"<svg>", 20, 0.5, 0}),
      with("samples", {{20}, 20, 0.5, 0}),
      with("samples", many),
      with("outline", {1, 2, 3, 4}),
      with("outline", {20, 20, 20, 20, 20, 900}),
      with("outline", "M0 0L1 1<script>"),
      with("outline", {20, 20, 20, 20, 20, "20"}),
      R"({"colour":"red","width":0.9,"samples":[1e999,20,0.5,0],"outline":[20,20,21,20,20,21]})",
      R"({"colour":"red","width":0.9,"samples":[NaN,20,0.5,0],"outline":[20,20,21,20,20,21]})"};
  for (const std::string& body : wrong) {
    const int s = status(put(ink_, body));
    EXPECT_TRUE(s == 400 || s == 422) << s << " " << body.substr(0, 200);
  }
  for (const char* id :
       {"1", "..", "11111111-2222-4333-8444-55555555555G", "11111111-2222-4333-8444-5555555555555",
        "AAAAAAAA-2222-4333-8444-555555555555"})
    EXPECT_NE(status(put(std::string("/api/rolls/2026-014%20b/ink/") + id, stroke().dump())), 201)
        << id;
  EXPECT_FALSE(std::filesystem::exists(marks_file()));
  // Members that are not asked for are not kept: no SVG text of a client reaches the file.
  Json more = stroke();
  more["svg"] = "<svg onload='x'>", more["id"] = "else", more["path"] = "M0 0";
  EXPECT_EQ(status(put(ink_, more.dump())), 201);
  const std::string text = *core::read_file(marks_file());
  EXPECT_EQ(text.find("onload"), std::string::npos);
  EXPECT_EQ(text.find("\"path\""), std::string::npos);
}

TEST_F(MarksTest, HostileVerdictsNotesAndCropsAreRefused) {
  for (const char* body :
       {"{}", R"({"verdict": "best"})", R"({"verdict": 1})", R"({"verdict": ""})", "[]"})
    EXPECT_EQ(status(put(frame("verdict"), body)), 422) << body;
  for (const std::string& body :
       {std::string("{}"), std::string(R"({"note": 7})"),
        R"({"note": ")" + std::string(2001, 'a') + "\"}", std::string(R"({"note": "a\u0000b"})"),
        std::string(R"({"note": "a\u001bb"})")})
    EXPECT_EQ(status(put(frame("note"), body)), 422) << body.substr(0, 60);
  for (const char* body :
       {"{}", R"({"crop": [16, 11, 1]})", R"({"crop": [16, 11, 0.5, 5]})",
        R"({"crop": [14, 11, 5, 5]})", R"({"crop": [16, 11, 40, 5]})",
        R"({"crop": [16, 11, -5, 5]})", R"({"crop": ["16", 11, 5, 5]})", R"({"crop": 1})"})
    EXPECT_EQ(status(put(frame("crop"), body)), 422) << body;
  EXPECT_EQ(status(put(frame("verdict", "99"), R"({"verdict": "select"})")), 404);
  EXPECT_EQ(status(put(frame("stars"), R"({"stars": 5})")), 404);
  EXPECT_FALSE(std::filesystem::exists(marks_file()));
}

TEST_F(MarksTest, TheLedgerIsToldOfVerdictsAndAuditsNoMarks) {
  EXPECT_EQ(status(put(frame("verdict"), R"({"verdict": "kill"})")), 200);
  EXPECT_EQ(status(put(frame("verdict"), R"({"verdict": null})")), 200);
  site_.reset(), desk_.reset();
  auto ledger = ledger::Ledger::open(archive_);
  ASSERT_TRUE(ledger);
  const auto troubles = ledger->audit();
  ASSERT_TRUE(troubles);
  for (const auto& t : *troubles) ADD_FAILURE() << t.path << ": " << t.trouble;
  const auto state = ledger->state(roll_);
  EXPECT_TRUE(state && state->due.empty());  // a verdict puts nothing on the work list
  EXPECT_EQ(ledger->verdict(roll_, "99", "select").error().fault, Fault::bad_data);
}

TEST_F(MarksTest, AnnotationsOfOthersStayAndABrokenFileIsLeftAlone) {
  const std::string other =
      R"({"@context": [], "items": [{"id": "urn:x:1", "type": "Annotation", "body": {"value": "hello"}}]})";
  ASSERT_TRUE(core::write_file(marks_file(), other));
  EXPECT_EQ(status(put(ink_, stroke().dump())), 201);
  ASSERT_EQ(page()["items"].size(), 2u);
  EXPECT_EQ(page()["items"][0]["body"]["value"], "hello");
  for (const char* broken : {"{\"items\": [", "[]", "{\"items\": 7}", "{\"items\": [7]}"}) {
    ASSERT_TRUE(core::write_file(marks_file(), broken));
    EXPECT_EQ(status(put(frame("verdict"), R"({"verdict": "alt"})")), 500);
    EXPECT_EQ(*core::read_file(marks_file()), broken);
    EXPECT_EQ(site_->answer(get("/api/rolls/2026-014%20b")).body.find(archive_.string()),
              std::string::npos);  // ASVS 16.5.1: no details in the reply
  }
  EXPECT_NE(log_.find("marks.json"), std::string::npos);
}

TEST_F(MarksTest, WhatAnotherProcessMarkedIsReadAgain) {
  auto second_ledger = ledger::Ledger::open(archive_);
  ASSERT_TRUE(second_ledger);
  Desk second(archive_, std::move(*second_ledger));
  Site other(second, *bedside_, Door{"http", loopback_hosts(5279), Visitor::operator_here}, [](const std::string&) {});
  EXPECT_EQ(status(put(frame("verdict"), R"({"verdict": "alt"})")), 200);
  EXPECT_EQ(other.answer(put(ink_, stroke().dump())).status, 201);
  EXPECT_EQ(status(put(frame("note"), R"({"note": "both"})")), 200);
  EXPECT_EQ(page()["items"].size(), 3u);
}

TEST_F(MarksTest, EveryCallThatFailsLeavesTheFileWholeAndTheMarkCanBeSentAgain) {
  EXPECT_EQ(status(put(frame("note"), R"({"note": "before"})")), 200);
  const std::string before = *core::read_file(marks_file());
  int failures = 0;
  for (std::int64_t n = 1; n < 60; ++n) {
    core::fail_nth_call(n, ENOSPC);
    const int s = status(put(ink_, stroke().dump()));
    core::fail_nth_call(0, 0);
    const std::string now = *core::read_file(marks_file());
    EXPECT_TRUE(Json::accept(now)) << n;
    if (s == 201) {
      EXPECT_NE(now, before);
      break;
    }
    ++failures;
    EXPECT_TRUE(s == 500 || s == 507) << s;
    // Sent again it is there, once; then as before for the next failure.
    const int again = status(put(ink_, stroke().dump()));
    EXPECT_TRUE(again == 201 || again == 200) << n;
    EXPECT_EQ(roll()["ink"].size(), 1u);
    EXPECT_EQ(status(remove(ink_)), 200);
  }
  EXPECT_GT(failures, 3);
}

TEST_F(MarksTest, AKillBetweenLeavesTheOldMarksOrTheNew) {
  EXPECT_EQ(status(put(frame("note"), R"({"note": "before"})")), 200);
  int killed = 0, kept = 0;
  for (int n = 1; n < 40; ++n) {
    const pid_t child = ::fork();
    if (child == 0) {
      int calls = 0;
      core::watch_calls([&](const core::DiskCall&) {
        if (++calls == n) ::_exit(9);
      });
      Marks marks(archive_ / "rolls" / roll_);
      const auto sheet = desk_->sheet(roll_);
      auto s = read_stroke(stroke(), uuid, (*sheet)->about);
      ::_exit(s && marks.keep(*s, (*sheet)->about) ? 0 : 1);
    }
    int how = 0;
    ::waitpid(child, &how, 0);
    const Json now = Json::parse(*core::read_file(marks_file()));
    ASSERT_GE(now["items"].size(), 1u);
    if (WEXITSTATUS(how) == 0) {
      EXPECT_EQ(now["items"].size(), 2u);
      ++kept;
      break;
    }
    EXPECT_EQ(WEXITSTATUS(how), 9);
    ++killed;
    EXPECT_EQ(status(remove(ink_)), 200);
    EXPECT_EQ(page()["items"].size(), 1u);
  }
  EXPECT_GT(killed, 3);
  EXPECT_EQ(kept, 1);
}

}  // namespace
}  // namespace lapwright::review
