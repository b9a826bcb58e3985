// What is drawn of a lay is the plan's own, to the micrometre, on paper and on the page.
#include "plan/sketch.h"

#include <gtest/gtest.h>

#include <nlohmann/json.hpp>

#include "plan/beds_and_sleeves.h"

namespace lapwright::plan {
namespace {

TEST(Sketch, EveryLengthIsThePlansOrTheProfiles) {
  const auto bed = testing::bed(203.2, 254, 10, 120, 300, 10);
  const auto sleeve = testing::sleeve(260, 310, 24, 30, 6, 6);
  const auto plan = make_plan(sleeve, bed, Ppi{1200}, {});
  ASSERT_TRUE(plan) << plan.error().text;
  ASSERT_GT(plan->passes.size(), 1u);
  const std::string svg = draw_svg(*plan, sleeve, bed);
  for (const Pass& pass : plan->passes) {
    const Sketch k = sketch_of(*plan, pass, sleeve, bed);
    const Json json = to_json(k), lay = to_json(pass, plan->ppi);
    EXPECT_EQ(json["captured"], lay["window"]);
    EXPECT_EQ(json["sleeve_to_bed"], lay["sleeve_to_bed"]);
    EXPECT_EQ(json["bed_window"], rect_json(bed.window));
    EXPECT_EQ(json["reach"], Json({{"x", -10.0}, {"y", -10.0}, {"width", 333.2}, {"height", 564.0}}));
    EXPECT_EQ(json["sleeve"], Json({{"width", 260.0}, {"height", 310.0}}));
    ASSERT_EQ(k.strips.size(), 6u);
    ASSERT_EQ(k.frames.size(), 36u);
    for (std::size_t i = 0; i < k.frames.size(); ++i) {
      EXPECT_EQ(k.frames[i], sleeve.frame_area(static_cast<int>(i / 6), static_cast<int>(i % 6)));
      EXPECT_TRUE(k.strips[i / 6].contains(k.frames[i]));
    }
    // The sides, from the corners alone.
    const auto& m = pass.lay.sleeve_to_bed;
    double l = 1e9, r = -1e9, t = 1e9, b = -1e9;
    for (int i = 0; i < 4; ++i) {
      const auto p = m({i & 1 ? 260.0 : 0.0, i & 2 ? 310.0 : 0.0});
      l = std::min(l, p.x), r = std::max(r, p.x), t = std::min(t, p.y), b = std::max(b, p.y);
    }
    EXPECT_NEAR(json["past"]["left"].get<double>(), -l, 0.002);
    EXPECT_NEAR(json["past"]["right"].get<double>(), r - 203.2, 0.002);
    EXPECT_NEAR(json["past"]["hinge"].get<double>(), -t, 0.002);
    EXPECT_NEAR(json["past"]["front"].get<double>(), b - 254, 0.002);
    const auto middle_of_binding = m({0, 155}), middle_of_top = m({130, 0});
    const auto side = [&](Spot<BedSpace> p) { return p.x < l + 1 ? "left" : p.x > r - 1 ? "right" : p.y < t + 1 ? "hinge" : "front"; };
    EXPECT_EQ(json["binding"], side(middle_of_binding));
    EXPECT_EQ(json["top"], side(middle_of_top));
    EXPECT_EQ(json["laps"].size(), json["seams"].size());
    EXPECT_GT(json["laps"].size(), 0u);
  }
  // The drawing on paper is made of the same frames.
  EXPECT_NE(svg.find("<rect x='25.00' y='35.49' width='36.00' height='24.00' class='frame'/>"), std::string::npos);
}

}  // namespace
}  // namespace lapwright::plan
