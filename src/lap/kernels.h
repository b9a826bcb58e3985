// The lap check's inner loops, many values at a time.
//
// Invariants: a plane's rows follow each other without a gap. The scalar functions are the same in
//   plain C++, for the tests to compare with; they agree but for the order of sums.
// Units: pixels, from the plane's corner (a pixel's centre lies at .5) unless said. Thread: pure.
// Errors: none.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "core/geometry.h"
#include "image/rgb.h"

namespace lapwright::lap {

/// A cell's rows, filled up to whole vectors with what does not count.
constexpr std::int64_t cell_side = 12, cell_lanes = 16;

/// Weighted sums of two sets of values, u and v.
struct Sums {
  float n = 0, u = 0, v = 0, uu = 0, vv = 0, uv = 0;
};

/// A picture and what of it is film (1, else 0), of one size.
struct FilmPicture {
  const image::Plane &value, &film;
};

/// (x, y) of a square -> middle + x right + y down.
struct Lattice {
  Spot<PassSpace> middle, right, down;
};

/// Normal equations of a patch: sums of the products of gx, gy, -a and -1 with each other (upper
/// triangle, row by row) and with -b.
struct NormalSums {
  std::array<double, 10> left{};
  std::array<double, 4> right{};
};

/// The values at `count` places, and how each counts: 1, or 0 beyond the picture or, with
/// `film_only`, beside film.
void sample_lattice(const FilmPicture& from, bool film_only, const Lattice& at, const float* x,
                    const float* y, std::int32_t count, float* value, float* weight);

/// A row at (x, y), (x + step_x, y + step_y) and so on; between pixels the mean of those on film.
/// `from` has a pixel of nothing around it, which is not counted in x and y.
void sample_row(const FilmPicture& from, float x, float y, float step_x, float step_y,
                std::int32_t count, float* value, float* film);

/// Of `value` (u) with what `from` shows at (x + dx, y + dy), counted from a pixel's centre, less
/// `mean` (v), on its film.
Sums sums_on_film(const FilmPicture& from, const float* x, const float* y, const float* value,
                  std::int32_t count, float dx, float dy, float mean);

/// Of a cell of cell_side rows (u) and one that starts at `value` and `weight` (v), both less
/// `mean`, where both count. Reads cell_lanes of each row.
Sums sums_of_cell(const float* cell_value, const float* cell_weight, float mean, const float* value,
                  const float* weight, std::int64_t stride);

/// A row of the cubic B-spline with these coefficients at (x + k step_x, y + k step_y), k = 0 .. n
/// - 1, at least 2 pixels inside. Steps are near (1, 0).
void spline_row(const image::Plane& coefficients, double x, double y, double step_x, double step_y,
                std::int64_t n, float* to);

/// Adds a row of a patch: each counts 1 / (1 + (residual robust)^2).
void add_row(const float* a, const float* b, const float* residual, const float* gx,
             const float* gy, std::int64_t n, float robust, NormalSums& to);

/// The median of what is not negative, to a millionth of the largest.
float median_of(const std::vector<float>& values);

/// Products of two rows p0, p1 with two rows q0, q1, each n long: p0 q0, p0 q1, p1 q0, p1 q1.
std::array<double, 4> products(const double* p0, const double* p1, const double* q0,
                               const double* q1, std::size_t n);

namespace scalar {
decltype(lap::sample_lattice) sample_lattice;
decltype(lap::sample_row) sample_row;
decltype(lap::sums_on_film) sums_on_film;
decltype(lap::sums_of_cell) sums_of_cell;
decltype(lap::spline_row) spline_row;
decltype(lap::add_row) add_row;
decltype(lap::median_of) median_of;
decltype(lap::products) products;
}  // namespace scalar

}  // namespace lapwright::lap
