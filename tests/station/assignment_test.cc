// What the person is told for a pass, from where the sleeve lies.
#include "station/assignment.h"

#include <gtest/gtest.h>

#include "support/film_scene.h"

namespace lapwright::station {
namespace {

TEST(HowToPlace, AMoveOnlyFromThePassBeforeElseTheWholeLay) {
  Setting setting;
  setting.bed.name = "wide";
  setting.bed.window = {{0}, {0}, {203200}, {254000}};
  setting.bed.overhang = {{300000}, {300000}, {300000}, {300000}};
  setting.bed.ppi = {Ppi{300}};
  Assignment a;
  a.sleeve = support::sleeve_135_7x5();
  const auto plan = plan::make_plan(a.sleeve, setting.bed, Ppi{300});
  ASSERT_TRUE(plan) << plan.error().text;
  ASSERT_EQ(plan->passes.size(), 2U);
  ASSERT_EQ(plan->passes[0].lay.turn, plan->passes[1].lay.turn);
  a.plan = *plan;
  EXPECT_TRUE(how_to_place(setting, a, 2, true).starts_with("Slide the sleeve "));
  // After a start nothing lies on the bed: edges and places, as for the first pass.
  const std::string whole = how_to_place(setting, a, 2, false);
  EXPECT_TRUE(whole.starts_with("Lay the sleeve with its binding edge towards ")) << whole;
  EXPECT_NE(whole, how_to_place(setting, a, 1, false)) << "the second pass lies elsewhere";
}

TEST(Acceptable, NoFilmAtTheSecondPressAloneAndOnlyWhereOtherPassesHoldSome) {
  Assignment a;
  a.job.kind = ledger::JobKind::proof;
  a.plan.passes.resize(2);
  frames::Look none;
  none.film = false;
  frames::Look unsure;
  unsure.found = true;
  EXPECT_FALSE(acceptable(a, 2, none)) << "the sleeve may have been forgotten";
  EXPECT_TRUE(acceptable(a, 2, none)) << "the person says that its pockets are empty";
  EXPECT_TRUE(acceptable(a, 2, none)) << "the pass itself, after the quick look";
  EXPECT_FALSE(acceptable(a, 1, none)) << "another pass";
  EXPECT_TRUE(acceptable(a, 1, unsure));
  EXPECT_FALSE(acceptable(a, 1, none)) << "film was there since";
  a.plan.passes.resize(1);
  EXPECT_FALSE(acceptable(a, 1, none)) << "a sleeve of no film at all";
  EXPECT_FALSE(acceptable(a, 1, none));
}

TEST(Acceptable, AskewIsNotEvenWhereThePocketsLeaveADoubt) {
  Assignment a;
  a.plan.passes.resize(1);
  frames::Look look;
  look.found = true;
  look.say = "the sleeve seems to lie askew";
  look.off_degrees = 0.5;
  EXPECT_TRUE(acceptable(a, 1, look)) << "a hand's error";
  look.off_degrees = -5.3;
  EXPECT_FALSE(acceptable(a, 1, look));
  look.covers_needed = true;
  EXPECT_TRUE(acceptable(a, 1, look)) << "all film is seen";
}

}  // namespace
}  // namespace lapwright::station
