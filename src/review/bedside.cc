#include "review/bedside.h"

#include <poll.h>
#include <sys/eventfd.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <mutex>
#include <nlohmann/json.hpp>
#include <thread>
#include <vector>

#include "station/recent.h"
#include "station/seat.h"

namespace lapwright::review {
namespace {

constexpr std::size_t longest_line = 1 << 20;
constexpr int look_again_ms = 1000;

std::string text(const Json& event, const char* key) {
  const auto it = event.find(key);
  return it != event.end() && it->is_string() ? it->get<std::string>() : std::string();
}

/// What the rolls that have left the bed have come to.
Json finishing(const station::Recent& recent) {
  Json rolls = Json::array();
  for (const Json& e : recent.events()) {
    const std::string kind = text(e, "event"), roll = text(e, "roll"), job = text(e, "job");
    if (kind == "handed_over")
      rolls.push_back({{"roll", roll}, {"job", job}, {"say", text(e, "say")}, {"step", job == "full" ? "cutting the frames out" : "joining"}});
    const char* step = kind == "joined" ? "converting" : kind == "converted" ? "finding the frames" : kind == "frames" ? "making the proof" : nullptr;
    for (Json& r : rolls)
      if (step && r["roll"] == roll) r["step"] = step;
  }
  return rolls;
}

/// A server-sent event.
std::string sse(const Json& patch) { return "data: " + patch.dump(-1, ' ', false, Json::error_handler_t::replace) + "\n\n"; }

Json stopped() { return {{"running", false}, {"about", "stopped"}, {"finishing", Json::array()}}; }

}  // namespace

struct Bedside::Ear {
  const std::filesystem::path archive;
  mutable std::mutex lock;
  station::Recent recent;  // all under the lock
  Json state = stopped();
  std::vector<std::weak_ptr<Flow>> watchers;
  int fd = -1;
  bool closing = false;
  const int wake = ::eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
  std::thread thread;

  explicit Ear(std::filesystem::path where) : archive(std::move(where)) {
    thread = std::thread([this] { listen(); });
  }
  ~Ear() {
    {
      const std::lock_guard guard(lock);
      closing = true;
      for (const auto& w : watchers)
        if (const auto stream = w.lock()) stream->end();
    }
    const std::uint64_t one = 1;
    (void)!::write(wake, &one, sizeof one);
    thread.join();
    if (fd >= 0) ::close(fd);
    ::close(wake);
  }

  void listen() {
    std::string rest;
    for (;;) {
      if (fd < 0) {
        if (auto seat = station::take_seat(archive)) {
          const std::lock_guard guard(lock);
          fd = *seat;
          rest.clear();
        }
      }
      pollfd polls[2] = {{wake, POLLIN, 0}, {fd, POLLIN, 0}};
      if (::poll(polls, 2, fd < 0 ? look_again_ms : -1) < 0 && errno != EINTR) return;
      const std::lock_guard guard(lock);
      if (closing) return;
      if (fd >= 0 && polls[1].revents && !take(rest)) lost();
    }
  }

  /// False when there is no more to come.
  bool take(std::string& rest) {
    char data[65536];
    const ssize_t n = ::recv(fd, data, sizeof data, 0);
    if (n < 0 && (errno == EAGAIN || errno == EINTR)) return true;
    if (n <= 0) return false;
    rest.append(data, static_cast<std::size_t>(n));
    std::size_t from = 0;
    for (std::size_t end; (end = rest.find('\n', from)) != std::string::npos; from = end + 1) {
      const auto event = core::parse_json(std::string_view(rest).substr(from, end - from), "the station");
      if (event) recent.take(*event);
    }
    rest.erase(0, from);
    if (rest.size() > longest_line) return false;
    if (from > 0) changed();
    return true;
  }

  void changed() {
    Json now = {{"running", recent.of("ready") != nullptr}, {"about", recent.about()}, {"finishing", finishing(recent)}};
    for (const char* kind : {"ready", "waiting", "place", "look", "pass", "busy", "capture", "captured", "lap", "again", "fault", "converted", "done"})
      if (const Json* e = recent.of(kind)) now[kind] = *e;
    put(std::move(now));
  }
  void lost() {
    ::close(fd);
    fd = -1;
    // What ended it is worth knowing when it said so itself.
    Json now = stopped();
    if (const Json* fault = recent.of("fault"); fault && fault->contains("fatal") && fault->at("fatal") == true) now["fault"] = *fault;
    recent = {};
    put(std::move(now));
  }
  void put(Json now) {
    Json patch = Json::object();
    for (const auto& [name, value] : now.items())
      if (const auto was = state.find(name); was == state.end() || *was != value) patch[name] = value;
    for (const auto& [name, value] : state.items())
      if (!now.contains(name)) patch[name] = nullptr;
    state = std::move(now);
    if (patch.empty()) return;
    const std::string text = sse(patch);
    std::erase_if(watchers, [](const auto& w) { return w.expired(); });
    for (const auto& w : watchers)
      if (const auto stream = w.lock()) stream->push(text);
  }

  /// Under the lock.
  Result<> say(const std::string& word) const {
    if (fd < 0) return fail(Fault::no_input, "no station is at work");
    const std::string line = word + "\n";
    if (::send(fd, line.data(), line.size(), MSG_NOSIGNAL | MSG_DONTWAIT) == static_cast<ssize_t>(line.size())) return {};
    return fail(Fault::try_again, "the station does not listen");
  }
};

Bedside::Bedside(std::filesystem::path archive) : ear_(std::make_unique<Ear>(std::move(archive))) {}
Bedside::~Bedside() = default;

Json Bedside::state() const {
  const std::lock_guard guard(ear_->lock);
  return ear_->state;
}

std::shared_ptr<Flow> Bedside::watch() {
  const std::lock_guard guard(ear_->lock);
  std::erase_if(ear_->watchers, [](const auto& w) { return w.expired(); });
  if (ear_->watchers.size() >= most_watchers) return nullptr;
  auto stream = std::make_shared<Flow>();
  stream->push("retry: 1000\nevent: whole\n" + sse(ear_->state));
  ear_->watchers.push_back(stream);
  return stream;
}

Result<> Bedside::press(const std::string& place) {
  const std::lock_guard guard(ear_->lock);
  const auto it = ear_->state.find("place");
  const bool asks = text(ear_->state, "about") == "placing" && it != ear_->state.end();
  if (ear_->fd >= 0 && (!asks || text(*it, "at") != place)) return fail(Fault::usage, "the station does not wait for this key any more");
  return ear_->say("key");
}

Result<> Bedside::cancel() {
  const std::lock_guard guard(ear_->lock);
  return ear_->say("cancel");
}

}  // namespace lapwright::review
