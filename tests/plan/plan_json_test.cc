#include <gtest/gtest.h>

#include <nlohmann/json.hpp>

#include "plan/beds_and_sleeves.h"
#include "plan/plan.h"

namespace lapwright::plan {
namespace {

Plan two_passes() {
  auto p = make_plan(testing::sleeve(250, 260, 8, 8, 6, 6), testing::bed(203.2, 254, 100, 100, 400, 60), {2400});
  EXPECT_TRUE(p);
  return *p;
}

TEST(PlanJson, HoldsTheContractsMembersAndComesBack) {
  const Plan plan = two_passes();
  const Json json = to_json(plan);
  std::vector<std::string> names;
  for (const auto& [key, value] : json.items()) names.push_back(key);
  // contract.md "The plan", in its order; `needed` is added.
  EXPECT_EQ(names, (std::vector<std::string>{"sleeve", "bed", "ppi", "passes", "laps", "totals", "cautions", "needed"}));
  names.clear();
  for (const auto& [key, value] : json["passes"][0].items()) names.push_back(key);
  EXPECT_EQ(names, (std::vector<std::string>{"pass", "turn", "mirrored", "sleeve_to_bed", "window", "covers", "pixels", "bytes", "seconds"}));
  auto back = from_json(json, "plan.json");
  ASSERT_TRUE(back) << back.error().text;
  EXPECT_EQ(to_json(*back), json);
  EXPECT_EQ(back->needed, plan.needed);
  // A plan without the added member is read too.
  Json without = json;
  without.erase("needed");
  EXPECT_TRUE(from_json(without, "plan.json"));
}

TEST(PlanJson, EveryDamageIsRefusedWithItsPlace) {
  const Json good = to_json(two_passes());
  const struct { const char* pointer; Json value; const char* place; } damages[] = {
      {"/ppi", 0, "ppi"},
      {"/passes", Json::array(), "passes"},
      {"/passes/0/turn", 45, "passes[0].turn"},
      {"/passes/1/pass", 3, "passes[1].pass"},
      {"/passes/0/sleeve_to_bed", {1, 0}, "passes[0].sleeve_to_bed"},
      {"/passes/0/sleeve_to_bed/0", 3.0, "passes[0].sleeve_to_bed"},
      {"/passes/0/mirrored", true, "passes[0].mirrored"},
      {"/passes/0/window/width", -3, "passes[0].window.width"},
      {"/passes/0/pixels/width", 12, "passes[0].pixels.width"},
      {"/passes/0/bytes", 7, "passes[0].bytes"},
      {"/passes/0/seconds", "long", "passes[0].seconds"},
      {"/laps/0/between", {1, 9}, "laps[0].between[1]"},
      {"/laps/0/seam/axis", "z", "laps[0].seam.axis"},
      {"/laps/0/seam/through", "air", "laps[0].seam.through"},
      {"/totals/passes", 5, "totals.passes"},
      {"/cautions", "none", "cautions"},
  };
  for (const auto& d : damages) {
    Json bad = good;
    bad[Json::json_pointer(d.pointer)] = d.value;
    auto r = from_json(bad, "plan.json");
    ASSERT_FALSE(r) << d.pointer;
    EXPECT_EQ(r.error().fault, Fault::bad_data);
    EXPECT_EQ(r.error().text.rfind(std::string("plan.json: ") + d.place, 0), 0U) << r.error().text;
  }
  // Any value made null, at any depth, is a complaint; never a crash.
  const Json flat = good.flatten();
  for (const auto& [key, value] : flat.items()) {
    Json bad = good;
    bad[Json::json_pointer(key)] = nullptr;
    EXPECT_FALSE(from_json(bad, "plan.json")) << key;
  }
  EXPECT_FALSE(from_json(Json(3), "plan.json"));
  EXPECT_FALSE(from_json(Json::array(), "plan.json"));
}

}  // namespace
}  // namespace lapwright::plan
