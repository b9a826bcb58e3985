#include <gtest/gtest.h>
#include <unistd.h>

#include <cstdio>
#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "core/process.h"
#include "plan/beds_and_sleeves.h"
#include "plan/plan.h"

#ifdef __SANITIZE_ADDRESS__
// The font library keeps its patterns until the process ends.
extern "C" const char* __lsan_default_suppressions();
extern "C" const char* __lsan_default_suppressions() { return "leak:libfontconfig"; }
#endif

namespace lapwright::plan {
namespace {

/// The longest run of dark pixels in any row of a binary PGM.
int longest_dark_run(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary);
  std::string magic;
  int w = 0, h = 0, most = 0, best = 0;
  in >> magic >> w >> h >> most;
  in.get();
  std::vector<char> row(static_cast<std::size_t>(w));
  for (int y = 0; y < h && in.read(row.data(), w); ++y) {
    int run = 0;
    for (const char c : row) best = std::max(best, run = static_cast<unsigned char>(c) < 128 ? run + 1 : 0);
  }
  return best;
}

TEST(Guide, IsOneToOneByAnotherRenderer) {
  // pdftoppm (poppler) at 254 ppi: 10 pixels a millimetre. The page is drawn with a solid frame, 203 mm wide here, at true size.
  const auto folder = std::filesystem::temp_directory_path() / ("lapwright-guide-" + std::to_string(::getpid()));
  std::filesystem::create_directories(folder);
  const auto s = testing::sleeve(203, 120, 8, 8, 2, 4);
  const auto b = testing::bed(210, 254, 0, 0, 0, 0);
  const auto plan = make_plan(s, b, {300});
  ASSERT_TRUE(plan) << plan.error().text;
  ASSERT_EQ(plan->passes[0].lay.turn, 0);
  const auto pdf = folder / "guide.pdf";
  ASSERT_TRUE(write_guide_pdf(*plan, s, b, pdf.string()));
  const auto whole = core::run({"pdftoppm", "-gray", "-r", "254", "-singlefile", pdf.string(), (folder / "whole").string()}, 60);
  ASSERT_TRUE(whole) << whole.error().text;
  ASSERT_EQ(whole->exit_code, 0) << whole->last_lines;
  EXPECT_NEAR(longest_dark_run(folder / "whole.pgm"), 2038, 6);  // 203 mm and the line's own 0.8 mm
  // The bar alone: 45 mm below the paper's edge, where it is the longest line.
  const auto bar = core::run({"pdftoppm", "-gray", "-r", "254", "-singlefile", "-x", "0", "-y", "420", "-W", "2000", "-H", "60", pdf.string(),
                              (folder / "bar").string()}, 60);
  ASSERT_TRUE(bar) << bar.error().text;
  EXPECT_NEAR(longest_dark_run(folder / "bar.pgm"), 1000, 5) << "100 mm";
  std::filesystem::remove_all(folder);
}

TEST(Drawing, ShowsEveryLayWithItsMeasures) {
  const auto s = testing::sleeve(250, 260, 8, 8, 6, 6);
  const auto b = testing::bed(203.2, 254, 100, 100, 400, 60);
  const auto plan = make_plan(s, b, {2400});
  ASSERT_TRUE(plan);
  const std::string svg = draw_svg(*plan, s, b);
  for (const Pass& p : plan->passes) {
    EXPECT_NE(svg.find("Pass " + std::to_string(p.number) + " of"), std::string::npos);
    EXPECT_NE(svg.find(std::to_string(p.width.value) + " x " + std::to_string(p.height.value) + " pixels"), std::string::npos);
  }
  EXPECT_NE(svg.find("binding edge"), std::string::npos);
  EXPECT_NE(svg.find("class='seam'"), std::string::npos);
  EXPECT_EQ(svg.find("nan"), std::string::npos);
}

}  // namespace
}  // namespace lapwright::plan
