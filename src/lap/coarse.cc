#include "lap/coarse.h"

#include <fftw3.h>

#include <algorithm>
#include <cmath>
#include <future>
#include <memory>
#include <mutex>

#include "lap/kernels.h"

namespace lapwright::lap {
namespace {

constexpr double near_plan_mm = 22;  // a hand's 15 mm, and what a turn adds at the middle
std::mutex planner;                  // FFTW's planner may be entered by one thread at a time

int good_size(int n) {
  for (;; ++n) {
    int m = n;
    for (const int p : {2, 3, 5, 7})
      while (m % p == 0) m /= p;
    if (m == 1) return n;
  }
}

struct Free {
  void operator()(void* p) const { fftwf_free(p); }
};
using Reals = std::unique_ptr<float[], Free>;
using Waves = std::unique_ptr<fftwf_complex[], Free>;

/// Of planes of one size; may be used by several threads, each with its own room.
class Transform {
 public:
  Transform(int width, int height) : w_(width), h_(height) {
    const Reals reals = make_reals();
    const Waves waves = make_waves();
    const std::lock_guard lock(planner);
    forward_ = fftwf_plan_dft_r2c_2d(h_, w_, reals.get(), waves.get(), FFTW_ESTIMATE);
    back_ = fftwf_plan_dft_c2r_2d(h_, w_, waves.get(), reals.get(), FFTW_ESTIMATE);
  }
  Transform(const Transform&) = delete;
  Transform& operator=(const Transform&) = delete;
  ~Transform() {
    const std::lock_guard lock(planner);
    fftwf_destroy_plan(forward_), fftwf_destroy_plan(back_);
  }
  int width() const { return w_; }
  int height() const { return h_; }
  std::size_t reals() const { return static_cast<std::size_t>(w_) * static_cast<std::size_t>(h_); }
  std::size_t waves() const {
    return static_cast<std::size_t>(w_ / 2 + 1) * static_cast<std::size_t>(h_);
  }
  Reals make_reals() const {
    return Reals(static_cast<float*>(fftwf_malloc(sizeof(float) * reals())));
  }
  Waves make_waves() const {
    return Waves(static_cast<fftwf_complex*>(fftwf_malloc(sizeof(fftwf_complex) * waves())));
  }
  /// The spectrum of `p`, which stands in the first corner.
  void transform(const image::Plane& p, const Reals& room, const Waves& to) const {
    std::fill_n(room.get(), reals(), 0.0F);
    for (std::int64_t y = 0; y < p.height; ++y) std::copy_n(p.row(y), p.width, room.get() + y * w_);
    fftwf_execute_dft_r2c(forward_, room.get(), to.get());
  }
  /// sum over x of a(x) b(x + d), for every d (modulo the size).
  void correlate(const Waves& a, const Waves& b, const Waves& room, const Reals& to) const {
    const float k = 1.0F / static_cast<float>(reals());
    for (std::size_t i = 0; i < waves(); ++i) {
      room[i][0] = (a[i][0] * b[i][0] + a[i][1] * b[i][1]) * k;
      room[i][1] = (a[i][0] * b[i][1] - a[i][1] * b[i][0]) * k;
    }
    fftwf_execute_dft_c2r(back_, room.get(), to.get());
  }

 private:
  int w_, h_;
  fftwf_plan forward_ = nullptr, back_ = nullptr;
};

/// Sums over 2 x 2 of what `of` makes of a pixel's value and film.
template <class Of>
image::Plane halved(const Thumb& from, const Of& of) {
  const std::int64_t w = from.value.width, h = from.value.height;
  image::Plane out((w + 1) / 2, (h + 1) / 2);
  for (std::int64_t y = 0; y < h; ++y)
    for (std::int64_t x = 0; x < w; ++x)
      out.row(y / 2)[x / 2] += of(from.value.row(y)[x], from.film.row(y)[x]);
  return out;
}

/// Masked correlations of a with what is laid over it. Film in common and what is held there change
/// slowly with the shift: half the resolution does for them.
class Correlator {
 public:
  /// `half` has half the size of `full`.
  Correlator(const Thumb& a, const Transform& full, const Transform& half)
      : a_(a),
        full_(full),
        half_(half),
        value_a_(full_.make_waves()),
        value_b_(full_.make_waves()),
        room_(full_.make_waves()),
        film_a_(half_.make_waves()),
        film_b_(half_.make_waves()),
        square_a_(half_.make_waves()),
        square_b_(half_.make_waves()),
        half_room_(half_.make_waves()),
        together_(full_.make_reals()),
        common_(half_.make_reals()),
        of_a_(half_.make_reals()),
        of_b_(half_.make_reals()) {
    transform(a, value_a_, film_a_, square_a_);
  }
  const Thumb& a() const { return a_; }
  int width() const { return full_.width(); }
  int height() const { return full_.height(); }
  void lay(const Thumb& b) {
    transform(b, value_b_, film_b_, square_b_);
    // The thumbs' local means are taken off already, so the means over each common area need no
    // terms of their own.
    full_.correlate(value_a_, value_b_, room_, together_);
    half_.correlate(film_a_, film_b_, half_room_, common_);
    half_.correlate(square_a_, film_b_, half_room_, of_a_);
    half_.correlate(film_a_, square_b_, half_room_, of_b_);
  }
  /// At a shift of b: pixels of film in common, sums over them of a squared, b squared and a b.
  struct Sums {
    float n, aa, bb, ab;
  };
  Sums at(int x, int y) const {
    const int w = half_.width(), h = half_.height(), x0 = x / 2, y0 = y / 2,
              x1 = x % 2 == 0 ? x0 : (x0 + 1) % w, y1 = y % 2 == 0 ? y0 : (y0 + 1) % h;
    // Four pixels of one by four of the other, of which four pairs lie over each other.
    const auto between = [&](const Reals& of) {
      return (of[index(x0, y0, w)] + of[index(x1, y0, w)] + of[index(x0, y1, w)] +
              of[index(x1, y1, w)]) /
             16;
    };
    return {between(common_), between(of_a_), between(of_b_), together(x, y)};
  }
  float together(int x, int y) const { return together_[index(x, y, width())]; }

  std::vector<float> score, correlation;  // of the shifts, to be used again

 private:
  static std::size_t index(int x, int y, int width) {
    return static_cast<std::size_t>(y) * static_cast<std::size_t>(width) +
           static_cast<std::size_t>(x);
  }
  void transform(const Thumb& from, const Waves& value, const Waves& film, const Waves& square) {
    full_.transform(from.value, together_, value);
    half_.transform(halved(from, [](float, float on) { return on; }), common_, film);
    half_.transform(halved(from, [](float v, float) { return v * v; }), common_, square);
  }

  const Thumb& a_;
  const Transform &full_, &half_;
  Waves value_a_, value_b_, room_, film_a_, film_b_, square_a_, square_b_, half_room_;
  Reals together_, common_, of_a_, of_b_;
};

struct Turned {
  Thumb thumb;
  PassMap to_b;
};  // thumb pixel -> b's thumb pixel

/// With a pixel of nothing around it.
image::Plane framed(const image::Plane& p) {
  image::Plane out(p.width + 2, p.height + 2);
  for (std::int64_t y = 0; y < p.height; ++y) std::copy_n(p.row(y), p.width, out.row(y + 1) + 1);
  return out;
}

/// Where a thumb (in its frame) lies when it is turned: left, top and size.
struct Extent {
  double left, top;
  std::int64_t width, height;
};
Extent extent_of(const Thumb& b, const PassMap& linear) {
  const auto w = static_cast<double>(b.value.width - 2),
             h = static_cast<double>(b.value.height - 2);
  const PassMap back = PassMap{linear.a, linear.b, linear.c, linear.d, 0, 0}.inverse();
  double l = 1e300, t = 1e300, r = -1e300, bottom = -1e300;
  for (int i = 0; i < 4; ++i) {
    const auto p = back({(i & 1) ? w : 0, (i & 2) ? h : 0});
    l = std::min(l, p.x), r = std::max(r, p.x), t = std::min(t, p.y),
    bottom = std::max(bottom, p.y);
  }
  return {l, t, static_cast<std::int64_t>(std::ceil(r - l)),
          static_cast<std::int64_t>(std::ceil(bottom - t))};
}

/// `b` in its frame.
Turned turn(const Thumb& b, const PassMap& linear) {
  const auto [l, t, ow, oh] = extent_of(b, linear);
  Turned out;
  out.thumb.value = image::Plane(ow, oh), out.thumb.film = image::Plane(ow, oh);
  out.thumb.mm_per_pixel = b.mm_per_pixel;
  out.to_b = {linear.a,
              linear.b,
              linear.c,
              linear.d,
              linear.a * l + linear.c * t,
              linear.b * l + linear.d * t};
  const PassMap& m = out.to_b;
  for (std::int64_t y = 0; y < oh; ++y) {
    const auto from = m({0.5, static_cast<double>(y) + 0.5});
    sample_row({b.value, b.film}, static_cast<float>(from.x), static_cast<float>(from.y),
               static_cast<float>(m.a), static_cast<float>(m.b), static_cast<std::int32_t>(ow),
               out.thumb.value.row(y), out.thumb.film.row(y));
  }
  return out;
}

std::vector<Proposal> peaks(Correlator& over, const Turned& turned, double by, int most) {
  over.lay(turned.thumb);
  const double mm = over.a().mm_per_pixel;
  const auto least = static_cast<float>(120 / (mm * mm));  // 120 mm2 of film in common
  const double enough = 900 / (mm * mm);
  const int w = over.width(), h = over.height();
  std::vector<float>&score = over.score, &correlation = over.correlation;
  score.assign(static_cast<std::size_t>(w) * static_cast<std::size_t>(h), 0.0F);
  correlation.assign(score.size(), 0.0F);
  std::size_t i = 0;
  for (int y = 0; y < h; ++y)
    for (int x = 0; x < w; ++x, ++i) {
      if (over.together(x, y) <= 0) continue;
      const Correlator::Sums s = over.at(x, y);
      if (s.n < least || s.aa < s.n * 1e-6F || s.bb < s.n * 1e-6F ||
          s.ab * s.ab < 0.12F * 0.12F * s.aa * s.bb)
        continue;
      const double r = std::min(0.9999, static_cast<double>(s.ab / std::sqrt(s.aa * s.bb)));
      correlation[i] = static_cast<float>(r);
      // Pictures, rebates and gutters repeat as a lattice, which correlates at some 0.7 over any
      // area: beyond what a narrow lap shows, more area is no more evidence.
      score[i] =
          static_cast<float>(-std::min(static_cast<double>(s.n), enough) / 2 * std::log(1 - r * r));
    }
  std::vector<std::size_t> tops;
  for (int y = 0; y < h; ++y)
    for (int x = 0; x < w; ++x) {
      const auto here = static_cast<std::size_t>(y * w + x);
      if (score[here] <= 0) continue;
      bool top = true;
      for (int j = -1; j <= 1 && top; ++j)
        for (int k = -1; k <= 1 && top; ++k)
          top = score[static_cast<std::size_t>(((y + j + h) % h) * w + (x + k + w) % w)] <=
                score[here];
      if (top) tops.push_back(here);
    }
  const auto kept = std::min<std::size_t>(tops.size(), static_cast<std::size_t>(most));
  std::partial_sort(tops.begin(), tops.begin() + static_cast<std::ptrdiff_t>(kept), tops.end(),
                    [&](std::size_t p, std::size_t q) { return score[p] > score[q]; });
  std::vector<Proposal> out;
  for (std::size_t k = 0; k < kept; ++k) {
    int dx = static_cast<int>(tops[k]) % w, dy = static_cast<int>(tops[k]) / w;
    if (dx >= turned.thumb.value.width) dx -= w;
    if (dy >= turned.thumb.value.height) dy -= h;
    // a's thumb pixel x is the turned thumb's pixel x + d
    const PassMap& m = turned.to_b;
    PassMap map{m.a, m.b, m.c, m.d, m.a * dx + m.c * dy + m.e, m.b * dx + m.d * dy + m.f};
    map.e *= by, map.f *= by;
    out.push_back(
        {map, static_cast<double>(score[tops[k]]), static_cast<double>(correlation[tops[k]])});
  }
  return out;
}

}  // namespace

std::vector<Proposal> propose(const Thumb& a, const Thumb& b, double by,
                              const std::vector<PassMap>& linear, const PassMap& planned,
                              int most) {
  const Thumb in_frame{framed(b.value), framed(b.film), b.mm_per_pixel};
  std::int64_t width = 0, height = 0;
  for (const PassMap& m : linear) {
    const Extent e = extent_of(in_frame, m);
    width = std::max(width, e.width), height = std::max(height, e.height);
  }
  const int w = good_size(static_cast<int>(a.value.width + width + 1) / 2),
            h = good_size(static_cast<int>(a.value.height + height + 1) / 2);
  const Transform full(2 * w, 2 * h), half(w, h);
  const auto run = [&](std::size_t first) {
    std::vector<Proposal> found;
    Correlator over(a, full, half);
    for (std::size_t i = first; i < linear.size(); i += 2)
      for (Proposal& p : peaks(over, turn(in_frame, linear[i]), by, most * 8)) found.push_back(p);
    return found;
  };
  auto other = std::async(std::launch::async, run, std::size_t{1});
  std::vector<Proposal> all = run(0), more = other.get(), out;
  all.insert(all.end(), more.begin(), more.end());
  std::sort(all.begin(), all.end(),
            [](const Proposal& p, const Proposal& q) { return p.score > q.score; });
  const Spot<PassSpace> middle{static_cast<double>(a.value.width) * by / 2,
                               static_cast<double>(a.value.height) * by / 2};
  const auto apart = [&](const PassMap& p, const PassMap& q) {
    const auto u = p(middle), v = q(middle);
    return std::hypot(u.x - v.x, u.y - v.y) * a.mm_per_pixel / by;
  };
  // Half of the places are kept for those near the plan, where a hand's error leaves the sleeve;
  // the rest for anywhere.
  int near_plan = 0, anywhere = 0;
  for (const Proposal& p : all) {
    if (std::any_of(out.begin(), out.end(),
                    [&](const Proposal& q) { return apart(p.a_to_b, q.a_to_b) < 2; }))
      continue;
    int& taken = apart(p.a_to_b, planned) < near_plan_mm ? near_plan : anywhere;
    if (taken * 2 >= most) continue;
    ++taken;
    out.push_back(p);
  }
  return out;
}

}  // namespace lapwright::lap
