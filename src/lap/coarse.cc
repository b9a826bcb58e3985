#include "lap/coarse.h"

#include <fftw3.h>

#include <algorithm>
#include <cmath>
#include <future>
#include <memory>
#include <mutex>

namespace lapwright::lap {
namespace {

constexpr double near_plan_mm = 22;  // a hand's 15 mm, and what a turn adds at the middle
std::mutex planner;                  // FFTW's planner may be entered by one thread at a time

int good_size(int n) {
  for (;; ++n) {
    int m = n;
    for (const int p : {2, 3, 5})
      while (m % p == 0) m /= p;
    if (m == 1) return n;
  }
}

struct Free {
  void operator()(void* p) const { fftwf_free(p); }
};
using Reals = std::unique_ptr<float[], Free>;
using Waves = std::unique_ptr<fftwf_complex[], Free>;

class Transform {
 public:
  Transform(int width, int height)
      : w_(width), h_(height), reals_(make_reals()), waves_(make_waves()) {
    const std::lock_guard lock(planner);
    forward_ = fftwf_plan_dft_r2c_2d(h_, w_, reals_.get(), waves_.get(), FFTW_ESTIMATE);
    back_ = fftwf_plan_dft_c2r_2d(h_, w_, waves_.get(), reals_.get(), FFTW_ESTIMATE);
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
  template <class Get>
  Waves of(const image::Plane& p, Get get) const {
    Reals in = make_reals();
    Waves out = make_waves();
    std::fill_n(in.get(), reals(), 0.0F);
    for (std::int64_t y = 0; y < p.height; ++y)
      for (std::int64_t x = 0; x < p.width; ++x)
        in[static_cast<std::size_t>(y * w_ + x)] = get(p.row(y)[x]);
    fftwf_execute_dft_r2c(forward_, in.get(), out.get());
    return out;
  }
  /// sum over x of a(x) b(x + d), for every d (modulo the size).
  Reals correlate(const Waves& a, const Waves& b) const {
    Waves product = make_waves();
    Reals out = make_reals();
    const float k = 1.0F / static_cast<float>(reals());
    for (std::size_t i = 0; i < waves(); ++i) {
      product[i][0] = (a[i][0] * b[i][0] + a[i][1] * b[i][1]) * k;
      product[i][1] = (a[i][0] * b[i][1] - a[i][1] * b[i][0]) * k;
    }
    fftwf_execute_dft_c2r(back_, product.get(), out.get());
    return out;
  }

 private:
  int w_, h_;
  Reals reals_;
  Waves waves_;
  fftwf_plan forward_ = nullptr, back_ = nullptr;
};

struct Spectra {
  Waves value, square, film;
};
Spectra spectra(const Transform& t, const Thumb& thumb) {
  const auto same = [](float v) { return v; };
  return {t.of(thumb.value, same), t.of(thumb.value, [](float v) { return v * v; }),
          t.of(thumb.film, same)};
}

struct Turned {
  Thumb thumb;
  PassMap to_b;
};  // thumb pixel -> b's thumb pixel
Turned turn(const Thumb& b, const PassMap& linear) {
  const auto w = static_cast<double>(b.value.width), h = static_cast<double>(b.value.height);
  const PassMap back = PassMap{linear.a, linear.b, linear.c, linear.d, 0, 0}.inverse();
  double l = 1e300, t = 1e300, r = -1e300, bottom = -1e300;
  for (int i = 0; i < 4; ++i) {
    const auto p = back({(i & 1) ? w : 0, (i & 2) ? h : 0});
    l = std::min(l, p.x), r = std::max(r, p.x), t = std::min(t, p.y),
    bottom = std::max(bottom, p.y);
  }
  Turned out;
  const auto ow = static_cast<std::int64_t>(std::ceil(r - l)),
             oh = static_cast<std::int64_t>(std::ceil(bottom - t));
  out.thumb.value = image::Plane(ow, oh), out.thumb.film = image::Plane(ow, oh);
  out.thumb.mm_per_pixel = b.mm_per_pixel;
  out.to_b = {linear.a,
              linear.b,
              linear.c,
              linear.d,
              linear.a * l + linear.c * t,
              linear.b * l + linear.d * t};
  for (std::int64_t y = 0; y < oh; ++y)
    for (std::int64_t x = 0; x < ow; ++x) {
      const auto p = out.to_b({static_cast<double>(x) + 0.5, static_cast<double>(y) + 0.5});
      const double fx = p.x - 0.5, fy = p.y - 0.5;
      const auto ix = static_cast<std::int64_t>(std::floor(fx)),
                 iy = static_cast<std::int64_t>(std::floor(fy));
      double s = 0, n = 0;
      for (std::int64_t j = 0; j < 2; ++j)
        for (std::int64_t i = 0; i < 2; ++i) {
          const std::int64_t sx = ix + i, sy = iy + j;
          if (sx < 0 || sy < 0 || sx >= b.value.width || sy >= b.value.height) continue;
          const double k = (1 - std::abs(fx - static_cast<double>(sx))) *
                           (1 - std::abs(fy - static_cast<double>(sy))) *
                           static_cast<double>(b.film.row(sy)[sx]);
          s += k * static_cast<double>(b.value.row(sy)[sx]), n += k;
        }
      if (n > 0.5)
        out.thumb.value.row(y)[x] = static_cast<float>(s / n), out.thumb.film.row(y)[x] = 1;
    }
  return out;
}

std::vector<Proposal> peaks(const Transform& t, const Spectra& a, const Thumb& ta,
                            const Turned& turned, double by, int most) {
  const Spectra b = spectra(t, turned.thumb);
  // The thumbs' local means are taken off already, so the means over each common area need no terms
  // of their own.
  const Reals n = t.correlate(a.film, b.film), saa = t.correlate(a.square, b.film),
              sbb = t.correlate(a.film, b.square), sab = t.correlate(a.value, b.value);
  const double least = 120 / (ta.mm_per_pixel * ta.mm_per_pixel);  // 120 mm2 of film in common
  const double enough = 900 / (ta.mm_per_pixel * ta.mm_per_pixel);
  const int w = t.width(), h = t.height();
  std::vector<float> score(t.reals(), 0.0F), correlation(t.reals(), 0.0F);
  for (std::size_t i = 0; i < t.reals(); ++i) {
    const double m = static_cast<double>(n[i]);
    if (m < least) continue;
    const double va = static_cast<double>(saa[i]), vb = static_cast<double>(sbb[i]);
    if (va < m * 1e-6 || vb < m * 1e-6) continue;
    const double r = std::min(0.9999, static_cast<double>(sab[i]) / std::sqrt(va * vb));
    if (r < 0.12) continue;
    correlation[i] = static_cast<float>(r);
    // Pictures, rebates and gutters repeat as a lattice, which correlates at some 0.7 over any
    // area: beyond what a narrow lap shows, more area is no more evidence.
    score[i] = static_cast<float>(-std::min(m, enough) / 2 * std::log(1 - r * r));
  }
  std::vector<std::size_t> tops;
  for (int y = 0; y < h; ++y)
    for (int x = 0; x < w; ++x) {
      const auto i = static_cast<std::size_t>(y * w + x);
      if (score[i] <= 0) continue;
      bool top = true;
      for (int j = -1; j <= 1 && top; ++j)
        for (int k = -1; k <= 1 && top; ++k)
          top =
              score[static_cast<std::size_t>(((y + j + h) % h) * w + (x + k + w) % w)] <= score[i];
      if (top) tops.push_back(i);
    }
  const auto kept = std::min<std::size_t>(tops.size(), static_cast<std::size_t>(most));
  std::partial_sort(tops.begin(), tops.begin() + static_cast<std::ptrdiff_t>(kept), tops.end(),
                    [&](std::size_t i, std::size_t j) { return score[i] > score[j]; });
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
  const auto run = [&](std::size_t first) {
    std::vector<Proposal> found;
    std::unique_ptr<Transform> t;
    Spectra sa;
    for (std::size_t i = first; i < linear.size(); i += 2) {
      const Turned turned = turn(b, linear[i]);
      const int w = good_size(static_cast<int>(a.value.width + turned.thumb.value.width)),
                h = good_size(static_cast<int>(a.value.height + turned.thumb.value.height));
      if (!t || t->width() < w || t->height() < h || t->width() > w + w / 8 ||
          t->height() > h + h / 8) {
        t = std::make_unique<Transform>(w, h);
        sa = spectra(*t, a);
      }
      for (Proposal& p : peaks(*t, sa, a, turned, by, most * 8)) found.push_back(p);
    }
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
