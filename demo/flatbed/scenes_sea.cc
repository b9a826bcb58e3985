// The lighthouse on its point, the ferry, the boats at their moorings, the harbour at dusk.
#include <cmath>
#include <numbers>

#include "brushes.h"
#include "lettering.h"
#include "scene_list.h"

namespace lapwright::flatbed {
namespace {

void lighthouse_tower(cairo_t* c) {
  const double x = 2.05, base = 1.02, top = 0.36, wb = 0.115, wt = 0.072;
  const auto half = [&](double y) { return wt + (wb - wt) * (y - top) / (base - top); };
  for (int band = 0; band < 7; ++band) {
    const double y0 = top + (base - top) * band / 7, y1 = top + (base - top) * (band + 1) / 7 + 0.001;
    polygon(c, {x - half(y0), y0, x + half(y0), y0, x + half(y1), y1, x - half(y1), y1});
    const Colour k = band % 3 == 1 ? Colour{0.74, 0.20, 0.16} : Colour{0.93, 0.91, 0.87};
    fill_across(c, x - half(y1), x + half(y1), shade(k, 0.92), k, shade(k, 0.42));
  }
  for (const double y : {0.48, 0.64, 0.82}) {  // windows
    box(c, x - 0.030, y, 0.020, 0.042, {0.10, 0.12, 0.14});
    box(c, x - 0.033, y + 0.042, 0.026, 0.006, {0.8, 0.78, 0.74});
  }
  polygon(c, {x - 0.028, base, x - 0.028, base - 0.07, x, base - 0.085, x + 0.022, base - 0.07, x + 0.022, base});
  set(c, {0.20, 0.26, 0.22});
  cairo_fill(c);
  // Gallery: brackets, deck, lattice rail.
  set(c, {0.14, 0.14, 0.15});
  for (int i = -4; i <= 4; ++i) line(c, x + i * 0.018, top + 0.03, x + i * 0.025, top - 0.002, 0.005);
  cairo_rectangle(c, x - 0.115, top - 0.012, 0.23, 0.014);
  fill_across(c, x - 0.115, x + 0.115, {0.5, 0.5, 0.5}, {0.3, 0.3, 0.31}, {0.1, 0.1, 0.1});
  set(c, {0.10, 0.10, 0.11});
  for (int i = -13; i <= 13; ++i) line(c, x + i * 0.0082, top - 0.012, x + i * 0.0082, top - 0.06, 0.0016);
  for (int i = -13; i < 13; i += 2) {
    line(c, x + i * 0.0082, top - 0.012, x + (i + 2) * 0.0082, top - 0.058, 0.0012);
    line(c, x + (i + 2) * 0.0082, top - 0.012, x + i * 0.0082, top - 0.058, 0.0012);
  }
  line(c, x - 0.11, top - 0.060, x + 0.11, top - 0.060, 0.0035);
  // Lantern: panes, lens, dome, vane.
  cairo_rectangle(c, x - 0.052, top - 0.115, 0.104, 0.104);
  fill_across(c, x - 0.052, x + 0.052, {0.62, 0.72, 0.74}, {0.36, 0.46, 0.48}, {0.14, 0.18, 0.2});
  ellipse(c, x - 0.004, top - 0.065, 0.024, 0.036);
  fill_across(c, x - 0.03, x + 0.02, {1.0, 0.98, 0.84}, {0.95, 0.86, 0.55}, {0.5, 0.4, 0.2});
  set(c, {0.11, 0.11, 0.12});
  for (int i = -2; i <= 2; ++i) line(c, x + i * 0.026, top - 0.012, x + i * 0.026, top - 0.117, 0.0035);
  line(c, x - 0.052, top - 0.062, x + 0.052, top - 0.062, 0.0025);
  cairo_move_to(c, x - 0.062, top - 0.115);
  cairo_curve_to(c, x - 0.05, top - 0.18, x + 0.05, top - 0.18, x + 0.062, top - 0.115);
  cairo_close_path(c);
  fill_across(c, x - 0.06, x + 0.06, {0.80, 0.27, 0.2}, {0.62, 0.17, 0.14}, {0.22, 0.06, 0.05});
  set(c, {0.1, 0.1, 0.1});
  line(c, x, top - 0.16, x, top - 0.235, 0.0035);
  line(c, x - 0.025, top - 0.215, x + 0.03, top - 0.215, 0.003);
}

void keepers_house(cairo_t* c) {
  cairo_rectangle(c, 2.22, 0.90, 0.36, 0.14);
  fill_across(c, 2.22, 2.58, {0.9, 0.87, 0.8}, {0.86, 0.83, 0.77}, {0.62, 0.6, 0.57});
  polygon(c, {2.20, 0.905, 2.26, 0.80, 2.54, 0.80, 2.60, 0.905});
  fill_down(c, 0.80, 0.905, {0.44, 0.44, 0.46}, {0.30, 0.30, 0.33});
  box(c, 2.30, 0.755, 0.035, 0.06, {0.62, 0.34, 0.28});
  box(c, 2.47, 0.76, 0.035, 0.06, {0.58, 0.31, 0.26});
  for (int i = 0; i < 4; ++i) {
    box(c, 2.247 + i * 0.085, 0.935, 0.036, 0.05, {0.93, 0.92, 0.9});
    box(c, 2.251 + i * 0.085, 0.939, 0.028, 0.042, {0.13, 0.17, 0.2});
  }
  set(c, {0.55, 0.52, 0.46});
  for (double x = 2.60; x < 2.95; x += 0.028) line(c, x, 1.03 + (x - 2.6) * 0.05, x, 0.985 + (x - 2.6) * 0.05, 0.005);
  line(c, 2.60, 0.995, 2.95, 1.012, 0.004);
}

void headland(Photo& photo) {
  photo.layer([](cairo_t* c) {
    polygon(c, {1.30, 1.45, 1.38, 1.31, 1.50, 1.24, 1.56, 1.13, 1.72, 1.07, 1.86, 1.02, 2.2, 1.02, 2.5, 1.03, 2.8, 1.02,
                3.4, 1.05, 3.4, 1.62, 2.6, 1.60, 2.1, 1.55, 1.7, 1.50});
    fill_down(c, 1.0, 1.6, {0.50, 0.45, 0.39}, {0.22, 0.20, 0.19});
    Dice dice(31);
    for (int i = 0; i < 150; ++i) {  // clefts
      const double x = dice.roll(1.4F, 3.1F), y = dice.roll(1.1F, 1.5F), l = dice.roll(0.03F, 0.13F);
      set(c, {0.08, 0.07, 0.07}, dice.roll(0.2F, 0.7F));
      line(c, x, y, x + l * dice.roll(-0.5F, 0.2F), y + l, dice.roll(0.002F, 0.010F));
      set(c, {0.72, 0.66, 0.57}, dice.roll(0.1F, 0.5F));
      line(c, x + 0.008, y, x + 0.008 + l * 0.2, y + l * 0.7, dice.roll(0.002F, 0.007F));
    }
  }, 0, rough(0.9F, 9, 12, 0.6F));
  photo.layer([](cairo_t* c) {
    polygon(c, {1.55, 1.145, 1.72, 1.07, 1.86, 1.02, 2.2, 1.015, 2.5, 1.025, 2.8, 1.01, 3.4, 1.04, 3.4, 1.16, 2.9, 1.12,
                2.4, 1.12, 2.0, 1.10, 1.75, 1.13});
    fill_down(c, 1.0, 1.16, {0.42, 0.46, 0.22}, {0.22, 0.26, 0.13});
    Dice dice(33);
    for (int i = 0; i < 1500; ++i) {
      const double x = dice.roll(1.6F, 3.3F), y = dice.roll(1.02F, 1.13F);
      set(c, {0.35 + 0.3 * dice.roll(), 0.42 + 0.2 * dice.roll(), 0.18}, 0.7);
      line(c, x, y, x + 0.008, y - dice.roll(0.006F, 0.022F), 0.0022);
    }
  }, 0, rough(0.5F, 12, 14));
}

}  // namespace

void paint_lighthouse(Photo& photo, int take) {
  const double middle = photo.wide() / 2;
  if (take == 2) photo.aim(2.02, 0.86, 1.75);
  if (take == 3) photo.aim(2.07, 0.68, 2.3);
  if (take == 5) photo.aim(2.06, 0.40, 4.4);
  if (take == 1 || take == 4) photo.aim(middle + (take == 4 ? 0.12 : 0), 1.0, 1.0);
  const bool evening = take == 4;
  Sky s;
  s.seed = static_cast<std::uint32_t>(40 + take / 2);
  s.horizon = 1.28F;
  s.clouds = 0.58F;
  if (evening) {
    s = {{0.30, 0.36, 0.55}, {0.97, 0.70, 0.46}, {1.0, 0.80, 0.62}, {0.48, 0.38, 0.44}, 0.5F, 1.28F, 0.62F, 1.12F, 0.8F, 52};
  }
  sky(photo, s);
  ridge(photo, 1.285F, 0.10F, evening ? Colour{0.48, 0.42, 0.46} : Colour{0.50, 0.58, 0.66}, 5);
  Sea w;
  w.horizon = 1.28F;
  w.chop = 1.1F;
  if (evening) {
    w.deep = {0.13, 0.17, 0.24};
    w.shine = {0.85, 0.62, 0.48};
    w.glitter_x = 0.62F;
  }
  sea(photo, w);
  if (take == 1) {  // the ferry, far out
    photo.layer([](cairo_t* c) {
      box(c, 0.55, 1.255, 0.13, 0.022, {0.2, 0.28, 0.4});
      box(c, 0.57, 1.232, 0.09, 0.024, {0.92, 0.92, 0.9});
      box(c, 0.61, 1.212, 0.02, 0.022, {0.75, 0.3, 0.2});
    }, 0.0015);
  }
  headland(photo);
  photo.layer([](cairo_t* c) {  // surf
    Dice dice(9);
    for (int i = 0; i < 420; ++i) {
      const double x = dice.roll(1.22F, 3.1F), edge = 1.47 + 0.05 * (x - 1.3) + 0.02 * std::sin(x * 23);
      set(c, {0.93, 0.95, 0.96}, dice.roll(0.15F, 0.6F));
      ellipse(c, x, edge + dice.normal() * 0.022, dice.roll(0.008F, 0.05F), dice.roll(0.003F, 0.012F));
      cairo_fill(c);
    }
  }, 0.004);
  photo.layer([](cairo_t* c) {
    lighthouse_tower(c);
    keepers_house(c);
    figure(c, 1.83, 1.065, 0.085, {{0.75, 0.25, 0.2}, {0.2, 0.22, 0.3}, {0.8, 0.62, 0.5}, {0.3, 0.2, 0.1}, 0.5, 0.3, false, false});
  }, 0.0012, rough(0.14F, 26, 3));
  photo.layer([&](cairo_t* c) {
    Dice dice(static_cast<std::uint32_t>(60 + take));
    for (int i = 0; i < 7; ++i) {
      gull(c, dice.roll(0.3F, 2.7F), dice.roll(0.1F, 0.9F), dice.roll(0.02F, 0.055F), dice.roll(-0.5F, 1));
    }
  }, 0.0025);
  if (take == 1 || take == 4) {  // grass close to the lens
    photo.layer([&](cairo_t* c) {
      Dice dice(17);
      for (int i = 0; i < 260; ++i) {
        const double x = dice.roll(-0.1F, 1.5F), h = dice.roll(0.15F, 0.55F) * (1.25 - x * 0.6);
        const double lit = dice.roll(0.5F, 1.1F);
        set(c, {0.46 * lit, 0.45 * lit, 0.18 * lit}, 0.85);
        cairo_set_line_width(c, dice.roll(0.006F, 0.013F));
        cairo_move_to(c, x, 2.05);
        cairo_curve_to(c, x, 2.0 - h * 0.5, x + h * 0.12, 2.0 - h * 0.8, x + h * 0.35, 2.0 - h);
        cairo_stroke(c);
      }
    }, 0.014);
  }
  photo.bloom(0.9F, 0.05, 0.10F);
  photo.finish(0.16F, evening ? Light{1.02F, 0.92F, 0.80F} : Light{1.0F, 0.99F, 0.96F}, 0.006F);
}

namespace {

void ferry_body(cairo_t* c) {
  // Bow to the left. Waterline 1.36.
  cairo_move_to(c, 0.38, 1.02);
  cairo_curve_to(c, 0.46, 1.16, 0.52, 1.28, 0.60, 1.38);
  cairo_line_to(c, 2.62, 1.38);
  cairo_curve_to(c, 2.70, 1.30, 2.72, 1.20, 2.72, 1.06);
  cairo_line_to(c, 1.0, 1.08);
  cairo_curve_to(c, 0.8, 1.08, 0.6, 1.05, 0.38, 1.02);
  cairo_close_path(c);
  fill_down(c, 1.03, 1.38, {0.16, 0.30, 0.45}, {0.06, 0.12, 0.2});
  box(c, 0.57, 1.335, 2.1, 0.016, {0.90, 0.88, 0.84});
  set(c, {0.93, 0.92, 0.88});
  cairo_set_line_width(c, 0.014);
  cairo_move_to(c, 0.39, 1.03);
  cairo_curve_to(c, 0.6, 1.065, 0.8, 1.09, 1.0, 1.09);
  cairo_line_to(c, 2.72, 1.07);
  cairo_stroke(c);
  draw_text(c, "VESSA", 0.76, 1.20, 0.066, 0.15);
  for (int i = 0; i < 17; ++i) {  // portholes
    const double x = 1.28 + i * 0.078;
    set(c, {0.72, 0.73, 0.72});
    ellipse(c, x, 1.18, 0.0155, 0.0155);
    cairo_fill(c);
    set(c, {0.05, 0.07, 0.09});
    ellipse(c, x, 1.18, 0.011, 0.011);
    cairo_fill(c);
    set(c, {0.75, 0.82, 0.86}, 0.8);
    ellipse(c, x - 0.004, 1.176, 0.003, 0.003);
    cairo_fill(c);
  }
  Dice dice(3);
  for (int i = 0; i < 26; ++i) {  // rust
    const double x = dice.roll(0.62F, 2.65F), y = dice.roll(1.10F, 1.26F);
    set(c, {0.45, 0.24, 0.12}, dice.roll(0.06F, 0.35F));
    line(c, x, y, x + 0.003, y + dice.roll(0.03F, 0.12F), dice.roll(0.002F, 0.008F));
  }
}

void ferry_decks(cairo_t* c) {
  const Colour white{0.93, 0.92, 0.88};
  cairo_rectangle(c, 0.98, 0.90, 1.52, 0.18);
  fill_down(c, 0.90, 1.08, white, shade(white, 0.86));
  cairo_rectangle(c, 1.08, 0.74, 1.18, 0.16);
  fill_down(c, 0.74, 0.90, white, shade(white, 0.84));
  cairo_rectangle(c, 1.12, 0.60, 0.36, 0.14);
  fill_down(c, 0.60, 0.74, white, shade(white, 0.82));
  box(c, 1.09, 0.585, 0.43, 0.018, {0.5, 0.5, 0.5});
  box(c, 1.05, 0.725, 1.26, 0.018, {0.55, 0.55, 0.54});
  box(c, 0.95, 0.888, 1.62, 0.018, {0.55, 0.55, 0.54});
  const auto windows = [&](double from, double to, double y, double w, double h, double step) {
    for (double x = from; x < to; x += step) {
      cairo_rectangle(c, x, y, w, h);
      fill_down(c, y, y + h, {0.36, 0.46, 0.52}, {0.07, 0.10, 0.12});
    }
  };
  windows(1.135, 1.46, 0.632, 0.046, 0.05, 0.056);
  windows(1.14, 2.2, 0.785, 0.055, 0.058, 0.082);
  windows(1.04, 2.42, 0.945, 0.05, 0.07, 0.088);
  for (int i = 0; i < 3; ++i) {  // boats in their davits
    const double x = 1.56 + i * 0.22;
    cairo_move_to(c, x, 0.665);
    cairo_curve_to(c, x + 0.02, 0.715, x + 0.14, 0.715, x + 0.16, 0.665);
    cairo_close_path(c);
    fill_down(c, 0.66, 0.71, {0.92, 0.50, 0.22}, {0.5, 0.22, 0.08});
    set(c, {0.3, 0.3, 0.3});
    line(c, x + 0.01, 0.73, x + 0.01, 0.64, 0.006);
    line(c, x + 0.15, 0.73, x + 0.15, 0.64, 0.006);
  }
  polygon(c, {1.92, 0.62, 1.95, 0.36, 2.15, 0.36, 2.18, 0.62});  // funnel
  fill_across(c, 1.92, 2.18, {0.86, 0.46, 0.2}, {0.78, 0.36, 0.15}, {0.3, 0.13, 0.06});
  polygon(c, {1.945, 0.44, 1.953, 0.36, 2.147, 0.36, 2.155, 0.44});
  fill_across(c, 1.92, 2.18, {0.22, 0.22, 0.22}, {0.12, 0.12, 0.12}, {0.03, 0.03, 0.03});
  set(c, {0.94, 0.93, 0.9});
  ellipse(c, 2.03, 0.525, 0.035, 0.035);
  cairo_fill(c);
  set(c, {0.13, 0.27, 0.45});
  polygon(c, {2.01, 0.545, 2.03, 0.495, 2.05, 0.545});
  cairo_fill(c);
  set(c, {0.30, 0.30, 0.31});  // rails
  for (const auto& rail : {std::array<double, 3>{0.45, 0.98, 1.02}, {2.26, 2.56, 0.89}, {1.48, 2.28, 0.725}, {2.5, 2.71, 1.06}}) {
    for (double x = rail[0]; x < rail[1]; x += 0.02) line(c, x, rail[2] + (rail[2] > 1 ? 0.03 : 0), x, rail[2] - 0.055, 0.0018);
    for (const double up : {0.055, 0.037, 0.018}) line(c, rail[0], rail[2] - up, rail[1], rail[2] - up, 0.0022);
  }
  mast(c, 0.86, 1.06, 0.62, 0.2);
  set(c, {0.2, 0.2, 0.2});
  line(c, 1.3, 0.59, 1.3, 0.26, 0.008);
  line(c, 1.24, 0.36, 1.36, 0.36, 0.005);
  line(c, 1.3, 0.27, 0.42, 1.0, 0.0022);
  line(c, 1.3, 0.27, 2.66, 1.03, 0.0022);
  Dice dice(8);
  const Colour flags[] = {{0.8, 0.2, 0.16}, {0.9, 0.8, 0.3}, {0.2, 0.35, 0.6}, {0.92, 0.9, 0.88}};
  for (int i = 1; i < 15; ++i) {  // signal flags along the stay
    const double t = i / 15.0, x = 1.3 + 1.36 * t, y = 0.27 + 0.76 * t;
    set(c, shade(flags[dice.pick(4)], dice.roll(0.8F, 1)));
    polygon(c, {x, y, x + 0.045, y + 0.035, x + 0.03, y + 0.065, x - 0.004, y + 0.04});
    cairo_fill(c);
  }
}

}  // namespace

void paint_ferry(Photo& photo, int take) {
  // 1 coming in, 2 nearer, 3 bow and bridge, 4 at the quay with people, 5 the passengers at the rail
  double moved = 0;
  if (take == 1) {
    photo.aim(1.5, 1.0, 0.62);
    moved = 0.75;
  } else if (take == 3) {
    photo.aim(1.12, 0.92, 1.55);
  } else if (take == 5) {
    photo.aim(1.75, 0.82, 2.5);
  } else {
    photo.aim(photo.wide() / 2 + 0.03, 1.0, 1.0);
    moved = take == 2 ? 0.22 : -0.05;
  }
  Sky s;
  s.seed = static_cast<std::uint32_t>(70 + (take > 3 ? 1 : 0));
  s.clouds = 0.72F;
  s.low = {0.80, 0.83, 0.85};
  s.bright = 1.05F;
  s.horizon = 1.3F;
  sky(photo, s);
  ridge(photo, 1.32F, 0.62F, {0.44, 0.50, 0.50}, 21, 0.006);
  photo.layer([](cairo_t* c) {
    houses(c, -0.9, 4.2, 1.33, 0.15, 6, false);
    houses(c, -0.9, 0.9, 1.26, 0.10, 16, false);
    houses(c, 2.1, 4.2, 1.25, 0.11, 26, false);
    Dice dice(2);
    for (int i = 0; i < 14; ++i) foliage(c, dice.roll(-0.5F, 3.5F), dice.roll(1.05F, 1.2F), 0.08, 0.06, {0.30, 0.36, 0.20}, 160, dice.bits());
    set(c, {0.45, 0.44, 0.42});
    cairo_rectangle(c, -1, 1.32, 5.2, 0.06);
    cairo_fill(c);
  }, 0.007, rough(0.3F, 8, 4));
  photo.change([](float x, float y, const Light& was) {  // air between
    const float k = 0.22F * smooth_step(0.5F, 1.3F, y) + 0.02F * x;
    return mix(was, {0.62F, 0.66F, 0.68F}, k);
  });
  photo.layer([&](cairo_t* c) {
    cairo_translate(c, moved, 0);
    ferry_decks(c);
    ferry_body(c);
    Dice dice(static_cast<std::uint32_t>(11 + take));
    const Colour coats[] = {{0.72, 0.22, 0.2}, {0.2, 0.3, 0.45}, {0.75, 0.66, 0.4}, {0.35, 0.4, 0.32}, {0.6, 0.6, 0.62}};
    for (int i = 0; i < 13; ++i) {
      Figure f;
      f.coat = coats[dice.pick(5)];
      f.stride = 0;
      f.arm = dice.roll(0, 1);
      f.hat = dice.roll() < 0.3F;
      const double x = 1.5 + i * 0.058 + dice.roll(-0.015F, 0.015F);
      figure(c, x, 0.725, dice.roll(0.105F, 0.125F), f);
    }
    set(c, {0.3, 0.3, 0.31});
    for (double x = 1.48; x < 2.28; x += 0.02) line(c, x, 0.735, x, 0.67, 0.0018);
    for (const double y : {0.670, 0.69, 0.71}) line(c, 1.48, y, 2.28, y, 0.0022);
    set(c, {0.93, 0.92, 0.88});
    for (int i = 0; i < 3; ++i) {
      cairo_set_line_width(c, 0.012);
      ellipse(c, 1.62 + i * 0.3, 0.70, 0.02, 0.02);
      cairo_stroke(c);
    }
  }, 0.0012, rough(0.12F, 22, 5));
  photo.layer([&](cairo_t* c) {  // smoke
    Dice dice(5);
    for (int i = 0; i < 60; ++i) {
      const double t = i / 60.0;
      set(c, {0.34, 0.33, 0.33}, 0.12 * (1 - t));
      ellipse(c, 2.05 + moved + t * 1.1 + dice.normal() * 0.03, 0.33 - t * 0.2 + dice.normal() * 0.05 * t, 0.03 + t * 0.14, 0.025 + t * 0.07);
      cairo_fill(c);
    }
  }, 0.02);
  mirror(photo, 1.385F, {0.22, 0.30, 0.32}, 0.72F, 44);
  photo.layer([&](cairo_t* c) {  // bow wave, wake
    Dice dice(19);
    for (int i = 0; i < 320; ++i) {
      const double t = dice.roll(), x = 0.5 + moved + t * t * 2.4;
      set(c, {0.9, 0.93, 0.94}, dice.roll(0.1F, 0.5F) * (1.1 - t));
      ellipse(c, x, 1.39 + dice.normal() * 0.012 + 0.02 * t, dice.roll(0.008F, 0.05F), dice.roll(0.002F, 0.009F));
      cairo_fill(c);
    }
  }, 0.004);
  if (take == 4) {
    photo.layer([](cairo_t* c) {  // the quay and those who wait
      polygon(c, {-0.2, 1.72, 3.2, 1.66, 3.2, 2.2, -0.2, 2.2});
      fill_down(c, 1.66, 2.0, {0.50, 0.48, 0.44}, {0.30, 0.29, 0.27});
      Dice dice(23);
      const Colour coats[] = {{0.55, 0.2, 0.22}, {0.16, 0.22, 0.3}, {0.62, 0.55, 0.4}, {0.3, 0.36, 0.3}};
      for (int i = 0; i < 9; ++i) {
        Figure f;
        f.coat = coats[dice.pick(4)];
        f.skirt = dice.roll() < 0.4F;
        f.hat = dice.roll() < 0.4F;
        f.arm = i == 4 ? 2.0 : dice.roll(0, 0.6F);
        figure(c, 0.25 + i * 0.31 + dice.roll(-0.08F, 0.08F), 1.82 + dice.roll(-0.05F, 0.06F), dice.roll(0.42F, 0.5F), f);
      }
      for (const double x : {0.1, 1.45, 2.75}) {
        cairo_rectangle(c, x, 1.70, 0.09, 0.14);
        fill_across(c, x, x + 0.09, {0.35, 0.34, 0.34}, {0.2, 0.2, 0.2}, {0.05, 0.05, 0.05});
      }
    }, 0.004, rough(0.35F, 14, 8));
  }
  photo.layer([&](cairo_t* c) {
    Dice dice(static_cast<std::uint32_t>(90 + take));
    for (int i = 0; i < 9; ++i) gull(c, dice.roll(0.2F, 2.8F), dice.roll(0.15F, 1.5F), dice.roll(0.02F, 0.07F), dice.roll(-0.6F, 1));
  }, 0.003);
  photo.bloom(0.9F, 0.04, 0.10F);
  photo.finish(0.14F, {0.98F, 1.0F, 0.99F}, 0.008F);
}

void paint_boats(Photo& photo, int take) {
  // 1 the moorings in morning light, 2 nearer, 3 upright among the masts, 4 in mist
  const bool mist = take == 4;
  if (take == 2) photo.aim(1.25, 1.08, 1.6);
  if (take == 3) photo.aim(1.7, 0.9, 0.95);
  if (take == 1 || take == 4) photo.aim(photo.wide() / 2, 1.0, 1.0);
  Sky s{{0.48, 0.60, 0.72}, {0.98, 0.84, 0.66}, {1.0, 0.90, 0.78}, {0.70, 0.62, 0.62}, 0.45F, 1.22F, -1, 0, 1.05F, 81};
  if (mist) s = {{0.70, 0.73, 0.75}, {0.86, 0.85, 0.82}, {0.9, 0.9, 0.88}, {0.8, 0.8, 0.8}, 0.2F, 1.22F, 2.2F, 0.5F, 0.72F, 84};
  sky(photo, s);
  ridge(photo, 1.24F, 0.5F, mist ? Colour{0.72, 0.73, 0.74} : Colour{0.46, 0.42, 0.42}, 61, mist ? 0.02 : 0.006);
  photo.layer([](cairo_t* c) { houses(c, -0.5, 3.6, 1.24, 0.14, 66, false); }, 0.006, rough(0.25F, 9, 3));
  if (mist) photo.change([](float, float y, const Light& was) { return mix(was, {0.62F, 0.61F, 0.58F}, 0.55F + 0.25F * smooth_step(0.7F, 1.2F, y)); });
  const Colour hulls[] = {{0.16, 0.32, 0.42}, {0.62, 0.20, 0.15}, {0.85, 0.83, 0.78}, {0.15, 0.35, 0.28}, {0.75, 0.55, 0.2}};
  for (int row = 0; row < 3; ++row) {
    photo.layer([&](cairo_t* c) {
      Dice dice(static_cast<std::uint32_t>(100 + row));
      const double size = 0.36 + row * 0.2, step = size * 1.02;
      for (double x = -0.3 + row * 0.17; x < 3.4; x += step * dice.roll(0.9F, 1.25F)) {
        boat(c, x, 1.27 + row * 0.075, size * dice.roll(0.9F, 1.1F), shade(hulls[dice.pick(5)], 0.85), dice.bits());
      }
    }, row == 2 ? 0.001 : 0.003, rough(0.2F, 18, static_cast<std::uint32_t>(row)));
    if (mist && row < 2) photo.change([](float, float, const Light& was) { return mix(was, {0.62F, 0.61F, 0.58F}, 0.38F); });
  }
  mirror(photo, 1.46F, mist ? Colour{0.52, 0.54, 0.54} : Colour{0.20, 0.27, 0.30}, 0.8F, 62);
  photo.layer([](cairo_t* c) {  // a rowing boat and its rope, close by
    cairo_move_to(c, 2.1, 1.80);
    cairo_curve_to(c, 2.3, 1.95, 2.9, 1.97, 3.15, 1.78);
    cairo_curve_to(c, 2.9, 1.83, 2.4, 1.84, 2.1, 1.80);
    fill_down(c, 1.78, 1.95, {0.45, 0.30, 0.2}, {0.12, 0.08, 0.06});
    set(c, {0.7, 0.62, 0.5});
    cairo_set_line_width(c, 0.010);
    cairo_move_to(c, 2.12, 1.80);
    cairo_curve_to(c, 1.7, 1.98, 1.2, 1.9, 0.7, 2.05);
    cairo_stroke(c);
  }, 0.004, rough(0.4F, 16, 6));
  photo.bloom(0.8F, 0.05, 0.12F);
  photo.finish(0.2F, mist ? Light{1, 0.99F, 0.96F} : Light{1.02F, 0.96F, 0.88F}, 0.006F);
}

void paint_dusk(Photo& photo, int take) {
  // 1 the harbour at the blue hour, 2 the inn by the water, 3 later, the light turning
  photo.aim(take == 2 ? 1.9 : photo.wide() / 2, take == 2 ? 1.05 : 1.0, take == 2 ? 1.7 : 1.0);
  const float late = take == 3 ? 0.16F : 0.34F;
  Sky s{{0.14, 0.22, 0.42}, {0.72, 0.50, 0.46}, {0.62, 0.46, 0.50}, {0.22, 0.25, 0.38}, 0.42F, 1.2F, -1, 0, late, 91};
  sky(photo, s);
  ridge(photo, 1.21F, 0.55F, {0.10, 0.11, 0.16}, 71, 0.004);
  photo.layer([](cairo_t* c) { houses(c, -0.3, 3.4, 1.14, 0.12, 76, true); }, 0.003, rough(0.3F, 9, 3), 0.9F);
  photo.layer([](cairo_t* c) {
    houses(c, -0.2, 3.3, 1.26, 0.27, 79, true);
    box(c, -1, 1.25, 5, 0.07, {0.10, 0.10, 0.11});
    box(c, 1.62, 1.005, 0.40, 0.075, {0.12, 0.10, 0.09});
    set(c, {1.0, 0.86, 0.55});
    draw_text(c, "THE TERN", 1.65, 1.06, 0.048, 0.15);
  }, 0.0012, rough(0.3F, 10, 3));
  photo.layer([](cairo_t* c) {  // windows and lamps really shine
    for (int i = 0; i < 11; ++i) {
      const double x = 0.1 + i * 0.29;
      set(c, {1, 0.85, 0.55});
      ellipse(c, x, 1.10, 0.011, 0.011);
      cairo_fill(c);
    }
  }, 0.001, nullptr, 7);
  photo.layer([](cairo_t* c) {
    set(c, {0.05, 0.05, 0.06});
    for (int i = 0; i < 11; ++i) line(c, 0.1 + i * 0.29, 1.11, 0.1 + i * 0.29, 1.27, 0.006);
    box(c, -1, 1.30, 5, 0.12, {0.05, 0.06, 0.09});
    for (int i = 0; i < 4; ++i) boat(c, 0.3 + i * 0.75, 1.33, 0.42, {0.10, 0.12, 0.16}, static_cast<std::uint32_t>(i + 5));
    figure(c, 2.42, 1.28, 0.15, {{0.06, 0.06, 0.08}, {0.05, 0.05, 0.06}, {0.3, 0.22, 0.18}, {0.05, 0.04, 0.04}, 0.6, 0.2, false, true});
    figure(c, 2.50, 1.28, 0.14, {{0.10, 0.06, 0.07}, {0.05, 0.05, 0.06}, {0.3, 0.22, 0.18}, {0.05, 0.04, 0.04}, 0.5, 0.2, true, false});
  }, 0.0012, [](float, float, const Light& k) { return Light{k[0] * 0.3F, k[1] * 0.3F, k[2] * 0.36F}; });
  if (take == 3) {
    photo.change([](float x, float y, const Light& was) {  // the beam
      const float a = std::atan2(0.42F - y, x - 2.7F), r = std::hypot(x - 2.7F, y - 0.42F);
      const float d = (a - 3.05F) / 0.035F;
      const float beam = x < 2.7F ? 0.30F * std::exp(-d * d) / (0.5F + r) : 0;
      const float lamp = 3 * std::exp(-r * r * 5000);
      return Light{was[0] + beam + lamp, was[1] + beam * 0.95F + lamp, was[2] + beam * 0.8F + lamp * 0.8F};
    });
  }
  photo.bloom(0.5F, 0.03, 0.5F);
  photo.bloom(0.6F, 0.12, 0.25F);
  mirror(photo, 1.37F, {0.07, 0.09, 0.14}, 0.75F, 92);
  photo.finish(0.25F, {1.0F, 0.97F, 1.0F}, 0.003F);
}

}  // namespace lapwright::flatbed
