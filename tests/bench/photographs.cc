#include "bench/photographs.h"

#include <cmath>
#include <csetjmp>
#include <cstdio>
// jpeglib.h needs cstdio before it
#include <jpeglib.h>

#include <algorithm>
#include <array>
#include <memory>

namespace lapwright::bench {
namespace {

namespace fs = std::filesystem;

struct Decoded {
  std::int64_t width = 0, height = 0;
  std::vector<std::uint8_t> samples;
};

struct Failing {
  jpeg_error_mgr manager;
  std::jmp_buf back;
};

/// No object with a destructor lives between setjmp and longjmp.
bool decode(std::FILE* in, Decoded& out) {
  jpeg_decompress_struct d{};
  Failing failing{};
  d.err = jpeg_std_error(&failing.manager);
  failing.manager.error_exit = [](j_common_ptr c) {
    std::longjmp(reinterpret_cast<Failing*>(c->err)->back, 1);
  };
  failing.manager.output_message = [](j_common_ptr) {};
  if (setjmp(failing.back) != 0) {
    jpeg_destroy_decompress(&d);
    return false;
  }
  jpeg_create_decompress(&d);
  jpeg_stdio_src(&d, in);
  jpeg_read_header(&d, TRUE);
  d.out_color_space = JCS_RGB;
  jpeg_start_decompress(&d);
  out.width = d.output_width, out.height = d.output_height;
  out.samples.resize(static_cast<std::size_t>(out.width * out.height * 3));
  while (d.output_scanline < d.output_height) {
    JSAMPROW row = out.samples.data() + static_cast<std::size_t>(d.output_scanline) *
                                            static_cast<std::size_t>(out.width) * 3;
    jpeg_read_scanlines(&d, &row, 1);
  }
  jpeg_finish_decompress(&d);
  jpeg_destroy_decompress(&d);
  return true;
}

/// Weights of the samples first .. first + weights.size() - 1 for one place: a cubic (Catmull-Rom),
/// as wide as the step when reducing.
struct Taps {
  std::int64_t first = 0;
  std::vector<float> weights;
};

std::vector<Taps> taps(std::int64_t from, double start, double length, std::int64_t to) {
  const double step = length / static_cast<double>(to), reach = std::max(1.0, step);
  std::vector<Taps> out(static_cast<std::size_t>(to));
  for (std::int64_t i = 0; i < to; ++i) {
    const double at = start + (static_cast<double>(i) + 0.5) * step - 0.5;
    Taps& t = out[static_cast<std::size_t>(i)];
    t.first = static_cast<std::int64_t>(std::ceil(at - 2 * reach));
    double sum = 0;
    std::vector<double> w;
    for (std::int64_t k = t.first; static_cast<double>(k) <= at + 2 * reach; ++k) {
      const double x = std::abs(static_cast<double>(k) - at) / reach;
      w.push_back(x < 1   ? (1.5 * x - 2.5) * x * x + 1
                  : x < 2 ? ((-0.5 * x + 2.5) * x - 4) * x + 2
                          : 0);
      sum += w.back();
    }
    (void)from;
    for (const double v : w) t.weights.push_back(static_cast<float>(v / sum));
  }
  return out;
}

const std::array<float, 256>& linear_of() {
  static const std::array<float, 256> table = [] {
    std::array<float, 256> t{};
    for (std::size_t i = 0; i < 256; ++i) {
      const double v = static_cast<double>(i) / 255;
      t[i] = static_cast<float>(
          v <= 0.04045 ? v / 12.92 : std::pow((v + 0.055) / 1.055, 2.4));  // IEC 61966-2-1
    }
    return t;
  }();
  return table;
}

Decoded turned(const Decoded& from) {
  Decoded out{from.height, from.width, std::vector<std::uint8_t>(from.samples.size())};
  for (std::int64_t y = 0; y < out.height; ++y)
    for (std::int64_t x = 0; x < out.width; ++x)
      for (std::int64_t c = 0; c < 3; ++c)
        out.samples[static_cast<std::size_t>((y * out.width + x) * 3 + c)] =
            from.samples[static_cast<std::size_t>(((from.height - 1 - x) * from.width + y) * 3 +
                                                  c)];
  return out;
}

}  // namespace

Result<std::vector<fs::path>> photographs() {
  const fs::path folder = "/usr/share/backgrounds";
  // Taken with a camera and sharp at the size of their pixels; the package's other pictures are
  // soft or drawn.
  static constexpr std::array names = {"picosdeeuropa_by_Aitzol_Berasategi.jpg",
                                       "life_by_Aitzol_Berasategi.jpg",
                                       "Bridge_by_Sander_Klootwijk.jpg",
                                       "Dragonfly_by_Bolly.jpg",
                                       "aitzgorri_by_Aitzol_Berasategi.jpg",
                                       "seeding_by_Clements_Engelhardt.jpg",
                                       "sunset_by_Aitzol_Berasategi.jpg",
                                       "Picture_0B_by_freespace.jpg",
                                       "friends_by_Aitzol_Berasategi.jpg",
                                       "analogpattern_by_Peter_Nerlich.jpg",
                                       "free_by_Peter_Nerlich.jpg",
                                       "Wine_by_Jakkub_Mede.jpg"};
  std::vector<fs::path> out;
  for (const char* name : names) {
    std::error_code e;
    if (!fs::is_regular_file(folder / name, e))
      return fail(
          Fault::no_input,
          (folder / name).string() +
              ": is not there; demo/setup bench installs lomiri-wallpapers-16.04, which holds it");
    out.push_back(folder / name);
  }
  return out;
}

Result<Picture> photograph(const fs::path& file, std::int64_t width, std::int64_t height) {
  const std::unique_ptr<std::FILE, int (*)(std::FILE*)> in(std::fopen(file.c_str(), "rb"),
                                                           std::fclose);
  if (!in) return fail(Fault::no_input, file.string() + ": cannot be read");
  Decoded d;
  if (!decode(in.get(), d))
    return fail(Fault::bad_data, file.string() + ": is not a JPEG that can be read");
  if ((d.height > d.width) != (height > width)) d = turned(d);
  // The largest middle part of the wanted shape.
  const double shape = static_cast<double>(width) / static_cast<double>(height);
  const double w = std::min(static_cast<double>(d.width), static_cast<double>(d.height) * shape),
               h = w / shape;
  const auto across = taps(d.width, (static_cast<double>(d.width) - w) / 2, w, width);
  const auto down = taps(d.height, (static_cast<double>(d.height) - h) / 2, h, height);
  // Rows reduced across, kept only as long as a row of the result needs them.
  std::vector<std::vector<float>> ring(128);
  std::vector<std::int64_t> holds(ring.size(), -1);
  const auto reduced = [&](std::int64_t y) -> const std::vector<float>& {
    const auto slot = static_cast<std::size_t>(y) % ring.size();
    if (holds[slot] == y) return ring[slot];
    holds[slot] = y;
    std::vector<float> line(static_cast<std::size_t>(d.width * 3));
    const std::uint8_t* p = d.samples.data() + y * d.width * 3;
    for (std::size_t i = 0; i < line.size(); ++i) line[i] = linear_of()[p[i]];
    ring[slot].assign(static_cast<std::size_t>(width * 3), 0);
    for (std::int64_t x = 0; x < width; ++x) {
      const Taps& t = across[static_cast<std::size_t>(x)];
      float* o = ring[slot].data() + x * 3;
      for (std::size_t k = 0; k < t.weights.size(); ++k) {
        const auto at =
            std::clamp<std::int64_t>(t.first + static_cast<std::int64_t>(k), 0, d.width - 1);
        for (std::int64_t c = 0; c < 3; ++c)
          o[c] += t.weights[k] * line[static_cast<std::size_t>(at * 3 + c)];
      }
    }
    return ring[slot];
  };
  Picture out{width, height, std::vector<float>(static_cast<std::size_t>(width * height * 3))};
  for (std::int64_t y = 0; y < height; ++y) {
    const Taps& t = down[static_cast<std::size_t>(y)];
    float* o = out.light.data() + y * width * 3;
    for (std::size_t k = 0; k < t.weights.size(); ++k) {
      const auto& line = reduced(
          std::clamp<std::int64_t>(t.first + static_cast<std::int64_t>(k), 0, d.height - 1));
      for (std::size_t i = 0; i < line.size(); ++i) o[i] += t.weights[k] * line[i];
    }
    for (std::size_t i = 0; i < static_cast<std::size_t>(width * 3); ++i)
      o[i] = std::clamp(o[i], 0.0F, 1.0F);
  }
  return out;
}

}  // namespace lapwright::bench
