// A SANE backend over the table of surfaces. Every pixel says where on the glass it is: red and
// green are the position of its centre in units of 5 micrometres from the glass's corner, blue is
// 65535 when every setting was right, else the rule broken.
//
// LAPWRIGHT_FAKE (environment): comma-separated faults: busy=N starts busy N times, die=ROW,
// hang=ROW, eof=ROW (early end), status=CODE (at start), read-status=CODE, slow=MS (per read),
// short=BYTES (most a read gives), zero (every other read gives 0), hang-start, hang-cancel,
// press=SECONDS (a button's press), more (one row more than promised), clip=MM (height clipped
// silently), renamed (listed and opened under its name with "-again" behind it), set-status=CODE
// (at the set of a correction), get-status=CODE (when the depth is read).
#include <sane/sane.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <csignal>
#include <cstdint>
#include <cstdlib>
#include <cstring>
#include <fstream>
#include <map>
#include <memory>
#include <string>

#include "fake_backend/surface.h"

namespace {

using namespace fake;

double fault(const char* name, double absent = -1) {
  const char* all = std::getenv("LAPWRIGHT_FAKE");
  if (!all) return absent;
  const std::string text = std::string(",") + all + ",", key = std::string(",") + name;
  const auto at = text.find(key);
  if (at == std::string::npos) return absent;
  const char next = text[at + key.size()];
  if (next == '=') return std::atof(text.c_str() + at + key.size() + 1);
  return next == ',' ? 1 : absent;
}
double now() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

/// The name by which a surface is opened.
const std::string& address(const Surface& s) {
  static std::map<std::string, std::string> again;
  return fault("renamed") > 0 ? again[s.name] = s.name + "-again" : s.name;
}

struct Handle {
  const Surface* surface;
  State state;
  // Descriptors and what they point to; rebuilt at every fetch.
  struct Made {
    SANE_Option_Descriptor d{};
    SANE_Range range{};
    std::vector<SANE_Word> words;
    std::vector<std::string> kept;
    std::vector<SANE_String_Const> texts;
  };
  std::vector<Made> made;
  bool scanning = false, cancelled = false;
  double started = 0;
  int starts = 0, frame = 0, reads = 0;
  std::int64_t width = 0, height = 0, stride = 0, at = 0;
  Geometry g{};
  std::vector<std::uint16_t> row;
  std::int64_t row_of = -1;
  double opened = now(), given = 0, longest_wait = 0;
};

SANE_Word word(double v, Type type) {
  return static_cast<SANE_Word>(std::llround(type == Type::fixed ? v * 65536 : v));
}
double number(SANE_Word w, Type type) { return type == Type::fixed ? w / 65536.0 : w; }
std::vector<double> members(const Handle& h, const Spec& s) {
  return s.members ? s.members(h.state) : s.list;
}
std::vector<std::string> choices(const Handle& h, const Spec& s) {
  return s.choices ? s.choices(h.state) : s.texts;
}
bool active(const Handle& h, const Spec& s) { return !s.active || s.active(h.state); }

void measure(Handle& h) {
  h.g = h.surface->geometry(h.state);
  if (h.surface->most_ppi_x > 0) h.g.ppi_x = std::min(h.g.ppi_x, h.surface->most_ppi_x);
  if (const double clip = fault("clip"); clip > 0) h.g.y1 = std::min(h.g.y1, clip);
  h.width = std::max<std::int64_t>(
      1, static_cast<std::int64_t>((h.g.x1 - h.g.x0) * h.g.ppi_x / 25.4 + 0.01) /
             h.surface->width_step * h.surface->width_step);
  h.height = std::max<std::int64_t>(
      1, static_cast<std::int64_t>((h.g.y1 - h.g.y0) * h.g.ppi_y / 25.4 + 0.01));
  const bool color = h.surface->color(h.state), deep = h.surface->deep(h.state);
  const bool frames = h.surface->three_frames && color;
  h.stride = h.width * (color && !frames ? 3 : 1) * (deep ? 2 : 1) + h.surface->pad;
}

void draw(Handle& h, std::int64_t y) {
  const int honest = h.surface->broken(h.state);
  const bool frames = h.surface->three_frames;
  h.row.assign(static_cast<std::size_t>((h.stride + 1) / 2), 0xABCD);
  for (std::int64_t x = 0; x < h.width; ++x) {
    const double mx = h.g.x0 + (static_cast<double>(x) + 0.5) * 25.4 / h.g.ppi_x,
                 my = h.g.y0 + (static_cast<double>(y) + 0.5) * 25.4 / h.g.ppi_y;
    const std::uint16_t c[3] = {static_cast<std::uint16_t>(std::lround(mx * 200.0)),
                                static_cast<std::uint16_t>(std::lround(my * 200)),
                                static_cast<std::uint16_t>(honest == 0 ? 65535 : honest)};
    if (frames) {
      const char now_color = h.surface->order[static_cast<std::size_t>(h.frame % 3)];
      h.row[static_cast<std::size_t>(x)] = c[now_color == 'R' ? 0 : now_color == 'G' ? 1 : 2];
    } else if (!h.surface->color(h.state)) {
      h.row[static_cast<std::size_t>(x)] = c[0];
    } else {
      std::copy(c, c + 3, h.row.begin() + x * 3);
    }
  }
  h.row_of = y;
}

void press_buttons(Handle& h) {
  const double after = fault("press");
  const bool down = after >= 0 && now() - h.opened >= after;
  for (const Spec& s : h.surface->options)
    if (s.sensor && s.type != Type::fixed) {
      if (s.type == Type::text)
        h.state.text[s.name] = down ? "1" : "";
      else
        h.state.number[s.name] = down && s.name != "file" ? 1 : 0;
    }
}

}  // namespace

extern "C" {

SANE_Status sane_fake_init(SANE_Int* version, SANE_Auth_Callback) {
  if (version) *version = SANE_VERSION_CODE(1, 0, 0);
  return SANE_STATUS_GOOD;
}
void sane_fake_exit() {}

SANE_Status sane_fake_get_devices(const SANE_Device*** list, SANE_Bool) {
  static std::vector<SANE_Device> devices;
  static std::vector<const SANE_Device*> pointers;
  devices.clear(), pointers.clear();
  for (const Surface& s : surfaces())
    devices.push_back({address(s).c_str(), "Invented", s.name.c_str(),
                       s.name == "pixels-finest" ? "film scanner" : "flatbed scanner"});
  for (const SANE_Device& d : devices) pointers.push_back(&d);
  pointers.push_back(nullptr);
  *list = pointers.data();
  return SANE_STATUS_GOOD;
}

SANE_Status sane_fake_open(SANE_String_Const name, SANE_Handle* handle) {
  if (const double status = fault("open-status"); status > 0)
    return static_cast<SANE_Status>(status);
  for (const Surface& s : surfaces())
    if (address(s) == name) {
      auto h = std::make_unique<Handle>();
      h->surface = &s;
      h->state.surface = &s;
      for (const Spec& o : s.options) {
        if (o.count > 1)
          h->state.array[o.name] = std::vector<double>(static_cast<std::size_t>(o.count), o.number);
        else if (o.type == Type::text)
          h->state.text[o.name] = o.text;
        else
          h->state.number[o.name] = o.number;
      }
      *handle = h.release();
      return SANE_STATUS_GOOD;
    }
  return SANE_STATUS_INVAL;
}
void sane_fake_close(SANE_Handle handle) { delete static_cast<Handle*>(handle); }

const SANE_Option_Descriptor* sane_fake_get_option_descriptor(SANE_Handle handle, SANE_Int index) {
  auto& h = *static_cast<Handle*>(handle);
  const auto& specs = h.surface->options;
  if (index < 0 || static_cast<std::size_t>(index) > specs.size()) return nullptr;
  h.made.resize(specs.size() + 1);
  auto& m = h.made[static_cast<std::size_t>(index)];
  m = {};
  if (index == 0) {
    m.d = {"",
           "count",
           "",
           SANE_TYPE_INT,
           SANE_UNIT_NONE,
           sizeof(SANE_Word),
           SANE_CAP_SOFT_DETECT,
           SANE_CONSTRAINT_NONE,
           {nullptr}};
    return &m.d;
  }
  const Spec& s = specs[static_cast<std::size_t>(index - 1)];
  static constexpr SANE_Value_Type types[] = {SANE_TYPE_BOOL,   SANE_TYPE_INT,    SANE_TYPE_FIXED,
                                              SANE_TYPE_STRING, SANE_TYPE_BUTTON, SANE_TYPE_GROUP};
  static constexpr SANE_Unit units[] = {SANE_UNIT_NONE, SANE_UNIT_PIXEL, SANE_UNIT_BIT,
                                        SANE_UNIT_MM, SANE_UNIT_DPI};
  m.d.name = s.type == Type::group ? "" : s.name.c_str();
  m.d.title = s.title.c_str();
  m.d.desc = "";
  m.d.type = types[static_cast<int>(s.type)];
  m.d.unit = units[static_cast<int>(s.unit)];
  m.d.size = static_cast<SANE_Int>(sizeof(SANE_Word)) * s.count;
  m.d.cap = SANE_CAP_SOFT_DETECT | (s.sensor ? 0 : SANE_CAP_SOFT_SELECT) |
            (active(h, s) ? 0 : SANE_CAP_INACTIVE);
  if (s.type == Type::text) {
    std::size_t longest = 1;
    m.kept = choices(h, s);
    for (const auto& t : m.kept)
      m.texts.push_back(t.c_str()), longest = std::max(longest, t.size());
    m.texts.push_back(nullptr);
    // One short, as a known driver has it: no room for the end of its longest value.
    m.d.size = static_cast<SANE_Int>(longest);
    if (!m.kept.empty())
      m.d.constraint_type = SANE_CONSTRAINT_STRING_LIST,
      m.d.constraint.string_list = m.texts.data();
  } else if (const auto list = members(h, s); !list.empty()) {
    m.words.push_back(static_cast<SANE_Word>(list.size()));
    for (double v : list) m.words.push_back(word(v, s.type));
    m.d.constraint_type = SANE_CONSTRAINT_WORD_LIST, m.d.constraint.word_list = m.words.data();
  } else if (s.range) {
    const Range r = s.range(h.state);
    m.range = {word(r.min, s.type), word(r.max, s.type), word(r.quant, s.type)};
    m.d.constraint_type = SANE_CONSTRAINT_RANGE, m.d.constraint.range = &m.range;
  }
  return &m.d;
}

SANE_Status sane_fake_control_option(SANE_Handle handle, SANE_Int index, SANE_Action action,
                                     void* value, SANE_Int* info) {
  auto& h = *static_cast<Handle*>(handle);
  if (info) *info = 0;
  if (h.scanning) return SANE_STATUS_INVAL;
  if (index == 0) {
    *static_cast<SANE_Word*>(value) = static_cast<SANE_Word>(h.surface->options.size() + 1);
    return SANE_STATUS_GOOD;
  }
  const Spec& s = h.surface->options.at(static_cast<std::size_t>(index - 1));
  if (!active(h, s) || s.type == Type::group) return SANE_STATUS_INVAL;
  auto* words = static_cast<SANE_Word*>(value);
  if (action == SANE_ACTION_GET_VALUE) {
    if (const double status = fault("get-status"); status > 0 && s.name == "depth")
      return static_cast<SANE_Status>(status);
    press_buttons(h);
    if (s.type == Type::text)
      std::strcpy(static_cast<char*>(value), h.state.text[s.name].c_str());
    else if (s.count > 1)
      for (int i = 0; i < s.count; ++i)
        words[i] = word(h.state.array[s.name][static_cast<std::size_t>(i)], s.type);
    else
      *words = word(h.state.number[s.name], s.type);
    return SANE_STATUS_GOOD;
  }
  if (s.sensor) return SANE_STATUS_INVAL;
  if (const double status = fault("set-status"); status > 0 && s.name == "gamma-correction")
    return static_cast<SANE_Status>(status);
  if (s.type == Type::button) {
    // Nobody may press what moves film.
    if (s.name == "eject") std::abort();
    return SANE_STATUS_GOOD;
  }
  if (s.type == Type::text) {
    const std::string v = static_cast<const char*>(value);
    const auto texts = choices(h, s);
    auto at = std::find(texts.begin(), texts.end(), v);
    if (at == texts.end() && h.surface->quiet)
      at = std::find_if(texts.begin(), texts.end(),
                        [&](const std::string& t) { return t.rfind(v, 0) == 0; });
    if (!texts.empty() && at == texts.end()) return SANE_STATUS_INVAL;
    h.state.text[s.name] = texts.empty() ? v : *at;
  } else if (s.count > 1) {
    for (int i = 0; i < s.count; ++i)
      h.state.array[s.name][static_cast<std::size_t>(i)] = number(words[i], s.type);
  } else {
    double v = number(*words, s.type);
    const double wanted = v;
    const auto list = members(h, s);
    if (!list.empty())
      v = *std::min_element(list.begin(), list.end(),
                            [&](double a, double b) { return std::abs(a - v) < std::abs(b - v); });
    else if (s.range) {
      const Range r = s.range(h.state);
      v = std::clamp(v, r.min, r.max);
      if (r.quant > 0) v = r.min + std::round((v - r.min) / r.quant) * r.quant;
    }
    if (s.step > 0) v = std::round(v / s.step) * s.step;
    if ((v < wanted || v > wanted) && !h.surface->quiet) {
      if (info) *info |= SANE_INFO_INEXACT;
    }
    h.state.number[s.name] = v;
  }
  if (s.on_set) s.on_set(h.state);
  // Values outside a range that moved are pulled in.
  for (const Spec& o : h.surface->options)
    if (o.range && o.count == 1 && o.type != Type::text) {
      const Range r = o.range(h.state);
      h.state.number[o.name] = std::clamp(h.state.number[o.name], r.min, r.max);
    }
  if (info) *info |= SANE_INFO_RELOAD_OPTIONS | SANE_INFO_RELOAD_PARAMS;
  return SANE_STATUS_GOOD;
}

SANE_Status sane_fake_get_parameters(SANE_Handle handle, SANE_Parameters* p) {
  auto& h = *static_cast<Handle*>(handle);
  if (!h.scanning) measure(h);
  const bool color = h.surface->color(h.state), frames = h.surface->three_frames && color;
  const char c = h.surface->order[static_cast<std::size_t>(h.frame % 3)];
  p->format = frames  ? (c == 'R'   ? SANE_FRAME_RED
                         : c == 'G' ? SANE_FRAME_GREEN
                                    : SANE_FRAME_BLUE)
              : color ? SANE_FRAME_RGB
                      : SANE_FRAME_GRAY;
  p->last_frame = !frames || h.frame % 3 == 2;
  p->depth = h.surface->deep(h.state) && (h.scanning || !h.surface->vague_before_start) ? 16 : 8;
  p->pixels_per_line = static_cast<SANE_Int>(h.width), p->lines = static_cast<SANE_Int>(h.height),
  p->bytes_per_line = static_cast<SANE_Int>(h.stride);
  return SANE_STATUS_GOOD;
}

SANE_Status sane_fake_start(SANE_Handle handle) {
  auto& h = *static_cast<Handle*>(handle);
  if (h.starts++ < fault("busy")) return SANE_STATUS_DEVICE_BUSY;
  if (const double status = fault("status"); status > 0) return static_cast<SANE_Status>(status);
  if (fault("hang-start") > 0) pause();
  std::signal(SIGPIPE, SIG_DFL);
  if (h.scanning || h.cancelled) h.frame = h.cancelled ? 0 : h.frame;
  measure(h);
  h.scanning = true, h.cancelled = false, h.at = 0, h.row_of = -1, h.started = now();
  h.given = 0, h.longest_wait = 0;
  return SANE_STATUS_GOOD;
}

SANE_Status sane_fake_read(SANE_Handle handle, SANE_Byte* data, SANE_Int most, SANE_Int* length) {
  auto& h = *static_cast<Handle*>(handle);
  *length = 0;
  if (most <= 0) std::abort();
  if (h.cancelled) return SANE_STATUS_CANCELLED;
  if (!h.scanning) return SANE_STATUS_INVAL;
  if (const double status = fault("read-status"); status > 0) {
    *length = -77;
    return static_cast<SANE_Status>(status);
  }
  if (const double ms = fault("slow"); ms > 0) usleep(static_cast<useconds_t>(ms * 1000));
  ++h.reads;
  if (fault("zero") > 0 && h.reads % 2 == 0) return SANE_STATUS_GOOD;
  const std::int64_t extra = fault("more") > 0 ? 1 : 0;
  const std::int64_t end =
      (fault("eof") >= 0 ? static_cast<std::int64_t>(fault("eof")) : h.height + extra) * h.stride;
  if (h.given > 0) h.longest_wait = std::max(h.longest_wait, now() - h.given);
  if (h.at >= end) {
    h.scanning = false, ++h.frame;
    if (const char* path = std::getenv("LAPWRIGHT_FAKE_WAITS"))
      std::ofstream(path) << h.longest_wait << '\n';
    return SANE_STATUS_EOF;
  }
  const std::int64_t y = h.at / h.stride;
  if (const double ms = fault("pace"); ms > 0)
    if (const double early = h.started + static_cast<double>(y + 1) * ms / 1000 - now(); early > 0)
      usleep(static_cast<useconds_t>(early * 1e6));
  if (fault("die") >= 0 && static_cast<double>(y) >= fault("die")) ::kill(::getpid(), SIGKILL);
  if (fault("hang") >= 0 && static_cast<double>(y) >= fault("hang")) pause();
  if (h.row_of != y && (h.row_of < 0 || fault("still") < 0)) draw(h, y);
  const std::int64_t in_row = h.at % h.stride;
  std::int64_t n = std::min<std::int64_t>({most, h.stride - in_row, end - h.at});
  if (const double s = fault("short"); s > 0) n = std::min(n, static_cast<std::int64_t>(s));
  std::memcpy(data, reinterpret_cast<const char*>(h.row.data()) + in_row,
              static_cast<std::size_t>(n));
  h.at += n;
  *length = static_cast<SANE_Int>(n);
  h.given = now();
  return SANE_STATUS_GOOD;
}

void sane_fake_cancel(SANE_Handle handle) {
  auto& h = *static_cast<Handle*>(handle);
  if (now() - h.started < 0.030) std::abort();  // the hang that known drivers fall into
  if (fault("hang-cancel") > 0) pause();
  h.cancelled = true, h.scanning = false, h.frame = 0;
}
SANE_Status sane_fake_set_io_mode(SANE_Handle, SANE_Bool) { return SANE_STATUS_UNSUPPORTED; }
SANE_Status sane_fake_get_select_fd(SANE_Handle, SANE_Int*) { return SANE_STATUS_UNSUPPORTED; }
}
