// The lap check's vectors against the same in plain numbers.
#include "lap/kernels.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <random>

namespace lapwright::lap {
namespace {

constexpr std::int32_t places = 203;  // not a whole number of vectors

class KernelsTest : public testing::Test {
 protected:
  float number(double low, double high) {
    return static_cast<float>(std::uniform_real_distribution(low, high)(random_));
  }
  std::vector<float> numbers(std::size_t n, double low, double high) {
    std::vector<float> out(n);
    for (float& v : out) v = number(low, high);
    return out;
  }
  /// Any values, and film in blots of all sizes.
  image::Plane picture(std::int64_t w, std::int64_t h) {
    image::Plane p(w, h);
    p.values = numbers(p.values.size(), -1, 3);
    return p;
  }
  image::Plane film(std::int64_t w, std::int64_t h) {
    image::Plane p(w, h);
    const float fx = number(0.1, 0.6), fy = number(0.1, 0.6);
    for (std::int64_t y = 0; y < h; ++y)
      for (std::int64_t x = 0; x < w; ++x)
        p.row(y)[x] =
            std::sin(fx * static_cast<float>(x)) + std::sin(fy * static_cast<float>(y)) > -0.5F ? 1
                                                                                                : 0;
    return p;
  }
  std::mt19937 random_{11};
};

void expect_near(const Sums& a, const Sums& b) {
  const double of = 1e-5 * (1 + static_cast<double>(std::max({b.n, b.uu, b.vv})));
  EXPECT_NEAR(a.n, b.n, of);
  EXPECT_NEAR(a.u, b.u, of);
  EXPECT_NEAR(a.v, b.v, of);
  EXPECT_NEAR(a.uu, b.uu, of);
  EXPECT_NEAR(a.vv, b.vv, of);
  EXPECT_NEAR(a.uv, b.uv, of);
}

TEST_F(KernelsTest, SampleLattice) {
  const image::Plane value = picture(41, 33), on = film(41, 33);
  int counted = 0, left_out = 0;
  for (const bool film_only : {false, true})
    for (const double far : {0.0, 12.0, 30.0}) {  // inside, over the rim, mostly beyond it
      const Lattice at{{20 + far, 15 - far / 2}, {0.9, 0.2}, {-0.21, 1.1}};
      const auto x = numbers(places, -9, 9), y = numbers(places, -9, 9);
      std::vector<float> v(places), w(places), plain_v(places), plain_w(places);
      sample_lattice({value, on}, film_only, at, x.data(), y.data(), places, v.data(), w.data());
      scalar::sample_lattice({value, on}, film_only, at, x.data(), y.data(), places, plain_v.data(),
                             plain_w.data());
      for (std::size_t i = 0; i < places; ++i) {
        EXPECT_NEAR(v[i], plain_v[i], 2e-4) << i;
        EXPECT_EQ(w[i], plain_w[i]) << i;
        ++(w[i] > 0 ? counted : left_out);
      }
    }
  EXPECT_GT(std::min(counted, left_out), places);  // both kinds were among them
}

TEST_F(KernelsTest, SampleRow) {
  image::Plane value = picture(47, 39), on = film(47, 39);
  for (std::int64_t y = 0; y < on.height; ++y)
    for (std::int64_t x = 0; x < on.width; ++x) {
      if (x == 0 || y == 0 || x == on.width - 1 || y == on.height - 1) on.row(y)[x] = 0;
      value.row(y)[x] *= on.row(y)[x];
    }
  int held = 0;
  for (const float turn : {0.0F, 0.4F, -1.2F}) {
    std::vector<float> v(places), f(places), plain_v(places), plain_f(places);
    sample_row({value, on}, 5.3F, 17.6F, 0.18F * std::cos(turn), 0.18F * std::sin(turn), places,
               v.data(), f.data());
    scalar::sample_row({value, on}, 5.3F, 17.6F, 0.18F * std::cos(turn), 0.18F * std::sin(turn),
                       places, plain_v.data(), plain_f.data());
    for (std::size_t i = 0; i < places; ++i) {
      EXPECT_NEAR(v[i], plain_v[i], 2e-4) << i;
      EXPECT_EQ(f[i], plain_f[i]) << i;
      held += f[i] > 0 ? 1 : 0;
    }
  }
  EXPECT_GT(held, places / 2);
  EXPECT_LT(held, 3 * places);
}

TEST_F(KernelsTest, SumsOnFilm) {
  const image::Plane value = picture(61, 44), on = film(61, 44);
  const auto x = numbers(places, 3, 55), y = numbers(places, 3, 40), of_a = numbers(places, -1, 1);
  for (const float off : {0.0F, 2.7F, -20.4F}) {
    const Sums found =
        sums_on_film({value, on}, x.data(), y.data(), of_a.data(), places, off, off / 3, 0.8F);
    expect_near(found, scalar::sums_on_film({value, on}, x.data(), y.data(), of_a.data(), places,
                                            off, off / 3, 0.8F));
    EXPECT_GT(found.n, 20);
    EXPECT_LT(found.n, places);
  }
}

TEST_F(KernelsTest, SumsOfCell) {
  constexpr std::int64_t stride = 18;
  auto cell = numbers(cell_side * cell_lanes, 0, 2), weight = numbers(cell_side * cell_lanes, 0, 1);
  for (std::size_t i = 0; i < weight.size(); ++i)
    weight[i] = i % cell_lanes < cell_side && weight[i] > 0.3F ? 1.0F : 0.0F;
  const auto other = numbers(stride * stride + cell_lanes, 0, 2);
  auto counts = numbers(other.size(), 0, 1);
  for (float& v : counts) v = v > 0.4F ? 1.0F : 0.0F;
  for (const std::int64_t at : {0, 5, 6 * 18 + 6})
    expect_near(sums_of_cell(cell.data(), weight.data(), 0.7F, other.data() + at,
                             counts.data() + at, stride),
                scalar::sums_of_cell(cell.data(), weight.data(), 0.7F, other.data() + at,
                                     counts.data() + at, stride));
}

TEST_F(KernelsTest, SplineRow) {
  const image::Plane coefficients = picture(80, 60);
  for (const double step_x : {1.0, 0.98, 1.03})
    for (const double step_y : {0.0, 0.06, -0.05}) {
      std::vector<float> found(67), plain(67);
      spline_row(coefficients, 3.7, 20.2, step_x, step_y, 67, found.data());
      scalar::spline_row(coefficients, 3.7, 20.2, step_x, step_y, 67, plain.data());
      for (std::size_t i = 0; i < found.size(); ++i) EXPECT_NEAR(found[i], plain[i], 5e-5) << i;
    }
}

TEST_F(KernelsTest, AddRow) {
  const auto a = numbers(places, -1, 1), b = numbers(places, -1, 1),
             residual = numbers(places, -0.2, 0.2), gx = numbers(places, -1, 1),
             gy = numbers(places, -1, 1);
  for (const float robust : {0.0F, 9.0F}) {
    NormalSums found, plain;
    for (int row = 0; row < 3; ++row) {
      add_row(a.data(), b.data(), residual.data(), gx.data(), gy.data(), places, robust, found);
      scalar::add_row(a.data(), b.data(), residual.data(), gx.data(), gy.data(), places, robust,
                      plain);
    }
    for (std::size_t i = 0; i < 10; ++i) EXPECT_NEAR(found.left[i], plain.left[i], 1e-3) << i;
    for (std::size_t i = 0; i < 4; ++i) EXPECT_NEAR(found.right[i], plain.right[i], 1e-3) << i;
  }
}

TEST_F(KernelsTest, MedianOf) {
  for (const std::size_t n : {1U, 2U, 9U, 500U, 1001U}) {
    const auto v = numbers(n, 0, 5);
    // With an even number, anything between the two in the middle is one.
    std::vector<float> sorted = v;
    std::sort(sorted.begin(), sorted.end());
    EXPECT_GE(median_of(v), sorted[(n - 1) / 2] - 2e-5F) << n;
    EXPECT_LE(median_of(v), scalar::median_of(v) + 2e-5F) << n;
  }
}

TEST_F(KernelsTest, Products) {
  for (const std::size_t n : {0U, 1U, 2U, 4U, 7U, 64U, 130U}) {
    std::vector<double> rows[4];
    for (auto& row : rows)
      for (std::size_t i = 0; i < n; ++i) row.push_back(static_cast<double>(number(-1, 1)));
    const auto found = products(rows[0].data(), rows[1].data(), rows[2].data(), rows[3].data(), n);
    const auto plain =
        scalar::products(rows[0].data(), rows[1].data(), rows[2].data(), rows[3].data(), n);
    for (std::size_t i = 0; i < 4; ++i) EXPECT_NEAR(found[i], plain[i], 1e-12) << n;
  }
}

}  // namespace
}  // namespace lapwright::lap
