// Pairing and sessions, with clocks that the test sets. Rows of OWASP ASVS 5.0 as named.
#include "review/tablets.h"

#include <gtest/gtest.h>
#include <sys/stat.h>
#include <unistd.h>

#include <fstream>
#include <nlohmann/json.hpp>
#include <set>
#include <sstream>

#include "core/files.h"
#include "review/rates.h"

namespace lapwright::review {
namespace {

constexpr const char* address = "192.0.2.7";

class TabletsTest : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = std::filesystem::temp_directory_path() /
              (std::string("tablets-test-") +
               ::testing::UnitTest::GetInstance()->current_test_info()->name() + "-" +
               std::to_string(::getpid()));
    std::filesystem::remove_all(folder_);
    open();
  }
  void TearDown() override {
    tablets_.reset();
    std::filesystem::remove_all(folder_);
  }
  void open(const std::string& archive = "/archive") {
    tablets_.reset();
    tablets_ = std::make_unique<Tablets>(
        folder_, archive, [this](const std::string& line) { log_ += line + "\n"; },
        Tablets::Clocks{[this] { return wall_; }, [this] { return steady_; }});
  }
  void pass(double seconds) { wall_ += seconds, steady_ += seconds; }

  /// Pairs, and gives the token.
  std::string paired(const std::string& from = address) {
    const auto given = tablets_->give_code(tablets_->new_code().text, from);
    EXPECT_EQ(given.how, Tablets::Given::How::taken);
    EXPECT_TRUE(tablets_->decide(given.id, true, "by key"));
    const auto token = tablets_->collect(given.secret, from, {});
    EXPECT_TRUE(token && *token);
    secret_ = given.secret, id_ = given.id;
    return **token;
  }
  bool in(const std::string& token) {
    const auto who = tablets_->who(token, address);
    EXPECT_TRUE(who) << who.error().text;
    return who && *who;
  }
  std::string file() const {
    std::ifstream in(folder_ / "tablets.json");
    std::stringstream all;
    all << in.rdbuf();
    return all.str();
  }

  std::filesystem::path folder_;
  double wall_ = 1.8e9, steady_ = 1000;
  std::string log_, secret_, id_;
  std::unique_ptr<Tablets> tablets_;
};

TEST_F(TabletsTest, ACodeHasFortyBitsAndNoTwoAreAlike) {  // 6.5.3, 6.5.4
  std::set<std::string> seen;
  std::set<char> used;
  for (int i = 0; i < 500; ++i) {
    const std::string code = tablets_->new_code().text;
    ASSERT_EQ(code.size(), 9u);
    ASSERT_EQ(code[4], '-');
    for (const char c : code) used.insert(c);
    seen.insert(code);
  }
  EXPECT_EQ(seen.size(), 500u);
  EXPECT_EQ(used.size(), 33u);  // all 32 characters, and the dash: five bits each, eight of them
}

TEST_F(TabletsTest, ACodeIsUsedOnce) {  // 6.5.1
  const std::string code = tablets_->new_code().text;
  EXPECT_EQ(tablets_->give_code(code, address).how, Tablets::Given::How::taken);
  EXPECT_EQ(tablets_->give_code(code, address).how, Tablets::Given::How::wrong);
  EXPECT_FALSE(tablets_->code());
}

TEST_F(TabletsTest, ACodeLivesFiveMinutes) {  // 6.5.5
  std::string code = tablets_->new_code().text;
  pass(299);
  EXPECT_TRUE(tablets_->code());
  pass(2);
  EXPECT_FALSE(tablets_->code());
  EXPECT_EQ(tablets_->give_code(code, address).how, Tablets::Given::How::wrong);
}

TEST_F(TabletsTest, FiveTriesThenANewOne) {  // 6.6.3
  const std::string code = tablets_->new_code().text;
  const std::string wrong = code == "0000-0000" ? "1111-1111" : "0000-0000";
  for (int i = 0; i < 5; ++i)
    EXPECT_EQ(tablets_->give_code(wrong, address).how, Tablets::Given::How::wrong);
  EXPECT_EQ(tablets_->give_code(code, address).how, Tablets::Given::How::wrong);
  EXPECT_EQ(tablets_->give_code(tablets_->new_code().text, address).how,
            Tablets::Given::How::taken);
}

TEST_F(TabletsTest, ACodeMayBeTypedAsAPersonTypes) {
  std::string code;
  do code = tablets_->new_code().text;
  while (code.find_first_of("01") == std::string::npos);
  for (char& c : code) c = c == '0' ? 'o' : c == '1' ? 'l' : static_cast<char>(std::tolower(c));
  code.insert(2, " ");
  EXPECT_EQ(tablets_->give_code(code, address).how, Tablets::Given::How::taken);
}

TEST_F(TabletsTest, NobodyComesInWithoutTheOperatorsWord) {  // 6.6.2, 7.6.2
  const auto given = tablets_->give_code(tablets_->new_code().text, address);
  EXPECT_EQ(tablets_->standing(given.secret, address), Tablets::Standing::waiting);
  auto token = tablets_->collect(given.secret, address, {});
  EXPECT_TRUE(token && !*token);
  EXPECT_FALSE(in(given.secret));
  ASSERT_EQ(tablets_->asking().size(), 1u);
  EXPECT_EQ(tablets_->asking()[0].address, address);
  // Bound to who asked: neither another secret nor another address has it.
  EXPECT_EQ(tablets_->standing(std::string(64, '0'), address), Tablets::Standing::unknown);
  EXPECT_EQ(tablets_->standing(given.secret, "192.0.2.8"), Tablets::Standing::unknown);
  EXPECT_FALSE(tablets_->decide("ABCDEF", true, "by key"));
  EXPECT_TRUE(tablets_->decide(given.id, true, "by key"));
  EXPECT_FALSE(tablets_->decide(given.id, true, "by key"));
  token = tablets_->collect(given.secret, "192.0.2.8", {});
  EXPECT_TRUE(token && !*token);
  token = tablets_->collect(given.secret, address, {});
  ASSERT_TRUE(token && *token);
  EXPECT_TRUE(in(**token));
}

TEST_F(TabletsTest, WhoIsRefusedOrTooLateIsNotIn) {
  auto given = tablets_->give_code(tablets_->new_code().text, address);
  EXPECT_TRUE(tablets_->decide(given.id, false, "by key"));
  EXPECT_EQ(tablets_->standing(given.secret, address), Tablets::Standing::refused);
  auto token = tablets_->collect(given.secret, address, {});
  EXPECT_TRUE(token && !*token);
  given = tablets_->give_code(tablets_->new_code().text, address);
  pass(301);
  EXPECT_TRUE(tablets_->asking().empty());
  EXPECT_FALSE(tablets_->decide(given.id, true, "by key"));
  EXPECT_NE(log_.find("waited too long"), std::string::npos);
}

TEST_F(TabletsTest, ATokenHas256BitsAndOnlyItsHashIsKept) {  // 7.2.2, 7.2.3
  const std::string token = paired();
  EXPECT_EQ(token.size(), 64u);
  EXPECT_EQ(file().find(token), std::string::npos);
  core::Sha256 sum;
  sum.add(token.data(), token.size());
  EXPECT_NE(file().find(sum.hex()), std::string::npos);
  struct stat about {};
  ASSERT_EQ(::stat((folder_ / "tablets.json").c_str(), &about), 0);
  EXPECT_EQ(about.st_mode & 0777, 0600u);
  ASSERT_EQ(::stat(folder_.c_str(), &about), 0);
  EXPECT_EQ(about.st_mode & 0777, 0700u);
}

TEST_F(TabletsTest, SessionsSurviveARestartAndAreForOneArchive) {  // 7.2.1
  const std::string token = paired();
  open();
  EXPECT_TRUE(in(token));
  open("/another");
  EXPECT_FALSE(in(token));
  EXPECT_EQ(tablets_->sessions()->size(), 1u);
}

TEST_F(TabletsTest, ASessionEndsIdleAfterTwelveHoursAndInAllAfterThirtyDays) {  // 7.3.1, 7.3.2
  std::string token = paired();
  pass(12 * 3600 - 5);
  EXPECT_TRUE(in(token));
  open();  // the sign of life was written down
  pass(12 * 3600 - 5);
  EXPECT_TRUE(in(token));
  pass(12 * 3600);
  EXPECT_FALSE(in(token));
  EXPECT_NE(log_.find("12 hours without a word"), std::string::npos);
  EXPECT_TRUE(tablets_->sessions()->empty());
  token = paired();
  for (int i = 0; i < 60; ++i) {
    ASSERT_TRUE(in(token)) << i;
    pass(12 * 3600 - 1);
  }
  EXPECT_TRUE(in(token));
  pass(60);
  EXPECT_FALSE(in(token));
  EXPECT_NE(log_.find("30 days"), std::string::npos);
}

TEST_F(TabletsTest, PairingAgainIsANewTokenAndEndsTheOld) {  // 7.2.4
  const std::string first = paired();
  const auto given = tablets_->give_code(tablets_->new_code().text, address);
  EXPECT_TRUE(tablets_->decide(given.id, true, "by key"));
  const auto second = tablets_->collect(given.secret, address, first);
  ASSERT_TRUE(second && *second);
  EXPECT_NE(**second, first);
  EXPECT_FALSE(in(first));
  EXPECT_TRUE(in(**second));
  const auto again = tablets_->collect(given.secret, address, {});  // the reply was lost
  ASSERT_TRUE(again && *again);
  EXPECT_FALSE(in(**second));
  EXPECT_TRUE(in(**again));
}

TEST_F(TabletsTest, WhoIsForgottenIsOutAtOnceAndStaysOut) {  // 7.4.1, 7.4.5, 6.5.6
  const std::string one = paired();
  const std::string first = id_, secret = secret_;
  const std::string two = paired();
  EXPECT_EQ(*tablets_->forget(first, "by command"), std::vector<std::string>{first});
  EXPECT_FALSE(in(one));
  EXPECT_TRUE(in(two));
  const auto again = tablets_->collect(secret, address, {});
  EXPECT_TRUE(again && !*again) << "what it was admitted with is used up";
  // Another process forgets; this one hears of it.
  {
    Tablets other(folder_, "", [](const std::string&) {});
    EXPECT_EQ(other.forget("all", "by command")->size(), 1u);
  }
  EXPECT_FALSE(in(two));
  EXPECT_TRUE(tablets_->forget("nobody", "by command")->empty());
}

TEST_F(TabletsTest, TheLogTellsWhoAndNeverWhatIsSecret) {  // 16.3.1, 16.3.2, 16.2.5
  const std::string code = tablets_->new_code().text;
  (void)tablets_->give_code("0000-0000", address);
  const auto given = tablets_->give_code(code, address);
  EXPECT_TRUE(tablets_->decide(given.id, true, "by key"));
  const auto token = tablets_->collect(given.secret, address, {});
  ASSERT_TRUE(token && *token);
  ASSERT_TRUE(tablets_->forget(given.id, "by command"));
  const auto refused = tablets_->give_code(tablets_->new_code().text, "192.0.2.8");
  EXPECT_TRUE(tablets_->decide(refused.id, false, "on the page"));
  for (const char* told :
       {"try from 192.0.2.7: wrong, 1 of 5", "try from 192.0.2.7: right",
        "192.0.2.7 is admitted by key", "192.0.2.7 is forgotten by command",
        "192.0.2.8 is refused on the page"})
    EXPECT_NE(log_.find(told), std::string::npos) << told << "\n" << log_;
  for (const std::string& secret : {code, code.substr(0, 4) + code.substr(5), given.secret, **token})
    EXPECT_EQ(log_.find(secret), std::string::npos);
}

TEST_F(TabletsTest, NoMoreThanSoMany) {
  for (std::size_t i = 0; i < Tablets::most_asking; ++i)
    EXPECT_EQ(tablets_->give_code(tablets_->new_code().text, address).how,
              Tablets::Given::How::taken);
  EXPECT_EQ(tablets_->give_code(tablets_->new_code().text, address).how, Tablets::Given::How::full);
  pass(301);
  for (std::size_t i = 0; i < Tablets::most_sessions; ++i) (void)paired();
  EXPECT_EQ(tablets_->give_code(tablets_->new_code().text, address).how, Tablets::Given::How::full);
}

TEST_F(TabletsTest, ASessionHasItsShareOfInk) {
  (void)paired();
  EXPECT_TRUE(tablets_->has_room(id_, 1000));
  tablets_->kept(id_, Tablets::most_bytes - 500);
  EXPECT_FALSE(tablets_->has_room(id_, 1000));
  EXPECT_TRUE(tablets_->has_room(id_, 400));
}

TEST_F(TabletsTest, AFileThatIsNoneIsToldAndLeftAlone) {
  (void)paired();
  for (const char* text :
       {"{", "[]", "{\"tablets\": [{}]}", "{\"tablets\": [7]}",
        "{\"tablets\": [{\"id\": 1, \"address\": 2, \"archive\": 3, \"token_sha256\": 4}]}"}) {
    ASSERT_TRUE(core::write_private_file(folder_ / "tablets.json", text));
    open();
    const auto who = tablets_->who(std::string(64, 'a'), address);
    ASSERT_FALSE(who);
    EXPECT_EQ(who.error().fault, Fault::bad_data);
    EXPECT_NE(who.error().text.find("tablets.json"), std::string::npos);
    EXPECT_EQ(who.error().text.find('\n'), std::string::npos);
    EXPECT_EQ(file(), text);
  }
}

TEST_F(TabletsTest, ADiskThatFailsLetsNobodyIn) {
  for (int n = 1;; ++n) {
    const auto given = tablets_->give_code(tablets_->new_code().text, address);
    ASSERT_EQ(given.how, Tablets::Given::How::taken);
    EXPECT_TRUE(tablets_->decide(given.id, true, "by key"));
    core::fail_nth_call(n, ENOSPC);
    const auto token = tablets_->collect(given.secret, address, {});
    const bool failed = core::calls_made() >= n;
    core::fail_nth_call(0, 0);
    if (token) {
      EXPECT_TRUE(*token);
      EXPECT_FALSE(failed && !in(**token));
    } else {
      EXPECT_TRUE(failed);
    }
    (void)tablets_->forget("all", "by command");
    pass(301);
    if (!failed) break;
    ASSERT_LT(n, 100);
  }
}

TEST(RatesTest, SoMuchAtOnceAndSoMuchASecond) {
  Rates rates(3, 0.5);
  for (int i = 0; i < 3; ++i) EXPECT_EQ(rates.spend("a", 100), 0);
  EXPECT_DOUBLE_EQ(rates.spend("a", 100), 2);
  EXPECT_EQ(rates.spend("b", 100), 0);
  EXPECT_GT(rates.spend("a", 101), 0);
  EXPECT_EQ(rates.spend("a", 102), 0);
  EXPECT_GT(rates.spend("a", 102), 0);
  EXPECT_EQ(rates.spend("a", 200, 3), 0);
  EXPECT_GT(rates.spend("a", 200), 0);
}

TEST(RatesTest, WhatItCannotRememberSharesOneMeasure) {
  Rates rates(2, 0.001);
  for (std::size_t i = 0; i < Rates::most_known; ++i)
    EXPECT_EQ(rates.spend(std::to_string(i), 0), 0);
  EXPECT_EQ(rates.spend("late", 0), 0);
  EXPECT_EQ(rates.spend("later", 0), 0);
  EXPECT_GT(rates.spend("latest", 0), 0);
  EXPECT_EQ(rates.spend("0", 0), 0);
  EXPECT_EQ(rates.spend("latest", 1e6), 0);  // those that have all theirs again are forgotten
}

}  // namespace
}  // namespace lapwright::review
