#include <algorithm>
#include <cstdlib>
#include <cstring>
#include <functional>
#include <nlohmann/json.hpp>
#include <regex>

#include "bed/bed.h"
#include "bed/worker_process.h"
#include "core/clock.h"
#include "core/json.h"

namespace lapwright::bed {
namespace {

constexpr double slice_seconds = 0.05;  // how soon `stop` is seen

std::string seconds_text(double s) { return std::to_string(static_cast<long>(s + 0.5)) + " s"; }

/// What helps when a device, or what lies between, does not answer.
std::string cure(const std::string& device) {
  return on_network(device) ? "see that its host is on and saned answers there"
                            : "switch the flatbed off and on";
}

Json json_of(const Rect<BedSpace>& r) {
  return {r.x.value, r.y.value, r.width.value, r.height.value};
}
Rect<BedSpace> rect_of(const Json& j) {
  return {{j.at(0).get<std::int64_t>()},
          {j.at(1).get<std::int64_t>()},
          {j.at(2).get<std::int64_t>()},
          {j.at(3).get<std::int64_t>()}};
}
Device device_of(const Json& j) {
  return {j.value("name", ""), j.value("vendor", ""), j.value("model", ""), j.value("type", "")};
}
std::vector<std::pair<std::string, std::string>> pairs_of(const Json& j) {
  std::vector<std::pair<std::string, std::string>> all;
  for (const Json& p : j) all.emplace_back(p.at(0).get<std::string>(), p.at(1).get<std::string>());
  return all;
}

/// What `read` makes of an answer; one fault where a member is missing or of another kind (a worker
/// of another version: the program was replaced while it ran).
template <class F>
auto understood(F read) -> decltype(read()) {
  try {
    return read();
  } catch (const Json::exception&) {
    return fail(Fault::internal,
                "the bed worker's answer is not understood; start lapwright again (was it replaced "
                "while it ran?)");
  }
}

/// One request and what it comes to, with the watchdog over it.
class Errand {
 public:
  Errand(WorkerProcess& worker, const WorkerOptions& options, const std::atomic<bool>* stop,
         const std::string& device)
      : worker_(worker), obey_seconds_(options.obey_seconds), stop_(stop), cure_(cure(device)) {}

  /// Longest silence until the next message, and what to say then.
  void allow(double seconds, std::string complaint) {
    most_idle_ = seconds, complaint_ = std::move(complaint);
  }
  void abort(Error reason) {
    if (reason_) return;
    reason_ = std::move(reason);
    asked_.restart();
    worker_.discard();
    worker_.say("cancel");
  }
  bool aborted() const { return reason_.has_value(); }

  /// Handles messages until `handle` says true (finished), it fails, or the worker is lost.
  Result<> run(const std::function<Result<bool>(Message&)>& handle) {
    for (;;) {
      if (stop_ && stop_->load()) abort({Fault::cancelled, "stopped"});
      if (!reason_ && most_idle_ > 0 && worker_.idle_seconds() > most_idle_)
        abort({Fault::io, complaint_});
      if (reason_ && asked_.seconds() > obey_seconds_) {
        worker_.kill();
        return fail(*reason_);
      }
      auto m = worker_.next(slice_seconds);
      if (!m) {
        if (!worker_.silent()) continue;
        return fail(reason_ ? *reason_
                            : Error{Fault::io, "the flatbed's driver ended unexpectedly " + phase +
                                                   "; " + cure_ + ", and try again"});
      }
      if (reason_) {
        if (m->kind == MessageKind::json && finished(*m)) return fail(*reason_);
        continue;
      }
      auto done = understood([&] { return handle(*m); });
      if (!done) return fail(done.error());
      if (*done) return {};
    }
  }
  std::string phase = "before it answered";

 private:
  static bool finished(const Message& m) {
    const Json j = Json::parse(m.body.begin(), m.body.end(), nullptr, false);
    const auto event = j.is_object() ? j.find("event") : j.end();
    return event != j.end() && (*event == "done" || *event == "error");
  }
  WorkerProcess& worker_;
  double obey_seconds_;
  const std::atomic<bool>* stop_;
  const std::string cure_;
  std::optional<Error> reason_;
  core::Stopwatch asked_;
  double most_idle_ = 0;
  std::string complaint_;
};

Result<Json> json_of(const Message& m) {
  Json j = Json::parse(m.body.begin(), m.body.end(), nullptr, false);
  if (!j.is_object())
    return fail(Fault::internal,
                "the bed worker answered with something that is not JSON; start lapwright again");
  if (j.at("event") != "error") return j;
  const int fault = j.at("fault");
  const bool known = fault >= 0 && fault <= static_cast<int>(Fault::cancelled);
  return fail(known ? static_cast<Fault>(fault) : Fault::internal, j.at("text"));
}

class SaneBed : public Bed {
 public:
  explicit SaneBed(WorkerOptions options) : options_(std::move(options)) { be_patient(); }
  Result<std::vector<Device>> list() override;
  Result<Capability> probe(const std::string& device) override;
  Result<Captured> capture(const Request& request, Receiver& receiver,
                           const std::atomic<bool>& stop) override;
  Result<bool> wait_for_button(const std::string& device, const std::atomic<bool>& stop) override;

 private:
  Result<Json> ask(const Json& request, const std::string& device);
  std::string no_answer(const std::string& device) const {
    return "the flatbed's driver did not answer within " + seconds_text(options_.look_seconds) +
           " and was ended; " + cure(device) + ", and try again";
  }
  /// What it was listed as; a bare name when it never was.
  Device known(const std::string& name) const {
    const auto at = std::find_if(listed_.begin(), listed_.end(),
                                 [&](const Device& d) { return d.name == name; });
    return at == listed_.end() ? Device{name, "", "", ""} : *at;
  }
  void be_patient();
  /// No worker is started for a wish that is not understood.
  Result<std::unique_ptr<WorkerProcess>> start() const {
    if (misread_) return fail(*misread_);
    return WorkerProcess::start(options_.program, options_.queue_bytes, options_.home_seconds);
  }
  WorkerOptions options_;
  std::optional<Error> misread_;
  std::vector<Device> listed_;
};

void SaneBed::be_patient() {
  const char* text = std::getenv("LAPWRIGHT_BED_PATIENCE");
  if (!text) return;
  char* end = nullptr;
  const double patience = std::strtod(text, &end);
  if (end == text || *end != 0 || !(patience >= 0.01 && patience <= 100)) {
    misread_ = {Fault::usage, "LAPWRIGHT_BED_PATIENCE=" + std::string(text) +
                                  ": a number from 0.01 to 100 would be right"};
    return;
  }
  for (double* seconds :
       {&options_.stall_seconds, &options_.start_seconds, &options_.obey_seconds,
        &options_.look_seconds, &options_.farewell_seconds, &options_.home_seconds})
    *seconds *= patience;
}

/// Asks for one answer.
Result<Json> SaneBed::ask(const Json& request, const std::string& device) {
  auto worker = start();
  if (!worker) return fail(worker.error());
  (*worker)->say(request.dump(-1, ' ', false, Json::error_handler_t::replace));
  Errand errand(**worker, options_, nullptr, device);
  errand.allow(options_.look_seconds, no_answer(device));
  Json answer;
  auto r = errand.run([&](Message& m) -> Result<bool> {
    auto j = json_of(m);
    if (!j) return fail(j.error());
    answer = std::move(*j);
    return answer.at("event") == "done";
  });
  if (!r) return fail(r.error());
  return answer;
}

Result<std::vector<Device>> SaneBed::list() {
  auto j = ask({{"do", "list"}}, "");
  if (!j) return fail(j.error());
  return understood([&]() -> Result<std::vector<Device>> {
    std::vector<Device> all;
    for (const Json& d : j->at("devices")) all.push_back(device_of(d));
    listed_ = all;
    return all;
  });
}

Result<Capability> SaneBed::probe(const std::string& device) {
  auto j = ask({{"do", "probe"},
                {"device", device},
                {"start_seconds", std::min(30.0, options_.start_seconds)}},
               device);
  if (!j) return fail(j.error());
  return understood([&]() -> Result<Capability> {
    Capability c;
    c.device = device_of(j->at("device"));
    c.sources = j->at("sources").get<std::vector<std::string>>();
    c.film_source = j->at("film_source");
    c.infrared = j->at("infrared");
    c.depths = j->at("depths").get<std::vector<int>>();
    c.resolutions = j->at("resolutions").get<std::vector<int>>();
    c.lacks = j->at("lacks").get<std::vector<std::string>>();
    c.notes = j->at("notes").get<std::vector<std::string>>();
    c.settings = j->at("settings").get<std::vector<Setting>>();
    c.options = j->at("options").get<std::vector<Seen>>();
    if (j->contains("window")) c.window = rect_of(j->at("window"));
    return c;
  });
}

Result<Captured> SaneBed::capture(const Request& request, Receiver& receiver,
                                  const std::atomic<bool>& stop) {
  if (request.window.empty() || request.ppi.value <= 0)
    return fail(Fault::bad_data, "a capture needs a window with a size and a resolution above 0");
  auto worker = start();
  if (!worker) return fail(worker.error());
  core::Stopwatch watch;
  Captured out;
  out.started = core::rfc3339_now();
  (*worker)->say(Json({{"do", "capture"},
                       {"device", request.device},
                       {"vendor", known(request.device).vendor},
                       {"model", known(request.device).model},
                       {"window", json_of(request.window)},
                       {"ppi", request.ppi.value},
                       {"options", request.options},
                       {"light", request.light},
                       {"start_seconds", options_.start_seconds}})
                     .dump(-1, ' ', false, Json::error_handler_t::replace));
  const std::string then =
      " and the driver was ended; " + cure(request.device) + ", and make the pass again";
  Errand errand(**worker, options_, &stop, request.device);
  // The worker itself gives up on a busy device at start_seconds; this is for a driver that hangs.
  errand.allow(options_.start_seconds + 2,
               "the flatbed did not start within " + seconds_text(options_.start_seconds) + then);
  std::int64_t rows = 0;
  bool whole = false;
  const auto finish = [&](const Json* done) {
    if (done) out.got = pairs_of(done->at("got"));
    out.format.height = rows;
    out.finished = core::rfc3339_now();
    out.seconds = watch.seconds();
  };
  auto r = errand.run([&](Message& m) -> Result<bool> {
    if (m.kind == MessageKind::rows) {
      errand.allow(options_.stall_seconds, "the flatbed gave no row for " +
                                               seconds_text(options_.stall_seconds) +
                                               " after row " + std::to_string(rows) + then);
      const std::int64_t row_bytes = out.format.width * 6;
      const std::int64_t count =
          row_bytes > 0 ? static_cast<std::int64_t>(m.body.size()) / row_bytes : 0;
      if (count == 0 || count * row_bytes != static_cast<std::int64_t>(m.body.size()))
        return fail(Fault::internal, "the bed worker sent a part of a row; make the pass again");
      rows += count;
      if (auto taken = receiver.rows(reinterpret_cast<const std::uint16_t*>(m.body.data()), count);
          !taken)
        return fail(taken.error());
      return false;
    }
    auto j = json_of(m);
    if (!j) return fail(j.error());
    const std::string event = j->value("event", "");
    if (event == "started") {
      out.format = {j->at("width").get<std::int64_t>(),
                    j->at("height").get<std::int64_t>(),
                    rect_of(j->at("window")),
                    {j->at("ppi").get<std::int32_t>()}};
      out.device = j->at("device");
      out.asked = pairs_of(j->at("asked"));
      out.got = pairs_of(j->at("got"));
      out.notes = j->at("notes").get<std::vector<std::string>>();
      errand.phase = "during the pass";
      // Some devices warm up between the start and the first row.
      errand.allow(std::max(options_.stall_seconds, options_.start_seconds - watch.seconds()),
                   "the flatbed started but gave no row" + then);
      if (auto begun = receiver.begin(out.format); !begun) return fail(begun.error());
    } else if (event == "busy") {
      receiver.busy();
    } else if (event == "progress") {
      errand.allow(options_.stall_seconds,
                   "the flatbed gave no row for " + seconds_text(options_.stall_seconds) + then);
    } else if (event == "end") {
      if (j->at("rows").get<std::int64_t>() != rows)
        return fail(Fault::internal,
                    "rows were lost between the bed worker and the station; make the pass again");
      whole = true;
      errand.phase = "after the pass";
      errand.allow(options_.farewell_seconds, "the flatbed did not finish" + then);
    } else if (event == "done") {
      finish(&*j);
      return true;
    }
    return false;
  });
  if (!r && !whole) {
    // The worker is told before it is left, so that the carriage goes home by the driver's own
    // hand.
    if (!errand.aborted() && !(*worker)->silent()) {
      errand.abort(r.error());
      (void)errand.run([](Message&) -> Result<bool> { return true; });
    }
    return fail(r.error());
  }
  if (!r) {
    // Every row is here; what the driver does afterwards takes nothing away.
    if (r.error().fault == Fault::cancelled) return fail(r.error());
    (*worker)->kill();
    finish(nullptr);
  }
  return out;
}

Result<bool> SaneBed::wait_for_button(const std::string& device, const std::atomic<bool>& stop) {
  auto worker = start();
  if (!worker) return fail(worker.error());
  (*worker)->say(Json({{"do", "button"},
                       {"device", device},
                       {"vendor", known(device).vendor},
                       {"model", known(device).model},
                       {"start_seconds", std::min(30.0, options_.start_seconds)}})
                     .dump(-1, ' ', false, Json::error_handler_t::replace));
  Errand errand(**worker, options_, &stop, device);
  errand.allow(options_.look_seconds, no_answer(device));
  bool pressed = false;
  auto r = errand.run([&](Message& m) -> Result<bool> {
    auto j = json_of(m);
    if (!j) return fail(j.error());
    if (j->value("event", "") == "waiting") errand.allow(0, "");
    if (j->value("event", "") != "done") return false;
    pressed = j->value("pressed", false);
    return true;
  });
  if (!r && r.error().fault == Fault::cancelled && stop.load()) return false;
  if (!r) return fail(r.error());
  return pressed;
}

}  // namespace

std::unique_ptr<Bed> make_sane_bed(const WorkerOptions& options) {
  return std::make_unique<SaneBed>(options);
}

bool matches(const std::string& vendor, const std::string& model, const Device& device) {
  try {
    return std::regex_match(device.vendor, std::regex(vendor, std::regex::extended)) &&
           std::regex_match(device.model, std::regex(model, std::regex::extended));
  } catch (const std::regex_error&) {
    return false;
  }
}

}  // namespace lapwright::bed
