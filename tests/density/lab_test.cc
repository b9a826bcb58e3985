// Lab and colour differences against the CIE's own tables (Debian's colord-data: CIE 1931 2-degree matching functions, illuminant
// D65, the test colour samples of CIE 13.3).
#include "density/lab.h"

#include <gtest/gtest.h>

#include <cmath>
#include <fstream>
#include <map>
#include <sstream>
#include <string>
#include <vector>

namespace lapwright::density {
namespace {

/// A table of spectra: 5 nm steps from 360 to 830 nm, row by row.
std::vector<std::vector<double>> spectra(const std::string& file, double from_nm) {
  std::ifstream in("/usr/share/colord/" + file);
  std::vector<std::vector<double>> rows;
  std::string line;
  bool data = false;
  while (std::getline(in, line)) {
    if (line.find("END_DATA") == 0 && line.find("FORMAT") == std::string::npos) break;
    if (data) {
      std::istringstream words(line);
      std::vector<double> row;
      for (std::string word; words >> word;)
        if (word.find_first_not_of("0123456789.eE+-") == std::string::npos) row.push_back(std::stod(word));
      if (!row.empty()) rows.push_back({row.begin() + static_cast<std::ptrdiff_t>((360 - from_nm) / 5), row.end()});
    }
    if (line.find("BEGIN_DATA") == 0 && line.find("FORMAT") == std::string::npos) data = true;
  }
  return rows;
}

TEST(Lab, OfTheCiesTestColoursIsThatOfTheirSpectra) {
  const auto matching = spectra("cmf/CIE1931-2deg-XYZ.cmf", 360), light = spectra("illuminant/CIE-D65.sp", 300),
             colours = spectra("ref/CIE-TCS.sp", 360);
  ASSERT_EQ(matching.size(), 3U) << "Debian's colord-data is not installed";
  ASSERT_EQ(light.size(), 1U);
  ASSERT_GE(colours.size(), 14U);
  const auto sum = [&](const std::vector<double>* colour) {
    std::array<double, 3> xyz{};
    double all = 0;
    for (std::size_t i = 0; i < matching[0].size(); ++i) {
      const double here = light[0].at(i) * (colour ? colour->at(i) : 1);
      for (std::size_t c = 0; c < 3; ++c) xyz[c] += here * matching[c][i];
      all += light[0][i] * matching[1][i];
    }
    for (double& v : xyz) v /= all;
    return xyz;
  };
  const auto white = sum(nullptr);
  const double total = white[0] + white[1] + white[2];
  EXPECT_NEAR(white[0] / total, 0.3127, 0.0002);  // IEC 61966-2-1's white
  EXPECT_NEAR(white[1] / total, 0.3290, 0.0002);
  // sRGB's white is D65's.
  EXPECT_NEAR(lab_of({1, 1, 1}).l, 100, 1e-9);
  EXPECT_NEAR(std::hypot(lab_of({0.2, 0.2, 0.2}).a, lab_of({0.2, 0.2, 0.2}).b), 0, 1e-6);
  int inside = 0;
  for (std::size_t i = 0; i < 14; ++i) {
    const auto xyz = sum(&colours[i]);
    // CIE 15: Lab by its formula, from the integrals alone.
    const auto f = [](double t) { return t > 216.0 / 24389 ? std::cbrt(t) : (24389.0 / 27 * t + 16) / 116; };
    const double x = f(xyz[0] / white[0]), y = f(xyz[1]), z = f(xyz[2] / white[2]);
    const Lab expected{116 * y - 16, 500 * (x - y), 200 * (y - z)};
    const auto rgb = light_of(expected);
    if (std::min({rgb[0], rgb[1], rgb[2]}) <= 0 || std::max({rgb[0], rgb[1], rgb[2]}) >= 1) continue;  // sRGB does not hold it
    ++inside;
    // The light that these XYZ are in sRGB, by the standard's inverse matrix, four decimals as it prints them.
    const double m[3][3] = {{3.2406, -1.5372, -0.4986}, {-0.9689, 1.8758, 0.0415}, {0.0557, -0.2040, 1.0570}};
    std::array<double, 3> direct{};
    for (std::size_t c = 0; c < 3; ++c) direct[c] = m[c][0] * xyz[0] + m[c][1] * xyz[1] + m[c][2] * xyz[2];
    EXPECT_LT(de00(lab_of(direct), expected), 0.2) << "test colour " << i + 1;
    EXPECT_LT(de00(lab_of(rgb), expected), 0.01) << "there and back, test colour " << i + 1;
  }
  EXPECT_GE(inside, 9);
}

}  // namespace
}  // namespace lapwright::density
