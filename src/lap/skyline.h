// A symmetric positive definite system kept as its rows from their first entry to the diagonal:
// what a smooth curve (a band) with a few common unknowns (a border) needs.
//
// Invariants: entries outside the profile are zero; two rows, an even one and the next (x and y of
// one unknown), share a first column, which is even. Units: the caller's. Thread: value. Errors:
// solve() gives no answer where the matrix is not positive definite.
#pragma once

#include <cstddef>
#include <optional>
#include <vector>

namespace lapwright::lap {

class Skyline {
 public:
  /// `first[i]`: the lowest column that row i uses.
  explicit Skyline(const std::vector<std::size_t>& first);
  void add(std::size_t i, std::size_t j, double v) {  // the lower or the upper half, not both
    if (i < j) std::swap(i, j);
    rows_[i][j - first_[i]] += v;
  }
  void add_right(std::size_t i, double v) { right_[i] += v; }
  /// Row i's entries, from the column first(i) to the diagonal.
  double* row(std::size_t i) { return rows_[i].data(); }
  std::size_t first(std::size_t i) const { return first_[i]; }

  /// Cholesky in place; the matrix is used up.
  std::optional<std::vector<double>> solve();

 private:
  bool factor(std::size_t i);
  bool factor_two(std::size_t i);

  std::vector<std::size_t> first_;
  std::vector<std::vector<double>> rows_;
  std::vector<double> right_;
};

}  // namespace lapwright::lap
