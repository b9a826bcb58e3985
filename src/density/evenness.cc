#include "density/evenness.h"

#include <algorithm>
#include <cmath>

namespace lapwright::density {
namespace {

constexpr std::int64_t cell = 16;         // overview pixels, about 4 mm
constexpr std::size_t least_in_cell = 5;  // flat open pixels
constexpr int least_cells = 12;
constexpr double reach = 0.015;       // D about the surface that is open light
constexpr double cell_error = 0.003;  // D
constexpr std::array<double, 6> usual{0.05, 0.05, 0.015,
                                      0.05, 0.05, 0.015};  // D: how large a term may well be

struct Cell {
  double u, v;
  std::array<double, 3> log_counts;
};

double median(std::vector<double>& v) {
  const auto at = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), at, v.end());
  return *at;
}

std::array<double, 7> basis(const Cell& c) {
  return {c.u, c.u * c.u, c.u * c.u * c.u, c.v, c.v * c.v, c.v * c.v * c.v, 1};
}

/// Gauss elimination with pivots of a symmetric positive system.
std::array<double, 7> solve(std::array<std::array<double, 8>, 7> m) {
  for (std::size_t i = 0; i < 7; ++i) {
    std::size_t pivot = i;
    for (std::size_t k = i + 1; k < 7; ++k)
      if (std::abs(m[k][i]) > std::abs(m[pivot][i])) pivot = k;
    std::swap(m[i], m[pivot]);
    for (std::size_t k = 0; k < 7; ++k) {
      if (k == i) continue;
      const double f = m[k][i] / m[i][i];
      for (std::size_t j = i; j < 8; ++j) m[k][j] -= f * m[i][j];
    }
  }
  std::array<double, 7> x{};
  for (std::size_t i = 0; i < 7; ++i) x[i] = m[i][7] / m[i][i];
  return x;
}

/// Cells far off the surface (dust, film that is nearly clear) lose their weight.
std::array<double, 7> surface(const std::vector<Cell>& cells, std::size_t channel,
                              double& residual) {
  std::array<double, 7> terms{};
  std::vector<double> weight(cells.size(), 1), off(cells.size());
  for (int round = 0; round < 6; ++round) {
    std::array<std::array<double, 8>, 7> m{};
    for (std::size_t i = 0; i < 6; ++i) m[i][i] = cell_error * cell_error / (usual[i] * usual[i]);
    m[6][6] = 1e-9;
    for (std::size_t k = 0; k < cells.size(); ++k) {
      const auto b = basis(cells[k]);
      for (std::size_t i = 0; i < 7; ++i) {
        for (std::size_t j = 0; j < 7; ++j) m[i][j] += weight[k] * b[i] * b[j];
        m[i][7] += weight[k] * b[i] * cells[k].log_counts[channel];
      }
    }
    terms = solve(m);
    for (std::size_t k = 0; k < cells.size(); ++k) {
      const auto b = basis(cells[k]);
      off[k] = cells[k].log_counts[channel];
      for (std::size_t i = 0; i < 7; ++i) off[k] -= terms[i] * b[i];
      off[k] = std::abs(off[k]);
    }
    std::vector<double> sorted = off;
    residual = 1.483 * median(sorted);
    const double limit = 4.7 * std::max(residual, 0.0008);
    for (std::size_t k = 0; k < cells.size(); ++k) {
      const double t = off[k] / limit;
      weight[k] = t < 1 ? (1 - t * t) * (1 - t * t) : 0;
    }
  }
  return terms;
}

}  // namespace

double LightField::part(std::size_t c, double t, std::size_t first) const {
  const auto& k = terms_[c];
  return std::pow(10.0, t * (k[first] + t * (k[first + 1] + t * k[first + 2])));
}

OpenLight open_light(const Overview& o, const PixelRect<SheetSpace>& area, double level) {
  OpenLight found;
  std::array<std::array<double, 7>, 3> terms{};
  for (auto& t : terms) t[6] = std::log10(65535.0) - level;
  // Wider reach at first: where the light falls off, the surface must find its way there.
  for (const double near : {0.03, 0.025, 0.02, reach, reach}) {
    std::vector<Cell> cells;
    for (std::int64_t cy = area.y.value; cy < area.bottom().value; cy += cell)
      for (std::int64_t cx = area.x.value; cx < area.right().value; cx += cell) {
        std::array<std::vector<double>, 3> values;
        double us = 0, vs = 0;
        for (std::int64_t y = cy; y < std::min(cy + cell, area.bottom().value); ++y)
          for (std::int64_t x = cx; x < std::min(cx + cell, area.right().value); ++x) {
            if (!o.flat(x, y)) continue;
            const Cell at{o.u(x), o.v(y), {}};
            const auto b = basis(at);
            double expected = 0;
            for (const auto& t : terms)
              for (std::size_t i = 0; i < 7; ++i) expected += t[i] * b[i] / 3;
            if (std::abs(std::log10(65535.0) - static_cast<double>(o.density(x, y)) - expected) >
                near)
              continue;
            for (std::size_t c = 0; c < 3; ++c)
              values[c].push_back(std::log10(std::max<double>(o.counts(x, y)[c], 1)));
            us += at.u, vs += at.v;
          }
        if (values[0].size() < least_in_cell) continue;
        const auto n = static_cast<double>(values[0].size());
        cells.push_back(
            {us / n, vs / n, {median(values[0]), median(values[1]), median(values[2])}});
      }
    found.cells = static_cast<int>(cells.size());
    if (found.cells < least_cells) return found;
    found.residual = 0;
    for (std::size_t c = 0; c < 3; ++c) {
      double residual = 0;
      terms[c] = surface(cells, c, residual);
      found.residual = std::max(found.residual, residual);
    }
    double brightest = -1e9, darkest = 1e9;
    for (const Cell& at : cells) {
      const auto b = basis(at);
      double light = 0;
      for (std::size_t i = 0; i < 6; ++i) light += terms[1][i] * b[i];
      brightest = std::max(brightest, light), darkest = std::min(darkest, light);
    }
    found.uneven = 1 - std::pow(10.0, darkest - brightest);
  }
  for (std::size_t c = 0; c < 3; ++c) {
    std::copy_n(terms[c].begin(), 6, found.evenness.terms[c].begin());
    found.counts[c] = std::pow(10.0, terms[c][6]);
  }
  return found;
}

}  // namespace lapwright::density
