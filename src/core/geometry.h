// Points, rectangles and maps that carry their frame of reference, so that bed and sleeve
// coordinates cannot be mixed by accident.
//
// Frames of reference:
//   BedSpace     x along the sensor line, y along the carriage, as the SANE tl-x .. br-y options
//   SleeveSpace  origin at the sleeve's top left corner as it is read, x right, y down
//   SheetSpace   pixels of the joined sheet
//   PassSpace    pixels of one pass as captured (row = carriage)
// Units: Point and Rect are whole micrometres; PixelRect whole pixels; a Spot is a pair of doubles,
//   millimetres in BedSpace and SleeveSpace, pixels in SheetSpace and PassSpace. Positions are
//   continuous: pixel (i, j) covers [i, i+1) x [j, j+1), its centre is (i + 0.5, j + 0.5).
// Invariants: rectangles are half-open: origin + size. Thread: values. Errors: none.
#pragma once

#include <algorithm>
#include <cmath>

#include "core/units.h"

namespace lapwright::core {

struct BedSpace {};
struct SleeveSpace {};
struct SheetSpace {};
struct PassSpace {};

template <class Space>
struct Point {
  Micrometres x, y;
  constexpr bool operator==(const Point&) const = default;
};

struct Size {
  Micrometres width, height;
  constexpr bool operator==(const Size&) const = default;
};

template <class Space>
struct Spot {
  double x = 0, y = 0;
};

template <class Space>
struct Rect {
  Micrometres x, y, width, height;
  constexpr bool operator==(const Rect&) const = default;
  constexpr Micrometres right() const { return x + width; }
  constexpr Micrometres bottom() const { return y + height; }
  constexpr bool empty() const { return width.value <= 0 || height.value <= 0; }
  constexpr bool contains(const Rect& o) const {
    return o.x >= x && o.y >= y && o.right() <= right() && o.bottom() <= bottom();
  }
  /// The common part; empty (zero size) when there is none.
  constexpr Rect intersect(const Rect& o) const {
    const Micrometres l = std::max(x, o.x), t = std::max(y, o.y);
    const Micrometres r = std::min(right(), o.right()), b = std::min(bottom(), o.bottom());
    if (r <= l || b <= t) return {l, t, {0}, {0}};
    return {l, t, r - l, b - t};
  }
  /// The smallest rectangle that holds both.
  constexpr Rect hull(const Rect& o) const {
    if (empty()) return o;
    if (o.empty()) return *this;
    const Micrometres l = std::min(x, o.x), t = std::min(y, o.y);
    return {l, t, std::max(right(), o.right()) - l, std::max(bottom(), o.bottom()) - t};
  }
  constexpr Rect grown(Micrometres by) const {
    return {x - by, y - by, width + 2 * by, height + 2 * by};
  }
  Spot<Space> centre_mm() const { return {x.mm() + width.mm() / 2, y.mm() + height.mm() / 2}; }
};

template <class Space>
struct PixelRect {
  Pixels x, y, width, height;
  constexpr bool operator==(const PixelRect&) const = default;
  constexpr bool empty() const { return width.value <= 0 || height.value <= 0; }
  constexpr Pixels right() const { return x + width; }
  constexpr Pixels bottom() const { return y + height; }
};

/// x' = a x + c y + e, y' = b x + d y + f, the order of contract.md's sleeve_to_bed.
template <class From, class To>
struct Affine {
  double a = 1, b = 0, c = 0, d = 1, e = 0, f = 0;
  Spot<To> operator()(Spot<From> p) const { return {a * p.x + c * p.y + e, b * p.x + d * p.y + f}; }
  double determinant() const { return a * d - b * c; }
  /// The inverse map; the determinant must not be 0 (a lay's never is).
  Affine<To, From> inverse() const {
    const double k = 1.0 / determinant();
    Affine<To, From> r;
    r.a = d * k;
    r.b = -b * k;
    r.c = -c * k;
    r.d = a * k;
    r.e = -(r.a * e + r.c * f);
    r.f = -(r.b * e + r.d * f);
    return r;
  }
};

/// second(first(p)).
template <class A, class B, class C>
Affine<A, C> compose(const Affine<B, C>& second, const Affine<A, B>& first) {
  Affine<A, C> r;
  r.a = second.a * first.a + second.c * first.b;
  r.b = second.b * first.a + second.d * first.b;
  r.c = second.a * first.c + second.c * first.d;
  r.d = second.b * first.c + second.d * first.d;
  r.e = second.a * first.e + second.c * first.f + second.e;
  r.f = second.b * first.e + second.d * first.f + second.f;
  return r;
}

/// Millimetres to pixels for a picture whose pixel (0,0) has its top left corner at `origin`.
template <class MmSpace, class PixelSpace>
Affine<MmSpace, PixelSpace> mm_to_pixels(Spot<MmSpace> origin, Ppi ppi) {
  const double k = ppi.pixels_per_mm();
  return {k, 0, 0, k, -origin.x * k, -origin.y * k};
}

/// The same map to pixels of another size: every coordinate of the result times `k`.
template <class From, class To>
Affine<From, To> scaled(const Affine<From, To>& m, double k) {
  return {m.a * k, m.b * k, m.c * k, m.d * k, m.e * k, m.f * k};
}

/// The smallest axis-parallel rectangle, rounded outwards to whole micrometres, that holds the
/// image of `r` under `map` (a map between two millimetre spaces).
template <class From, class To>
Rect<To> bounds(const Affine<From, To>& map, const Rect<From>& r) {
  double l = 1e300, t = 1e300, rr = -1e300, b = -1e300;
  for (int i = 0; i < 4; ++i) {
    const Spot<To> p =
        map({(i & 1) ? r.right().mm() : r.x.mm(), (i & 2) ? r.bottom().mm() : r.y.mm()});
    l = std::min(l, p.x), rr = std::max(rr, p.x), t = std::min(t, p.y), b = std::max(b, p.y);
  }
  const auto down = [](double mm) {
    return Micrometres{std::llround(std::floor(mm * 1000 + 1e-6))};
  };
  const auto up = [](double mm) { return Micrometres{std::llround(std::ceil(mm * 1000 - 1e-6))}; };
  return {down(l), down(t), up(rr) - down(l), up(b) - down(t)};
}

}  // namespace lapwright::core

namespace lapwright {
using core::Affine;
using core::BedSpace;
using core::PassSpace;
using core::PixelRect;
using core::Point;
using core::Rect;
using core::SheetSpace;
using core::Size;
using core::SleeveSpace;
using core::Spot;
}  // namespace lapwright
