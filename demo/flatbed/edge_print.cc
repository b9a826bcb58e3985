// Edge print of a strip: words and half-frame numbers, and the film edge code of 135 (READ trade.md 1.4).
#include <cairo.h>

#include <algorithm>
#include <cstring>
#include <string>

#include "lettering.h"
#include "sleeve.h"

namespace lapwright::flatbed {
namespace {

constexpr double per_mm = 40;

std::string bits(unsigned value, int count) {
  std::string text;
  for (int i = count - 1; i >= 0; --i) text += (value >> i & 1U) != 0 ? '1' : '0';
  return text;
}

/// 31 modules: start, part 1, 0, part 2, frame, half, 0, parity, stop.
std::string data_track(unsigned dx1, unsigned dx2, unsigned frame, bool half) {
  const std::string payload = bits(dx1, 7) + "0" + bits(dx2, 4) + bits(frame, 6) + (half ? "1" : "0") + "0";
  unsigned ones = 0;
  for (const char c : payload) ones += c == '1' ? 1U : 0U;
  return "101010" + payload + (ones % 2 != 0 ? "1" : "0") + "0101";
}

void bars(cairo_t* c, const std::string& modules, double x, double y, double height) {
  constexpr double module = 0.33;
  for (std::size_t i = 0; i < modules.size(); ++i) {
    if (modules[i] == '1') cairo_rectangle(c, x + static_cast<double>(i) * module, y, module, height);
  }
  cairo_fill(c);
}

std::string number_of(int half_frames, int first) {
  const int frame = first + half_frames / 2;
  return std::to_string(frame) + (half_frames % 2 != 0 ? "A" : "");
}

}  // namespace

void Sleeve::print_edges(Strip& strip) const {
  strip.edge_pixels = static_cast<int>(strip.length * per_mm);
  const bool code = d_.film == 135 && d_.dx1 > 0;
  const double step = d_.advance / 2;
  const double words_at = step * 0.62, words_high = 1.1;
  // The printed numbers run with the roll, not with the camera's frames.
  const double roll_start = (strip.number - 1) * d_.strips.frames * d_.advance - 4.0;
  for (int lower = 0; lower < 2; ++lower) {
    cairo_surface_t* surface = cairo_image_surface_create(CAIRO_FORMAT_A8, strip.edge_pixels, 80);
    cairo_t* c = cairo_create(surface);
    cairo_scale(c, per_mm, per_mm);
    cairo_set_source_rgba(c, 1, 1, 1, 1);
    const int first_half = static_cast<int>(roll_start / step) - 1;
    for (int half = first_half; half < first_half + static_cast<int>(strip.length / step) + 4; ++half) {
      const double x = half * step - roll_start;
      if (half < 0) continue;
      const std::string number = number_of(half, d_.edge_first);
      if (lower != 0) {
        draw_text(c, number, x, 1.55, 1.15);
        if (code) {
          const auto frame = static_cast<unsigned>(d_.edge_first + half / 2);
          const double at = x + 4.6;
          bars(c, "1111101010101010101010101010111", at, 0.12, 0.85);
          bars(c, data_track(static_cast<unsigned>(d_.dx1), static_cast<unsigned>(d_.dx2), frame, half % 2 != 0), at,
               0.97, 0.85);
        }
      } else if (half % 2 == 0) {
        draw_text(c, number, x, 1.6, 1.2);
        draw_text(c, ">", x + 3.2, 1.5, 0.8, 0.2);
        draw_text(c, d_.edge_words, x + words_at, 1.55, words_high);
      } else {
        draw_text(c, number, x + std::max(5.5, words_at + words_high * text_width(d_.edge_words) + 1 - step), 1.5, 0.9);
      }
    }
    cairo_destroy(c);
    cairo_surface_flush(surface);
    const unsigned char* data = cairo_image_surface_get_data(surface);
    const int stride = cairo_image_surface_get_stride(surface);
    auto& print = strip.edge_print[static_cast<std::size_t>(lower)];
    print.resize(static_cast<std::size_t>(strip.edge_pixels) * 80);
    for (int y = 0; y < 80; ++y) {
      std::memcpy(print.data() + static_cast<std::ptrdiff_t>(y) * strip.edge_pixels,
                  data + static_cast<std::ptrdiff_t>(y) * stride, static_cast<std::size_t>(strip.edge_pixels));
    }
    cairo_surface_destroy(surface);
  }
}

}  // namespace lapwright::flatbed
