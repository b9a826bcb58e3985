// The market on the quay, the lane behind it, the café window.
#include <algorithm>
#include <cmath>
#include <numbers>

#include "brushes.h"
#include "lettering.h"
#include "scene_list.h"

namespace lapwright::flatbed {
namespace {

void awning(cairo_t* c, double x0, double x1, double y, double depth, const Colour& k) {
  const int stripes = 14;
  const double w = (x1 - x0) / stripes;
  for (int i = 0; i < stripes; ++i) {
    const Colour s = i % 2 == 0 ? k : Colour{0.93, 0.90, 0.83};
    const double x = x0 + i * w, lean = 0.06;
    polygon(c, {x + lean, y, x + w + lean, y, x + w, y + depth, x, y + depth});
    fill_down(c, y, y + depth, shade(s, 0.86), s);
    cairo_move_to(c, x, y + depth);
    cairo_curve_to(c, x, y + depth + w * 0.8, x + w, y + depth + w * 0.8, x + w, y + depth);
    cairo_close_path(c);
    fill_down(c, y + depth, y + depth + w * 0.6, shade(s, 0.72), shade(s, 0.5));
  }
}

void fruit(cairo_t* c, double x, double y, double r, const Colour& k) {
  ellipse(c, x, y, r, r);
  cairo_pattern_t* p = cairo_pattern_create_radial(x - r * 0.35, y - r * 0.4, r * 0.05, x, y, r * 1.05);
  cairo_pattern_add_color_stop_rgb(p, 0, std::min(1.0, k.r * 1.5 + 0.2), std::min(1.0, k.g * 1.5 + 0.2), std::min(1.0, k.b * 1.5 + 0.2));
  cairo_pattern_add_color_stop_rgb(p, 0.3, k.r, k.g, k.b);
  cairo_pattern_add_color_stop_rgb(p, 1, k.r * 0.28, k.g * 0.25, k.b * 0.22);
  cairo_set_source(c, p);
  cairo_fill(c);
  cairo_pattern_destroy(p);
}

void crate(cairo_t* c, double x, double y, double w, double h, const Colour& k, double r, std::uint32_t seed) {
  Dice dice(seed);
  polygon(c, {x, y, x + w, y, x + w * 0.94, y - h * 0.75, x + w * 0.06, y - h * 0.75});
  set(c, {0.10, 0.07, 0.05});
  cairo_fill(c);
  for (int row = 0; row < 5; ++row) {
    const double up = h * (0.72 - row * 0.16), in = w * 0.07 * (1 - row / 5.0);
    for (double fx = x + in + r; fx < x + w - in - r * 0.4; fx += r * 1.75) {
      const double tone = dice.roll(0.75F, 1.12F);
      fruit(c, fx + dice.roll(-0.2F, 0.2F) * r, y - up - r * 0.35 + dice.roll(-0.25F, 0.25F) * r, r * dice.roll(0.88F, 1.08F), shade(k, tone));
    }
  }
  for (int i = 0; i < 3; ++i) {
    cairo_rectangle(c, x, y + i * h * 0.17, w, h * 0.14);
    fill_across(c, x, x + w, {0.66, 0.52, 0.36}, {0.60, 0.46, 0.31}, {0.38, 0.28, 0.18});
  }
  set(c, {0.3, 0.2, 0.12});
  for (const double nx : {0.04, 0.5, 0.96}) line(c, x + w * nx, y, x + w * nx, y + h * 0.48, w * 0.02);
}

void price(cairo_t* c, double x, double y, double h, const std::string& text) {
  box(c, x, y - h, h * (0.95 * static_cast<double>(text.size()) + 0.5), h * 1.25, {0.94, 0.91, 0.80});
  set(c, {0.12, 0.12, 0.16});
  draw_text(c, text, x + h * 0.3, y, h * 0.68, 0.14);
}

/// Head and shoulders of someone behind a stall.
void vendor(cairo_t* c, double x, double y, double h) {
  cairo_move_to(c, x - h * 0.62, y + h * 1.4);
  cairo_curve_to(c, x - h * 0.62, y + h * 0.4, x - h * 0.3, y + h * 0.32, x, y + h * 0.3);
  cairo_curve_to(c, x + h * 0.3, y + h * 0.32, x + h * 0.62, y + h * 0.4, x + h * 0.62, y + h * 1.4);
  cairo_close_path(c);
  fill_across(c, x - h * 0.6, x + h * 0.6, {0.42, 0.52, 0.60}, {0.30, 0.40, 0.48}, {0.12, 0.16, 0.2});
  polygon(c, {x - h * 0.26, y + h * 0.42, x + h * 0.26, y + h * 0.42, x + h * 0.36, y + h * 1.4, x - h * 0.36, y + h * 1.4});
  fill_across(c, x - h * 0.3, x + h * 0.3, {0.93, 0.90, 0.84}, {0.84, 0.81, 0.75}, {0.5, 0.48, 0.44});
  cairo_rectangle(c, x - h * 0.12, y + h * 0.1, h * 0.24, h * 0.28);
  fill_across(c, x - h * 0.12, x + h * 0.12, {0.78, 0.56, 0.45}, {0.66, 0.45, 0.36}, {0.34, 0.2, 0.16});
  ellipse(c, x, y, h * 0.25, h * 0.32);
  fill_across(c, x - h * 0.25, x + h * 0.25, {0.92, 0.72, 0.60}, {0.82, 0.60, 0.48}, {0.42, 0.26, 0.2});
  set(c, {0.70, 0.36, 0.30}, 0.35);
  ellipse(c, x - h * 0.13, y + h * 0.08, h * 0.07, h * 0.05);
  ellipse(c, x + h * 0.12, y + h * 0.08, h * 0.06, h * 0.05);
  cairo_fill(c);
  set(c, {0.14, 0.09, 0.07});
  ellipse(c, x - h * 0.10, y - h * 0.04, h * 0.026, h * 0.017);
  ellipse(c, x + h * 0.08, y - h * 0.04, h * 0.024, h * 0.017);
  cairo_fill(c);
  cairo_set_line_width(c, h * 0.02);
  cairo_move_to(c, x - h * 0.15, y - h * 0.10);
  cairo_curve_to(c, x - h * 0.11, y - h * 0.13, x - h * 0.08, y - h * 0.12, x - h * 0.05, y - h * 0.10);
  cairo_move_to(c, x + h * 0.04, y - h * 0.10);
  cairo_curve_to(c, x + h * 0.07, y - h * 0.12, x + h * 0.10, y - h * 0.12, x + h * 0.13, y - h * 0.09);
  cairo_stroke(c);
  set(c, {0.45, 0.26, 0.2}, 0.7);
  cairo_set_line_width(c, h * 0.016);
  cairo_move_to(c, x - h * 0.005, y - h * 0.02);
  cairo_curve_to(c, x + h * 0.03, y + h * 0.05, x + h * 0.045, y + h * 0.07, x - h * 0.01, y + h * 0.075);
  cairo_stroke(c);
  set(c, {0.55, 0.20, 0.18});
  cairo_move_to(c, x - h * 0.09, y + h * 0.155);
  cairo_curve_to(c, x - h * 0.04, y + h * 0.215, x + h * 0.04, y + h * 0.215, x + h * 0.08, y + h * 0.15);
  cairo_curve_to(c, x + h * 0.03, y + h * 0.175, x - h * 0.04, y + h * 0.175, x - h * 0.09, y + h * 0.155);
  cairo_fill(c);
  cairo_move_to(c, x - h * 0.28, y + h * 0.06);  // scarf over the hair
  cairo_curve_to(c, x - h * 0.34, y - h * 0.42, x + h * 0.34, y - h * 0.42, x + h * 0.28, y + h * 0.06);
  cairo_curve_to(c, x + h * 0.22, y - h * 0.18, x - h * 0.2, y - h * 0.2, x - h * 0.28, y + h * 0.06);
  cairo_close_path(c);
  fill_across(c, x - h * 0.3, x + h * 0.3, {0.82, 0.26, 0.20}, {0.66, 0.18, 0.15}, {0.26, 0.06, 0.05});
}

void bunting(cairo_t* c, double x0, double y0, double x1, double y1, double sag, int n) {
  const Colour flags[] = {{0.80, 0.24, 0.18}, {0.92, 0.80, 0.36}, {0.25, 0.42, 0.62}, {0.92, 0.90, 0.86}, {0.35, 0.52, 0.32}};
  const auto at = [&](double t) { return y0 + (y1 - y0) * t + sag * 4 * t * (1 - t); };
  set(c, {0.3, 0.28, 0.25});
  cairo_set_line_width(c, 0.003);
  for (int i = 0; i <= 40; ++i) cairo_line_to(c, x0 + (x1 - x0) * i / 40.0, at(i / 40.0));
  cairo_stroke(c);
  for (int i = 0; i < n; ++i) {
    const double t = (i + 0.5) / n, x = x0 + (x1 - x0) * t, w = (x1 - x0) / n * 0.32;
    set(c, flags[i % 5]);
    polygon(c, {x - w, at(t), x + w, at(t), x + w * 0.2, at(t) + w * 2.3});
    cairo_fill(c);
  }
}

}  // namespace

void paint_market(Photo& photo, int take) {
  // 1 the stalls, 2 a moment later, 3 the fruit, 4 the woman who sells it, 5 along the row
  photo.aim(photo.wide() / 2, 1.0, 1.0);
  if (take == 3) photo.aim(1.05, 1.38, 2.3);
  if (take == 4) photo.aim(1.42, 0.93, 2.5);
  if (take == 5) photo.aim(2.3, 0.95, 1.5);
  Sky s;
  s.seed = 121;
  s.clouds = 0.35F;
  s.bright = 1.25F;
  s.horizon = 1.0F;
  sky(photo, s);
  photo.layer([](cairo_t* c) {
    houses(c, -0.2, 3.3, 1.08, 0.5, 122, false);
    houses(c, 1.9, 3.4, 1.12, 0.66, 127, false);
  }, 0.010, rough(0.2F, 8, 2));
  cobbles(photo, 1.08F, {0.56, 0.52, 0.47}, 123);
  photo.layer([&](cairo_t* c) {
    awning(c, 1.95, 2.85, 0.74, 0.14, {0.24, 0.42, 0.36});
    box(c, 2.0, 1.0, 0.8, 0.18, {0.4, 0.33, 0.27});
    for (int i = 0; i < 5; ++i) crate(c, 2.0 + i * 0.16, 1.0, 0.15, 0.09, i % 2 != 0 ? Colour{0.5, 0.6, 0.2} : Colour{0.8, 0.3, 0.15}, 0.016, static_cast<std::uint32_t>(i));
    Dice dice(static_cast<std::uint32_t>(130 + take % 3));
    const Colour coats[] = {{0.62, 0.24, 0.2}, {0.2, 0.27, 0.38}, {0.74, 0.66, 0.46}, {0.32, 0.40, 0.33}, {0.55, 0.5, 0.55}};
    for (int i = 0; i < 9; ++i) {
      Figure f;
      f.coat = coats[dice.pick(5)];
      f.stride = dice.roll(0, 0.9F);
      f.skirt = dice.roll() < 0.4F;
      f.hat = dice.roll() < 0.35F;
      f.arm = dice.roll(0, 0.9F);
      const double ground = 1.16 + 0.13 * dice.roll();
      figure(c, dice.roll(1.7F, 3.0F), ground, 0.36 + (ground - 1.16) * 1.3, f);
    }
    bunting(c, -0.1, 0.28, 3.1, 0.40, 0.14, 34);
  }, take == 5 ? 0.002 : 0.008, rough(0.2F, 12, 4));
  photo.layer([&](cairo_t* c) {  // the near stall, in focus
    set(c, {0.42, 0.32, 0.23});
    for (const double x : {0.22, 1.86}) line(c, x, 0.5, x, 1.75, 0.03);
    cairo_rectangle(c, 0.26, 0.72, 1.58, 0.62);
    fill_down(c, 0.7, 1.3, {0.16, 0.13, 0.12}, {0.05, 0.04, 0.04});
    vendor(c, 1.42 + (take == 2 ? -0.1 : 0), 0.93, 0.32);
    for (int i = 0; i < 7; ++i) {  // onions and herbs on strings
      const double x = 0.36 + i * 0.085;
      set(c, {0.55, 0.5, 0.35});
      line(c, x, 0.70, x, 0.98, 0.004);
      for (int k = 0; k < 5; ++k) fruit(c, x + (k % 2 != 0 ? 0.014 : -0.014), 0.80 + k * 0.042, 0.024, i % 3 == 0 ? Colour{0.55, 0.18, 0.2} : Colour{0.80, 0.60, 0.32});
    }
    awning(c, 0.10, 1.98, 0.48, 0.22, {0.72, 0.20, 0.17});
    box(c, 0.72, 0.30, 0.74, 0.15, {0.93, 0.90, 0.80});
    box(c, 0.735, 0.315, 0.71, 0.12, {0.17, 0.30, 0.28});
    set(c, {0.94, 0.90, 0.74});
    draw_text(c, "VESSA FRUIT", 0.765, 0.408, 0.069, 0.15);
    const Colour kinds[] = {{0.78, 0.16, 0.12}, {0.90, 0.52, 0.12}, {0.52, 0.60, 0.18}, {0.86, 0.74, 0.22}, {0.42, 0.14, 0.25}};
    for (int row = 1; row >= 0; --row) {
      for (int i = 0; i < 5; ++i) {
        const double x = 0.26 + i * 0.325, y = 1.54 - row * 0.19;
        crate(c, x, y, 0.30, 0.19, kinds[static_cast<std::size_t>((i + row * 2) % 5)], 0.028 + 0.004 * (i % 3), static_cast<std::uint32_t>(40 + i + row * 9));
      }
    }
    price(c, 0.36, 1.61, 0.055, "3.20");
    price(c, 1.04, 1.62, 0.055, "2.75");
    price(c, 1.62, 1.61, 0.055, "4.-");
    box(c, 0.2, 1.66, 1.7, 0.30, {0.34, 0.26, 0.2});
  }, take == 5 ? 0.006 : 0.0012, rough(0.2F, 20, 6));
  photo.layer([](cairo_t* c) {  // the awning's shadow
    cairo_rectangle(c, 0.24, 0.72, 1.62, 0.22);
    set(c, {0.02, 0.02, 0.04}, 0.35);
    cairo_fill(c);
  }, 0.03);
  if (take == 1 || take == 2) {
    photo.layer([&](cairo_t* c) {
      Figure f{{0.28, 0.34, 0.46}, {0.24, 0.22, 0.24}, {0.82, 0.64, 0.54}, {0.62, 0.5, 0.3}, 0.5, 0.7, true, false};
      figure(c, take == 1 ? 2.25 : 1.98, 1.92, 0.98, f);
      if (take == 2) {
        f = {{0.72, 0.62, 0.40}, {0.3, 0.26, 0.22}, {0.8, 0.6, 0.5}, {0.2, 0.14, 0.1}, 0.2, 0.4, false, true};
        figure(c, 2.6, 1.98, 1.05, f);
      }
    }, 0.003, rough(0.25F, 20, 7));
  }
  photo.bloom(0.9F, 0.05, 0.15F);
  photo.finish(0.16F, {1.01F, 0.98F, 0.92F}, 0.006F);
}

namespace {

/// One side of the lane, seen slantwise: (along 0 near .. 1 far, up 0 .. 1) to the drawing.
struct Wall {
  double near_x, far_x, near_foot, far_foot, near_top, far_top;
  void at(double along, double up, double& x, double& y) const {
    const double z = along / (along + (1 - along) * 3.2);  // perspective
    x = near_x + (far_x - near_x) * (1 - (1 - along) / (1 + 2.2 * along));
    (void)z;
    const double k = (x - near_x) / (far_x - near_x);
    const double foot = near_foot + (far_foot - near_foot) * k, top = near_top + (far_top - near_top) * k;
    y = foot + (top - foot) * up;
  }
  void patch(cairo_t* c, double a0, double a1, double u0, double u1) const {
    double x, y;
    cairo_new_path(c);
    at(a0, u0, x, y), cairo_line_to(c, x, y);
    at(a1, u0, x, y), cairo_line_to(c, x, y);
    at(a1, u1, x, y), cairo_line_to(c, x, y);
    at(a0, u1, x, y), cairo_line_to(c, x, y);
    cairo_close_path(c);
  }
};

void lane_side(cairo_t* c, const Wall& wall, bool sunny, std::uint32_t seed) {
  const Colour paints[] = {{0.84, 0.74, 0.56}, {0.74, 0.42, 0.32}, {0.80, 0.78, 0.72}, {0.56, 0.64, 0.64}, {0.82, 0.60, 0.36}};
  Dice dice(seed);
  const double lit = sunny ? 1.0 : 0.30;
  for (int house = 4; house >= 0; --house) {
    const double a0 = house * 0.2, a1 = a0 + 0.2;
    const double height = dice.roll(0.82F, 1.0F);
    const Colour k = shade(paints[dice.pick(5)], lit * dice.roll(0.85F, 1.05F));
    wall.patch(c, a0, a1, 0, height);
    set(c, k);
    cairo_fill(c);
    wall.patch(c, a0, a1, height - 0.03, height);
    set(c, shade(k, 0.5));
    cairo_fill(c);
    wall.patch(c, a0, a1, 0, 0.07);
    set(c, shade({0.4, 0.38, 0.36}, lit));
    cairo_fill(c);
    for (int row = 0; row < 3; ++row) {
      for (int col = 0; col < 2; ++col) {
        const double wa = a0 + 0.035 + col * 0.09, wu = 0.16 + row * 0.26;
        if (wu + 0.15 > height) continue;
        const bool door = row == 0 && col == 0;
        wall.patch(c, wa - 0.006, wa + 0.052, door ? 0.0 : wu - 0.015, wu + 0.155);
        set(c, shade({0.92, 0.9, 0.85}, lit));
        cairo_fill(c);
        wall.patch(c, wa, wa + 0.046, door ? 0.0 : wu, wu + 0.14);
        set(c, door ? shade({0.20, 0.36, 0.40}, lit) : Colour{0.07 + 0.1 * dice.roll(), 0.09, 0.12});
        cairo_fill(c);
        if (door) continue;
        if (dice.roll() < 0.7F) {  // shutters
          for (const double sa : {wa - 0.030, wa + 0.048}) {
            wall.patch(c, sa, sa + 0.022, wu - 0.01, wu + 0.15);
            set(c, shade({0.24, 0.42, 0.34}, lit * 0.9));
            cairo_fill(c);
          }
        }
        wall.patch(c, wa, wa + 0.046, wu + 0.068, wu + 0.075);
        set(c, shade({0.92, 0.9, 0.85}, lit));
        cairo_fill(c);
        if (row > 0 && dice.roll() < 0.6F) {  // a box of geraniums
          double x, y;
          wall.at(wa + 0.023, wu - 0.01, x, y);
          const double size = 0.10 * (1 - 0.8 * wa);
          foliage(c, x, y - size * 0.2, size, size * 0.45, shade({0.34, 0.46, 0.2}, lit + 0.1), 110, dice.bits());
          foliage(c, x, y - size * 0.4, size * 0.8, size * 0.3, shade({0.95, 0.26, 0.24}, lit + 0.1), 40, dice.bits());
        }
      }
    }
  }
}

void washing(cairo_t* c, double x0, double y0, double x1, double y1, double size, std::uint32_t seed) {
  Dice dice(seed);
  const auto at = [&](double t) { return y0 + (y1 - y0) * t + size * 0.5 * 4 * t * (1 - t); };
  set(c, {0.3, 0.3, 0.3});
  cairo_set_line_width(c, 0.004);
  for (int i = 0; i <= 20; ++i) cairo_line_to(c, x0 + (x1 - x0) * i / 20.0, at(i / 20.0));
  cairo_stroke(c);
  const Colour cloth[] = {{0.95, 0.94, 0.9}, {0.9, 0.9, 0.92}, {0.62, 0.74, 0.84}, {0.86, 0.5, 0.44}, {0.94, 0.88, 0.7}};
  for (double t = 0.12; t < 0.85; t += 0.15) {
    const double x = x0 + (x1 - x0) * t, w = size * dice.roll(0.5F, 0.9F), h = size * dice.roll(0.9F, 1.7F);
    cairo_move_to(c, x, at(t));
    cairo_line_to(c, x + w, at(t + w / (x1 - x0)));
    cairo_curve_to(c, x + w * 1.1, y0 + h * 0.6, x + w * 0.95, at(t) + h * 0.8, x + w * 1.02, at(t) + h);
    cairo_curve_to(c, x + w * 0.7, at(t) + h * 1.07, x + w * 0.3, at(t) + h * 0.95, x - w * 0.02, at(t) + h * 1.02);
    cairo_close_path(c);
    const Colour k = cloth[dice.pick(5)];
    fill_across(c, x, x + w, k, shade(k, 0.8), shade(k, 0.95));
  }
}

}  // namespace

void paint_lane(Photo& photo, int take) {
  // 1 upright with the washing, 2 someone comes up, 3 nearer, 4 the whole width
  const double m = photo.wide() / 2, low = photo.high();
  if (take == 3) photo.aim(m, low * 0.52, 1.6);
  Sky s;
  s.seed = 141;
  s.clouds = 0.3F;
  s.bright = 1.5F;
  s.horizon = static_cast<float>(low * 0.6);
  sky(photo, s);
  const double vanish = low * 0.60;
  photo.layer([&](cairo_t* c) {  // the harbour at the lane's end
    box(c, m - 0.4, vanish - 0.05, 0.8, 0.1, {0.62, 0.72, 0.78});
    boat(c, m - 0.02, vanish + 0.01, 0.2, {0.2, 0.35, 0.45}, 4);
  }, 0.004, nullptr, 1.3F);
  cobbles(photo, static_cast<float>(vanish + 0.02), {0.50, 0.46, 0.42}, 143);
  const Wall left{-0.25, m - 0.16, low + 0.15, vanish + 0.05, -0.5, vanish - 0.42};
  const Wall right{2 * m + 0.25, m + 0.17, low + 0.15, vanish + 0.05, -0.7, vanish - 0.46};
  photo.layer([&](cairo_t* c) {
    lane_side(c, left, false, 144);
    lane_side(c, right, true, 149);
  }, 0.0012, rough(0.35F, 7, 9, 1.4F));
  photo.layer([&](cairo_t* c) {  // shadow of the left row on the stones
    polygon(c, {-0.3, low + 0.1, m - 0.14, vanish + 0.04, m + 0.02, vanish + 0.04, m + 0.25, low + 0.1});
    set(c, {0.03, 0.04, 0.07}, 0.68);
    cairo_fill(c);
  }, 0.012);
  photo.layer([&](cairo_t* c) {
    washing(c, m * 0.30, low * 0.20, m * 1.72, low * 0.17, 0.17, 8);
    washing(c, m * 0.62, low * 0.36, m * 1.42, low * 0.345, 0.08, 18);
    box(c, m * 1.52, low * 0.465, 0.24, 0.12, {0.20, 0.22, 0.28});
    set(c, {0.94, 0.86, 0.62});
    draw_text(c, "BREAD", m * 1.52 + 0.024, low * 0.465 + 0.085, 0.048, 0.16);
    set(c, {0.1, 0.1, 0.1});
    line(c, m * 1.52, low * 0.462, m * 1.80, low * 0.455, 0.008);
  }, 0.0015, rough(0.15F, 12, 3));
  photo.layer([&](cairo_t* c) {
    Figure f{{0.70, 0.24, 0.2}, {0.24, 0.24, 0.28}, {0.8, 0.62, 0.52}, {0.25, 0.18, 0.12}, 0.6, 0.3, true, false};
    if (take == 2 || take == 3) figure(c, m + 0.06, vanish + 0.36, 0.48, f);
    if (take == 1) figure(c, m + 0.02, vanish + 0.10, 0.17, f);
    if (take == 4) {
      figure(c, m - 0.2, vanish + 0.45, 0.62, f);
      figure(c, m + 0.2, vanish + 0.16, 0.24, {{0.3, 0.4, 0.5}, {0.2, 0.2, 0.2}, {0.8, 0.6, 0.5}, {0.2, 0.1, 0.1}, 0.4, 0.4, false, true});
    }
    for (int i = 0; i < 3; ++i) {  // pots by the doors
      const double x = 2 * m - 0.16 - i * 0.14, y = low - 0.16 - i * 0.22, r = 0.11 - i * 0.025;
      foliage(c, x, y - r, r * 1.2, r, {0.42, 0.52, 0.22}, 340, static_cast<std::uint32_t>(i));
      polygon(c, {x - r * 0.7, y - r * 0.3, x + r * 0.7, y - r * 0.3, x + r * 0.5, y + r * 0.8, x - r * 0.5, y + r * 0.8});
      fill_across(c, x - r, x + r, {0.82, 0.46, 0.3}, {0.66, 0.34, 0.22}, {0.3, 0.14, 0.1});
    }
  }, 0.0015, rough(0.2F, 16, 4));
  photo.bloom(0.95F, 0.06, 0.25F);
  photo.finish(0.22F, {1.02F, 0.98F, 0.92F}, 0.006F);
}

void paint_cafe(Photo& photo, int take) {
  // 1 someone by the window, 2 nearer, the cup
  photo.aim(photo.wide() / 2, 1.0, 1.0);
  if (take == 2) photo.aim(1.75, 1.3, 1.75);
  Sky s;
  s.seed = 161;
  s.bright = 2.4F;
  s.clouds = 0.5F;
  s.horizon = 1.0F;
  sky(photo, s);
  ridge(photo, 1.02F, 0.4F, {0.5, 0.55, 0.56}, 33, 0.03);
  Sea w;
  w.horizon = 1.0F;
  w.chop = 0.5F;
  sea(photo, w);
  photo.change([](float, float y, const Light& was) { return y > 1.0F ? Light{was[0] * 2, was[1] * 2, was[2] * 2} : was; });
  photo.layer([](cairo_t* c) {
    for (int i = 0; i < 5; ++i) boat(c, 0.8 + i * 0.42, 1.06, 0.36, {0.3, 0.4, 0.45}, static_cast<std::uint32_t>(i));
  }, 0.02, nullptr, 1.8F);
  photo.layer([](cairo_t* c) {  // the room round the window
    cairo_rectangle(c, -1, -1, 5, 4);
    cairo_rectangle(c, 2.5, 0.25, -1.75, 1.05);
    cairo_set_fill_rule(c, CAIRO_FILL_RULE_EVEN_ODD);
    fill_across(c, 0.0, 3.0, {0.17, 0.13, 0.11}, {0.21, 0.16, 0.13}, {0.09, 0.07, 0.07});
    cairo_set_fill_rule(c, CAIRO_FILL_RULE_WINDING);
    set(c, {0.12, 0.09, 0.07});
    line(c, 1.62, 0.2, 1.62, 1.32, 0.035);
    line(c, 0.7, 0.62, 2.55, 0.62, 0.028);
    set(c, {0.32, 0.24, 0.18});
    line(c, 0.72, 1.31, 2.54, 1.31, 0.035);
    set(c, {0.12, 0.10, 0.09}, 0.9);
    cairo_save(c);
    cairo_translate(c, 3.26, 0);
    cairo_scale(c, -1, 1);
    draw_text(c, "CAFE TERN", 1.08, 0.53, 0.11, 0.14);
    cairo_restore(c);
  }, 0.002, rough(0.4F, 5, 5));
  photo.layer([](cairo_t* c) {  // curtain
    for (int i = 0; i < 9; ++i) {
      const double x = 2.36 + i * 0.03;
      polygon(c, {x, 0.2, x + 0.035, 0.2, x + 0.045 + 0.01 * std::sin(i * 2.0), 1.3, x + 0.005, 1.3});
      fill_across(c, x, x + 0.035, {0.62, 0.55, 0.45}, {0.42, 0.36, 0.3}, {0.24, 0.2, 0.17});
    }
  }, 0.006, nullptr, 1.1F);
  photo.layer([](cairo_t* c) {  // table
    polygon(c, {0.9, 1.52, 2.7, 1.50, 3.2, 2.1, 0.5, 2.1});
    fill_across(c, 0.6, 3.0, {0.42, 0.27, 0.17}, {0.60, 0.45, 0.33}, {0.24, 0.15, 0.1});
    polygon(c, {1.35, 1.53, 2.05, 1.52, 2.3, 2.1, 1.15, 2.1});
    set(c, {0.95, 0.93, 0.88}, 0.22);
    cairo_fill(c);
  }, 0.004, rough(0.5F, 4, 7, 7));
  photo.layer([](cairo_t* c) {  // cup, spoon, sugar
    set(c, {0.05, 0.03, 0.03}, 0.5);
    ellipse(c, 1.98, 1.70, 0.24, 0.05);
    cairo_fill(c);
    ellipse(c, 1.92, 1.68, 0.20, 0.05);
    fill_across(c, 1.7, 2.12, {0.75, 0.74, 0.72}, {0.95, 0.94, 0.92}, {0.5, 0.48, 0.47});
    cairo_move_to(c, 1.80, 1.54);
    cairo_curve_to(c, 1.81, 1.68, 1.86, 1.69, 1.92, 1.69);
    cairo_curve_to(c, 1.98, 1.69, 2.03, 1.68, 2.04, 1.54);
    cairo_close_path(c);
    fill_across(c, 1.8, 2.04, {0.98, 0.97, 0.95}, {0.86, 0.85, 0.84}, {0.36, 0.34, 0.34});
    ellipse(c, 1.92, 1.54, 0.12, 0.026);
    fill_across(c, 1.8, 2.04, {0.98, 0.97, 0.95}, {0.9, 0.9, 0.9}, {0.6, 0.6, 0.6});
    set(c, {0.16, 0.08, 0.05});
    ellipse(c, 1.92, 1.545, 0.10, 0.019);
    cairo_fill(c);
    set(c, {0.82, 0.8, 0.78});
    cairo_set_line_width(c, 0.022);
    cairo_arc(c, 2.06, 1.60, 0.04, -1.4, 1.6);
    cairo_stroke(c);
    set(c, {0.9, 0.9, 0.92});
    line(c, 1.62, 1.78, 1.86, 1.735, 0.010);
    box(c, 2.32, 1.50, 0.10, 0.13, {0.75, 0.78, 0.8});
    box(c, 2.32, 1.47, 0.10, 0.035, {0.5, 0.5, 0.52});
  }, 0.0015);
  photo.layer([](cairo_t* c) {  // who sits there, against the light
    cairo_move_to(c, 0.62, 2.1);
    cairo_curve_to(c, 0.62, 1.50, 0.74, 1.30, 1.0, 1.22);
    cairo_curve_to(c, 1.22, 1.26, 1.36, 1.44, 1.42, 1.66);
    cairo_line_to(c, 1.66, 1.62);
    cairo_line_to(c, 1.70, 1.70);
    cairo_line_to(c, 1.36, 1.86);
    cairo_line_to(c, 1.3, 2.1);
    cairo_close_path(c);
    fill_across(c, 0.62, 1.45, {0.05, 0.05, 0.06}, {0.10, 0.08, 0.08}, {0.30, 0.25, 0.22});
    cairo_move_to(c, 0.93, 1.26);
    cairo_curve_to(c, 0.95, 1.15, 0.88, 1.08, 0.90, 0.96);
    cairo_curve_to(c, 0.93, 0.80, 1.14, 0.79, 1.18, 0.93);
    cairo_curve_to(c, 1.20, 0.98, 1.24, 1.02, 1.22, 1.035);
    cairo_curve_to(c, 1.19, 1.04, 1.20, 1.10, 1.17, 1.13);
    cairo_curve_to(c, 1.12, 1.14, 1.10, 1.17, 1.10, 1.26);
    cairo_close_path(c);
    fill_across(c, 0.9, 1.24, {0.06, 0.04, 0.04}, {0.20, 0.12, 0.09}, {0.80, 0.58, 0.46});
    cairo_move_to(c, 0.86, 1.10);
    cairo_curve_to(c, 0.80, 0.76, 1.12, 0.72, 1.18, 0.88);
    cairo_curve_to(c, 1.06, 0.86, 1.02, 0.95, 1.0, 1.06);
    cairo_curve_to(c, 0.96, 1.12, 0.9, 1.14, 0.86, 1.10);
    fill_across(c, 0.85, 1.2, {0.03, 0.02, 0.02}, {0.08, 0.05, 0.04}, {0.34, 0.22, 0.14});
    set(c, {0.05, 0.03, 0.03});
    ellipse(c, 0.86, 1.02, 0.07, 0.08);
    cairo_fill(c);
  }, 0.002, rough(0.3F, 14, 8));
  photo.bloom(0.9F, 0.09, 0.16F);
  photo.finish(0.3F, {1.02F, 0.97F, 0.88F}, 0.004F);
}

}  // namespace lapwright::flatbed
