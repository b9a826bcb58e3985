#include "pass.h"

#include <pthread.h>
#include <signal.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <numbers>
#include <thread>

#include "core/json.h"
#include "noise.h"

namespace lapwright::flatbed {
namespace {

constexpr double infrared_off_mm = 0.11;

/// 8192 normal deviates, made once.
const std::vector<float>& deviates() {
  static const std::vector<float> table = [] {
    std::vector<float> t(8192);
    Dice dice(4242);
    for (float& v : t) v = dice.normal();
    return t;
  }();
  return table;
}

nlohmann::ordered_json numbers(const Affine<SleeveSpace, PassSpace>& m) {
  return {m.a, m.b, m.c, m.d, m.e, m.f};
}

}  // namespace

Pass::Pass(const Description& description, const PassSetup& setup, std::unique_ptr<const Sleeve> sleeve,
           const std::optional<Lay>& lay)
    : d_(description), setup_(setup), sleeve_(std::move(sleeve)), lay_(lay) {
  const BedErrors& b = d_.bed;
  pixel_ = 25.4 / setup_.ppi;
  samples_ = setup_.ppi >= 1200 ? 1 : 2;
  Dice dice(hash32(d_.seed, static_cast<std::uint32_t>(setup_.number) + 9000));
  phase_ = dice.roll(0, 6.28F);
  const double common = b.lamp_per_pass * dice.normal() - (setup_.number == 1 ? b.lamp_first : 0);
  for (double& g : gain_) g = 1 + common + 0.3 * b.lamp_per_pass * dice.normal();

  // Nominal to physical: scale, then skew of the carriage, then a turn about the window's middle, then the offset.
  const double turn = b.turn_degrees * std::numbers::pi / 180, skew = std::tan(b.skew_degrees * std::numbers::pi / 180);
  const double mx = setup_.window_width / 2, my = setup_.window_height / 2;
  const double off = setup_.infrared ? infrared_off_mm : 0;
  const Affine<BedSpace, BedSpace> stretch{1 + b.scale_x, 0, skew * (1 + b.scale_y), 1 + b.scale_y, -mx * (1 + b.scale_x) - skew * my,
                                           -my * (1 + b.scale_y)};
  const Affine<BedSpace, BedSpace> turned{std::cos(turn), std::sin(turn), -std::sin(turn), std::cos(turn),
                                          mx + b.offset_x + off, my + b.offset_y - off};
  errors_ = core::compose(turned, stretch);

  const std::int64_t points = setup_.width * samples_;
  t_.resize(static_cast<std::size_t>(points));
  for (std::int64_t i = 0; i < points; ++i) {
    const double along = (static_cast<double>(i) + 0.5) * pixel_ / samples_;
    const double z = (setup_.x + along - mx) / mx;
    t_[static_cast<std::size_t>(i)] = along * (1 + b.scale_x) + b.asymmetry * mx * z * z * z;
  }
  if (lay_) {
    const Affine<PassSpace, BedSpace> nominal{pixel_, 0, 0, pixel_, setup_.x, setup_.y};
    sleeve_to_pixels_ = core::compose(core::compose(errors_, nominal).inverse(), lay_->sleeve_to_bed);
  }
  collect_dust();
}

double Pass::wave(double y, double phase) const {
  return std::sin(2 * std::numbers::pi * y / d_.bed.wobble_period_mm + phase);
}

void Pass::collect_dust() {
  if (sleeve_ && lay_) {
    for (const Speck& s : sleeve_->dust()) {
      const auto p = sleeve_to_pixels_({s.x, s.y});
      dust_.push_back({0, static_cast<float>(p.x), static_cast<float>(p.y), s.radius, s.density});
    }
  }
  const auto nominal = errors_.inverse();
  for (const Speck& s : scatter_dust(setup_.window_width, setup_.window_height, d_.glass_dust_per_cm2,
                                     hash32(d_.seed, 80))) {
    const auto p = nominal({s.x, s.y});
    dust_.push_back({0, static_cast<float>((p.x - setup_.x) / pixel_), static_cast<float>((p.y - setup_.y) / pixel_),
                     s.radius, s.density});
  }
  for (Mark& m : dust_) {
    m.radius /= static_cast<float>(pixel_);
    m.row = static_cast<std::int64_t>(std::floor(m.y));
    largest_ = std::max(largest_, m.radius);
  }
  std::sort(dust_.begin(), dust_.end(), [](const Mark& a, const Mark& b) { return a.row < b.row; });
}

void Pass::dust_on(std::int64_t y, float* light) const {
  const auto reach = static_cast<std::int64_t>(largest_) + 2;
  auto it = std::lower_bound(dust_.begin(), dust_.end(), y - reach,
                             [](const Mark& m, std::int64_t row) { return m.row < row; });
  for (; it != dust_.end() && it->row <= y + reach; ++it) {
    const float dy = static_cast<float>(y) + 0.5F - it->y, far = it->radius + 0.7F;
    if (std::abs(dy) > far) continue;
    // Smaller than a pixel: it takes its share of the pixel's light.
    const float area = std::min(1.0F, it->radius * it->radius * 4);
    const float dark = (1 - std::pow(10.0F, -it->density)) * area;
    const auto from = std::max<std::int64_t>(0, static_cast<std::int64_t>(it->x - far));
    const auto to = std::min<std::int64_t>(setup_.width - 1, static_cast<std::int64_t>(it->x + far));
    for (std::int64_t x = from; x <= to; ++x) {
      const float dx = static_cast<float>(x) + 0.5F - it->x;
      const float in = std::clamp(far - std::hypot(dx, dy), 0.0F, 1.0F);
      for (int c = 0; c < 3; ++c) light[3 * x + c] *= 1 - dark * in;
    }
  }
}

void Pass::row(std::int64_t y, float* light, std::uint16_t* out, std::vector<std::uint8_t>& touched) const {
  const BedErrors& b = d_.bed;
  const auto width = static_cast<std::size_t>(setup_.width);
  float* sum = light;
  float* one = light + width * 3;
  if (sleeve_ && lay_) {
    const auto bed_to_sleeve = lay_->sleeve_to_bed.inverse();
    const std::size_t points = width * static_cast<std::size_t>(samples_);
    if (samples_ > 1) std::fill_n(sum, width * 3, 0.0F);
    for (int s = 0; s < samples_; ++s) {
      const double nominal_y = setup_.y + (static_cast<double>(y) + (s + 0.5) / samples_) * pixel_;
      Spot<BedSpace> start = errors_({setup_.x, nominal_y});
      start.x += b.wander_um / 1000 * wave(nominal_y, phase_ + 1.3);
      start.y += b.wobble_um / 1000 * wave(nominal_y, phase_);
      const double along = std::hypot(errors_.a, errors_.b);
      const double bx = errors_.a / along, by = errors_.b / along;
      Sleeve::Line line;
      line.from = bed_to_sleeve(start);
      line.dx = bed_to_sleeve.a * bx + bed_to_sleeve.c * by;
      line.dy = bed_to_sleeve.b * bx + bed_to_sleeve.d * by;
      line.t = t_.data();
      line.count = static_cast<int>(points);
      line.pixel = pixel_ / samples_;
      line.infrared = setup_.infrared;
      float* where = samples_ > 1 ? one : sum;
      std::fill_n(where, points * 3, 1.0F);
      sleeve_->dim(line, where, touched);
      if (samples_ > 1) {
        for (std::size_t i = 0; i < width; ++i) {
          for (std::size_t c = 0; c < 3; ++c) sum[3 * i + c] += 0.25F * (one[6 * i + c] + one[6 * i + 3 + c]);
        }
      }
    }
  } else {
    std::fill_n(sum, width * 3, 1.0F);
  }
  dust_on(y, sum);

  const double part = static_cast<double>(y) / static_cast<double>(std::max<std::int64_t>(1, setup_.height));
  const auto haze = static_cast<float>(lay_ ? d_.page.haze : 0);
  const float read = static_cast<float>(b.read_noise), open = static_cast<float>(b.open_light);
  const float shot = static_cast<float>(b.shot_noise * b.shot_noise) * open;
  const auto mask = static_cast<std::uint16_t>(0xFFFFU << (16 - b.bits));
  const float* deviate = deviates().data();
  std::uint32_t state = hash32(hash32(d_.seed, static_cast<std::uint32_t>(setup_.number)), static_cast<std::uint32_t>(y));
  std::array<float, 3> level{};
  for (std::size_t c = 0; c < 3; ++c) level[c] = static_cast<float>(b.open_light * gain_[c] * (1 + b.lamp_along * part));
  const auto black = static_cast<float>(b.black);
  const auto falloff = static_cast<float>(b.lamp_falloff);
  const auto middle = static_cast<float>(setup_.window_width / 2);
  for (std::size_t i = 0; i < width; ++i) {
    const float z = (static_cast<float>(setup_.x + static_cast<double>(i) * pixel_) - middle) / middle;
    const float lamp = 1 - falloff * z * z;
    for (std::size_t c = 0; c < 3; ++c) {
      const float t = sum[3 * i + c] * (1 - haze) + haze * 0.25F;
      const float clean = t * level[c] * lamp;
      state = state * 1664525U + 1013904223U;
      const float counts = black + clean + deviate[state >> 19] * std::sqrt(read * read + shot * clean);
      const float held = std::fmin(65535.0F, std::fmax(0.0F, counts + 0.5F));
      out[3 * i + c] = static_cast<std::uint16_t>(held) & mask;
    }
  }
}

void Pass::share(std::int64_t first, std::int64_t count, std::uint16_t* out,
                 std::vector<std::uint8_t>& touched) const {
  const auto width = static_cast<std::size_t>(setup_.width);
  std::vector<float> light(width * 3 * static_cast<std::size_t>(samples_ > 1 ? 3 : 1));
  for (std::int64_t r = 0; r < count; ++r) {
    row(first + r, light.data(), out + static_cast<std::size_t>(r) * width * 3, touched);
  }
}

void Pass::rows(std::int64_t first, std::int64_t count, std::uint16_t* out) const {
  std::vector<std::uint8_t> touched(static_cast<std::size_t>(d_.frames())), also(touched);
  const std::int64_t half = count / 2;
  deviates();
  if (half > 0) {
    sigset_t all, before;
    sigfillset(&all);
    pthread_sigmask(SIG_SETMASK, &all, &before);
    std::thread second([&] { share(first + half, count - half, out + half * setup_.width * 3, also); });
    pthread_sigmask(SIG_SETMASK, &before, nullptr);
    share(first, half, out, touched);
    second.join();
  } else {
    share(first, count, out, touched);
  }
  if (!sleeve_) return;
  for (int i = 0; i < d_.frames(); ++i) {
    const auto k = static_cast<std::size_t>(i);
    if (touched[k] == 0 && also[k] == 0 && !sleeve_->album().blank(i)) sleeve_->album().picture(i).let_go();
  }
}

std::string Pass::truth(bool honest, const std::string& source) const {
  const BedErrors& b = d_.bed;
  Json j;
  j["pass"] = setup_.number;
  j["description"] = d_.file;
  j["source"] = source;
  j["honest"] = honest;
  j["ppi"] = setup_.ppi;
  j["width"] = setup_.width;
  j["height"] = setup_.height;
  j["x"] = setup_.x;
  j["y"] = setup_.y;
  j["light"] = {b.open_light * gain_[0], b.open_light * gain_[1], b.open_light * gain_[2]};
  j["black"] = b.black;
  j["wobble"] = {{"amplitude_mm", b.wobble_um / 1000}, {"wander_mm", b.wander_um / 1000},
                 {"period_mm", b.wobble_period_mm}, {"phase", phase_}};
  j["sleeve"] = lay_.has_value();
  if (lay_ && sleeve_) {
    j["mirrored"] = lay_->sleeve_to_bed.determinant() < 0;
    j["sleeve_to_pixels"] = numbers(sleeve_to_pixels_);
    j["strips"] = Json::array();
    j["frames"] = Json::array();
    for (const Strip& s : sleeve_->strips()) {
      const auto back = s.place.inverse();
      const auto start = back({0, 0});
      const auto perforation = back({s.perforation_start, Sleeve::edge_to_perforation + Sleeve::perforation_across / 2});
      j["strips"].push_back({{"strip", s.number}, {"start", {start.x, start.y}}, {"along", {back.a, back.b}},
                             {"length", s.length}, {"first_perforation", {perforation.x, perforation.y}}});
      for (int f = 0; f < d_.strips.frames; ++f) {
        Json corners = Json::array();
        for (const auto& p : sleeve_->frame_corners(s, f)) corners.push_back({p.x, p.y});
        const int index = s.first_frame + f;
        const bool blank = sleeve_->album().blank(index);
        const auto shot = static_cast<std::size_t>(index) < d_.shots.size() ? d_.shots[static_cast<std::size_t>(index)] : Shot{"blank", 1, 0};
        j["frames"].push_back({{"frame", std::to_string(index + 1)}, {"strip", s.number}, {"blank", blank},
                               {"scene", shot.scene}, {"take", shot.take}, {"stops", shot.stops}, {"corners", corners}});
      }
    }
  }
  return j.dump();
}

}  // namespace lapwright::flatbed
