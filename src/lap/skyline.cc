#include "lap/skyline.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "lap/kernels.h"

namespace lapwright::lap {
Skyline::Skyline(const std::vector<std::size_t>& first)
    : first_(first), rows_(first.size()), right_(first.size(), 0.0) {
  for (std::size_t i = 0; i + 1 < first_.size(); i += 2)
    first_[i] = first_[i + 1] = std::min(first_[i], first_[i + 1]) / 2 * 2;
  for (std::size_t i = 0; i < first_.size(); ++i) rows_[i].assign(i - first_[i] + 1, 0.0);
}

/// Row i of the factor.
bool Skyline::factor(std::size_t i) {
  std::vector<double>& row = rows_[i];
  for (std::size_t j = first_[i]; j <= i; ++j) {
    const std::size_t from = std::max(first_[i], first_[j]);
    const double *p = row.data() + (from - first_[i]), *q = rows_[j].data() + (from - first_[j]);
    double& v = row[j - first_[i]];
    for (std::size_t k = 0; k < j - from; ++k) v -= p[k] * q[k];
    if (j < i) {
      v /= rows_[j].back();
    } else {
      if (!(v > 0)) return false;
      v = std::sqrt(v);
    }
  }
  return true;
}

/// Rows i and i + 1 of the factor, i even.
bool Skyline::factor_two(std::size_t i) {
  const std::size_t first = first_[i];
  double *r0 = rows_[i].data(), *r1 = rows_[i + 1].data();
  for (std::size_t j = first; j < i; j += 2) {
    const std::size_t from = std::max(first, first_[j]), at = j - first;
    const auto s =
        products(r0 + (from - first), r1 + (from - first), rows_[j].data() + (from - first_[j]),
                 rows_[j + 1].data() + (from - first_[j]), j - from);
    const double d0 = rows_[j].back(), d1 = rows_[j + 1].back(),
                 below = rows_[j + 1][j - first_[j]];
    r0[at] = (r0[at] - s[0]) / d0, r1[at] = (r1[at] - s[2]) / d0;
    r0[at + 1] = (r0[at + 1] - s[1] - r0[at] * below) / d1;
    r1[at + 1] = (r1[at + 1] - s[3] - r1[at] * below) / d1;
  }
  const std::size_t n = i - first;
  const auto s = products(r0, r1, r0, r1, n);
  const double v0 = r0[n] - s[0];
  if (!(v0 > 0)) return false;
  r0[n] = std::sqrt(v0);
  r1[n] = (r1[n] - s[2]) / r0[n];
  const double v1 = r1[n + 1] - s[3] - r1[n] * r1[n];
  if (!(v1 > 0)) return false;
  r1[n + 1] = std::sqrt(v1);
  return true;
}

std::optional<std::vector<double>> Skyline::solve() {
  const std::size_t n = rows_.size();
  for (std::size_t i = 0; i + 1 < n; i += 2)
    if (!factor_two(i)) return std::nullopt;
  if (n % 2 == 1 && !factor(n - 1)) return std::nullopt;
  std::vector<double> x = right_;
  for (std::size_t i = 0; i < n; ++i) {
    const std::vector<double>& row = rows_[i];
    for (std::size_t k = first_[i]; k < i; ++k) x[i] -= row[k - first_[i]] * x[k];
    x[i] /= row.back();
  }
  for (std::size_t i = n; i-- > 0;) {
    x[i] /= rows_[i].back();
    for (std::size_t k = first_[i]; k < i; ++k) x[k] -= rows_[i][k - first_[i]] * x[i];
  }
  return x;
}

}  // namespace lapwright::lap
