// The harbour dog and the old fisherman, each close to the lens.
#include <algorithm>
#include <cmath>
#include <numbers>

#include "brushes.h"
#include "scene_list.h"

namespace lapwright::flatbed {
namespace {

/// Short hairs over an ellipse, growing outwards from (gx, gy), lit from the upper left.
void fur(cairo_t* c, double x, double y, double rx, double ry, const Colour& k, double length, int hairs, std::uint32_t seed,
         double gx, double gy) {
  Dice dice(seed);
  cairo_set_line_cap(c, CAIRO_LINE_CAP_ROUND);
  for (int i = 0; i < hairs; ++i) {
    const double a = dice.roll(0, 6.283F), r = std::sqrt(dice.roll());
    const double px = x + std::cos(a) * r * rx, py = y + std::sin(a) * r * ry;
    double dx = px - gx, dy = py - gy + 0.05;
    const double d = std::hypot(dx, dy) + 1e-6;
    const double bend = dice.normal() * 0.35;
    const double ux = dx / d * std::cos(bend) - dy / d * std::sin(bend), uy = dx / d * std::sin(bend) + dy / d * std::cos(bend);
    const double side = -(std::cos(a) * 0.6 + std::sin(a) * 0.8) * r;
    const double lit = (0.62 + 0.38 * side) * dice.roll(0.72F, 1.16F);
    set(c, {std::min(1.0, k.r * lit), std::min(1.0, k.g * lit), std::min(1.0, k.b * lit)}, 0.75);
    const double l = length * dice.roll(0.5F, 1.3F);
    line(c, px, py, px + ux * l, py + uy * l, 0.0045 * dice.roll(0.5F, 1.3F));
  }
}

void base_shape(cairo_t* c, double x, double y, double rx, double ry, const Colour& k) {
  ellipse(c, x, y, rx, ry);
  fill_across(c, x - rx, x + rx, shade(k, 0.9), shade(k, 0.75), shade(k, 0.4));
}

const Colour white_fur{0.93, 0.89, 0.82}, brown_fur{0.56, 0.34, 0.19}, dark_fur{0.26, 0.16, 0.10};

void dog_eye(cairo_t* c, double x, double y, double r) {
  set(c, {0.07, 0.04, 0.03});
  ellipse(c, x, y, r * 1.25, r * 1.1);
  cairo_fill(c);
  ellipse(c, x, y, r, r * 0.95);
  fill_down(c, y - r, y + r, {0.16, 0.08, 0.04}, {0.46, 0.26, 0.11});
  set(c, {0.02, 0.01, 0.01});
  ellipse(c, x, y - r * 0.05, r * 0.6, r * 0.6);
  cairo_fill(c);
  set(c, {1, 1, 1});
  ellipse(c, x - r * 0.32, y - r * 0.42, r * 0.22, r * 0.20);
  cairo_fill(c);
}

void dog_ear(cairo_t* c, double x, double y, double side, double lift, std::uint32_t seed) {
  cairo_move_to(c, x, y);
  cairo_curve_to(c, x + side * 0.16, y - 0.20 - lift, x + side * 0.30, y - 0.06 - lift, x + side * 0.29, y + 0.20 - lift * 0.4);
  cairo_curve_to(c, x + side * 0.22, y + 0.24, x + side * 0.10, y + 0.22, x - side * 0.03, y + 0.12);
  cairo_close_path(c);
  set(c, shade(dark_fur, side < 0 ? 1.1 : 0.7));
  cairo_fill(c);
  fur(c, x + side * 0.16, y + 0.03 - lift * 0.5, 0.12, 0.15, shade(brown_fur, side < 0 ? 1.0 : 0.6), 0.06, 1500, seed, x, y - 0.2);
}

void dog_head(cairo_t* c, double x, double y, double turn, bool tongue) {
  dog_ear(c, x - 0.21, y - 0.22, -1, 0.02, 3);
  dog_ear(c, x + 0.21, y - 0.22, 1, 0.05, 4);
  base_shape(c, x, y, 0.34, 0.36, white_fur);
  fur(c, x, y, 0.34, 0.36, white_fur, 0.05, 4200, 5, x, y - 0.02);
  fur(c, x - 0.17 + turn * 0.3, y - 0.10, 0.16, 0.23, brown_fur, 0.045, 2600, 6, x - 0.02, y);
  fur(c, x + 0.18 + turn * 0.3, y - 0.10, 0.15, 0.23, shade(brown_fur, 0.8), 0.045, 2600, 7, x + 0.02, y);
  fur(c, x + turn * 0.4, y - 0.16, 0.045, 0.24, white_fur, 0.04, 900, 8, x, y + 0.2);
  const double mx = x + turn, my = y + 0.20;  // muzzle
  if (tongue) {
    cairo_move_to(c, mx - 0.05, my + 0.10);
    cairo_curve_to(c, mx - 0.07, my + 0.30, mx + 0.07, my + 0.32, mx + 0.06, my + 0.10);
    cairo_close_path(c);
    fill_across(c, mx - 0.06, mx + 0.06, {0.90, 0.50, 0.50}, {0.82, 0.40, 0.42}, {0.5, 0.2, 0.22});
  }
  set(c, {0.10, 0.06, 0.05});
  ellipse(c, mx, my + 0.11, 0.10, 0.035);
  cairo_fill(c);
  base_shape(c, mx - 0.075, my + 0.03, 0.12, 0.105, white_fur);
  base_shape(c, mx + 0.075, my + 0.03, 0.12, 0.105, shade(white_fur, 0.85));
  fur(c, mx, my + 0.01, 0.19, 0.12, white_fur, 0.05, 2400, 9, mx, my - 0.1);
  ellipse(c, mx, my - 0.055, 0.066, 0.048);
  fill_down(c, my - 0.1, my, {0.30, 0.27, 0.27}, {0.03, 0.02, 0.02});
  set(c, {0.85, 0.85, 0.88}, 0.8);
  ellipse(c, mx - 0.018, my - 0.080, 0.018, 0.008);
  cairo_fill(c);
  set(c, {0.1, 0.07, 0.06});
  line(c, mx, my - 0.01, mx, my + 0.075, 0.007);
  set(c, {0.85, 0.82, 0.78}, 0.8);
  for (int i = 0; i < 5; ++i) {
    for (const double s : {-1.0, 1.0}) line(c, mx + s * 0.11, my + 0.01 + i * 0.014, mx + s * 0.30, my - 0.02 + i * 0.035, 0.002);
  }
  dog_eye(c, x - 0.135 + turn * 0.6, y - 0.055, 0.040);
  dog_eye(c, x + 0.135 + turn * 0.6, y - 0.055, 0.040);
}

void quay_behind(Photo& photo, double blur, std::uint32_t seed) {
  Sky s;
  s.seed = seed;
  s.horizon = 0.9F;
  s.bright = 1.1F;
  sky(photo, s);
  photo.layer([&](cairo_t* c) {
    houses(c, -1.2, 4.2, 0.98, 0.36, seed, false);
    for (int i = 0; i < 6; ++i) boat(c, -0.6 + i * 0.8, 1.10, 0.62, {0.2 + 0.1 * (i % 3), 0.34, 0.42}, static_cast<std::uint32_t>(i + 9));
    box(c, -2, 1.22, 7, 3, {0.46, 0.44, 0.41});
    box(c, -2, 1.20, 7, 0.05, {0.62, 0.60, 0.55});
  }, blur, rough(0.3F, 6, seed));
}

}  // namespace

void paint_dog(Photo& photo, int take) {
  // 1 sitting on the quay, 2 nearer, 3 head, tongue out, 4 head on one side
  photo.aim(1.5, 1.0, 1.0);
  if (take == 2) photo.aim(1.5, 0.95, 1.35);
  if (take == 3) photo.aim(1.50, 0.86, 1.9);
  if (take == 4) photo.aim(1.46, 0.84, 2.1);
  quay_behind(photo, take == 1 ? 0.022 : 0.035, 181);
  bokeh(photo, 0.2, 0.75, 2.9, 1.15, 34, 0.05, 182);
  photo.layer([](cairo_t* c) {
    set(c, {0.05, 0.05, 0.07}, 0.45);
    ellipse(c, 1.7, 1.86, 0.62, 0.09);
    cairo_fill(c);
  }, 0.03);
  photo.layer([&](cairo_t* c) {
    base_shape(c, 1.78, 1.56, 0.34, 0.32, brown_fur);  // haunch
    fur(c, 1.78, 1.56, 0.34, 0.32, brown_fur, 0.07, 4200, 21, 1.6, 1.1);
    base_shape(c, 1.52, 1.44, 0.29, 0.42, white_fur);  // chest
    fur(c, 1.52, 1.44, 0.29, 0.42, white_fur, 0.08, 5200, 22, 1.5, 0.8);
    for (const double x : {1.40, 1.60}) {  // forelegs
      base_shape(c, x, 1.70, 0.075, 0.20, white_fur);
      fur(c, x, 1.70, 0.075, 0.20, white_fur, 0.04, 1400, 23, x, 1.2);
      base_shape(c, x - 0.015, 1.875, 0.095, 0.045, white_fur);
      set(c, {0.2, 0.15, 0.12});
      for (int t = -1; t <= 1; ++t) line(c, x - 0.015 + t * 0.04, 1.87, x - 0.02 + t * 0.043, 1.905, 0.006);
    }
    set(c, {0.68, 0.16, 0.14});
    cairo_set_line_width(c, 0.045);
    cairo_arc(c, 1.5, 1.06, 0.22, 0.35, std::numbers::pi - 0.35);
    cairo_stroke(c);
    ellipse(c, 1.5, 1.31, 0.032, 0.032);
    fill_across(c, 1.47, 1.54, {0.96, 0.88, 0.6}, {0.8, 0.66, 0.3}, {0.4, 0.3, 0.1});
    cairo_save(c);
    if (take == 4) {
      cairo_translate(c, 1.5, 0.9);
      cairo_rotate(c, 0.30);
      cairo_translate(c, -1.5, -0.9);
    }
    dog_head(c, 1.5, 0.82, take == 2 ? -0.05 : 0.02, take == 3 || take == 1);
    cairo_restore(c);
  }, 0.0012);
  photo.bloom(0.85F, 0.05, 0.12F);
  photo.finish(0.22F, {1.02F, 0.98F, 0.92F}, 0.006F);
}

void paint_fisherman(Photo& photo, int take) {
  // 1 by his nets, 2 upright, 3 nearer, 4 laughing
  const bool laugh = take == 4;
  photo.aim(1.5, 1.0, 1.0);
  if (take == 2) photo.aim(1.5, 1.12, 1.0);
  if (take == 3) photo.aim(1.48, 0.82, 1.55);
  if (take == 4) photo.aim(1.52, 0.88, 1.25);
  quay_behind(photo, 0.05, 191);
  photo.layer([](cairo_t* c) {  // nets on a rail behind him
    set(c, {0.16, 0.30, 0.30}, 0.85);
    for (int i = 0; i < 70; ++i) {
      const double x = -0.6 + i * 0.06;
      line(c, x, 0.80, x + 0.6, 2.1, 0.008);
      line(c, x + 0.6, 0.80, x, 2.1, 0.008);
    }
    set(c, {0.4, 0.3, 0.22});
    line(c, -1, 0.8, 4, 0.78, 0.06);
    for (int i = 0; i < 12; ++i) {
      ellipse(c, -0.4 + i * 0.33, 0.9 + 0.05 * (i % 3), 0.055, 0.055);
      set(c, {0.85, 0.42, 0.18});
      cairo_fill(c);
    }
  }, 0.022);
  photo.change([](float x, float, const Light& was) {  // the lee of a shed on the right
    const float k = 1 - 0.72F * smooth_step(1.2F, 2.7F, x);
    return Light{was[0] * k, was[1] * k, was[2] * k};
  });
  photo.layer([](cairo_t* c) {  // jersey
    cairo_move_to(c, 0.42, 2.9);
    cairo_curve_to(c, 0.48, 1.70, 0.72, 1.52, 1.12, 1.42);
    cairo_line_to(c, 1.88, 1.42);
    cairo_curve_to(c, 2.28, 1.52, 2.52, 1.70, 2.58, 2.9);
    cairo_close_path(c);
    fill_across(c, 0.5, 2.5, {0.27, 0.36, 0.46}, {0.17, 0.23, 0.31}, {0.04, 0.05, 0.08});
    Dice dice(6);
    for (int row = 0; row < 44; ++row) {  // stitches
      for (int k = 0; k < 84; ++k) {
        const double x = 0.45 + k * 0.026 , y = 1.50 + row * 0.034 + 0.10 * (x - 1.5) * (x - 1.5);
        const double lit = std::clamp(1.15 - (x - 0.4) * 0.52, 0.1, 1.2) * dice.roll(0.8F, 1.2F);
        const double off = std::abs(x - 1.5);
        if (off > 0.95 || y < 1.47 + 0.24 * off + 0.9 * std::pow(std::max(0.0, off - 0.55), 2)) continue;
        set(c, {0.33 * lit, 0.43 * lit, 0.54 * lit}, 0.75);
        line(c, x, y, x + 0.012, y + 0.022, 0.008);
        line(c, x + 0.025, y, x + 0.013, y + 0.022, 0.008);
      }
    }
    cairo_move_to(c, 1.14, 1.50);
    cairo_curve_to(c, 1.14, 1.30, 1.86, 1.30, 1.86, 1.50);
    cairo_curve_to(c, 1.7, 1.62, 1.3, 1.62, 1.14, 1.50);
    fill_across(c, 1.1, 1.9, {0.30, 0.40, 0.5}, {0.20, 0.27, 0.36}, {0.05, 0.06, 0.09});
  }, 0.0015, rough(0.25F, 18, 3));
  const Colour skin{0.82, 0.58, 0.45};
  photo.layer([&](cairo_t* c) {  // face
    ellipse(c, 1.17, 0.95, 0.06, 0.11);
    fill_across(c, 1.1, 1.24, shade(skin, 1.1), shade(skin, 0.8), shade(skin, 0.6));
    cairo_move_to(c, 1.18, 0.66);
    cairo_curve_to(c, 1.14, 1.05, 1.20, 1.34, 1.50, 1.42);
    cairo_curve_to(c, 1.80, 1.34, 1.86, 1.05, 1.82, 0.66);
    cairo_close_path(c);
    fill_across(c, 1.14, 1.86, shade(skin, 1.20), skin, shade(skin, 0.28));
  }, 0.004, rough(0.16F, 10, 4));
  photo.layer([&](cairo_t* c) {  // shadows that model it
    set(c, {0.25, 0.12, 0.09}, 0.6);
    for (const double x : {1.345, 1.655}) {
      ellipse(c, x, 0.865, 0.105, 0.05);
      cairo_fill(c);
    }
    polygon(c, {1.52, 0.88, 1.60, 1.10, 1.56, 1.14, 1.66, 1.16, 1.62, 0.9});
    cairo_fill(c);
    set(c, {0.95, 0.75, 0.62}, 0.6);
    ellipse(c, 1.30, 1.03, 0.075, 0.06);
    ellipse(c, 1.485, 1.0, 0.022, 0.12);
    ellipse(c, 1.40, 0.745, 0.14, 0.04);
    cairo_fill(c);
    set(c, {0.75, 0.32, 0.26}, 0.35);
    ellipse(c, 1.29, 1.07, 0.09, 0.06);
    ellipse(c, 1.51, 1.09, 0.06, 0.05);
    cairo_fill(c);
  }, 0.016);
  photo.layer([&](cairo_t* c) {  // eyes, nose, lines
    for (const double x : {1.345, 1.655}) {
      const double open = laugh ? 0.011 : 0.022;
      set(c, {0.88, 0.84, 0.78}, x < 1.5 ? 1 : 0.5);
      ellipse(c, x, 0.885, 0.054, open);
      cairo_fill(c);
      set(c, {0.25, 0.40, 0.47});
      ellipse(c, x + 0.008, 0.884, 0.021, std::min(0.021, open * 1.1));
      cairo_fill(c);
      set(c, {0.02, 0.02, 0.02});
      ellipse(c, x + 0.008, 0.884, 0.010, std::min(0.010, open));
      cairo_fill(c);
      set(c, {1, 1, 1});
      ellipse(c, x + 0.001, 0.878, 0.005, 0.005);
      cairo_fill(c);
      set(c, {0.22, 0.11, 0.08});
      cairo_set_line_width(c, 0.012);
      cairo_move_to(c, x - 0.062, 0.892);
      cairo_curve_to(c, x - 0.03, 0.885 - open * 1.6, x + 0.03, 0.885 - open * 1.6, x + 0.062, 0.895);
      cairo_stroke(c);
      Dice dice(static_cast<std::uint32_t>(x * 100));
      for (int i = 0; i < 110; ++i) {  // brows
        const double bx = x + dice.roll(-0.085F, 0.085F), by = 0.80 + 0.02 * std::abs(bx - x) / 0.08 + dice.normal() * 0.010;
        const double lit = x < 1.5 ? 1 : 0.45;
        set(c, {0.80 * lit, 0.78 * lit, 0.74 * lit}, 0.8);
        line(c, bx, by, bx + 0.03 * (x < 1.5 ? -1 : 1), by - dice.roll(-0.004F, 0.016F), 0.004);
      }
      const double out = x < 1.5 ? -1 : 1;
      set(c, {0.35, 0.18, 0.13}, 0.6);
      for (int i = -2; i <= 2; ++i) {  // crow's feet
        line(c, x + out * 0.075, 0.89 + i * 0.006, x + out * 0.13, 0.89 + i * (laugh ? 0.026 : 0.018), 0.004);
      }
      line(c, x - 0.05, 0.925, x + 0.05, 0.93, 0.004);
    }
    set(c, {0.38, 0.18, 0.13}, 0.75);
    cairo_set_line_width(c, 0.009);
    cairo_move_to(c, 1.435, 1.115);
    cairo_curve_to(c, 1.44, 1.075, 1.46, 1.14, 1.50, 1.145);
    cairo_curve_to(c, 1.54, 1.14, 1.56, 1.075, 1.575, 1.115);
    cairo_stroke(c);
    for (int i = 0; i < 3; ++i) {  // forehead
      cairo_set_line_width(c, 0.005);
      set(c, {0.42, 0.22, 0.16}, 0.55);
      cairo_move_to(c, 1.27, 0.735 + i * 0.022);
      cairo_curve_to(c, 1.4, 0.72 + i * 0.022, 1.6, 0.72 + i * 0.022, 1.72, 0.738 + i * 0.022);
      cairo_stroke(c);
    }
  }, 0.002);
  photo.layer([&](cairo_t* c) {  // beard
    Dice dice(12);
    const auto hair = [&](double x, double y, double dx, double dy) {
      const double lit = std::clamp(1.22 - (x - 1.15) * 1.35, 0.16, 1.12) * dice.roll(0.7F, 1.12F);
      set(c, {0.86 * lit, 0.83 * lit, 0.78 * lit}, 0.8);
      cairo_set_line_width(c, 0.0045);
      cairo_move_to(c, x, y);
      cairo_curve_to(c, x + dx * 0.3, y + dy * 0.4, x + dx * 0.6 + dice.normal() * 0.012, y + dy * 0.7, x + dx, y + dy);
      cairo_stroke(c);
    };
    for (int i = 0; i < 5200; ++i) {
      const double a = dice.roll(0.02F, 3.12F), r = 0.62 + 0.38 * std::sqrt(dice.roll());
      const double x = 1.5 + std::cos(a) * 0.325 * r, y = 1.07 + std::sin(a) * 0.36 * r;
      if (y < 1.2 && std::abs(x - 1.5) < 0.15) continue;
      hair(x, y, std::cos(a) * 0.05 + dice.normal() * 0.015, 0.05 + 0.05 * dice.roll());
    }
    if (laugh) {
      cairo_move_to(c, 1.38, 1.215);
      cairo_curve_to(c, 1.44, 1.31, 1.56, 1.31, 1.62, 1.215);
      cairo_curve_to(c, 1.55, 1.24, 1.45, 1.24, 1.38, 1.215);
      set(c, {0.16, 0.05, 0.05});
      cairo_fill(c);
      polygon(c, {1.41, 1.225, 1.59, 1.225, 1.56, 1.25, 1.44, 1.25});
      set(c, {0.85, 0.81, 0.72});
      cairo_fill(c);
    } else {
      set(c, {0.45, 0.2, 0.17});
      ellipse(c, 1.5, 1.235, 0.08, 0.014);
      cairo_fill(c);
    }
    for (int i = 0; i < 1100; ++i) {  // moustache
      const double s = dice.roll() < 0.5F ? -1 : 1, t = dice.roll();
      hair(1.5 + s * t * 0.15, 1.165 + 0.03 * t + dice.normal() * 0.012, s * 0.05, 0.035 + 0.02 * t);
    }
  }, 0.0012);
  photo.layer([](cairo_t* c) {  // wool cap
    cairo_move_to(c, 1.13, 0.72);
    cairo_curve_to(c, 1.08, 0.22, 1.92, 0.22, 1.87, 0.72);
    cairo_close_path(c);
    fill_across(c, 1.1, 1.9, {0.68, 0.22, 0.17}, {0.50, 0.14, 0.12}, {0.10, 0.02, 0.03});
    Dice dice(15);
    for (int k = 0; k < 46; ++k) {
      const double t = (k - 22.5) / 23.0;
      for (int row = 0; row < 16; ++row) {
        const double y = 0.40 + row * 0.018, half = 0.37 * std::sqrt(std::clamp((y - 0.325) / 0.3, 0.02, 1.0));
        const double x = 1.5 + t * half, lit = std::clamp(1.1 - (x - 1.1) * 1.1, 0.12, 1.1) * dice.roll(0.75F, 1.25F);
        set(c, {0.78 * lit, 0.26 * lit, 0.2 * lit}, 0.7);
        line(c, x - 0.004, y, x + 0.003, y + 0.014, 0.006);
      }
    }
    cairo_move_to(c, 1.11, 0.64);
    cairo_curve_to(c, 1.3, 0.60, 1.7, 0.60, 1.89, 0.64);
    cairo_line_to(c, 1.885, 0.76);
    cairo_curve_to(c, 1.7, 0.715, 1.3, 0.715, 1.115, 0.76);
    cairo_close_path(c);
    fill_across(c, 1.1, 1.9, {0.72, 0.25, 0.19}, {0.54, 0.16, 0.13}, {0.10, 0.02, 0.03});
    for (int k = 0; k < 52; ++k) {
      const double x = 1.125 + k * 0.0147, lit = std::clamp(1.1 - (x - 1.1) * 1.15, 0.1, 1.1);
      set(c, {0.25 * lit, 0.06 * lit, 0.05 * lit}, 0.7);
      line(c, x, 0.63, x - 0.002, 0.74, 0.005);
    }
  }, 0.0015, rough(0.25F, 20, 5));
  photo.bloom(0.85F, 0.05, 0.10F);
  photo.finish(0.25F, {1.03F, 0.98F, 0.90F}, 0.005F);
}

}  // namespace lapwright::flatbed
