// A symmetric positive definite system kept as its rows from their first entry to the diagonal:
// what a smooth curve (a band) with a few common unknowns (a border) needs.
//
// Invariants: entries outside the profile are zero. Units: the caller's. Thread: value. Errors:
// solve() gives no answer where the
//   matrix is not positive definite.
#pragma once

#include <algorithm>
#include <cmath>
#include <optional>
#include <vector>

namespace lapwright::lap {

class Skyline {
 public:
  /// `first[i]`: the lowest column that row i uses.
  explicit Skyline(const std::vector<std::size_t>& first)
      : first_(first), rows_(first.size()), right_(first.size(), 0.0) {
    for (std::size_t i = 0; i < first.size(); ++i) rows_[i].assign(i - first[i] + 1, 0.0);
  }
  void add(std::size_t i, std::size_t j, double v) {  // the lower or the upper half, not both
    if (i < j) std::swap(i, j);
    rows_[i][j - first_[i]] += v;
  }
  void add_right(std::size_t i, double v) { right_[i] += v; }

  /// Cholesky in place; the matrix is used up.
  std::optional<std::vector<double>> solve() {
    const std::size_t n = rows_.size();
    std::vector<double> x = right_;
    for (std::size_t i = 0; i < n; ++i) {
      std::vector<double>& row = rows_[i];
      for (std::size_t j = first_[i]; j <= i; ++j) {
        const std::size_t from = std::max(first_[i], first_[j]);
        const double *p = row.data() + (from - first_[i]),
                     *q = rows_[j].data() + (from - first_[j]);
        double sum = 0;
        for (std::size_t k = 0; k < j - from; ++k) sum += p[k] * q[k];
        double& v = row[j - first_[i]];
        v -= sum;
        if (j < i) {
          v /= rows_[j].back();
        } else {
          if (!(v > 0)) return std::nullopt;
          v = std::sqrt(v);
        }
      }
      double sum = x[i];
      for (std::size_t k = first_[i]; k < i; ++k) sum -= row[k - first_[i]] * x[k];
      x[i] = sum / row.back();
    }
    for (std::size_t i = n; i-- > 0;) {
      x[i] /= rows_[i].back();
      for (std::size_t k = first_[i]; k < i; ++k) x[k] -= rows_[i][k - first_[i]] * x[i];
    }
    return x;
  }

 private:
  std::vector<std::size_t> first_;
  std::vector<std::vector<double>> rows_;
  std::vector<double> right_;
};

}  // namespace lapwright::lap
