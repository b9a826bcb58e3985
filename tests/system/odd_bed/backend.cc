// A flatbed of another shape than any in the project's notes: its film window does not start at zero, its options have names of
// their own, the resolution is a range, rows come in odd pieces with padding. It holds a sleeve drawn by tests/support.
//
// ODD_BED_SLEEVE names a sleeve profile, ODD_BED_LAY the file that says how it lies (sleeve_to_bed: [a, b, c, d, e, f]).
#include <sane/sane.h>
#include <sane/saneopts.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <fstream>
#include <memory>
#include <sstream>
#include <string>
#include <vector>

#include "profile/profile.h"
#include "support/film_scene.h"

namespace {

using namespace lapwright;

constexpr double window_x = 73.4, window_y = 30.2, window_width = 68.6, window_height = 237.0;

enum Option { count, light, kind, bits, tone, automatic, colours, resolution, left, top, right, bottom, option_end };

const SANE_String_Const lights[] = {"Opaque originals", "Film, lit from above", nullptr};
const SANE_String_Const kinds[] = {"Negative (made positive)", "Positive (as it is)", nullptr};
const SANE_String_Const tones[] = {"Pleasing", "Linear", nullptr};
const SANE_String_Const modes[] = {"Monochrome", "Full colour", nullptr};
const SANE_Word depths[] = {2, 8, 16};
const SANE_Range resolutions = {75, 2400, 1};
SANE_Range x_range, y_range;

struct State {
  std::string light = lights[0], kind = kinds[0], tone = tones[0], mode = modes[0];
  SANE_Word bits = 8, resolution = 150;
  SANE_Bool automatic = SANE_TRUE;
  double area[4] = {0, 0, 100, 100};
  bool scanning = false, cancelled = false;
  SANE_Option_Descriptor descriptors[option_end]{};
  SANE_Parameters parameters{};
  std::vector<unsigned char> row;
  std::size_t at = 0;
  int line = 0, passes = 0;
  Affine<BedSpace, SleeveSpace> back;
  bool sleeve_there = false;
};
std::unique_ptr<State> state;
std::unique_ptr<support::Scene> scene;

bool film() { return state->light == lights[1]; }

void describe() {
  State& s = *state;
  const double x0 = film() ? window_x : 0, y0 = film() ? window_y : 0;
  x_range = {SANE_FIX(x0), SANE_FIX(film() ? x0 + window_width : 215.9), 0};
  y_range = {SANE_FIX(y0), SANE_FIX(film() ? y0 + window_height : 297.0), 0};
  const auto option = [&](Option o, const char* name, const char* title, SANE_Value_Type type, SANE_Unit unit, SANE_Int size) -> SANE_Option_Descriptor& {
    s.descriptors[o] = {};
    s.descriptors[o].name = name;
    s.descriptors[o].title = title;
    s.descriptors[o].desc = title;
    s.descriptors[o].type = type;
    s.descriptors[o].unit = unit;
    s.descriptors[o].size = size;
    s.descriptors[o].cap = SANE_CAP_SOFT_SELECT | SANE_CAP_SOFT_DETECT;
    return s.descriptors[o];
  };
  const auto words = [](SANE_Option_Descriptor& d, const SANE_String_Const* list) {
    d.constraint_type = SANE_CONSTRAINT_STRING_LIST;
    d.constraint.string_list = list;
  };
  option(count, "", "Number of options", SANE_TYPE_INT, SANE_UNIT_NONE, sizeof(SANE_Word)).cap = SANE_CAP_SOFT_DETECT;
  words(option(light, "scan-source", "Where the light comes from", SANE_TYPE_STRING, SANE_UNIT_NONE, 32), lights);
  auto& k = option(kind, "film-kind", "What film lies on the bed", SANE_TYPE_STRING, SANE_UNIT_NONE, 32);
  words(k, kinds);
  if (!film()) k.cap |= SANE_CAP_INACTIVE;
  auto& b = option(bits, "bit-depth", "Bits per sample", SANE_TYPE_INT, SANE_UNIT_BIT, sizeof(SANE_Word));
  b.constraint_type = SANE_CONSTRAINT_WORD_LIST;
  b.constraint.word_list = depths;
  words(option(tone, "tone-curve", "Tone curve", SANE_TYPE_STRING, SANE_UNIT_NONE, 16), tones);
  option(automatic, "auto-colour", "Correct colours automatically", SANE_TYPE_BOOL, SANE_UNIT_NONE, sizeof(SANE_Word));
  words(option(colours, SANE_NAME_SCAN_MODE, "Scan mode", SANE_TYPE_STRING, SANE_UNIT_NONE, 16), modes);
  auto& r = option(resolution, SANE_NAME_SCAN_RESOLUTION, "Resolution", SANE_TYPE_INT, SANE_UNIT_DPI, sizeof(SANE_Word));
  r.constraint_type = SANE_CONSTRAINT_RANGE;
  r.constraint.range = &resolutions;
  const char* names[4] = {SANE_NAME_SCAN_TL_X, SANE_NAME_SCAN_TL_Y, SANE_NAME_SCAN_BR_X, SANE_NAME_SCAN_BR_Y};
  for (int i = 0; i < 4; ++i) {
    auto& d = option(static_cast<Option>(left + i), names[i], "Area", SANE_TYPE_FIXED, SANE_UNIT_MM, sizeof(SANE_Word));
    d.constraint_type = SANE_CONSTRAINT_RANGE;
    d.constraint.range = i % 2 ? &y_range : &x_range;
  }
}

void read_lay() {
  state->sleeve_there = false;
  const char* path = std::getenv("ODD_BED_LAY");
  std::ifstream in(path ? path : "");
  const std::string text((std::istreambuf_iterator<char>(in)), {});
  const auto open = text.find('[');
  if (open == std::string::npos) return;
  Affine<SleeveSpace, BedSpace> lay;
  if (std::sscanf(text.c_str() + open, "[%lf , %lf , %lf , %lf , %lf , %lf", &lay.a, &lay.b, &lay.c, &lay.d, &lay.e, &lay.f) == 6) {
    state->back = lay.inverse();
    state->sleeve_there = true;
  }
}

void draw_row() {
  State& s = *state;
  const double mm = 25.4 / s.resolution;
  auto* out = reinterpret_cast<std::uint16_t*>(s.row.data());
  std::uint64_t noise = static_cast<std::uint64_t>(s.line + 1) * 0x9e3779b97f4a7c15ULL + static_cast<std::uint64_t>(s.passes);
  for (int x = 0; x < s.parameters.pixels_per_line; ++x) {
    double sum[3] = {0, 0, 0};
    for (int k = 0; k < 4; ++k) {
      const Spot<BedSpace> there{s.area[0] + (x + (k & 1 ? 0.75 : 0.25)) * mm, s.area[1] + (s.line + (k & 2 ? 0.75 : 0.25)) * mm};
      const auto t = s.sleeve_there ? scene->at(s.back(there)) : std::array<float, 3>{1, 1, 1};
      for (std::size_t c = 0; c < 3; ++c) sum[c] += static_cast<double>(t[c]) / 4;
    }
    for (int c = 0; c < 3; ++c) {
      noise ^= noise << 13, noise ^= noise >> 7, noise ^= noise << 17;
      double counts = sum[c] * 52000 * (1 + 0.004 * s.passes) + static_cast<double>(noise % 161) - 80;
      if (s.tone == tones[0] || s.automatic) counts = 65535 * std::pow(std::max(counts, 0.0) / 65535, 0.45);
      if (s.kind == kinds[0]) counts = 65535 - counts;
      out[x * 3 + c] = static_cast<std::uint16_t>(std::clamp(counts, 0.0, 65535.0));
    }
  }
}

}  // namespace

extern "C" {

SANE_Status sane_oddbed_init(SANE_Int* version, SANE_Auth_Callback) {
  if (version) *version = SANE_VERSION_CODE(1, 0, 0);
  return SANE_STATUS_GOOD;
}
void sane_oddbed_exit() { state.reset(); }
SANE_Status sane_oddbed_get_devices(const SANE_Device*** list, SANE_Bool) {
  static const SANE_Device device = {"glass", "Oddwright", "Slit 68", "flatbed scanner"};
  static const SANE_Device* devices[] = {&device, nullptr};
  *list = devices;
  return SANE_STATUS_GOOD;
}
SANE_Status sane_oddbed_open(SANE_String_Const, SANE_Handle* handle) {
  if (!scene) {
    const char* path = std::getenv("ODD_BED_SLEEVE");
    std::ifstream in(path ? path : "");
    const std::string yaml((std::istreambuf_iterator<char>(in)), {});
    auto sleeve = profile::parse_sleeve(yaml, path ? path : "ODD_BED_SLEEVE");
    if (!sleeve) {
      std::fprintf(stderr, "odd bed: %s\n", sleeve.error().text.c_str());
      return SANE_STATUS_INVAL;
    }
    support::SceneOptions options;
    options.seed = 11;
    scene = std::make_unique<support::Scene>(*sleeve, options);
  }
  state = std::make_unique<State>();
  describe();
  *handle = state.get();
  return SANE_STATUS_GOOD;
}
void sane_oddbed_close(SANE_Handle) {}
const SANE_Option_Descriptor* sane_oddbed_get_option_descriptor(SANE_Handle, SANE_Int n) {
  return n >= 0 && n < option_end ? &state->descriptors[n] : nullptr;
}

SANE_Status sane_oddbed_control_option(SANE_Handle, SANE_Int n, SANE_Action action, void* value, SANE_Int* info) {
  State& s = *state;
  if (info) *info = 0;
  if (n < 0 || n >= option_end || s.scanning || (s.descriptors[n].cap & SANE_CAP_INACTIVE)) return SANE_STATUS_INVAL;
  auto* word = static_cast<SANE_Word*>(value);
  auto* text = static_cast<char*>(value);
  std::string* strings[option_end] = {};
  strings[light] = &s.light, strings[kind] = &s.kind, strings[tone] = &s.tone, strings[colours] = &s.mode;
  if (action == SANE_ACTION_GET_VALUE) {
    if (n == count) *word = option_end;
    if (strings[n]) std::strcpy(text, strings[n]->c_str());
    if (n == bits) *word = s.bits;
    if (n == automatic) *word = s.automatic;
    if (n == resolution) *word = s.resolution;
    if (n >= left && n <= bottom) *word = SANE_FIX(s.area[n - left]);
    return SANE_STATUS_GOOD;
  }
  if (action != SANE_ACTION_SET_VALUE || n == count) return SANE_STATUS_UNSUPPORTED;
  if (strings[n]) {
    const SANE_String_Const* list = s.descriptors[n].constraint.string_list;
    for (; *list && std::strcmp(*list, text) != 0; ++list) {
    }
    if (!*list) return SANE_STATUS_INVAL;
    *strings[n] = text;
    if (n == light) {  // another light, another window, and the depth falls back
      s.bits = 8;
      describe();
      s.area[0] = SANE_UNFIX(x_range.min), s.area[1] = SANE_UNFIX(y_range.min), s.area[2] = SANE_UNFIX(x_range.max), s.area[3] = SANE_UNFIX(y_range.max);
      if (info) *info = SANE_INFO_RELOAD_OPTIONS | SANE_INFO_RELOAD_PARAMS;
    }
  }
  if (n == bits) s.bits = *word;
  if (n == automatic) s.automatic = *word;
  if (n == resolution) s.resolution = std::clamp(*word, resolutions.min, resolutions.max);
  if (n >= left && n <= bottom) {
    const SANE_Range& r = (n - left) % 2 ? y_range : x_range;
    const double asked = SANE_UNFIX(*word);
    s.area[n - left] = std::clamp(asked, SANE_UNFIX(r.min), SANE_UNFIX(r.max));
  }
  return SANE_STATUS_GOOD;
}

SANE_Status sane_oddbed_get_parameters(SANE_Handle, SANE_Parameters* p) {
  State& s = *state;
  if (!s.scanning) {
    s.parameters.format = s.mode == modes[1] ? SANE_FRAME_RGB : SANE_FRAME_GRAY;
    s.parameters.last_frame = SANE_TRUE;
    s.parameters.depth = s.bits;
    s.parameters.pixels_per_line = static_cast<SANE_Int>((s.area[2] - s.area[0]) / 25.4 * s.resolution) & ~3;
    s.parameters.lines = static_cast<SANE_Int>((s.area[3] - s.area[1]) / 25.4 * s.resolution);
    s.parameters.bytes_per_line = s.parameters.pixels_per_line * (s.mode == modes[1] ? 3 : 1) * (s.bits == 16 ? 2 : 1) + 10;
  }
  *p = s.parameters;
  return SANE_STATUS_GOOD;
}

SANE_Status sane_oddbed_start(SANE_Handle h) {
  State& s = *state;
  if (s.scanning) return SANE_STATUS_DEVICE_BUSY;
  SANE_Parameters p;
  sane_oddbed_get_parameters(h, &p);
  if (p.pixels_per_line < 1 || p.lines < 1) return SANE_STATUS_INVAL;
  read_lay();
  s.row.assign(static_cast<std::size_t>(p.bytes_per_line), 0xEE);
  s.at = s.row.size();
  s.line = -1;
  ++s.passes;
  s.scanning = true;
  s.cancelled = false;
  return SANE_STATUS_GOOD;
}

SANE_Status sane_oddbed_read(SANE_Handle, SANE_Byte* data, SANE_Int most, SANE_Int* length) {
  State& s = *state;
  *length = 0;
  if (s.cancelled) return SANE_STATUS_CANCELLED;
  if (!s.scanning) return SANE_STATUS_EOF;
  if (s.at == s.row.size()) {
    if (++s.line == s.parameters.lines) {
      s.scanning = false;
      return SANE_STATUS_EOF;
    }
    if (s.bits == 16 && film() && s.mode == modes[1])
      draw_row();
    else
      std::fill(s.row.begin(), s.row.end(), 0x7f);
    s.at = 0;
  }
  const auto n = std::min<std::size_t>({static_cast<std::size_t>(most), s.row.size() - s.at, 4093});
  std::memcpy(data, s.row.data() + s.at, n);
  s.at += n;
  *length = static_cast<SANE_Int>(n);
  return SANE_STATUS_GOOD;
}

void sane_oddbed_cancel(SANE_Handle) {
  state->cancelled = state->scanning;
  state->scanning = false;
}
SANE_Status sane_oddbed_set_io_mode(SANE_Handle, SANE_Bool) { return SANE_STATUS_UNSUPPORTED; }
SANE_Status sane_oddbed_get_select_fd(SANE_Handle, SANE_Int*) { return SANE_STATUS_UNSUPPORTED; }

}  // extern "C"
