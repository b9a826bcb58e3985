#include "brushes.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace lapwright::flatbed {

void polygon(cairo_t* c, const std::vector<double>& xy) {
  for (std::size_t i = 0; i + 1 < xy.size(); i += 2) cairo_line_to(c, xy[i], xy[i + 1]);
  cairo_close_path(c);
}

void box(cairo_t* c, double x, double y, double w, double h, const Colour& k, double alpha) {
  set(c, k, alpha);
  cairo_rectangle(c, x, y, w, h);
  cairo_fill(c);
}

void line(cairo_t* c, double x0, double y0, double x1, double y1, double width) {
  cairo_set_line_width(c, width);
  cairo_move_to(c, x0, y0);
  cairo_line_to(c, x1, y1);
  cairo_stroke(c);
}

void ellipse(cairo_t* c, double x, double y, double rx, double ry) {
  cairo_save(c);
  cairo_translate(c, x, y);
  cairo_scale(c, rx, ry);
  cairo_new_sub_path(c);
  cairo_arc(c, 0, 0, 1, 0, 2 * std::numbers::pi);
  cairo_restore(c);
}

namespace {
void stops_and_fill(cairo_t* c, cairo_pattern_t* p, const std::vector<Colour>& stops) {
  for (std::size_t i = 0; i < stops.size(); ++i) {
    cairo_pattern_add_color_stop_rgb(p, static_cast<double>(i) / static_cast<double>(stops.size() - 1), stops[i].r,
                                     stops[i].g, stops[i].b);
  }
  cairo_set_source(c, p);
  cairo_fill(c);
  cairo_pattern_destroy(p);
}
}  // namespace

void fill_across(cairo_t* c, double x0, double x1, const Colour& left, const Colour& middle, const Colour& right) {
  stops_and_fill(c, cairo_pattern_create_linear(x0, 0, x1, 0), {left, middle, right});
}

void fill_down(cairo_t* c, double y0, double y1, const Colour& top, const Colour& bottom) {
  stops_and_fill(c, cairo_pattern_create_linear(0, y0, 0, y1), {top, bottom});
}

Photo::Ink rough(float amount, float scale, std::uint32_t seed, float stretch) {
  return [=](float x, float y, const Light& k) {
    const float n = cloudy(x * scale, y * scale * stretch, seed, 5) - 0.5F;
    const float m = std::fmax(0.1F, 1 + 2.4F * amount * n);
    return Light{k[0] * m, k[1] * m, k[2] * m};
  };
}

void sky(Photo& photo, const Sky& s) {
  const Light top = light(s.top), low = light(s.low), cloud = light(s.cloud), under = light(s.under);
  photo.fill([&](float x, float y) {
    const float down = std::clamp(y / s.horizon, -0.7F, 1.0F);
    const float fade = std::fmax(0.0F, down);
    Light k = mix(top, low, fade * fade * 0.7F + fade * 0.3F);
    // Clouds lie in a plane overhead: they shrink towards the horizon.
    const float far = 1.0F / (0.22F + 0.9F * (1.0F - down));
    const float u = (x - 1.5F) * (0.55F + far * 0.32F) + 7, v = far * 1.5F;
    const float n = cloudy(u, v * 1.7F, s.seed, 6);
    const float over = cloudy(u + 0.10F, v * 1.7F - 0.22F, s.seed, 6);
    const float edge = 0.78F - 0.5F * s.clouds;
    const float thick = smooth_step(edge, edge + 0.22F, n);
    const float lit = smooth_step(-0.08F, 0.10F, n - over + 0.03F);
    k = mix(k, mix(under, cloud, 0.35F + 0.65F * lit), thick * (0.92F - 0.5F * fade * fade));
    if (s.sun_x >= 0) {
      const float r = std::hypot(x - s.sun_x, y - s.sun_y);
      const float glow = 0.9F * std::exp(-r * 2.2F) + 9.0F * std::exp(-r * r * 900) + 1.2F * std::exp(-r * 9);
      k = {k[0] + glow, k[1] + glow * 0.82F, k[2] + glow * 0.55F};
    }
    return Light{k[0] * s.bright, k[1] * s.bright, k[2] * s.bright};
  });
}

void sea(Photo& photo, const Sea& s) {
  const Light deep = light(s.deep), shine = light(s.shine);
  photo.change([&](float x, float y, const Light& was) {
    if (y < s.horizon || y > s.bottom) return was;
    const float near = y - s.horizon + 0.012F, z = 0.35F / near;
    const float u = (x - 1.5F) * z * 3.2F, v = z * 9;
    const float big = cloudy(u * 0.8F + 3, v * 1.3F, s.seed, 4), small = cloudy(u * 4, v * 5, s.seed + 7, 3);
    const float slope = (big - 0.5F) * 1.6F * s.chop + (small - 0.5F) * 0.9F;
    const float face = std::clamp(0.42F + slope * std::min(1.0F, near * 7) - near * 0.16F, 0.0F, 1.0F);
    Light k = mix(deep, shine, face * face * (3 - 2 * face));
    const float crest = smooth_step(0.80F, 0.9F, big * 0.75F + small * 0.32F) * std::min(1.0F, near * 4) * s.chop;
    k = mix(k, {0.8F, 0.83F, 0.84F}, crest * 0.7F);
    if (s.glitter_x >= 0) {
      const float off = (x - s.glitter_x) / (0.12F + near * 0.5F);
      const float spark = smooth_step(0.56F, 0.75F, small) * std::exp(-off * off) * 3.2F;
      k = {k[0] + spark, k[1] + spark * 0.85F, k[2] + spark * 0.6F};
    }
    const float haze = std::exp(-near * 14) * 0.55F;
    return mix(k, was, haze);
  });
}

void mirror(Photo& photo, float level, const Colour& water, float strength, std::uint32_t seed) {
  int edge = 0;
  while (edge < photo.height() && photo.to_drawing_y(edge) < level) ++edge;
  if (edge == 0) return;
  const Light own = light(water);
  const float unit = static_cast<float>(edge) / std::fmax(0.1F, level - photo.to_drawing_y(0));
  for (int y = photo.height() - 1; y >= edge; --y) {
    const float near = photo.to_drawing_y(y) - level + 0.01F;
    for (int x = 0; x < photo.width(); ++x) {
      const float dx = photo.to_drawing_x(x), z = 0.5F / (near + 0.06F);
      const float ripple = cloudy(dx * z * 2.4F + 5, z * 22, seed, 4) - 0.5F;
      const float fine = lumps(dx * z * 9, z * 70, seed + 3) - 0.5F;
      const float shift = (ripple * 0.55F + fine * 0.16F) * (0.04F + near) * unit;
      const int from_y = std::clamp(2 * edge - y + static_cast<int>(shift), 0, edge - 1);
      const int from_x = std::clamp(x + static_cast<int>(ripple * 0.03F * unit), 0, photo.width() - 1);
      const Light seen_above = photo.row(from_y)[from_x];
      const float keep = strength * (1.0F - 0.28F * std::min(1.0F, near)) * (1 + 0.35F * ripple);
      photo.row(y)[x] = mix(own, seen_above, std::clamp(keep, 0.0F, 0.97F));
    }
  }
}

void ridge(Photo& photo, float base, float height, const Colour& k, std::uint32_t seed, double blur) {
  photo.layer([&](cairo_t* c) {
    cairo_move_to(c, -2, base);
    for (double x = -2; x <= 5; x += 0.01) {
      const auto fx = static_cast<float>(x);
      const double up = height * (0.2 + 0.9 * cloudy(fx * 1.1F, 3, seed, 3) + 0.10 * cloudy(fx * 14, 9, seed, 3));
      cairo_line_to(c, x, base - up * 0.8);
    }
    cairo_line_to(c, 5, base);
    cairo_close_path(c);
    fill_down(c, base - height, base, k, {k.r * 0.8 + 0.15, k.g * 0.8 + 0.15, k.b * 0.8 + 0.16});
  }, blur, rough(0.3F, 14, seed + 1));
}

void foliage(cairo_t* c, double x, double y, double rx, double ry, const Colour& k, int leaves, std::uint32_t seed) {
  Dice dice(seed);
  for (int i = 0; i < leaves; ++i) {
    const double a = dice.roll(0, 6.283F), r = std::sqrt(dice.roll());
    const double px = x + std::cos(a) * r * rx, py = y + std::sin(a) * r * ry;
    const double lit = 0.35 + 0.75 * (0.5 - 0.5 * (py - y) / ry) * dice.roll(0.5F, 1.25F);
    set(c, {k.r * lit * dice.roll(0.8F, 1.2F), k.g * lit, k.b * lit * dice.roll(0.7F, 1.2F)}, 0.9);
    cairo_save(c);
    cairo_translate(c, px, py);
    cairo_rotate(c, dice.roll(0, 3.14F));
    ellipse(c, 0, 0, rx * 0.055, rx * 0.022);
    cairo_restore(c);
    cairo_fill(c);
  }
}

void houses(cairo_t* c, double from, double to, double base, double size, std::uint32_t seed, bool lit) {
  static const Colour walls[] = {{0.78, 0.70, 0.58}, {0.70, 0.36, 0.28}, {0.82, 0.79, 0.73}, {0.56, 0.62, 0.62},
                                 {0.80, 0.62, 0.38}, {0.60, 0.30, 0.26}, {0.72, 0.74, 0.70}};
  Dice dice(seed);
  for (double x = from; x < to;) {
    const double w = size * dice.roll(0.55F, 0.95F), h = size * dice.roll(0.75F, 1.35F);
    const double gable = size * dice.roll(0.28F, 0.45F), dark = lit ? 0.30 : dice.roll(0.80F, 1.0F);
    const Colour wall = shade(walls[dice.pick(7)], dark);
    const Colour roof = shade({0.46, 0.25, 0.20}, dark * dice.roll(0.7F, 1.15F));
    cairo_rectangle(c, x, base - h, w, h + 0.02);
    fill_across(c, x, x + w, wall, shade(wall, 0.95), shade(wall, 0.78));
    const bool front = dice.roll() < 0.5F;
    if (front) {
      set(c, shade(wall, 0.93));
      polygon(c, {x, base - h, x + w / 2, base - h - gable, x + w, base - h});
      cairo_fill(c);
      set(c, roof);
      cairo_set_line_width(c, size * 0.05);
      cairo_move_to(c, x - 0.02 * size, base - h + 0.02 * size);
      cairo_line_to(c, x + w / 2, base - h - gable);
      cairo_line_to(c, x + w + 0.02 * size, base - h + 0.02 * size);
      cairo_stroke(c);
    } else {
      polygon(c, {x - 0.03 * size, base - h, x + 0.1 * size, base - h - gable * 0.8, x + w - 0.1 * size,
                  base - h - gable * 0.8, x + w + 0.03 * size, base - h});
      fill_down(c, base - h - gable, base - h, shade(roof, 1.2), shade(roof, 0.85));
      for (double t = 0.1; t < 0.75; t += 0.09) {
        set(c, shade(roof, 0.6), 0.5);
        line(c, x, base - h - gable * t, x + w, base - h - gable * t, size * 0.006);
      }
    }
    box(c, x + w * 0.68, base - h - gable * 1.15, size * 0.10, gable * 0.6, shade(roof, 0.9));
    const int rows = h > size ? 3 : 2, cols = w > size * 0.75 ? 3 : 2;
    for (int r = 0; r < rows; ++r) {
      for (int k = 0; k < cols; ++k) {
        const double ww = w * 0.16, hh = h * 0.16;
        const double wx = x + w * (k + 0.5) / cols - ww / 2, wy = base - h + h * (r + 0.25) / rows;
        const bool on = lit && dice.roll() < 0.5F;
        box(c, wx - ww * 0.14, wy - hh * 0.1, ww * 1.28, hh * 1.25, shade({0.86, 0.84, 0.8}, lit ? 0.35 : 0.95));
        const double glassy = dice.roll(0.12F, 0.42F);
        box(c, wx, wy, ww, hh, on ? Colour{1.0, 0.82, 0.48} : Colour{glassy * 0.8, glassy * 0.95, glassy * 1.1});
        set(c, {0.85, 0.84, 0.8}, lit ? 0.3 : 0.9);
        line(c, wx + ww / 2, wy, wx + ww / 2, wy + hh, ww * 0.09);
        line(c, wx, wy + hh * 0.45, wx + ww, wy + hh * 0.45, ww * 0.08);
      }
    }
    x += w;
  }
}

void gull(cairo_t* c, double x, double y, double s, double beat) {
  const double up = s * (0.35 + 0.5 * beat);
  cairo_set_line_cap(c, CAIRO_LINE_CAP_ROUND);
  for (const double side : {-1.0, 1.0}) {
    set(c, {0.88, 0.89, 0.9});
    cairo_move_to(c, x, y);
    cairo_curve_to(c, x + side * s * 0.3, y - up, x + side * s * 0.6, y - up * 0.9, x + side * s, y - up * 0.25);
    cairo_curve_to(c, x + side * s * 0.6, y - up * 0.6, x + side * s * 0.3, y - up * 0.5, x, y + s * 0.10);
    cairo_fill(c);
    set(c, {0.25, 0.25, 0.28});
    line(c, x + side * s * 0.86, y - up * 0.45, x + side * s, y - up * 0.25, s * 0.045);
  }
  set(c, {0.93, 0.93, 0.93});
  ellipse(c, x, y + s * 0.03, s * 0.22, s * 0.085);
  cairo_fill(c);
}

void figure(cairo_t* c, double x, double ground, double h, const Figure& f) {
  const double hip = ground - h * 0.48, shoulder = ground - h * 0.82, head = ground - h * 0.915;
  cairo_set_line_cap(c, CAIRO_LINE_CAP_ROUND);
  set(c, {0.05, 0.05, 0.07}, 0.28);  // its shadow on the ground
  ellipse(c, x + h * 0.16, ground + h * 0.005, h * 0.26, h * 0.03);
  cairo_fill(c);
  for (const double side : {-1.0, 1.0}) {
    set(c, shade(f.legs, side > 0 ? 1.0 : 0.75));
    const double foot = x + side * h * (0.035 + 0.11 * f.stride);
    line(c, x + side * h * 0.03, hip, foot, ground - h * 0.03, h * 0.075);
    set(c, {0.12, 0.09, 0.08});
    line(c, foot, ground - h * 0.015, foot + h * 0.05, ground - h * 0.012, h * 0.04);
  }
  if (f.skirt) {
    polygon(c, {x - h * 0.07, hip - h * 0.1, x + h * 0.07, hip - h * 0.1, x + h * 0.14, ground - h * 0.22, x - h * 0.13,
                ground - h * 0.21});
    fill_across(c, x - h * 0.13, x + h * 0.14, shade(f.coat, 1.15), f.coat, shade(f.coat, 0.55));
  }
  set(c, shade(f.coat, 0.62));
  line(c, x + h * 0.085, shoulder + h * 0.03, x + h * (0.09 + 0.16 * f.arm), shoulder + h * 0.19, h * 0.055);
  line(c, x + h * (0.09 + 0.16 * f.arm), shoulder + h * 0.19, x + h * (0.10 + 0.34 * f.arm), hip - h * 0.02 - h * 0.1 * f.arm, h * 0.045);
  cairo_move_to(c, x - h * 0.05, shoulder - h * 0.02);
  cairo_curve_to(c, x - h * 0.13, shoulder, x - h * 0.11, hip - h * 0.1, x - h * 0.10, hip + h * 0.07);
  cairo_line_to(c, x + h * 0.10, hip + h * 0.07);
  cairo_curve_to(c, x + h * 0.11, hip - h * 0.1, x + h * 0.13, shoulder, x + h * 0.05, shoulder - h * 0.02);
  cairo_close_path(c);
  fill_across(c, x - h * 0.12, x + h * 0.12, shade(f.coat, 1.25), f.coat, shade(f.coat, 0.5));
  set(c, shade(f.coat, 1.05));
  line(c, x - h * 0.09, shoulder + h * 0.03, x - h * (0.11 + 0.05 * f.arm), shoulder + h * 0.2, h * 0.055);
  set(c, f.skin);
  line(c, x - h * (0.11 + 0.05 * f.arm), shoulder + h * 0.21, x - h * 0.10, hip + h * 0.01, h * 0.035);
  line(c, x, shoulder - h * 0.03, x, shoulder, h * 0.05);
  ellipse(c, x, head, h * 0.052, h * 0.068);
  fill_across(c, x - h * 0.05, x + h * 0.05, shade(f.skin, 1.15), f.skin, shade(f.skin, 0.55));
  set(c, f.hair);
  cairo_arc(c, x + h * 0.006, head - h * 0.012, h * 0.058, std::numbers::pi * 0.98, std::numbers::pi * 2.12);
  cairo_fill(c);
  if (f.hat) {
    box(c, x - h * 0.085, head - h * 0.05, h * 0.17, h * 0.018, shade(f.coat, 0.7));
    box(c, x - h * 0.05, head - h * 0.095, h * 0.10, h * 0.05, shade(f.coat, 0.8));
  }
}

void mast(cairo_t* c, double x, double foot, double height, double beam) {
  const double top = foot - height;
  set(c, {0.62, 0.50, 0.36});
  line(c, x, foot, x, top, height * 0.012);
  set(c, {0.42, 0.33, 0.24});
  line(c, x + height * 0.004, foot, x + height * 0.003, top, height * 0.005);
  set(c, {0.16, 0.15, 0.15});
  const double fine = std::max(0.0016, height * 0.0022);
  for (const double k : {1.0, 0.72}) {
    line(c, x, top + height * (1 - k), x - beam, foot, fine);
    line(c, x, top + height * (1 - k), x + beam, foot, fine);
  }
  line(c, x - height * 0.09, top + height * 0.22, x + height * 0.09, top + height * 0.22, fine * 2.5);
  for (double t = 0.2; t < 0.95; t += 0.075) {  // ratlines
    const double y = foot - height * 0.62 * t, half = beam * (1 - t * 0.86);
    line(c, x - half, y, x - half * 0.55, y, fine * 0.7);
  }
  set(c, {0.72, 0.66, 0.54});
  line(c, x, foot - height * 0.12, x + beam * 1.5, foot - height * 0.10, height * 0.022);  // furled sail
}

void boat(cairo_t* c, double x, double y, double s, const Colour& hull, std::uint32_t seed) {
  Dice dice(seed);
  mast(c, x - s * 0.12, y - s * 0.12, s * dice.roll(0.95F, 1.25F), s * 0.36);
  cairo_move_to(c, x - s * 0.52, y - s * 0.18);
  cairo_curve_to(c, x - s * 0.2, y - s * 0.07, x + s * 0.2, y - s * 0.07, x + s * 0.58, y - s * 0.24);
  cairo_curve_to(c, x + s * 0.52, y - s * 0.08, x + s * 0.46, y, x + s * 0.38, y + s * 0.04);
  cairo_line_to(c, x - s * 0.44, y + s * 0.04);
  cairo_close_path(c);
  fill_down(c, y - s * 0.22, y + s * 0.03, shade(hull, 1.15), shade(hull, 0.5));
  set(c, {0.92, 0.9, 0.84});
  cairo_set_line_width(c, s * 0.018);
  cairo_move_to(c, x - s * 0.52, y - s * 0.165);
  cairo_curve_to(c, x - s * 0.2, y - s * 0.055, x + s * 0.2, y - s * 0.055, x + s * 0.575, y - s * 0.225);
  cairo_stroke(c);
  cairo_rectangle(c, x + s * 0.02, y - s * 0.30, s * 0.22, s * 0.20);
  fill_across(c, x, x + s * 0.24, {0.93, 0.91, 0.86}, {0.84, 0.82, 0.78}, {0.5, 0.5, 0.52});
  box(c, x + s * 0.05, y - s * 0.27, s * 0.06, s * 0.065, {0.12, 0.17, 0.2});
  box(c, x + s * 0.14, y - s * 0.27, s * 0.06, s * 0.065, {0.16, 0.22, 0.26});
  box(c, x, y - s * 0.325, s * 0.26, s * 0.03, shade(hull, 0.8));
  for (int i = 0; i < 4; ++i) {  // fenders and floats
    const double fx = x - s * 0.36 + i * s * 0.2;
    ellipse(c, fx, y - s * 0.04, s * 0.022, s * 0.035);
    fill_across(c, fx - s * 0.02, fx + s * 0.02, {0.95, 0.55, 0.25}, {0.85, 0.35, 0.15}, {0.4, 0.15, 0.08});
  }
}

void cobbles(Photo& photo, float horizon, const Colour& k, std::uint32_t seed) {
  const Light stone = light(k);
  photo.change([&](float x, float y, const Light& was) {
    if (y < horizon) return was;
    const float near = y - horizon + 0.03F, z = 0.6F / near;
    const float u = (x - 1.5F) * z * 7, v = z * 9;
    const float row = std::floor(v), in_v = v - row, off = u + 0.5F * unit(hash32(static_cast<std::uint32_t>(static_cast<int>(row))));
    const float col = std::floor(off), in_u = off - col;
    const float tone = 0.6F + 0.8F * unit(hash32(static_cast<std::uint32_t>(static_cast<int>(row) * 7919 + static_cast<int>(col)), seed));
    const float joint = smooth_step(0, 0.16F, std::fmin(std::fmin(in_u, 1 - in_u), std::fmin(in_v, 1 - in_v)));
    const float round = 0.75F + 0.45F * (1 - in_v);
    const float even = std::fmin(1.0F, z / 9);  // far stones run together
    const float m = (1 - even) * (0.35F + 0.65F * joint) * tone * round + even * 0.9F;
    const float patch = 0.7F + 0.6F * cloudy(u * 0.1F, v * 0.1F, seed + 4, 3);
    return Light{stone[0] * m * patch, stone[1] * m * patch, stone[2] * m * patch};
  });
}

void bokeh(Photo& photo, double x0, double y0, double x1, double y1, int count, double radius, std::uint32_t seed) {
  Dice dice(seed);
  photo.layer([&](cairo_t* c) {
    for (int i = 0; i < count; ++i) {
      const double x = dice.roll(static_cast<float>(x0), static_cast<float>(x1));
      const double y = dice.roll(static_cast<float>(y0), static_cast<float>(y1));
      const double warm = dice.roll();
      set(c, {1.0, 0.75 + 0.2 * warm, 0.45 + 0.45 * warm}, dice.roll(0.10F, 0.42F));
      ellipse(c, x, y, radius * dice.roll(0.7F, 1.1F), radius * dice.roll(0.7F, 1.1F));
      cairo_fill(c);
    }
  }, radius * 0.1, nullptr, 1.6F);
}

}  // namespace lapwright::flatbed
