// A flatbed that goes wrong when told to: every call goes on to another backend, but for the one
// that a file names.
//
// FAULTY_BED_INNER  the library of the backend behind it: FOLDER/libsane-NAME.so.1
// FAULTY_BED_FAULT  a file that holds "POINT KIND TIMES"; absent or empty: nothing goes wrong. Each
// time adds a line to FILE.told.
//   POINT  list open options get set parameters start first middle last end cancel close
//   KIND   a SANE_Status as a number; hang; die (the process ends at once); and where the picture
//   is read: over, negative
//          (lengths that cannot be), stuck (nothing, for ever), lost (a byte is left out), extra (a
//          row too many); for parameters: gray, eight, nonsense
// Thread: one caller. Errors: the inner backend's, and those told.
#include <dlfcn.h>
#include <sane/sane.h>
#include <signal.h>
#include <unistd.h>

#include <algorithm>
#include <cstdint>
#include <cstdlib>
#include <fstream>
#include <string>

namespace {

std::string environment(const char* name) {
  const char* value = std::getenv(name);
  return value ? value : "";
}

/// An entry point of the backend behind this one.
template <class F>
F inner(const char* call) {
  static const std::string path = environment("FAULTY_BED_INNER");
  static void* const library = ::dlopen(path.c_str(), RTLD_NOW);
  static const std::string name = [] {
    const auto begin = path.rfind("libsane-") + 8;
    return path.substr(begin, path.find(".so", begin) - begin);
  }();
  void* found = library ? ::dlsym(library, ("sane_" + name + "_" + call).c_str()) : nullptr;
  if (!found) ::_exit(3);
  return reinterpret_cast<F>(found);
}
#define INNER(call) inner<decltype(&sane_##call)>(#call)

/// What goes wrong at this point now; empty: nothing. A status, or a kind that the caller knows.
std::string wrong(const std::string& point) {
  const std::string file = environment("FAULTY_BED_FAULT");
  std::ifstream in(file);
  std::string where, kind;
  int times = 0, told = 0;
  if (!(in >> where >> kind >> times) || where != point) return "";
  std::ifstream before(file + ".told");
  for (std::string line; std::getline(before, line);) ++told;
  if (told >= times) return "";
  std::ofstream(file + ".told", std::ios::app) << point << ' ' << kind << std::endl;
  if (kind == "die") ::kill(::getpid(), SIGKILL);
  while (kind == "hang") ::pause();
  return kind;
}
/// The status told for this point, GOOD where there is none.
SANE_Status status_at(const std::string& point) {
  return static_cast<SANE_Status>(std::atoi(wrong(point).c_str()));
}

struct Picture {
  std::int64_t row = 0, total = 0, given = 0;
  bool stuck = false;
} picture;

}  // namespace

extern "C" {

SANE_Status sane_faulty_init(SANE_Int* version, SANE_Auth_Callback ask) {
  return INNER(init)(version, ask);
}
void sane_faulty_exit() { INNER(exit)(); }
SANE_Status sane_faulty_get_devices(const SANE_Device*** list, SANE_Bool local_only) {
  const SANE_Status status = status_at("list");
  return status != SANE_STATUS_GOOD ? status : INNER(get_devices)(list, local_only);
}
SANE_Status sane_faulty_open(SANE_String_Const name, SANE_Handle* handle) {
  const SANE_Status status = status_at("open");
  return status != SANE_STATUS_GOOD ? status : INNER(open)(name, handle);
}
void sane_faulty_close(SANE_Handle h) {
  wrong("close");
  INNER(close)(h);
}
const SANE_Option_Descriptor* sane_faulty_get_option_descriptor(SANE_Handle h, SANE_Int i) {
  if (i == 0 && !wrong("options").empty()) return nullptr;
  return INNER(get_option_descriptor)(h, i);
}
SANE_Status sane_faulty_control_option(SANE_Handle h, SANE_Int i, SANE_Action action, void* value,
                                       SANE_Int* info) {
  SANE_Status status = SANE_STATUS_GOOD;
  if (action == SANE_ACTION_SET_VALUE) status = status_at("set");
  if (action == SANE_ACTION_GET_VALUE && i > 0) status = status_at("get");
  return status != SANE_STATUS_GOOD ? status : INNER(control_option)(h, i, action, value, info);
}
SANE_Status sane_faulty_get_parameters(SANE_Handle h, SANE_Parameters* p) {
  const SANE_Status good = INNER(get_parameters)(h, p);
  const std::string kind = wrong("parameters");
  if (kind == "gray") p->format = SANE_FRAME_GRAY;
  if (kind == "eight") p->depth = 8;
  if (kind == "nonsense") p->pixels_per_line = -1, p->bytes_per_line = 0;
  const auto status = static_cast<SANE_Status>(std::atoi(kind.c_str()));
  return status != SANE_STATUS_GOOD ? status : good;
}
SANE_Status sane_faulty_start(SANE_Handle h) {
  SANE_Status status = status_at("start");
  if (status == SANE_STATUS_GOOD) status = INNER(start)(h);
  SANE_Parameters p{};
  if (status == SANE_STATUS_GOOD && INNER(get_parameters)(h, &p) == SANE_STATUS_GOOD)
    picture = {.row = p.bytes_per_line, .total = std::int64_t{p.lines} * p.bytes_per_line};
  return status;
}

SANE_Status sane_faulty_read(SANE_Handle h, SANE_Byte* data, SANE_Int most, SANE_Int* length) {
  Picture& p = picture;
  *length = 0;
  if (p.stuck) return SANE_STATUS_GOOD;
  const std::int64_t middle = p.total / 2, last = p.total - p.row;
  const char* point = p.given == 0         ? "first"
                      : p.given == middle  ? "middle"
                      : p.given == last    ? "last"
                      : p.given == p.total ? "end"
                                           : "between";
  const std::string kind = wrong(point);
  if (kind == "over" || kind == "negative") {
    *length = kind == "over" ? most + 4096 : -3;
    return SANE_STATUS_GOOD;
  }
  if (kind == "stuck") {
    p.stuck = true;
    return SANE_STATUS_GOOD;
  }
  if (kind == "extra") {
    *length = static_cast<SANE_Int>(std::min<std::int64_t>(most, p.row));
    std::fill_n(data, *length, SANE_Byte{0});
    return SANE_STATUS_GOOD;
  }
  if (const int status = std::atoi(kind.c_str())) return static_cast<SANE_Status>(status);
  // The picture comes in pieces that begin where a fault may be told.
  std::int64_t n = most;
  for (const std::int64_t at : {middle, last, p.total})
    if (p.given < at) n = std::min(n, at - p.given);
  const SANE_Status status = INNER(read)(h, data, static_cast<SANE_Int>(n), length);
  if (status != SANE_STATUS_GOOD) return status;
  p.given += *length;
  if (kind == "lost" && *length > 0) --*length;
  return status;
}
void sane_faulty_cancel(SANE_Handle h) {
  wrong("cancel");
  INNER(cancel)(h);
}
SANE_Status sane_faulty_set_io_mode(SANE_Handle h, SANE_Bool on) {
  return INNER(set_io_mode)(h, on);
}
SANE_Status sane_faulty_get_select_fd(SANE_Handle h, SANE_Int* fd) {
  return INNER(get_select_fd)(h, fd);
}
}
