#include "station/station.h"

#include <unistd.h>

#include <algorithm>
#include <boost/asio.hpp>
#include <cmath>
#include <cstdio>
#include <nlohmann/json.hpp>
#include <set>

#include "core/clock.h"
#include "core/files.h"
#include "core/text.h"
#include "plan/sketch.h"
#include "plan/windows.h"
#include "station/events.h"
#include "station/key.h"
#include "station/lane.h"
#include "station/full.h"
#include "station/pass_note.h"
#include "station/seat.h"
#include "station/transition.h"

namespace lapwright::station {
namespace {

namespace asio = boost::asio;
namespace fs = std::filesystem;
using AssignmentPtr = std::shared_ptr<Assignment>;

const char* job_name(const Assignment& a) {
  return a.job.kind == ledger::JobKind::proof ? "proof" : "full";
}

class Driver {
 public:
  Driver(Setting setting, bed::Bed& bed, const Options& options,
         std::unique_ptr<EventStream> events, ledger::Ledger ledger)
      : setting_(std::move(setting)),
        bed_(bed),
        options_(options),
        events_(std::move(events)),
        ledger_(std::move(ledger)) {
    state_.once = options.once;
    events_->also([this](const Json& event) { seat_.tell(event); });
    progress_.busy = [this] {
      then([this] {
        const std::string say = "The flatbed is busy or still warming up; it is asked again until it starts.";
        events_->emit("busy", {{"say", say}});
        person(say);
      });
    };
  }

  Result<int> run() {
    auto key = make_key_source(options_.key, bed_, setting_.device,
                               [this](Heard h) { asio::post(io_, [this, h] { hear(h); }); });
    if (!key) return fail(key.error());
    key_ = std::move(*key);
    events_->emit("ready", {{"bed", setting_.bed.name},
                            {"device", setting_.device},
                            {"archive", setting_.archive.string()},
                            {"key", options_.key}});
    person("Ready: " + setting_.bed.name + " on " + setting_.device +
           ". Film must be clean and dry, the glass free of dust.");
    if (!ledger_.restored().empty()) person(ledger_.restored());
    wait_for_signal();
    tick();
    on_storage([this] {
      // What a kill left behind is in no event: a pass that was whole is recorded, the rest goes.
      auto swept = ledger_.sweep(read_pass_note);
      if (!swept) return give_up(swept.error());
      then([this, recovered = std::move(swept->recovered)] {
        if (!take_the_seat()) return;
        for (const ledger::PassNote& p : recovered)
          person(p.roll + ": pass " + std::to_string(p.pass) +
                 " was whole when the station stopped; it is kept.");
        carry_out(command::FindJob{});
      });
    });
    auto stay = asio::make_work_guard(io_);
    io_.run();
    // A pass that was whole when the end came is still recorded.
    bed_lane_.finish();
    storage_lane_.finish();
    return exit_code_;
  }

 private:
  /// Now that the archive is this station's. Without a way for the page all else works, unless its key is the only one.
  bool take_the_seat() {
    auto open = seat_.open(setting_.archive, [this](Heard h) { asio::post(io_, [this, h] { hear(h); }); });
    if (open) return true;
    if (options_.key == "page") {
      give_up(open.error());
      return false;
    }
    person("The page cannot show the bed: " + open.error().text);
    return true;
  }

  // ---- events in, commands out

  void take(const Event& event) {
    Step step = transition(state_, event);
    if (!step.refused.empty()) {
      person("(" + step.refused + " is not possible now)");
      return;
    }
    state_ = std::move(step.state);
    for (const Command& c : step.commands)
      std::visit([this](const auto& command) { carry_out(command); }, c);
  }
  void then(std::function<void()> task) { asio::post(io_, std::move(task)); }
  void then_take(Event event) {
    then([this, event] { take(event); });
  }

  void hear(const Heard& heard) {
    if (heard.fault) return heard.ended ? give_up(*heard.fault) : fault(*heard.fault, "");
    if (heard.ended) return take(event::KeysEnded{});
    if (heard.word.empty()) {
      if (state_.phase != Phase::placing) return;
      events_->emit("key", Json::object());
      since_key_.restart();
      current_->key_at = core::rfc3339_now();
      lies_ = {current_->job.id, state_.pass};
      return take(event::Key{});
    }
    if (heard.word == "again") return take(event::Again{});
    if (heard.word == "skip") return take(event::Skip{});
    if (heard.word == "cancel") return cancel();
    if (heard.word == "stop") return take(event::Stop{});
    person("\"" + core::one_line(heard.word) +
           "\" is not understood here; right are an empty line (the key), again, skip, cancel and stop");
  }

  void carry_out(const command::FindJob&) {
    std::vector<std::int64_t> left_out = skipped_;
    left_out.insert(left_out.end(), state_.background.begin(), state_.background.end());
    on_storage([this, left_out, finishing = finishing_]() mutable {
      auto job = ledger_.next_job(left_out);
      // Two jobs of one roll would write passes of the same names: the other waits.
      while (job && *job && finishing.count((*job)->roll.name)) {
        left_out.push_back((*job)->id);
        job = ledger_.next_job(left_out);
      }
      if (!job) return give_up(job.error());
      if (!*job) return then_take(event::NoJob{});
      bool planned_now = false;
      auto prepared = prepare(setting_, **job, planned_now);
      if (prepared && planned_now) {
        if (auto r = ledger_.job_planned((*job)->id, plan::to_json(prepared->plan)); !r)
          return give_up(r.error());
      }
      then([this, id = (*job)->id, roll = (*job)->roll.name,
            prepared = std::move(prepared)]() mutable {
        if (state_.phase != Phase::seeking) return;
        if (!prepared) {
          fault(prepared.error(), "roll " + roll + ": ", false, roll);
          if (options_.once)
            return take(event::CannotGoOn{core::exit_code(prepared.error().fault)});
          skipped_.push_back(id);
          return carry_out(command::FindJob{});
        }
        current_ = std::make_shared<Assignment>(std::move(*prepared));
        for (const std::string& caution : current_->plan.cautions) person("Caution: " + caution);
        if (setting_.infrared != Setting::Infrared::none && current_->stock.silver)
          person(current_->job.roll.name +
                 ": without infrared, since silver holds it back as dust does.");
        take(event::JobFound{id, static_cast<int>(current_->plan.passes.size()), current_->kept()});
      });
    });
  }

  void carry_out(const command::WaitForWork&) {
    if (said_idle_) return;
    said_idle_ = true;
    const std::string say =
        "No roll waits. Add one with `lapwright roll add`, or ask for frames with `lapwright "
        "want`.";
    events_->emit("waiting", {{"say", say}});
    person(say);
  }

  void carry_out(const command::AskToPlace& c) {
    said_idle_ = false;
    cancelled_ = false;
    const Assignment& a = *current_;
    const bool as_before = a.job.kind == ledger::JobKind::full ? lies_.first == a.job.id
                                                               : lies_ == std::pair{a.job.id, c.pass - 1};
    const std::string sentence = how_to_place(setting_, a, c.pass, as_before);
    events_->emit("place", {{"roll", a.job.roll.name},
                            {"job", job_name(a)},
                            {"pass", c.pass},
                            {"of", a.plan.passes.size()},
                            {"lay", plan::to_json(a.pass(c.pass), a.plan.ppi)},
                            {"say", sentence},
                            {"seconds_after", seconds_after(c.pass)},
                            {"drawing", drawing(c.pass)}});
    person("\a" + a.job.roll.name + ", " + job_name(a) + ", pass " + std::to_string(c.pass) +
           " of " + std::to_string(a.plan.passes.size()) + ": " + sentence +
           " Then press the key.");
    key_->arm(true);
  }

  /// What the passes behind this one will take by the plan.
  double seconds_after(int pass) const {
    double seconds = 0;
    for (const plan::Pass& p : current_->plan.passes)
      if (p.number > pass) seconds += p.seconds;
    return seconds;
  }
  /// What the page draws: the lay, and which frames are wanted of it.
  Json drawing(int pass) const {
    const Assignment& a = *current_;
    Json out = plan::to_json(plan::sketch_of(a.plan, a.pass(pass), a.sleeve, setting_.bed));
    Json wanted = Json::array();
    for (const frames::Frame& f : a.wanted) {
      if (a.found.count(f.frame)) continue;
      Json corners = Json::array();
      for (const auto& c : f.corners) corners.push_back({c.x, c.y});
      wanted.push_back({{"frame", f.frame}, {"corners", std::move(corners)}});
    }
    out["wanted"] = std::move(wanted);
    return out;
  }

  // ---- a look at a sleeve laid anyhow: whose it is, and the windows of the wanted frames

  void look_anyhow(int pass) {
    stop_bed_ = false;
    on_storage([this, a = current_, pass, busy = finishing_] {
      auto due = ledger_.due();
      if (!due) return give_up(due.error());
      std::vector<std::string> rolls{a->job.roll.name};
      for (const ledger::Want& w : *due)
        if (!busy.count(w.roll) && std::find(rolls.begin(), rolls.end(), w.roll) == rolls.end())
          rolls.push_back(w.roll);
      bed_lane_.post([this, a, pass, rolls] {
        key_->arm(false);
        const Ppi ppi = anyhow_ppi();
        auto picture = look_picture(setting_, bed_, ppi, stop_bed_);
        auto seen = picture ? recognise(setting_, rolls, a->job.roll.name, a->print, *picture)
                            : Result<Recognised>(fail(picture.error()));
        on_storage([this, a, pass, seen = std::move(seen)]() mutable {
          if (!seen) return then([this, e = seen.error()] { look_failed(e); });
          if (seen->roll.empty()) {
            return then([this, pass, seen = std::move(*seen)] { not_recognised(pass, seen); });
          }
          AssignmentPtr is = a;
          if (seen->roll != a->job.roll.name) {
            auto other = full_job_of(seen->roll);
            if (!other) return then([this, e = other.error()] { look_failed(e); });
            is = std::move(*other);
          }
          const double off = off_plan(*is, seen->lay);
          auto planned = plan_windows(setting_, *is, *seen);
          if (!planned) return then([this, e = planned.error()] { look_failed(e); });
          const int kept = is->kept();
          if (planned->under > kept)
            if (auto r = ledger_.job_planned(is->job.id, plan::to_json(is->plan), kept); !r)
              return give_up(r.error());
          then([this, is, kept, off, seen = std::move(*seen), planned = std::move(*planned)] {
            recognised(is, kept, off, seen, planned);
          });
        });
      });
    });
  }
  /// Fine enough for the code on a film's edge (trade.md 1.4), where the bed has it.
  Ppi anyhow_ppi() const {
    for (const Ppi p : setting_.bed.ppi)
      if (p.value >= 200) return p;
    return setting_.bed.ppi.back();
  }
  /// On the storage lane: the job of a roll's wanted frames, as find_job would give it.
  Result<AssignmentPtr> full_job_of(const std::string& roll) {
    std::vector<std::int64_t> left_out;
    for (;;) {
      auto job = ledger_.next_job(left_out);
      if (!job) return fail(job.error());
      if (!*job)
        return fail(Fault::try_again, "frames of " + roll + " are being finished; press the key again in a moment");
      if ((*job)->roll.name == roll && (*job)->kind == ledger::JobKind::full) {
        bool planned_now = false;
        auto prepared = prepare(setting_, **job, planned_now);
        if (!prepared) return fail(prepared.error());
        return std::make_shared<Assignment>(std::move(*prepared));
      }
      left_out.push_back((*job)->id);
    }
  }
  void look_failed(const Error& error) {
    if (state_.phase == Phase::looking) pass_failed(error);
  }
  void not_recognised(int pass, const Recognised& seen) {
    if (state_.phase != Phase::looking) return;
    const auto& m = current_->pass(pass).lay.sleeve_to_bed;  // not measured: as planned
    events_->emit("look", {{"found", false},
                           {"roll", nullptr},
                           {"lay", {{"sleeve_to_bed", {m.a, m.b, m.c, m.d, m.e, m.f}}}},
                           {"off_mm", 0},
                           {"off_degrees", 0},
                           {"covers_needed", false},
                           {"agreeing", seen.agreeing},
                           {"next", seen.next},
                           {"say", seen.say}});
    lies_ = {};
    again(pass, seen.why, seen.say);
    take(event::LookBad{});
  }
  /// How far the sleeve's middle lies from where the drawing of the next pass has it, mm.
  static double off_plan(const Assignment& a, const Affine<SleeveSpace, BedSpace>& lay) {
    const int next = std::min(a.kept() + 1, static_cast<int>(a.plan.passes.size()));
    const Spot<SleeveSpace> middle = Rect<SleeveSpace>{{0}, {0}, a.sleeve.page.width, a.sleeve.page.height}.centre_mm();
    const auto is = lay(middle), drawn = a.pass(next).lay.sleeve_to_bed(middle);
    return std::hypot(is.x - drawn.x, is.y - drawn.y);
  }
  void recognised(const AssignmentPtr& is, int kept, double off, const Recognised& seen, const WindowsPlanned& planned) {
    if (state_.phase != Phase::looking) return;
    const auto& m = seen.lay;
    const plan::Lay lay = plan::lay_of(m);
    const double tilt = std::remainder((lay.mirrored ? std::atan2(-m.b, -m.a) : std::atan2(m.b, m.a)) * 180 / 3.14159265358979 - lay.turn, 360.0);
    const bool some = planned.under > kept;
    events_->emit("look", {{"found", true},
                           {"roll", seen.roll},
                           {"lay", {{"turn", lay.turn}, {"mirrored", lay.mirrored}, {"sleeve_to_bed", {m.a, m.b, m.c, m.d, m.e, m.f}}}},
                           {"off_mm", off},
                           {"off_degrees", tilt},
                           {"covers_needed", planned.cut.empty()},
                           {"agreeing", seen.agreeing},
                           {"next", seen.next},
                           {"frames_seen", seen.frames_seen},
                           {"frames_same", seen.frames_same},
                           {"cut", planned.cut},
                           {"windows", planned.under - kept},
                           {"seconds", seen.seconds},
                           {"say", planned.say}});
    if (is != current_) {
      person("This is " + seen.roll + ": its frames are made first.");
      is->key_at = current_->key_at;
      current_ = is;
    }
    if (!some) {
      again(state_.pass, "none of the wanted frames lies whole in the window", planned.say);
      return take(event::LookBad{});
    }
    person(is->job.roll.name + (lay.mirrored ? ", wrong side up" : "") + ": " + std::to_string(planned.under - kept) +
           (planned.under - kept == 1 ? " window" : " windows") + " to capture; leave the sleeve lying." + (planned.say.empty() ? "" : " Afterwards: " + planned.say));
    lies_ = {is->job.id, kept + 1};
    take(event::LookGood{is->job.id, kept + 1, static_cast<int>(is->plan.passes.size()), planned.under});
  }

  void carry_out(const command::StartLook& c) {
    cancelled_ = false;
    if (current_->job.kind == ledger::JobKind::full) return look_anyhow(c.pass);
    const auto ppi = options_.look ? look_ppi(setting_, *current_, c.pass) : std::nullopt;
    if (!ppi) return then_take(event::LookGood{});
    stop_bed_ = false;
    bed_lane_.post([this, a = current_, pass = c.pass, ppi = *ppi] {
      key_->arm(false);
      auto seen = look(setting_, bed_, *a, pass, ppi, stop_bed_);
      then([this, seen, pass] {
        if (state_.phase != Phase::looking) return;
        if (!seen) return pass_failed(seen.error());
        const auto& m = seen->lay;
        events_->emit("look", {{"found", seen->found},
                               {"lay", {{"sleeve_to_bed", {m.a, m.b, m.c, m.d, m.e, m.f}}}},
                               {"off_mm", seen->off_mm},
                               {"off_degrees", seen->off_degrees},
                               {"covers_needed", seen->covers_needed},
                               {"certain", seen->certain},
                               {"say", seen->say}});
        const bool bad = !acceptable(*current_, pass, *seen);
        if (!bad) return take(event::LookGood{});
        again(pass,
              seen->found ? "the sleeve lies where the window does not show all that this pass must"
                          : "no sleeve as planned was seen",
              seen->say);
        take(event::LookBad{});
      });
    });
  }

  void carry_out(const command::StartCapture& c) {
    if (cancelled_) return pass_cancelled();  // said while the look was ending
    stop_bed_ = false;
    events_->emit("pass", {{"roll", current_->job.roll.name},
                           {"job", job_name(*current_)},
                           {"pass", c.pass},
                           {"of", current_->plan.passes.size()},
                           {"lay", plan::to_json(current_->pass(c.pass), current_->plan.ppi)},
                           {"seconds_after", seconds_after(c.pass)},
                           {"drawing", drawing(c.pass)}});
    progress_.line = progress_.of = progress_.bytes = 0;
    pass_watch_.restart();
    // By way of the storage lane: a file dropped from the ledger is gone before its name is used
    // again.
    on_storage([this, a = current_, number = c.pass] {
      if (auto r = ledger_.about_to_capture(a->job.id, number); !r) return give_up(r.error());
      bed_lane_.post([this, a, number] {
        key_->arm(false);
        std::optional<lap::Report> early;
        auto kept = capture(setting_, bed_, *a, number, progress_, stop_bed_, early);
        on_storage([this, a, number, early, kept = std::move(kept)]() mutable {
          if (kept) {
            if (auto r = ledger_.pass_captured(a->job.id, number, kept->file, kept->capture); !r)
              return give_up(r.error());
          }
          then([this, a, number, early, kept = std::move(kept)]() mutable {
            if (!kept) {
              if (state_.phase != Phase::capturing) return;
              if (!early) return pass_failed(kept.error());
              lap_judged(a->job.id, *early);
              return laps_bad(refusal(*a, number, *early));
            }
            events_->emit("captured", {{"pass", number},
                                       {"file", (setting_.archive / kept->file.path).string()},
                                       {"sha256", kept->file.sha256},
                                       {"seconds", kept->capture.value("seconds", 0.0)}});
            person("Pass " + std::to_string(number) + " captured.");
            a->passes[number] = std::move(*kept);
            take(event::CaptureDone{});
          });
        });
      });
    });
  }

  void carry_out(const command::CheckLaps& c) {
    check_lane_.post([this, a = current_, number = c.pass] {
      const auto compared = [&](const std::string& event, const Json& members) {
        Json all = {{"roll", a->job.roll.name}};
        all.update(members);
        events_->emit(event, all);
      };
      auto verdict = a->job.kind == ledger::JobKind::full
                         ? check_full(setting_, *a, number, compared)
                         : check(setting_, *a, number, [&](const lap::Report& r) { lap_judged(a->job.id, r); });
      then([this, verdict] {
        if (state_.phase != Phase::checking) return;
        if (!verdict) return pass_failed(verdict.error());
        if (verdict->good) return take(event::LapsGood{});
        laps_bad(*verdict);
      });
    });
  }

  void carry_out(const command::DropPass& c) {
    const AssignmentPtr a = current_;
    const auto it = a->passes.find(c.pass);
    if (it == a->passes.end()) return;
    std::vector<fs::path> files{setting_.archive / it->second.file.path};
    if (it->second.infrared) files.push_back(setting_.archive / it->second.infrared->file.path);
    a->passes.erase(it);
    std::erase_if(a->found, [&](const auto& f) { return f.second.pass == c.pass; });
    std::erase_if(a->laps, [&](const lap::Report& r) { return r.a == c.pass || r.b == c.pass; });
    on_storage([this, id = a->job.id, pass = c.pass, files,
                why = why_dropped_.empty() ? std::string("asked for again") : why_dropped_] {
      if (auto r = ledger_.pass_refused(id, pass, why); !r) return give_up(r.error());
      for (const fs::path& file : files)
        if (auto r = core::remove_file(file); !r) give_up(r.error());
    });
  }

  void carry_out(const command::FinishJob& c) {
    const std::string say = "All passes are good; the sleeve may be taken off. Joining and converting go on by themselves.";
    events_->emit("handed_over", {{"roll", current_->job.roll.name}, {"job", job_name(*current_)}, {"say", say}});
    person(current_->job.roll.name + ": all passes are good; the sleeve may be taken off. Joining and converting go on by themselves.");
    finishing_.insert(current_->job.roll.name);
    work_lane_.post([this, a = std::move(current_), id = c.job, since = since_key_] {
      const Tell tell = [&](const std::string& event, const Json& members) {
        Json all = {{"roll", a->job.roll.name}};
        all.update(members);
        events_->emit(event, all);
        if (event == "converted") then([this, all] { tell_cautions(all); });
      };
      const bool proof = a->job.kind == ledger::JobKind::proof;
      auto products = proof ? finish_proof(setting_, *a, tell, stop_work_)
                            : finish_full(setting_, *a, tell, stop_work_);
      on_storage([this, a, id, proof, since, products = std::move(products)]() mutable {
        auto recorded = [&]() -> Result<> {
          if (!products) {
            const Error& e = products.error();
            if (e.fault != Fault::cancelled)
              if (auto r = ledger_.note("job.failed", {{"job", id},
                                                       {"code", core::exit_code(e.fault)},
                                                       {"say", e.text}});
                  !r)
                give_up(r.error());
            return fail(e);
          }
          if (!products->outside.is_null()) {
            Json said = {{"job", id}};
            said.update(products->outside);
            if (auto r = ledger_.note("converted.outside", said); !r) return r;
          }
          auto r = proof ? ledger_.proof_done(id, products->files, products->frames)
                         : ledger_.full_done(id, products->files, products->at_full, a->plan.ppi, products->checks);
          if (!r) return r;
          if (!proof)
            for (const auto& [number, pass] : a->passes) {  // one that stays goes at the next start
              (void)core::remove_file(setting_.archive / pass.file.path);
              if (pass.infrared)
                (void)core::remove_file(setting_.archive / pass.infrared->file.path);
            }
          return {};
        }();
        then([this, a, id, since, recorded] {
          finishing_.erase(a->job.roll.name);
          if (!recorded) {
            if (recorded.error().fault != Fault::cancelled)
              fault(recorded.error(), "roll " + a->job.roll.name + ": ", false, a->job.roll.name);
            return take(event::JobFailed{id, core::exit_code(recorded.error().fault)});
          }
          events_->emit(
              "done",
              {{"roll", a->job.roll.name}, {"job", job_name(*a)}, {"seconds", since.seconds()}});
          person("\a" + a->job.roll.name + ": " + job_name(*a) + " done; see " +
                 a->folder(setting_).string());
          take(event::JobDone{id});
        });
      });
    });
  }

  void carry_out(const command::SkipJob& c) { skipped_.push_back(c.job); }
  void carry_out(const command::CancelBed&) { stop_bed_ = true; }
  void carry_out(const command::CancelBackground&) { stop_work_ = true; }
  void carry_out(const command::End& c) {
    exit_code_ = c.exit_code;
    if (Error e{Fault::try_again, "the key's input has ended and nobody can say that the sleeve lies; "
                                  "start the station again where the key can be pressed"};
        c.exit_code == core::exit_code(e.fault) && !said_why_)
      fault(e, "", true);
    stop_bed_ = true;
    io_.stop();
  }

  // ---- what goes wrong

  /// `roll`: whose work goes no further for now.
  void fault(const Error& error, const std::string& where, bool fatal = false, const std::string& roll = {}) {
    Json members = {{"code", core::exit_code(error.fault)}, {"say", where + error.text}, {"fatal", fatal}};
    if (!roll.empty()) members["roll"] = roll;
    events_->emit("fault", members);
    said_why_ = said_why_ || fatal;
    person(where + error.text);
  }
  void pass_failed(const Error& error) {
    if (cancelled_ && error.fault == Fault::cancelled) return pass_cancelled();
    fault(error, "");
    take(event::PassFailed{});
  }
  /// The person's word, while the bed is at work.
  void cancel() {
    cancelled_ = state_.phase == Phase::looking || state_.phase == Phase::capturing;
    take(event::Cancel{});
  }
  void pass_cancelled() {
    again(state_.pass, "cancelled at the bed",
          "Pass " + std::to_string(state_.pass) + " was cancelled; press the key when the sleeve lies for it.");
    take(event::PassFailed{});
  }
  /// From any thread.
  void lap_judged(std::int64_t job, const lap::Report& report) {
    events_->emit("lap", to_json(report));
    on_storage([this, job, kept = to_json(report)] {
      if (auto r = ledger_.lap_checked(job, kept); !r) give_up(r.error());
    });
  }
  void laps_bad(const Verdict& verdict) {
    again(verdict.pass, verdict.why, verdict.say);
    why_dropped_ = verdict.why;
    take(event::LapsBad{verdict.pass});
    why_dropped_.clear();
  }
  void again(int pass, const std::string& why, const std::string& say) {
    events_->emit("again", {{"pass", pass}, {"why", why}, {"say", say}});
    person("Pass " + std::to_string(pass) + " must be made again: " + say);
  }
  /// What the proof's reader should know, from the event that tells it.
  void tell_cautions(const Json& converted) {
    const std::string roll = converted.at("roll").get<std::string>() + ": ";
    for (const Json& caution : converted.at("cautions")) person(roll + caution.get<std::string>());
    const Json& lettering = converted.at("lettering");
    if (!lettering.contains("why")) return;
    std::string text = roll + lettering.at("why").get<std::string>();
    if (lettering.contains("trim")) {
      std::string trim;
      for (const auto& [name, value] : lettering.at("trim").items()) {
        char number[32];
        std::snprintf(number, sizeof number, "%.3g", value.get<double>());
        trim += (trim.empty() ? "" : ", ") + name + ": " + number;
      }
      text += "; in the stock's profile, trim: {" + trim + "} would bring it near";
    }
    person(text);
  }
  /// The ledger itself cannot go on: nothing may be captured that could not be recorded. From any
  /// thread.
  void give_up(const Error& error) {
    then([this, error] {
      fault(error, "", true);
      stop_work_ = true;
      take(event::Withdraw{core::exit_code(error.fault)});
    });
  }

  // ---- time, signals, lanes

  void wait_for_signal() {
    signals_.async_wait([this](const boost::system::error_code& e, int number) {
      if (e) return;
      if (withdrawing_) ::_exit(130);
      withdrawing_ = true;
      person("Stopping; what is captured stays.");
      wait_for_signal();
      take(event::Withdraw{number == SIGINT ? 130 : 0});
    });
  }

  void tick() {
    timer_.expires_after(std::chrono::milliseconds(500));
    timer_.async_wait([this](const boost::system::error_code& e) {
      if (e) return;
      if (state_.phase == Phase::capturing) report_progress();
      if (state_.phase == Phase::idle && ++idle_ticks_ % 4 == 0) take(event::NewWork{});
      tick();
    });
  }

  void report_progress() {
    const double gone = pass_watch_.seconds();
    const auto line = progress_.line.load(), of = progress_.of.load();
    const double left = line > 0 && of > 0
                            ? gone / static_cast<double>(line) * static_cast<double>(of - line)
                            : std::max(0.0, current_->pass(state_.pass).seconds - gone);
    events_->emit("capture", {{"pass", state_.pass},
                              {"line", line},
                              {"of", of},
                              {"bytes", progress_.bytes.load()},
                              {"seconds_left", left}});
    if (::isatty(2) && of > 0)
      std::fprintf(stderr, "\r  line %lld of %lld, %.0f s left   ", static_cast<long long>(line),
                   static_cast<long long>(of), left);
  }

  void on_storage(std::function<void()> task) { storage_lane_.post(std::move(task)); }
  /// A message for the person; the bell only where there is a terminal.
  void person(const std::string& text) {
    const bool bell = !text.empty() && text[0] == '\a';
    if (::isatty(2)) std::fprintf(stderr, "\r\033[K%s", bell ? "\a" : "");
    std::fprintf(stderr, "%s\n", text.c_str() + (bell ? 1 : 0));
  }

  const Setting setting_;
  bed::Bed& bed_;
  const Options options_;
  std::unique_ptr<EventStream> events_;
  ledger::Ledger ledger_;  // storage lane only
  asio::io_context io_;
  asio::signal_set signals_{io_, SIGINT, SIGTERM, SIGHUP};
  asio::steady_timer timer_{io_};
  State state_;
  Seat seat_;              // before the lanes, which tell it; the claim of the ledger outlives it
  AssignmentPtr current_;  // the job at the bed
  std::vector<std::int64_t> skipped_;
  std::string why_dropped_;
  std::pair<std::int64_t, int> lies_;  // job and pass that the sleeve lies for, as far as is known
  std::unique_ptr<KeySource> key_;  // goes after the lanes, which arm it
  Progress progress_;
  core::Stopwatch since_key_, pass_watch_;
  std::set<std::string> finishing_;  // rolls
  std::atomic<bool> stop_bed_{false}, stop_work_{false};
  bool withdrawing_ = false, said_idle_ = false, said_why_ = false;
  bool cancelled_ = false;  // the look or pass that runs, by the person's word
  int idle_ticks_ = 0, exit_code_ = 0;
  Lane storage_lane_, check_lane_, work_lane_, bed_lane_;  // last: they use all of the above
};

}  // namespace

Result<int> run(Setting setting, std::unique_ptr<bed::Bed> bed, const Options& options) {
  auto events = EventStream::open(options.events);
  if (!events) return fail(events.error());
  auto ledger = ledger::Ledger::open(setting.archive);
  if (!ledger) return fail(ledger.error());
  Driver driver(std::move(setting), *bed, options, std::move(*events), std::move(*ledger));
  return driver.run();
}

}  // namespace lapwright::station
