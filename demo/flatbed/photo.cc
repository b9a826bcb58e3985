#include "photo.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>

namespace lapwright::flatbed {
namespace {

using Quad = std::array<float, 4>;

float decode(double v) {
  return static_cast<float>(v <= 0.04045 ? v / 12.92 : std::pow((v + 0.055) / 1.055, 2.4));
}

const std::array<float, 256>& decoded() {
  static const std::array<float, 256> table = [] {
    std::array<float, 256> t{};
    for (std::size_t i = 0; i < 256; ++i) t[i] = decode(static_cast<double>(i) / 255.0);
    return t;
  }();
  return table;
}

/// Mean over 2r+1 along one line, edges repeated.
template <class P>
void box_line(const P* in, P* out, int n, int step, int r) {
  constexpr std::size_t channels = std::tuple_size_v<P>;
  const float k = 1.0F / static_cast<float>(2 * r + 1);
  P sum{};
  const auto at = [&](int i) -> const P& { return in[std::clamp(i, 0, n - 1) * step]; };
  for (int i = -r; i <= r; ++i) {
    for (std::size_t c = 0; c < channels; ++c) sum[c] += at(i)[c];
  }
  for (int i = 0; i < n; ++i) {
    for (std::size_t c = 0; c < channels; ++c) {
      out[i][c] = sum[c] * k;
      sum[c] += at(i + r + 1)[c] - at(i - r)[c];
    }
  }
}

template <class P>
void soften(std::vector<P>& picture, int w, int h, double sigma) {
  if (sigma < 0.4) return;
  const int r = std::max(1, static_cast<int>(std::lround(std::sqrt(sigma * sigma + 0.25) - 0.1)));
  std::vector<P> line(static_cast<std::size_t>(std::max(w, h)));
  for (int round = 0; round < 3; ++round) {
    for (int y = 0; y < h; ++y) {
      P* row = picture.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(w);
      box_line(row, line.data(), w, 1, r);
      std::copy_n(line.data(), w, row);
    }
    for (int x = 0; x < w; ++x) {
      box_line(picture.data() + x, line.data(), h, w, r);
      for (int y = 0; y < h; ++y) {
        picture[static_cast<std::size_t>(y) * static_cast<std::size_t>(w) + static_cast<std::size_t>(x)] =
            line[static_cast<std::size_t>(y)];
      }
    }
  }
}

}  // namespace

Light seen(double r, double g, double b) { return {decode(r), decode(g), decode(b)}; }

Light mix(const Light& a, const Light& b, float part) {
  return {a[0] + (b[0] - a[0]) * part, a[1] + (b[1] - a[1]) * part, a[2] + (b[2] - a[2]) * part};
}

Photo::Photo(int width, int height)
    : width_(width), height_(height), unit_(std::min(width, height) / 2.0),
      light_(static_cast<std::size_t>(width) * static_cast<std::size_t>(height)) {
  cx_ = wide() / 2;
  cy_ = high() / 2;
}

void Photo::aim(double cx, double cy, double zoom) {
  cx_ = cx;
  cy_ = cy;
  zoom_ = zoom;
}

float Photo::to_drawing_x(int px) const {
  return static_cast<float>((px + 0.5 - width_ / 2.0) / (unit_ * zoom_) + cx_);
}
float Photo::to_drawing_y(int py) const {
  return static_cast<float>((py + 0.5 - height_ / 2.0) / (unit_ * zoom_) + cy_);
}

void Photo::fill(const Field& field) {
  for (int y = 0; y < height_; ++y) {
    for (int x = 0; x < width_; ++x) row(y)[x] = field(to_drawing_x(x), to_drawing_y(y));
  }
}

void Photo::change(const Ink& ink) {
  for (int y = 0; y < height_; ++y) {
    for (int x = 0; x < width_; ++x) row(y)[x] = ink(to_drawing_x(x), to_drawing_y(y), row(y)[x]);
  }
}

void Photo::layer(const std::function<void(cairo_t*)>& draw, double blur, const Ink& ink, float bright) {
  cairo_surface_t* surface = cairo_image_surface_create(CAIRO_FORMAT_ARGB32, width_, height_);
  cairo_t* c = cairo_create(surface);
  cairo_translate(c, width_ / 2.0, height_ / 2.0);
  cairo_scale(c, unit_ * zoom_, unit_ * zoom_);
  cairo_translate(c, -cx_, -cy_);
  draw(c);
  cairo_destroy(c);
  cairo_surface_flush(surface);
  const unsigned char* data = cairo_image_surface_get_data(surface);
  const int stride = cairo_image_surface_get_stride(surface);
  const auto& table = decoded();
  std::vector<Quad> paint(light_.size());
  for (int y = 0; y < height_; ++y) {
    const auto* in = reinterpret_cast<const std::uint32_t*>(data + static_cast<std::ptrdiff_t>(y) * stride);
    Quad* out = paint.data() + static_cast<std::size_t>(y) * static_cast<std::size_t>(width_);
    for (int x = 0; x < width_; ++x) {
      const std::uint32_t p = in[x], a = p >> 24;
      if (a == 0) continue;
      const auto part = [&](std::uint32_t v) { return table[std::min(255U, (v * 255U + a / 2) / a)] * bright; };
      Light colour{part(p >> 16 & 255), part(p >> 8 & 255), part(p & 255)};
      if (ink) colour = ink(to_drawing_x(x), to_drawing_y(y), colour);
      const float alpha = static_cast<float>(a) / 255.0F;
      out[x] = {colour[0] * alpha, colour[1] * alpha, colour[2] * alpha, alpha};
    }
  }
  cairo_surface_destroy(surface);
  soften(paint, width_, height_, blur * unit_ * zoom_);
  for (std::size_t i = 0; i < light_.size(); ++i) {
    const float keep = 1.0F - paint[i][3];
    for (std::size_t k = 0; k < 3; ++k) light_[i][k] = light_[i][k] * keep + paint[i][k];
  }
}

void Photo::blur(double radius) { soften(light_, width_, height_, radius * unit_); }

void Photo::bloom(float from, double radius, float amount) {
  std::vector<Light> glow(light_.size());
  for (std::size_t i = 0; i < light_.size(); ++i) {
    for (std::size_t c = 0; c < 3; ++c) glow[i][c] = std::fmax(0.0F, light_[i][c] - from);
  }
  soften(glow, width_, height_, radius * unit_);
  for (std::size_t i = 0; i < light_.size(); ++i) {
    for (std::size_t c = 0; c < 3; ++c) light_[i][c] += amount * glow[i][c];
  }
}

void Photo::finish(float vignette, const Light& tint, float stray) {
  const float mx = static_cast<float>(width_) / 2, my = static_cast<float>(height_) / 2;
  for (int y = 0; y < height_; ++y) {
    for (int x = 0; x < width_; ++x) {
      const float dx = (static_cast<float>(x) - mx) / mx, dy = (static_cast<float>(y) - my) / mx;
      const float fall = 1.0F / (1.0F + vignette * (dx * dx + dy * dy) * (dx * dx + dy * dy));
      Light& p = row(y)[x];
      for (std::size_t c = 0; c < 3; ++c) p[c] = std::fmax(0.0F, p[c]) * fall * tint[c] + stray;
    }
  }
}

}  // namespace lapwright::flatbed
