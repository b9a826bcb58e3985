// What a roll is known by goes through its file unchanged.
#include "station/full.h"

#include <gtest/gtest.h>

#include <nlohmann/json.hpp>
#include <random>

namespace lapwright::station {
namespace {

TEST(Features, GoThroughTheirFileUnchanged) {
  std::mt19937_64 random(3);
  std::vector<lap::Feature> features(300);
  for (lap::Feature& f : features) {
    f.x = static_cast<double>(random() % 250000) / 1000, f.y = static_cast<double>(random() % 300000) / 1000;
    f.direction = static_cast<float>(random() % 6000) / 1000 - 3;
    for (auto& word : f.bits) word = random();
  }
  const auto back = features_from_json(Json::parse(features_json(features).dump()), "f");
  ASSERT_TRUE(back) << back.error().text;
  ASSERT_EQ(back->size(), features.size());
  for (std::size_t i = 0; i < back->size(); ++i) {
    EXPECT_EQ((*back)[i].bits, features[i].bits);
    EXPECT_NEAR((*back)[i].x, features[i].x, 0.006);
    EXPECT_NEAR((*back)[i].y, features[i].y, 0.006);
    EXPECT_NEAR((*back)[i].direction, features[i].direction, 0.0006);
  }
  for (const char* bad : {"{}", "[]", R"({"features": 3})", R"({"features": [[1,2,3]]})", R"({"features": [[1,2,3,"xyz"]]})", R"({"features": [[1,2,"3","00"]]})"}) {
    const auto r = features_from_json(Json::parse(bad), "f");
    ASSERT_FALSE(r) << bad;
    EXPECT_EQ(r.error().fault, Fault::bad_data);
    EXPECT_EQ(r.error().text.find('\n'), std::string::npos);
  }
}

Shown shown(int agreeing, int seen, int same) {
  Shown s;
  s.candidate.agreeing = agreeing, s.seen = seen, s.same = same;
  return s;
}

TEST(Pictures, NameARollOnlyWhereNearlyAllThatIsSeenIsItsOwn) {
  EXPECT_FALSE(told_by_pictures({}));
  EXPECT_TRUE(told_by_pictures({shown(8, 5, 5)}));
  EXPECT_TRUE(told_by_pictures({shown(8, 4, 1), shown(8, 5, 4)}));    // one frame in common with another roll
  EXPECT_FALSE(told_by_pictures({shown(8, 5, 5), shown(8, 5, 3)}));   // a scene that two rolls have
  EXPECT_FALSE(told_by_pictures({shown(13, 5, 3)}));                  // two others are not its own
  EXPECT_FALSE(told_by_pictures({shown(9, 2, 2)}));
  EXPECT_TRUE(told_by_pictures({shown(10, 2, 2)}));
  EXPECT_FALSE(told_by_pictures({shown(13, 1, 1)}));
}

}  // namespace
}  // namespace lapwright::station
