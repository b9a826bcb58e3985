#include "join/wrong_side.h"

#include <gtest/gtest.h>

#include <filesystem>
#include <random>

#include "support/film_scene.h"

namespace lapwright::join {
namespace {

namespace fs = std::filesystem;

const std::atomic<bool> never{false};

image::Rgb16 read(const fs::path& file) {
  auto reader = raw::Reader::open(file);
  EXPECT_TRUE(reader);
  image::Rgb16 out((*reader)->width(), (*reader)->height());
  EXPECT_TRUE((*reader)->read(0, out.height(), out.row(0)));
  return out;
}

class WrongSide : public testing::TestWithParam<Reversed> {
 protected:
  void TearDown() override { fs::remove_all(folder_); }
  fs::path folder_ = [] {
    std::string name = (fs::temp_directory_path() / "lapwright-wrong-side-XXXXXX").string();
    return fs::path(mkdtemp(name.data()));
  }();
};

TEST_P(WrongSide, EverySampleIsKeptAndLiesWhereTheSleeveIsReadToHaveIt) {
  const auto sleeve = support::sleeve_135_7x5();
  SheetGeometry g{{3.1, 7.4}, Ppi{100}, 1001, 1500};  // more rows than are read at once
  const fs::path file = folder_ / "sheet.tif";
  auto writer = raw::Writer::create(file, g.width, g.height, g.ppi, {});
  ASSERT_TRUE(writer);
  std::mt19937 random(5);
  image::Rgb16 before(g.width, g.height);
  for (std::int64_t i = 0; i < g.width * g.height * 3; ++i) before.row(0)[i] = static_cast<std::uint16_t>(random());
  ASSERT_TRUE((*writer)->write(before.row(0), g.height));
  ASSERT_TRUE((*writer)->finish());

  const SheetGeometry lay = g;
  const auto written = put_right(file, sleeve, GetParam(), {}, never, g);
  ASSERT_TRUE(written) << written.error().text;
  EXPECT_EQ(written->height, g.height);
  const image::Rgb16 after = read(file);
  ASSERT_EQ(after.width(), g.width);
  const auto over = turned_over(sleeve, GetParam());
  const auto was = lay.sleeve_to_sheet(), is = g.sleeve_to_sheet();
  std::uniform_int_distribution<std::int64_t> any_x(0, g.width - 1), any_y(0, g.height - 1);
  for (int i = 0; i < 3000; ++i) {
    const std::int64_t x = any_x(random), y = any_y(random);
    const auto there = is(over(was.inverse()({static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5})));
    const auto to_x = static_cast<std::int64_t>(std::floor(there.x)), to_y = static_cast<std::int64_t>(std::floor(there.y));
    ASSERT_TRUE(to_x >= 0 && to_y >= 0 && to_x < g.width && to_y < g.height);
    for (int c = 0; c < 3; ++c) ASSERT_EQ(after.row(to_y)[to_x * 3 + c], before.row(y)[x * 3 + c]);
  }
  // Strips stay in their pockets.
  const auto first = sleeve.strip(0);
  const auto p = over({first.x.mm(), first.centre_mm().y});
  EXPECT_TRUE(std::abs(p.x - first.x.mm()) < 1e-9 || std::abs(p.x - first.right().mm()) < 1e-9);

  SheetGeometry again = g;
  ASSERT_TRUE(put_right(file, sleeve, GetParam(), {}, never, again));
  const image::Rgb16 back = read(file);
  EXPECT_TRUE(std::equal(before.row(0), before.row(0) + g.width * g.height * 3, back.row(0)));
  EXPECT_NEAR(again.origin.x, lay.origin.x, 1e-9);
  EXPECT_NEAR(again.origin.y, lay.origin.y, 1e-9);
}

TEST_P(WrongSide, StoppedItLeavesTheFileAsItWas) {
  const fs::path file = folder_ / "sheet.tif";
  SheetGeometry g{{0, 0}, Ppi{100}, 40, 30};
  auto writer = raw::Writer::create(file, g.width, g.height, g.ppi, {});
  ASSERT_TRUE(writer);
  ASSERT_TRUE((*writer)->write(std::vector<std::uint16_t>(40 * 30 * 3, 777).data(), 30));
  const auto first = (*writer)->finish();
  ASSERT_TRUE(first);
  const std::atomic<bool> stop{true};
  const auto r = put_right(file, support::sleeve_135_7x5(), GetParam(), {}, stop, g);
  ASSERT_FALSE(r);
  EXPECT_EQ(r.error().fault, Fault::cancelled);
  EXPECT_EQ(*core::sha256_of(file), first->sha256);
  EXPECT_EQ(std::distance(fs::directory_iterator(folder_), {}), 1);
}

INSTANTIATE_TEST_SUITE_P(Both, WrongSide, testing::Values(Reversed::columns, Reversed::rows));

}  // namespace
}  // namespace lapwright::join
