#include <sane/sane.h>
#include <signal.h>
#include <sys/prctl.h>
#include <unistd.h>

#include <chrono>
#include <cmath>
#include <nlohmann/json.hpp>

#include "bed/bed.h"
#include "bed/meaning.h"
#include "bed/negotiate.h"
#include "bed/offer.h"
#include "bed/scan.h"
#include "bed/status.h"
#include "bed/wire.h"
#include "core/json.h"

namespace lapwright::bed {
namespace {

double now() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

std::string dump(const Json& j) { return j.dump(-1, ' ', false, Json::error_handler_t::replace); }
Json pairs(const std::vector<std::pair<std::string, std::string>>& list) {
  Json j = Json::array();
  for (const auto& [name, value] : list) j.push_back({name, value});
  return j;
}
Json pairs(const std::vector<Setting>& settings) {
  Json j = Json::array();
  for (const Setting& s : settings) j.push_back({s.option, s.value});
  return j;
}
Json rect(const Rect<BedSpace>& r) { return {r.x.value, r.y.value, r.width.value, r.height.value}; }

Result<std::vector<Device>> devices(bool local_only);

/// Where the flatbed is listed now: under its name, or alone of its kind in the same backend under
/// another; else empty.
std::string name_now(const Device& known) {
  const auto all = devices(!on_network(known.name));
  std::vector<std::string> alike;
  const auto backend = [](const std::string& name) { return name.substr(0, name.find(':')); };
  if (all)
    for (const Device& d : *all) {
      if (d.name == known.name) return d.name;
      if (backend(d.name) == backend(known.name) && d.vendor == known.vendor &&
          d.model == known.model)
        alike.push_back(d.name);
    }
  return alike.size() == 1 ? alike.front() : "";
}

class OpenDevice {
 public:
  ~OpenDevice() {
    if (handle) sane_close(handle);
  }
  /// `known` as it was listed: switched off and on, the flatbed may be listed under another name.
  Result<> open(std::string name, const Device& known, double most_seconds, Wire& wire) {
    const double until = now() + most_seconds;
    double wait = 0.25;
    for (;;) {
      const SANE_Status status = sane_open(name.c_str(), &handle);
      guard_signals();
      opened = name;
      if (status == SANE_STATUS_GOOD) return {};
      handle = nullptr;
      if (status == SANE_STATUS_INVAL && !known.model.empty())
        if (const std::string other = name_now(known); !other.empty() && other != name) {
          name = other;
          continue;
        }
      if (status != SANE_STATUS_DEVICE_BUSY || now() + wait >= until)
        return fail(on_network(name) && status != SANE_STATUS_DEVICE_BUSY &&
                            status != SANE_STATUS_ACCESS_DENIED
                        ? Error{Fault::unavailable,
                                "opening " + name +
                                    ": the flatbed is not reached; see that its host is on, that "
                                    "saned runs there and lets this machine in, and try again"}
                        : explain(status, "opening " + name));
      if (wire.cancelled()) return fail(Fault::cancelled, "cancelled");
      wire.say_busy();
      wire.rest(wait);
      wait = std::min(wait * 1.6, 5.0);
    }
  }
  SANE_Handle handle = nullptr;
  std::string opened;  // the name it is listed under now
};

Result<std::vector<Device>> devices(bool local_only) {
  const SANE_Device** list = nullptr;
  const SANE_Status status = sane_get_devices(&list, local_only ? SANE_TRUE : SANE_FALSE);
  guard_signals();
  if (status != SANE_STATUS_GOOD) return fail(explain(status, "looking for flatbeds"));
  std::vector<Device> all;
  for (; list && *list; ++list) {
    const auto text = [](const char* t) { return std::string(t ? t : ""); };
    const Device d{text((*list)->name), text((*list)->vendor), text((*list)->model),
                   text((*list)->type)};
    bool twice = false;
    for (const Device& o : all) twice |= o.name == d.name;
    if (!twice) all.push_back(d);
  }
  return all;
}

/// The listed entry of a device, or its bare name.
Device identity_of(const std::string& name) {
  if (auto all = devices(!on_network(name)))
    for (const Device& d : *all)
      if (d.name == name) return d;
  return {name, "", "", ""};
}
Device known_of(const Json& ask) {
  return {ask.at("device"), ask.at("vendor"), ask.at("model"), ""};
}
Json json_of(const Device& d) {
  return {{"name", d.name}, {"vendor", d.vendor}, {"model", d.model}, {"type", d.type}};
}

Result<> list(Wire& wire) {
  auto all = devices(false);
  if (!all) return fail(all.error());
  Json j = Json::array();
  for (const Device& d : *all) j.push_back(json_of(d));
  wire.send(dump({{"event", "done"}, {"devices", j}}));
  return {};
}

Result<> probe(const Json& ask, Wire& wire) {
  const std::string name = ask.at("device");
  const Device device = identity_of(name);
  OpenDevice open;
  if (auto r = open.open(name, {name, "", "", ""}, ask.value("start_seconds", 30.0), wire); !r)
    return r;
  auto surface = Surface::of(open.handle);
  if (!surface) return fail(surface.error());
  Wish wish;
  wish.device_type = device.type;
  auto a = negotiate(*surface, wish);
  if (!a) return fail(a.error());
  Json j = {{"event", "done"},        {"device", json_of(device)},
            {"sources", a->sources},  {"film_source", a->film_source},
            {"depths", a->depths},    {"resolutions", a->resolutions},
            {"lacks", a->lacks},      {"notes", a->notes},
            {"infrared", a->infrared}};
  j["settings"] = a->settings;
  j["options"] = everything(*surface);
  if (a->range) j["window"] = rect(*a->range);
  wire.send(dump(j));
  return {};
}

/// What the device made of the window, in its own pixels, against what was agreed.
Result<> check_size(const Started& s, const Rect<BedSpace>& area, Ppi ppi) {
  const double k = ppi.pixels_per_mm();
  const double width = area.width.mm() * k, height = area.height.mm() * k;
  const auto wrong = [&](const char* what, double got, double want) {
    return fail(Fault::bad_data,
                std::string("the device started with a ") + what + " of " +
                    number_text(std::round(got / k * 10) / 10) + " mm where its options say " +
                    number_text(std::round(want / k * 10) / 10) +
                    " mm; make the bed profile's window what the film light covers");
  };
  const double w = static_cast<double>(s.width), h = static_cast<double>(s.height);
  if (std::abs(w - width) > std::max(17.0, k)) return wrong("width", w, width);
  if (s.height >= 0 && std::abs(h - height) > std::max(17.0, 1.2 * k))
    return wrong("height", h, height);
  return {};
}

Result<> capture(const Json& ask, Wire& wire) {
  const double start_seconds = ask.value("start_seconds", 200.0), began = now();
  OpenDevice open;
  if (auto r = open.open(ask.at("device"), known_of(ask), start_seconds, wire); !r) return r;
  auto surface = Surface::of(open.handle);
  if (!surface) return fail(surface.error());
  Wish wish;
  const Json& w = ask.at("window");
  wish.window = Rect<BedSpace>{{w[0].get<std::int64_t>()},
                               {w[1].get<std::int64_t>()},
                               {w[2].get<std::int64_t>()},
                               {w[3].get<std::int64_t>()}};
  wish.ppi = {ask.at("ppi").get<std::int32_t>()};
  wish.light = ask.value("light", Light::film);
  for (const auto& [key, value] : ask.at("options").items()) wish.options[key] = value;
  if (wish.light != Light::any && !find_source(*surface) && !film_only(*surface, ""))
    wish.device_type = identity_of(ask.at("device")).type;
  auto a = negotiate(*surface, wish);
  if (!a) return fail(a.error());
  const auto before = surface->values();

  Scan scan(open.handle, wire, wish.light == Light::infrared);
  auto started = scan.start(std::max(1.0, start_seconds - (now() - began)));
  if (!started) {
    Error e = started.error();
    std::string differ;
    for (const std::string& d : a->differs) differ += (differ.empty() ? "" : ", ") + d;
    if (e.fault == Fault::bad_data) {
      for (const auto& [name, value] : before)
        if (const Option* o = surface->find(name); o && o == find_depth(*surface) && value != "16")
          differ += (differ.empty() ? "" : ", ") + name + ": wanted 16, is " + value + " of " +
                    allowed(*o);
      if (!differ.empty()) e.text += " (" + differ + ")";
    }
    return fail(e);
  }
  if (a->own_area)
    a->area = {{0},
               {0},
               to_micrometres({started->width}, wish.ppi),
               to_micrometres({std::max<std::int64_t>(0, started->height)}, wish.ppi)};
  else if (auto r = check_size(*started, a->area, wish.ppi); !r)
    return r;
  std::vector<std::string> notes = a->notes;
  for (const std::string& lack : a->lacks) notes.push_back("not to be had: " + lack);
  wire.send(dump({{"event", "started"},
                  {"device", open.opened},
                  {"width", started->width},
                  {"height", started->height},
                  {"window", rect(a->area)},
                  {"ppi", wish.ppi.value},
                  {"asked", pairs(a->settings)},
                  {"got", pairs(before)},
                  {"notes", notes}}));
  auto rows = scan.rows();
  if (!rows) {
    scan.finish();
    return fail(rows.error());
  }
  // All rows are with the station now: what follows may hang without harm.
  wire.send(dump({{"event", "end"}, {"rows", *rows}}));
  scan.finish();
  wire.send(dump({{"event", "done"}, {"got", pairs(surface->values())}}));
  return {};
}

Result<> button(const Json& ask, Wire& wire) {
  OpenDevice open;
  if (auto r = open.open(ask.at("device"), known_of(ask), ask.value("start_seconds", 30.0), wire);
      !r)
    return r;
  auto surface = Surface::of(open.handle);
  if (!surface) return fail(surface.error());
  const auto look = [&]() -> Result<std::vector<std::string>> {
    for (const Option& o : surface->options())
      if (o.kind == Kind::button && o.active && has(words_of(o), "button update|update button")) {
        (void)surface->press(o.index);
        break;
      }
    std::vector<std::string> seen;
    for (const Option& o : surface->options())
      if (is_button_sensor(o)) {
        auto v = surface->text(o.index);
        if (!v && v.error().fault == Fault::io) return fail(v.error());  // it is gone
        seen.push_back(v && *v != "false" && *v != "0" ? *v : "");
      }
    return seen;
  };
  auto before = look();
  if (!before) return fail(before.error());
  if (before->empty())
    return fail(
        Fault::usage,
        "this flatbed shows no button of its own; use another key (terminal, stdin or evdev:PATH)");
  wire.send("{\"event\":\"waiting\"}");
  while (!wire.cancelled()) {
    wire.rest(1.0 / 3);
    if (wire.cancelled()) break;
    auto seen = look();
    if (!seen) return fail(seen.error());
    for (std::size_t i = 0; i < seen->size(); ++i)
      // What was pressed before the wait is old; a press is a value that comes.
      if (const std::string& v = (*seen)[i];
          !v.empty() && (i >= before->size() || v != (*before)[i])) {
        wire.send("{\"event\":\"done\",\"pressed\":true}");
        return {};
      }
    before = std::move(seen);
  }
  wire.send("{\"event\":\"done\",\"pressed\":false}");
  return {};
}

Result<> serve(const std::string& line, Wire& wire) {
  auto parsed = core::parse_json(line, "request");
  if (!parsed) return fail(Fault::internal, parsed.error().text);
  const std::string what = parsed->value("do", "");
  SANE_Int version = 0;
  if (const SANE_Status status = sane_init(&version, nullptr); status != SANE_STATUS_GOOD)
    return fail(explain(status, "starting SANE"));
  guard_signals();
  Result<> result = fail(Fault::internal, "the bed worker does not know \"" + what + "\"");
  if (what == "list")
    result = list(wire);
  else if (what == "probe")
    result = probe(*parsed, wire);
  else if (what == "capture")
    result = capture(*parsed, wire);
  else if (what == "button")
    result = button(*parsed, wire);
  if (!result)
    wire.send(dump({{"event", "error"},
                    {"fault", static_cast<int>(result.error().fault)},
                    {"text", result.error().text}}));
  sane_exit();
  return {};
}

}  // namespace

int worker_main(int request_fd, int reply_fd) {
  ::prctl(PR_SET_PDEATHSIG, SIGKILL);
  guard_signals();
  Wire wire(request_fd, reply_fd);
  std::string line;
  if (!wire.request(line)) return 0;
  try {
    if (auto r = serve(line, wire); !r)
      wire.send(dump({{"event", "error"},
                      {"fault", static_cast<int>(r.error().fault)},
                      {"text", r.error().text}}));
  } catch (const std::exception& e) {
    wire.send(dump({{"event", "error"},
                    {"fault", static_cast<int>(Fault::internal)},
                    {"text", std::string("the bed worker failed: ") + e.what()}}));
  }
  // Drivers' leftover threads must not outlive the answer.
  ::_exit(0);
}

}  // namespace lapwright::bed
