#include <fcntl.h>
#include <sys/mman.h>
#include <unistd.h>

#include <algorithm>
#include <charconv>
#include <condition_variable>
#include <cstring>
#include <memory>
#include <mutex>
#include <optional>
#include <set>
#include <sstream>
#include <thread>
#include <vector>

#include "cli/command.h"
#include "hostile.h"
#include "station/key.h"
#include "station/transition.h"

namespace lapwright::hostile {
namespace {

using station::Heard;

class NoBed : public bed::Bed {
 public:
  Result<std::vector<bed::Device>> list() override { return std::vector<bed::Device>{}; }
  Result<bed::Capability> probe(const std::string&) override {
    return fail(Fault::unavailable, "none");
  }
  Result<bed::Captured> capture(const bed::Request&, bed::Receiver&,
                                const std::atomic<bool>&) override {
    return fail(Fault::unavailable, "none");
  }
  Result<bool> wait_for_button(const std::string&, const std::atomic<bool>&) override {
    return fail(Fault::unavailable, "none");
  }
};

/// All that a key source hears until its bytes end.
std::vector<Heard> hear(const std::string& key) {
  NoBed bed;
  std::mutex lock;
  std::condition_variable wake;
  std::vector<Heard> heard;
  const auto source = station::make_key_source(key, bed, "", [&](Heard h) {
    const std::lock_guard guard(lock);
    heard.push_back(std::move(h));
    wake.notify_all();
  });
  must(source.has_value(), "no key source");
  std::unique_lock guard(lock);
  wake.wait(guard, [&] { return !heard.empty() && heard.back().ended; });
  heard.pop_back();
  return heard;
}

/// The words that the lines of `bytes` hold, as key.h tells: without blanks at either end, cut at
/// 200 bytes.
std::vector<std::string> words_of(std::string_view bytes) {
  std::vector<std::string> words;
  while (!bytes.empty()) {
    const std::size_t end = std::min(bytes.find('\n'), bytes.size());
    std::string word(bytes.substr(0, std::min<std::size_t>(end, 200)));
    bytes.remove_prefix(std::min(end + 1, bytes.size()));
    word.erase(0, std::min(word.find_first_not_of(" \t\r"), word.size()));
    word.erase(word.find_last_not_of(" \t\r") + 1);
    words.push_back(word);
  }
  return words;
}

int number(std::istringstream& in, int least, int most) {
  int n = 0;
  in >> n;
  return std::clamp(n, least, most);
}

/// A line's word for the station: what a person may type, and what bed, checks and work report.
std::optional<station::Event> event_of(const std::string& line) {
  namespace event = station::event;
  std::istringstream in(line);
  std::string word;
  in >> word;
  if (word.empty()) return event::Key{};
  if (word == "again") return event::Again{};
  if (word == "skip") return event::Skip{};
  if (word == "cancel") return event::Cancel{};
  if (word == "stop") return event::Stop{};
  if (word == "job_found") {
    const int passes = number(in, 1, 5);
    return event::JobFound{number(in, 1, 9), passes, number(in, 0, passes)};
  }
  if (word == "no_job") return event::NoJob{};
  if (word == "new_work") return event::NewWork{};
  if (word == "keys_ended") return event::KeysEnded{};
  if (word == "look_good") return event::LookGood{};
  if (word == "look_bad") return event::LookBad{};
  if (word == "captured") return event::CaptureDone{};
  if (word == "pass_failed") return event::PassFailed{};
  if (word == "laps_good") return event::LapsGood{};
  if (word == "laps_bad") return event::LapsBad{number(in, -1, 9)};
  if (word == "job_done") return event::JobDone{number(in, 0, 9)};
  if (word == "job_failed") return event::JobFailed{number(in, 0, 9), number(in, 64, 78)};
  if (word == "cannot_go_on") return event::CannotGoOn{number(in, 64, 78)};
  if (word == "withdraw") return event::Withdraw{number(in, 0, 130)};
  return std::nullopt;
}

void check(const station::State& before, const station::Step& step) {
  using station::Phase;
  const station::State& s = step.state;
  if (!step.refused.empty())
    must(s == before && step.commands.empty(),
         "refused (" + step.refused + ") and yet something changed");
  const bool busy = s.phase == Phase::placing || s.phase == Phase::looking ||
                    s.phase == Phase::capturing || s.phase == Phase::checking;
  if (busy)
    must(s.job != 0 && s.pass >= 1 && s.pass <= s.of,
         "pass " + std::to_string(s.pass) + " of " + std::to_string(s.of));
  for (const station::Command& command : step.commands) {
    if (const auto* c = std::get_if<station::command::AskToPlace>(&command))
      must(s.phase == Phase::placing && c->pass == s.pass,
           "a place is asked for that is not waited for");
    if (const auto* c = std::get_if<station::command::DropPass>(&command))
      must(c->pass >= 1 && c->pass <= before.pass, "a pass dropped that was never made");
    if (const auto* c = std::get_if<station::command::StartCapture>(&command))
      must(c->pass == s.pass, "another pass is captured");
    if (std::holds_alternative<station::command::End>(command))
      must(s.phase == Phase::stopped, "an end before the end");
  }
}

void run_station(const std::vector<Heard>& heard) {
  station::State state;
  for (const Heard& h : heard) {
    const auto event = event_of(h.word);
    if (!event) continue;
    const station::Step step = station::transition(state, *event);
    check(state, step);
    state = step.state;
    if (state.phase == station::Phase::stopped) return;
  }
}

void check_frame_list(std::string_view bytes) {
  const auto frames = cli::parse_frame_list(std::string(bytes));
  if (!frames) return must_refuse(frames.error(), Fault::usage, "--frames ");
  must(!frames->empty() &&
           std::set<std::string>(frames->begin(), frames->end()).size() == frames->size(),
       "a frame twice");
  for (const std::string& f : *frames)
    must(!f.empty() && f.size() <= 8, "a frame called '" + f + "'");
}

}  // namespace

void events(std::string_view bytes) {
  int ends[2];
  must(::pipe2(ends, O_CLOEXEC) == 0 && ::dup2(ends[0], 0) == 0, "no pipe");
  ::close(ends[0]);
  std::thread writer([&] {
    for (std::string_view left = bytes; !left.empty();) {
      const ssize_t n = ::write(ends[1], left.data(), left.size());
      if (n <= 0) break;
      left.remove_prefix(static_cast<std::size_t>(n));
    }
    ::close(ends[1]);
  });
  const std::vector<Heard> heard = hear("stdin");
  writer.join();
  std::vector<std::string> words;
  for (const Heard& h : heard) words.push_back(h.word);
  must(words == words_of(bytes), "the lines were not heard as they were written");
  run_station(heard);

  static const int device = ::memfd_create("keypad", MFD_CLOEXEC);
  must(::ftruncate(device, 0) == 0 &&
           ::pwrite(device, bytes.data(), bytes.size(), 0) == static_cast<ssize_t>(bytes.size()),
       "no room for a test");
  std::size_t presses = 0;
  for (std::size_t at = 0; at + station::input_event_bytes() <= bytes.size();
       at += station::input_event_bytes())
    presses += station::is_press(bytes.data() + at) ? 1 : 0;
  const std::size_t pressed = hear("evdev:/proc/self/fd/" + std::to_string(device)).size();
  must(pressed <= presses && (pressed > 0) == (presses > 0),
       "presses heard that were none, or none heard");

  check_frame_list(bytes);
}

}  // namespace lapwright::hostile
