// The practice flatbed as SANE sees it: devices, options, passes. All thirteen entry points of the standard.
//
// It gives honest film data (linear, positive, 16 bit) only when asked for film source, positive film, depth 16, gamma
// None and colour correction None; every default is something else, as on a real bed.
// Thread: one caller; sane_practice_cancel from any. Errors: SANE statuses.
#include <sane/sane.h>
#include <sane/saneopts.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <atomic>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <map>
#include <memory>
#include <string>
#include <thread>
#include <vector>

#include "description.h"
#include "pass.h"

namespace {

using namespace lapwright::flatbed;

enum Option {
  opt_count, group_scan, opt_mode, opt_depth, opt_source, opt_film_type, opt_resolution, opt_preview,
  group_area, opt_tl_x, opt_tl_y, opt_br_x, opt_br_y,
  group_picture, opt_gamma, opt_colour, opt_brightness, opt_contrast, opt_sharpness,
  group_sensors, opt_scan, options
};

const char* const modes[] = {"Color", "Gray", nullptr};
const char* const sources[] = {"Flatbed", "Transparency Window", "Infrared Transparency Window", nullptr};
const char* const film_types[] = {"Negative Film", "Positive Film", nullptr};
const char* const gammas[] = {"Standard", "None", nullptr};
const char* const colours[] = {"Automatic", "None", nullptr};
const SANE_Word depths[] = {2, 8, 16};
const SANE_Word resolutions[] = {7, 75, 150, 300, 600, 1200, 2400, 4800};
const SANE_Range percent{-100, 100, 1}, sharpnesses{-2, 2, 1};

struct Extent { double width, height; };
constexpr Extent glass{215.9, 297.18}, window{203.2, 254.0};  // READ trade.md 3.1

std::string environment(const char* name) {
  const char* value = std::getenv(name);
  return value == nullptr ? "" : value;
}

int lines_in(const std::string& file) {
  std::ifstream in(file);
  int n = 0;
  for (std::string line; std::getline(in, line);) ++n;
  return n;
}

class Device {
 public:
  Device() { describe_options(); }

  SANE_Status open();
  const SANE_Option_Descriptor* descriptor(SANE_Int i) const {
    return i >= 0 && i < options ? &descriptors_[static_cast<std::size_t>(i)] : nullptr;
  }
  SANE_Status control(SANE_Int i, SANE_Action action, void* value, SANE_Int* info);
  SANE_Status parameters(SANE_Parameters* p) const;
  SANE_Status start();
  SANE_Status read(SANE_Byte* data, SANE_Int max, SANE_Int* length);
  void cancel() { cancelled_ = true; }

 private:
  SANE_Option_Descriptor& at(int i) { return descriptors_[static_cast<std::size_t>(i)]; }
  void describe_options();
  void text_option(int i, const char* name, const char* title, const char* const* values);
  void number_option(int i, const char* name, const char* title, SANE_Value_Type type, SANE_Unit unit);
  void group(int i, const char* title);
  void set_reach();
  SANE_Status set(int i, void* value, SANE_Int& info);
  SANE_Status set_text(int i, const char* wanted, SANE_Int& info);
  bool film() const { return text(opt_source) != sources[0]; }
  bool infrared() const { return text(opt_source) == sources[2]; }
  bool honest() const;
  const std::string& text(int i) const { return texts_.at(i); }
  SANE_Word word(int i) const { return words_.at(i); }
  std::int64_t across() const;
  std::int64_t down() const;
  int channels() const { return text(opt_mode) == modes[0] ? 3 : 1; }
  int sample_bytes() const { return word(opt_depth) > 8 ? 2 : 1; }
  bool pressed();
  int next_pass_number() const;
  SANE_Status rows_ahead();
  void deliver(const std::uint16_t* linear, std::int64_t count);
  void make_curves();
  std::array<double, 3> seen_by_device(const std::uint16_t* pixel) const;

  std::array<SANE_Option_Descriptor, options> descriptors_{};
  std::map<int, std::string> texts_;
  std::map<int, SANE_Word> words_;
  SANE_Range x_range_{}, y_range_{};
  Description description_;
  std::unique_ptr<Pass> pass_;
  Faults faults_;
  bool scanning_ = false, ended_ = false, warmed_ = false;
  int presses_seen_ = 0, passes_ = 0;
  std::atomic<bool> cancelled_{false};
  std::int64_t next_row_ = 0;
  std::vector<std::uint16_t> linear_;
  std::vector<SANE_Byte> ready_;
  std::size_t taken_ = 0;
  std::vector<double> curve_;  // 65536, when not linear
};

void Device::group(int i, const char* title) {
  at(i) = {"", title, "", SANE_TYPE_GROUP, SANE_UNIT_NONE, 0, 0, SANE_CONSTRAINT_NONE, {nullptr}};
}

void Device::text_option(int i, const char* name, const char* title, const char* const* values) {
  std::size_t longest = 0;
  for (const char* const* v = values; *v != nullptr; ++v) longest = std::max(longest, std::strlen(*v) + 1);
  at(i) = {name, title, title, SANE_TYPE_STRING, SANE_UNIT_NONE, static_cast<SANE_Int>(longest),
           SANE_CAP_SOFT_SELECT | SANE_CAP_SOFT_DETECT, SANE_CONSTRAINT_STRING_LIST, {nullptr}};
  at(i).constraint.string_list = values;
  texts_[i] = values[0];
}

void Device::number_option(int i, const char* name, const char* title, SANE_Value_Type type, SANE_Unit unit) {
  at(i) = {name, title, title, type, unit, sizeof(SANE_Word), SANE_CAP_SOFT_SELECT | SANE_CAP_SOFT_DETECT,
           SANE_CONSTRAINT_NONE, {nullptr}};
  words_[i] = 0;
}

void Device::describe_options() {
  at(opt_count) = {"", SANE_TITLE_NUM_OPTIONS, SANE_DESC_NUM_OPTIONS, SANE_TYPE_INT, SANE_UNIT_NONE,
                   sizeof(SANE_Word), SANE_CAP_SOFT_DETECT, SANE_CONSTRAINT_NONE, {nullptr}};
  words_[opt_count] = options;
  group(group_scan, "Pass");
  text_option(opt_mode, SANE_NAME_SCAN_MODE, "Mode", modes);
  number_option(opt_depth, SANE_NAME_BIT_DEPTH, "Bits a sample", SANE_TYPE_INT, SANE_UNIT_BIT);
  at(opt_depth).constraint_type = SANE_CONSTRAINT_WORD_LIST;
  at(opt_depth).constraint.word_list = depths;
  words_[opt_depth] = 8;
  text_option(opt_source, SANE_NAME_SCAN_SOURCE, "Light", sources);
  text_option(opt_film_type, "film-type", "Kind of film", film_types);
  at(opt_film_type).cap |= SANE_CAP_INACTIVE;
  number_option(opt_resolution, SANE_NAME_SCAN_RESOLUTION, "Resolution", SANE_TYPE_INT, SANE_UNIT_DPI);
  at(opt_resolution).constraint_type = SANE_CONSTRAINT_WORD_LIST;
  at(opt_resolution).constraint.word_list = resolutions;
  words_[opt_resolution] = 300;
  number_option(opt_preview, SANE_NAME_PREVIEW, "Preview", SANE_TYPE_BOOL, SANE_UNIT_NONE);
  group(group_area, "Area");
  const struct { int option; const char* name; const char* title; const SANE_Range* range; } edges[] = {
      {opt_tl_x, SANE_NAME_SCAN_TL_X, "Left", &x_range_}, {opt_tl_y, SANE_NAME_SCAN_TL_Y, "Top", &y_range_},
      {opt_br_x, SANE_NAME_SCAN_BR_X, "Right", &x_range_}, {opt_br_y, SANE_NAME_SCAN_BR_Y, "Bottom", &y_range_}};
  for (const auto& e : edges) {
    number_option(e.option, e.name, e.title, SANE_TYPE_FIXED, SANE_UNIT_MM);
    at(e.option).constraint_type = SANE_CONSTRAINT_RANGE;
    at(e.option).constraint.range = e.range;
  }
  group(group_picture, "Picture");
  text_option(opt_gamma, "gamma-correction", "Tone curve", gammas);
  text_option(opt_colour, "color-correction", "Colour correction", colours);
  number_option(opt_brightness, SANE_NAME_BRIGHTNESS, "Brightness", SANE_TYPE_INT, SANE_UNIT_PERCENT);
  number_option(opt_contrast, SANE_NAME_CONTRAST, "Contrast", SANE_TYPE_INT, SANE_UNIT_PERCENT);
  number_option(opt_sharpness, "sharpness", "Sharpness", SANE_TYPE_INT, SANE_UNIT_NONE);
  for (const int i : {opt_brightness, opt_contrast, opt_sharpness}) {
    at(i).constraint_type = SANE_CONSTRAINT_RANGE;
    at(i).constraint.range = i == opt_sharpness ? &sharpnesses : &percent;
  }
  group(group_sensors, "Sensors");
  number_option(opt_scan, SANE_NAME_SCAN, "Start button", SANE_TYPE_BOOL, SANE_UNIT_NONE);
  at(opt_scan).cap = SANE_CAP_SOFT_DETECT | SANE_CAP_HARD_SELECT | SANE_CAP_ADVANCED;
  set_reach();
}

void Device::set_reach() {
  const Extent e = film() ? window : glass;
  x_range_ = {0, SANE_FIX(e.width), 0};
  y_range_ = {0, SANE_FIX(e.height), 0};
  words_[opt_tl_x] = words_[opt_tl_y] = 0;
  words_[opt_br_x] = x_range_.max;
  words_[opt_br_y] = y_range_.max;
  if (film()) {
    at(opt_film_type).cap &= ~SANE_CAP_INACTIVE;
  } else {
    at(opt_film_type).cap |= SANE_CAP_INACTIVE;
  }
}

SANE_Status Device::open() {
  auto read = read_description(environment("LAPWRIGHT_PRACTICE_BED"));
  if (!read) {
    std::fprintf(stderr, "practice flatbed: %s\n", read.error().text.c_str());
    return SANE_STATUS_INVAL;
  }
  description_ = *read;
  if (const auto faults = read_faults(environment("LAPWRIGHT_PRACTICE_FAULTS"))) presses_seen_ = faults->presses;
  return SANE_STATUS_GOOD;
}

bool Device::honest() const {
  return film() && text(opt_film_type) == film_types[1] && word(opt_depth) == 16 && text(opt_gamma) == gammas[1] &&
         text(opt_colour) == colours[1] && text(opt_mode) == modes[0] && word(opt_brightness) == 0 &&
         word(opt_contrast) == 0 && word(opt_sharpness) == 0;
}

bool Device::pressed() {
  const auto faults = read_faults(environment("LAPWRIGHT_PRACTICE_FAULTS"));
  if (!faults || faults->presses <= presses_seen_) return false;
  ++presses_seen_;
  return true;
}

SANE_Status Device::set_text(int i, const char* wanted, SANE_Int& info) {
  const std::string asked = wanted;
  for (const char* const* v = at(i).constraint.string_list; *v != nullptr; ++v) {
    if (asked != *v) continue;
    const bool changed = texts_[i] != asked;
    texts_[i] = asked;
    if (i == opt_mode) {
      words_[opt_depth] = 8;  // as real beds do: the mode puts the depth back
      info |= SANE_INFO_RELOAD_OPTIONS | SANE_INFO_RELOAD_PARAMS;
    }
    if (i == opt_source && changed) {
      set_reach();
      info |= SANE_INFO_RELOAD_OPTIONS | SANE_INFO_RELOAD_PARAMS;
    }
    return SANE_STATUS_GOOD;
  }
  return SANE_STATUS_INVAL;
}

SANE_Status Device::set(int i, void* value, SANE_Int& info) {
  const SANE_Option_Descriptor& o = at(i);
  if (!SANE_OPTION_IS_SETTABLE(o.cap) || !SANE_OPTION_IS_ACTIVE(o.cap)) return SANE_STATUS_INVAL;
  if (o.type == SANE_TYPE_STRING) return set_text(i, static_cast<const char*>(value), info);
  SANE_Word wanted = *static_cast<SANE_Word*>(value);
  const SANE_Word asked = wanted;
  if (o.constraint_type == SANE_CONSTRAINT_RANGE) {
    wanted = std::clamp(wanted, o.constraint.range->min, o.constraint.range->max);
  } else if (o.constraint_type == SANE_CONSTRAINT_WORD_LIST) {
    const SANE_Word* list = o.constraint.word_list;
    SANE_Word nearest = list[1];
    for (SANE_Word k = 1; k <= list[0]; ++k) {
      if (std::abs(list[k] - asked) < std::abs(nearest - asked)) nearest = list[k];
    }
    wanted = nearest;
  } else if (o.type == SANE_TYPE_BOOL && wanted != SANE_FALSE && wanted != SANE_TRUE) {
    return SANE_STATUS_INVAL;
  }
  if (wanted != asked) info |= SANE_INFO_INEXACT;
  *static_cast<SANE_Word*>(value) = wanted;
  words_[i] = wanted;
  info |= SANE_INFO_RELOAD_PARAMS;
  return SANE_STATUS_GOOD;
}

SANE_Status Device::control(SANE_Int i, SANE_Action action, void* value, SANE_Int* info) {
  SANE_Int flags = 0;
  if (info != nullptr) *info = 0;
  if (i < 0 || i >= options || value == nullptr) return SANE_STATUS_INVAL;
  if (scanning_ && !cancelled_ && i != opt_count) return SANE_STATUS_DEVICE_BUSY;
  const SANE_Option_Descriptor& o = at(i);
  if (o.type == SANE_TYPE_GROUP) return SANE_STATUS_INVAL;
  if (action == SANE_ACTION_GET_VALUE) {
    if (!SANE_OPTION_IS_ACTIVE(o.cap)) return SANE_STATUS_INVAL;
    if (i == opt_scan) words_[i] = pressed() ? SANE_TRUE : SANE_FALSE;
    if (o.type == SANE_TYPE_STRING) {
      std::strcpy(static_cast<char*>(value), text(i).c_str());
    } else {
      *static_cast<SANE_Word*>(value) = word(i);
    }
    return SANE_STATUS_GOOD;
  }
  if (action != SANE_ACTION_SET_VALUE) return SANE_STATUS_INVAL;
  const SANE_Status status = set(i, value, flags);
  if (info != nullptr) *info = flags;
  return status;
}

std::int64_t Device::across() const {
  const double mm = SANE_UNFIX(word(opt_br_x)) - SANE_UNFIX(word(opt_tl_x));
  const auto pixels = static_cast<std::int64_t>(std::floor(mm / 25.4 * word(opt_resolution) + 0.01));
  return std::max<std::int64_t>(0, pixels / description_.bed.round_width * description_.bed.round_width);
}

std::int64_t Device::down() const {
  const double mm = SANE_UNFIX(word(opt_br_y)) - SANE_UNFIX(word(opt_tl_y));
  return std::max<std::int64_t>(0, static_cast<std::int64_t>(std::floor(mm / 25.4 * word(opt_resolution) + 0.01)));
}

SANE_Status Device::parameters(SANE_Parameters* p) const {
  const auto row = across() * channels() * sample_bytes();
  *p = {channels() == 3 ? SANE_FRAME_RGB : SANE_FRAME_GRAY, SANE_TRUE, static_cast<SANE_Int>(row),
        static_cast<SANE_Int>(across()), static_cast<SANE_Int>(down()), word(opt_depth)};
  return SANE_STATUS_GOOD;
}

int Device::next_pass_number() const {
  const std::string file = environment("LAPWRIGHT_PRACTICE_TRUTH");
  return 1 + (file.empty() ? passes_ : lines_in(file));
}

SANE_Status Device::start() {
  if (scanning_ && !cancelled_) return SANE_STATUS_DEVICE_BUSY;
  const std::string truth = environment("LAPWRIGHT_PRACTICE_TRUTH");
  const auto faults = read_faults(environment("LAPWRIGHT_PRACTICE_FAULTS"));
  const auto lay = read_lay(environment("LAPWRIGHT_PRACTICE_LAY"));
  if (!faults || !lay) {
    std::fprintf(stderr, "practice flatbed: %s\n", (!faults ? faults.error() : lay.error()).text.c_str());
    return SANE_STATUS_INVAL;
  }
  faults_ = *faults;
  if (faults_.cover_open) return SANE_STATUS_COVER_OPEN;
  PassSetup setup;
  setup.number = next_pass_number();
  const bool cold = description_.bed.busy_once && setup.number == 1 && !warmed_;
  if (cold) {
    // Warm for every later process too.
    const std::string warm = truth + ".warm";
    std::error_code ignored;
    const bool was_warm = !truth.empty() && std::filesystem::exists(warm, ignored);
    if (!truth.empty()) std::ofstream(warm) << "warm\n";
    warmed_ = true;
    if (!was_warm) return SANE_STATUS_DEVICE_BUSY;
  }
  if (faults_.busy) return SANE_STATUS_DEVICE_BUSY;
  if (faults_.only_pass != 0 && faults_.only_pass != setup.number) {
    faults_.stall_row = faults_.error_row = faults_.eof_row = -1;
  }
  setup.x = SANE_UNFIX(word(opt_tl_x));
  setup.y = SANE_UNFIX(word(opt_tl_y));
  setup.ppi = word(opt_resolution);
  setup.width = across();
  setup.height = down();
  setup.window_width = SANE_UNFIX(x_range_.max);
  setup.window_height = SANE_UNFIX(y_range_.max);
  setup.infrared = infrared();
  if (setup.width < 1 || setup.height < 1) return SANE_STATUS_INVAL;

  std::unique_ptr<const Sleeve> sleeve;
  if (*lay) {
    std::string folder = environment("LAPWRIGHT_PRACTICE_CACHE");
    if (folder.empty() && !truth.empty()) folder = std::filesystem::absolute(truth).parent_path().string();
    const auto album = Album::open(description_, folder);
    if (!album) {
      std::fprintf(stderr, "practice flatbed: %s\n", album.error().text.c_str());
      return SANE_STATUS_NO_MEM;
    }
    sleeve = std::make_unique<Sleeve>(description_, *album, (*lay)->slide_mm);
  }
  pass_ = std::make_unique<Pass>(description_, setup, std::move(sleeve), *lay);
  if (!truth.empty()) std::ofstream(truth, std::ios::app) << pass_->truth(honest(), text(opt_source)) << '\n';
  ++passes_;
  make_curves();
  next_row_ = 0;
  ready_.clear();
  taken_ = 0;
  cancelled_ = false;
  ended_ = false;
  scanning_ = true;
  return SANE_STATUS_GOOD;
}

void Device::make_curves() {
  curve_.resize(65536);
  const bool curved = text(opt_gamma) == gammas[0];
  const double gain = 1 + word(opt_contrast) / 100.0, lift = word(opt_brightness) / 200.0;
  for (std::size_t i = 0; i < curve_.size(); ++i) {
    double v = static_cast<double>(i) / 65535;
    if (curved) v = std::pow(v, 1 / 2.2);
    curve_[i] = std::clamp((v - 0.5) * gain + 0.5 + lift, 0.0, 1.0);
  }
}

std::array<double, 3> Device::seen_by_device(const std::uint16_t* pixel) const {
  std::array<double, 3> v{};
  for (std::size_t c = 0; c < 3; ++c) v[c] = pixel[c] / 65535.0;
  if (!film()) {
    for (double& x : v) x = 0.02 + 0.85 * x * x;  // light goes through the film twice and comes back from the lid
  }
  if (text(opt_colour) == colours[0]) {
    const double grey = (v[0] + v[1] + v[2]) / 3;
    const std::array<double, 3> gain{1.15, 1.35, 1.6};
    for (std::size_t c = 0; c < 3; ++c) v[c] = gain[c] * (grey + 1.3 * (v[c] - grey));
  }
  for (double& x : v) x = curve_[static_cast<std::size_t>(std::clamp(x, 0.0, 1.0) * 65535)];
  if (film() && text(opt_film_type) == film_types[0]) {
    for (double& x : v) x = 1 - x;
  }
  return v;
}

void Device::deliver(const std::uint16_t* linear, std::int64_t count) {
  const std::int64_t pixels = across() * count;
  if (honest()) {
    const auto* bytes = reinterpret_cast<const SANE_Byte*>(linear);
    ready_.assign(bytes, bytes + pixels * 6);
    return;
  }
  ready_.clear();
  const bool grey = channels() == 1, wide = sample_bytes() == 2;
  for (std::int64_t i = 0; i < pixels; ++i) {
    const auto v = seen_by_device(linear + 3 * i);
    const std::array<double, 3> out = grey ? std::array<double, 3>{0.3 * v[0] + 0.59 * v[1] + 0.11 * v[2], 0, 0} : v;
    for (std::size_t c = 0; c < (grey ? 1U : 3U); ++c) {
      if (wide) {
        const auto s = static_cast<std::uint16_t>(out[c] * 65535 + 0.5);
        const auto* b = reinterpret_cast<const SANE_Byte*>(&s);
        ready_.insert(ready_.end(), b, b + 2);
      } else {
        ready_.push_back(static_cast<SANE_Byte>(out[c] * 255 + 0.5));
      }
    }
  }
}

/// Makes the next rows, or says why there are none.
SANE_Status Device::rows_ahead() {
  const PassSetup& s = pass_->setup();
  if (next_row_ == faults_.error_row) return SANE_STATUS_IO_ERROR;
  if (next_row_ == faults_.eof_row || next_row_ >= s.height) return SANE_STATUS_EOF;
  if (next_row_ == faults_.stall_row) {
    for (double waited = 0; waited < faults_.stall_seconds && !cancelled_; waited += 0.05) {
      std::this_thread::sleep_for(std::chrono::milliseconds(50));
    }
    if (cancelled_) return SANE_STATUS_CANCELLED;
  }
  std::int64_t count = std::clamp<std::int64_t>(1'000'000 / s.width, 2, 128);
  count = std::min(count, s.height - next_row_);
  for (const std::int64_t stop : {faults_.error_row, faults_.eof_row, faults_.stall_row}) {
    if (stop > next_row_) count = std::min(count, stop - next_row_);
  }
  const double pause = description_.bed.line_seconds;
  if (pause > 0) {
    count = std::min(count, std::max<std::int64_t>(1, static_cast<std::int64_t>(0.25 / pause)));
    std::this_thread::sleep_for(std::chrono::duration<double>(pause * static_cast<double>(count)));
  }
  linear_.resize(static_cast<std::size_t>(count * s.width * 3));
  pass_->rows(next_row_, count, linear_.data());
  deliver(linear_.data(), count);
  taken_ = 0;
  next_row_ += count;
  return SANE_STATUS_GOOD;
}

SANE_Status Device::read(SANE_Byte* data, SANE_Int max, SANE_Int* length) {
  *length = 0;
  if (cancelled_) {
    scanning_ = false;
    return SANE_STATUS_CANCELLED;
  }
  if (ended_) return SANE_STATUS_EOF;
  if (!scanning_) return SANE_STATUS_INVAL;
  if (taken_ == ready_.size()) {
    const SANE_Status status = rows_ahead();
    if (status != SANE_STATUS_GOOD) {
      scanning_ = false;
      ended_ = status == SANE_STATUS_EOF;
      return status;
    }
  }
  const std::size_t n = std::min(static_cast<std::size_t>(max), ready_.size() - taken_);
  std::memcpy(data, ready_.data() + taken_, n);
  taken_ += n;
  *length = static_cast<SANE_Int>(n);
  return SANE_STATUS_GOOD;
}

const SANE_Device the_device{"bed", "Vessa Optical Works", "Practice Flatbed 8x10", "flatbed scanner"};
const SANE_Device* device_list[] = {&the_device, nullptr};

Device* device_of(SANE_Handle h) { return static_cast<Device*>(h); }

/// Nothing thrown leaves the library.
template <class F>
SANE_Status guarded(const F& f) {
  try {
    return f();
  } catch (const std::exception& e) {
    std::fprintf(stderr, "practice flatbed: %s\n", e.what());
    return SANE_STATUS_NO_MEM;
  }
}

}  // namespace

extern "C" {
SANE_Status sane_practice_init(SANE_Int* version, SANE_Auth_Callback) {
  if (version != nullptr) *version = SANE_VERSION_CODE(1, 0, 1);
  return SANE_STATUS_GOOD;
}
void sane_practice_exit() {}
SANE_Status sane_practice_get_devices(const SANE_Device*** list, SANE_Bool) {
  *list = device_list;
  return SANE_STATUS_GOOD;
}
SANE_Status sane_practice_open(SANE_String_Const name, SANE_Handle* handle) {
  return guarded([&] {
    if (name != nullptr && *name != 0 && std::strcmp(name, the_device.name) != 0) return SANE_STATUS_INVAL;
    auto device = std::make_unique<Device>();
    const SANE_Status status = device->open();
    if (status == SANE_STATUS_GOOD) *handle = device.release();
    return status;
  });
}
void sane_practice_close(SANE_Handle h) { delete device_of(h); }
const SANE_Option_Descriptor* sane_practice_get_option_descriptor(SANE_Handle h, SANE_Int i) {
  return device_of(h)->descriptor(i);
}
SANE_Status sane_practice_control_option(SANE_Handle h, SANE_Int i, SANE_Action a, void* v, SANE_Int* info) {
  return guarded([&] { return device_of(h)->control(i, a, v, info); });
}
SANE_Status sane_practice_get_parameters(SANE_Handle h, SANE_Parameters* p) {
  return guarded([&] { return device_of(h)->parameters(p); });
}
SANE_Status sane_practice_start(SANE_Handle h) {
  return guarded([&] { return device_of(h)->start(); });
}
SANE_Status sane_practice_read(SANE_Handle h, SANE_Byte* data, SANE_Int max, SANE_Int* length) {
  return guarded([&] { return device_of(h)->read(data, max, length); });
}
void sane_practice_cancel(SANE_Handle h) { device_of(h)->cancel(); }
SANE_Status sane_practice_set_io_mode(SANE_Handle, SANE_Bool non_blocking) {
  return non_blocking == SANE_TRUE ? SANE_STATUS_UNSUPPORTED : SANE_STATUS_GOOD;
}
SANE_Status sane_practice_get_select_fd(SANE_Handle, SANE_Int*) { return SANE_STATUS_UNSUPPORTED; }
}
