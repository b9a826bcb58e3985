// The system of band and border against the dense solver of a general library (Eigen's LLT).
#include "lap/skyline.h"

#include <gtest/gtest.h>

#include <Eigen/Dense>
#include <random>

namespace lapwright::lap {
namespace {

struct System {
  std::vector<std::size_t> first;
  Eigen::MatrixXd dense;
  Eigen::VectorXd right;
};

/// Rows of `band` entries at most, the last `border` rows whole; positive definite.
System random_system(std::size_t n, std::size_t band, std::size_t border, unsigned seed) {
  std::mt19937 random(seed);
  std::normal_distribution<double> normal;
  System s;
  Eigen::MatrixXd factor =
      Eigen::MatrixXd::Zero(static_cast<Eigen::Index>(n), static_cast<Eigen::Index>(n));
  for (std::size_t i = 0; i < n; ++i) {
    const std::size_t reach = random() % band;
    s.first.push_back(i + border >= n ? 0 : i - std::min(i, reach));
    for (std::size_t j = s.first[i]; j < i; ++j)
      factor(static_cast<Eigen::Index>(i), static_cast<Eigen::Index>(j)) = 0.3 * normal(random);
    factor(static_cast<Eigen::Index>(i), static_cast<Eigen::Index>(i)) =
        1 + std::abs(normal(random));
  }
  s.dense = factor * factor.transpose();
  s.right =
      Eigen::VectorXd::NullaryExpr(static_cast<Eigen::Index>(n), [&] { return normal(random); });
  return s;
}

Skyline skyline_of(const System& s) {
  Skyline out(s.first);
  for (std::size_t i = 0; i < s.first.size(); ++i) {
    for (std::size_t j = s.first[i]; j <= i; ++j)
      out.add(i, j, s.dense(static_cast<Eigen::Index>(i), static_cast<Eigen::Index>(j)));
    out.add_right(i, s.right(static_cast<Eigen::Index>(i)));
  }
  return out;
}

TEST(SkylineTest, SolvesAsTheDenseSolver) {
  for (const std::size_t n : {1U, 2U, 3U, 16U, 61U, 200U})
    for (const std::size_t border : {0U, 1U, 10U}) {
      const System s = random_system(n, 23, border, static_cast<unsigned>(n + border));
      const auto found = skyline_of(s).solve();
      ASSERT_TRUE(found);
      const Eigen::VectorXd want = s.dense.llt().solve(s.right);
      for (std::size_t i = 0; i < n; ++i)
        EXPECT_NEAR((*found)[i], want(static_cast<Eigen::Index>(i)),
                    1e-8 * (1 + want.cwiseAbs().maxCoeff()))
            << n << " rows, border " << border << ", unknown " << i;
    }
}

TEST(SkylineTest, TellsWhatIsNotPositiveDefinite) {
  for (const Eigen::Index row :
       {Eigen::Index{0}, Eigen::Index{7}, Eigen::Index{8}, Eigen::Index{20}}) {
    System s = random_system(21, 9, 3, 5);
    s.dense(row, row) = -1;
    EXPECT_FALSE(skyline_of(s).solve()) << "row " << row;
  }
}

}  // namespace
}  // namespace lapwright::lap
