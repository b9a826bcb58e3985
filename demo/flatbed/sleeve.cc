#include "sleeve.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "noise.h"

namespace lapwright::flatbed {
namespace {

constexpr int grain_side = 512, smudge_side = 256;
constexpr double grain_mm = 0.012, smudge_mm = 1.7;
constexpr double weld_half = 0.45, weld_density = 0.05;

std::size_t wrap(double v, int side) {
  return static_cast<std::size_t>(static_cast<std::int64_t>(std::floor(v)) & (side - 1));
}

double part_of(const std::vector<double>& list, std::size_t i) { return i < list.size() ? list[i] : 0; }

/// How much of a pixel lies inside an edge that is `inside` mm away (negative: outside).
float cover(double inside, double pixel) {
  return static_cast<float>(std::clamp(0.5 + inside / pixel, 0.0, 1.0));
}

/// Where value = start + t * slope lies within [low, high]; narrows [from, to).
void clip(double start, double slope, double low, double high, double& from, double& to) {
  if (std::abs(slope) < 1e-9) {
    if (start < low || start > high) to = from;
    return;
  }
  double a = (low - start) / slope, b = (high - start) / slope;
  if (a > b) std::swap(a, b);
  from = std::max(from, a);
  to = std::min(to, b);
}

}  // namespace

std::vector<Speck> scatter_dust(double width, double height, double per_cm2, std::uint32_t seed) {
  std::vector<Speck> dust;
  Dice dice(seed);
  const auto f = [](double v) { return static_cast<float>(v); };
  const int count = static_cast<int>(width * height / 100 * per_cm2);
  for (int i = 0; i < count; ++i) {
    float x = dice.roll(0, f(width)), y = dice.roll(0, f(height));
    if (dice.roll() < 0.93F) {
      const float small = dice.roll();
      dust.push_back({x, y, 0.012F + 0.07F * small * small * small, dice.roll(0.4F, 1.6F)});
      continue;
    }
    float heading = dice.roll(0, 6.28F), bend = dice.roll(-0.05F, 0.05F);
    const float radius = dice.roll(0.008F, 0.016F), dark = dice.roll(0.4F, 0.9F);
    for (int k = dice.pick(90) + 30; k > 0; --k) {
      dust.push_back({x, y, radius, dark});
      x += 0.014F * std::cos(heading);
      y += 0.014F * std::sin(heading);
      bend += dice.roll(-0.004F, 0.004F);
      heading += bend;
    }
  }
  return dust;
}

Sleeve::Sleeve(const Description& description, std::shared_ptr<const Album> album,
               const std::vector<double>& slides)
    : d_(description), album_(std::move(album)), film_(description.process) {
  base_ = film_.base();
  for (std::size_t i = 0; i < print_.size(); ++i) {
    // Edge print is exposed through the maker's own orange lamp: light brown to orange on the positive.
    const float e = static_cast<float>(i) / 255.0F;
    print_[i] = film_.at({0.34F * e, 0.135F * e, 0.045F * e});
  }
  Dice dice(hash32(d_.seed, 77));
  for (int i = 0; i < d_.strips.count; ++i) {
    const auto k = static_cast<std::size_t>(i);
    const double slide = part_of(d_.strips.slide_mm, k) + part_of(slides, k);
    const double tilt = part_of(d_.strips.tilt_degrees, k) * std::numbers::pi / 180;
    Strip s;
    s.number = i + 1;
    s.width = d_.film_width;
    s.length = d_.strips.length + dice.roll(-0.6F, 0.6F);
    s.perforation_start = dice.roll(0, 1) * perforation_pitch;
    s.first_frame = i * d_.strips.frames;
    const double cs = std::cos(tilt), sn = std::sin(tilt);
    const double x0 = d_.strips.first_x + (d_.strips.down ? i * d_.strips.pitch : slide);
    const double y0 = d_.strips.first_y + (d_.strips.down ? slide : i * d_.strips.pitch);
    if (d_.strips.down) {
      // along = y; across runs from right to left, so that pictures read when the head is turned.
      s.place = {-sn, -cs, cs, -sn, 0, 0};
      const Spot<FilmSpace> o = s.place({x0 + s.width, y0});
      s.place.e = -o.x;
      s.place.f = -o.y;
    } else {
      s.place = {cs, -sn, sn, cs, 0, 0};
      const Spot<FilmSpace> o = s.place({x0, y0});
      s.place.e = -o.x;
      s.place.f = -o.y;
    }
    double at = (s.length - ((d_.strips.frames - 1) * d_.advance + d_.frame_width)) / 2;
    for (int j = 0; j < d_.strips.frames; ++j) {
      s.frame_starts.push_back(at);
      at += d_.advance + d_.gap_jitter * dice.roll(-1, 1);
    }
    const bool absent = std::find(d_.strips.absent.begin(), d_.strips.absent.end(), i + 1) != d_.strips.absent.end();
    if (absent) continue;
    print_edges(s);
    strips_.push_back(std::move(s));
  }
  dust_ = scatter_dust(d_.page.width, d_.page.height, d_.dust_per_cm2, hash32(d_.seed, 78));
  grain_.resize(static_cast<std::size_t>(grain_side) * grain_side * 4);
  for (auto& g : grain_) g = static_cast<std::int8_t>(std::clamp(dice.normal() * 32.0F, -127.0F, 127.0F));
  smudge_.resize(static_cast<std::size_t>(smudge_side) * smudge_side);
  for (int y = 0; y < smudge_side; ++y) {
    for (int x = 0; x < smudge_side; ++x) {
      const auto fx = static_cast<float>(x), fy = static_cast<float>(y);
      const float far = cloudy(fx * 0.05F, fy * 0.05F, d_.seed + 5, 4);
      smudge_[static_cast<std::size_t>(y * smudge_side + x)] = 0.010F * smooth_step(0.45F, 0.8F, far);
    }
  }
}

std::array<Spot<SleeveSpace>, 4> Sleeve::frame_corners(const Strip& strip, int frame) const {
  const double u0 = strip.frame_starts[static_cast<std::size_t>(frame)], u1 = u0 + d_.frame_width;
  const double v0 = (strip.width - d_.frame_height) / 2, v1 = v0 + d_.frame_height;
  const auto back = strip.place.inverse();
  return {back({u0, v0}), back({u1, v0}), back({u1, v1}), back({u0, v1})};
}

void Sleeve::dim(const Line& line, float* light, std::vector<std::uint8_t>& touched) const {
  dim_page(line, light);
  for (const Strip& s : strips_) dim_strip(s, line, light, touched);
}

void Sleeve::dim_page(const Line& line, float* light) const {
  const double half = line.pixel / 2;
  double from = line.t[0] - half, to = line.t[line.count - 1] + half;
  clip(line.from.x, line.dx, -half, d_.page.width + half, from, to);
  clip(line.from.y, line.dy, -half, d_.page.height + half, from, to);
  if (to <= from) return;
  const double pitch = d_.strips.pitch;
  const double block = d_.strips.count * pitch, gutter = (pitch - d_.film_width) / 2;
  const double cross0 = (d_.strips.down ? d_.strips.first_x : d_.strips.first_y) - gutter;
  const double along0 = (d_.strips.down ? d_.strips.first_y : d_.strips.first_x) - 3.5;
  const double hole_gap = d_.page.holes > 0 ? d_.page.height / d_.page.holes : 1e9;
  const auto sheet = static_cast<float>(d_.page.sheet_density);
  const double* end = line.t + line.count;
  const auto first = std::lower_bound(line.t, end, from) - line.t;
  for (auto i = first; i < line.count && line.t[i] <= to; ++i) {
    const double x = line.from.x + line.t[i] * line.dx, y = line.from.y + line.t[i] * line.dy;
    float d = sheet + smudge_[wrap(y / smudge_mm, smudge_side) * smudge_side + wrap(x / smudge_mm, smudge_side)];
    const double across = (d_.strips.down ? x : y) - cross0, along = (d_.strips.down ? y : x) - along0;
    if (across > -weld_half && across < block + weld_half && along > 0 && along < d_.strips.length + 6) {
      const double off = std::abs(across - pitch * std::round(across / pitch));
      if (off < weld_half + line.pixel) {
        const double ripple = 0.75 + 0.25 * std::sin(along * 9);
        d += static_cast<float>(weld_density * ripple) * cover(weld_half - off, line.pixel);
      }
    }
    if (along < 0 && along > -1.2) d += static_cast<float>(weld_density);
    if (d_.page.holes > 0 && x < 16) {
      const double hy = hole_gap * (std::floor(y / hole_gap) + 0.5);
      const double inside = 3.0 - std::hypot(x - 9.0, y - hy);
      if (inside > -line.pixel) d *= 1 - cover(inside, line.pixel);
    }
    const double edge = std::min(std::min(x, d_.page.width - x), std::min(y, d_.page.height - y));
    d += 0.25F * cover(0.12 - edge, line.pixel);  // the cut edge throws light aside
    const float t = transmission_(d * cover(edge, line.pixel));
    for (int c = 0; c < 3; ++c) light[3 * i + c] *= t;
  }
}

float Sleeve::perforation(const Strip& strip, double u, double v, double pixel) const {
  const double from_edge = std::min(v, strip.width - v);
  const double dv = std::abs(from_edge - edge_to_perforation - perforation_across / 2);
  if (dv > perforation_across / 2 + pixel) return 0;
  const double at = (u - strip.perforation_start) / perforation_pitch;
  const double du = std::abs(at - std::round(at)) * perforation_pitch;
  const double qx = du - perforation_along / 2 + perforation_corner;
  const double qy = dv - perforation_across / 2 + perforation_corner;
  const double out = std::hypot(std::max(qx, 0.0), std::max(qy, 0.0)) + std::min(std::max(qx, qy), 0.0) -
                     perforation_corner;
  return cover(-out, pixel);
}

void Sleeve::dim_strip(const Strip& strip, const Line& line, float* light,
                       std::vector<std::uint8_t>& touched) const {
  const Spot<FilmSpace> o = strip.place(line.from);
  const double du = strip.place.a * line.dx + strip.place.c * line.dy;
  const double dv = strip.place.b * line.dx + strip.place.d * line.dy;
  const double half = line.pixel / 2;
  double from = line.t[0] - half, to = line.t[line.count - 1] + half;
  clip(o.x, du, -half, strip.length + half, from, to);
  clip(o.y, dv, -half, strip.width + half, from, to);
  if (to <= from) return;

  const double* end = line.t + line.count;
  const auto first = std::lower_bound(line.t, end, from) - line.t;
  const double v0 = (strip.width - d_.frame_height) / 2, v1 = v0 + d_.frame_height;
  const double texel = d_.frame_width / std::max(1, album_->picture(0).width(0));
  int level = 0;
  while (level + 1 < Texture::levels && texel * (2 << level) < line.pixel * 1.3) ++level;
  const double grain_scale = d_.grain * std::min(1.0, grain_mm / line.pixel) / 32.0;
  const bool perforated = d_.film == 135;
  const int frames = d_.strips.frames;
  const auto shift = static_cast<double>(strip.number) * 137;
  for (auto i = first; i < line.count && line.t[i] <= to; ++i) {
    const double u = o.x + line.t[i] * du, v = o.y + line.t[i] * dv;
    const float body = std::min(cover(std::min(u, strip.length - u), line.pixel),
                                cover(std::min(v, strip.width - v), line.pixel));
    const float hole = perforated ? perforation(strip, u, v, line.pixel) : 0;
    const float film = body * (1 - hole);
    if (film <= 0) continue;
    Densities d = base_;
    const double out_v = std::min(v - v0, v1 - v);
    if (out_v > -half) {
      const double guess = (u - strip.frame_starts[0]) / d_.advance;
      const int j0 = std::clamp(static_cast<int>(guess), 0, frames - 1);
      for (int j = std::max(0, j0 - 1); j <= std::min(frames - 1, j0 + 1); ++j) {
        const double in = u - strip.frame_starts[static_cast<std::size_t>(j)];
        const double inside = std::min(std::min(in, d_.frame_width - in), out_v);
        if (inside <= -half) continue;
        const int frame = strip.first_frame + j;
        if (album_->blank(frame)) break;
        touched[static_cast<std::size_t>(frame)] = 1;
        const Densities p = album_->picture(frame).at(static_cast<float>(in / d_.frame_width),
                                                      static_cast<float>((v - v0) / d_.frame_height), level);
        const float k = static_cast<float>(std::clamp(0.5 + inside / std::max(line.pixel, 0.03), 0.0, 1.0));
        for (std::size_t c = 0; c < 3; ++c) d[c] += (p[c] - d[c]) * k;
        break;
      }
    }
    const double from_edge = std::min(v, strip.width - v);
    if (from_edge < 2.0 && from_edge > 0) {
      const bool lower = v > strip.width / 2;
      const int ex = static_cast<int>(u * 40), ey = static_cast<int>((lower ? v - strip.width + 2.0 : v) * 40);
      if (ex >= 0 && ex < strip.edge_pixels && ey >= 0 && ey < 80) {
        const std::uint8_t e = strip.edge_print[lower ? 1 : 0][static_cast<std::size_t>(ey * strip.edge_pixels + ex)];
        if (e != 0) d = print_[e];
      }
    }
    if (line.infrared && d_.process != Process::bw_negative)
      for (float& channel : d) channel = 0.045F + 0.02F * channel;
    const std::int8_t* g = &grain_[(wrap(v / grain_mm + shift, grain_side) * grain_side +
                                    wrap(u / grain_mm + shift, grain_side)) * 4];
    for (std::size_t c = 0; c < 3; ++c) {
      const float rough = 0.014F + 0.018F * std::abs(d[c] - base_[c]);
      const float t = transmission_(d[c] + rough * static_cast<float>(grain_scale) * static_cast<float>(g[c]));
      light[3 * i + static_cast<std::ptrdiff_t>(c)] *= 1 + film * (t - 1);
    }
  }
}

}  // namespace lapwright::flatbed
