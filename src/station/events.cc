#include "station/events.h"

#include <fcntl.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <nlohmann/json.hpp>

#include "core/clock.h"

namespace lapwright::station {

Result<std::unique_ptr<EventStream>> EventStream::open(const std::string& where) {
  auto stream = std::make_unique<EventStream>();
  if (where == "-") {
    stream->fd_ = 1;
  } else if (!where.empty()) {
    stream->fd_ = ::open(where.c_str(), O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0666);
    if (stream->fd_ < 0)
      return fail(Fault::cannot_create,
                  "--events " + where + ": cannot be opened: " + std::strerror(errno));
  }
  return stream;
}

EventStream::~EventStream() {
  if (fd_ > 2) ::close(fd_);
}

std::string line_of(const Json& event) {
  return event.dump(-1, ' ', false, Json::error_handler_t::replace) + "\n";
}

void EventStream::emit(const std::string& event, const Json& members) {
  Json line = {{"at", core::rfc3339_now()}, {"event", event}};
  line.update(members);
  const std::string text = line_of(line);
  const std::lock_guard guard(lock_);
  if (also_) also_(line);
  std::size_t done = 0;
  while (fd_ >= 0 && done < text.size()) {
    const ssize_t n = ::write(fd_, text.data() + done, text.size() - done);
    if (n >= 0) {
      done += static_cast<std::size_t>(n);
    } else if (errno != EINTR) {
      if (fd_ > 2) ::close(fd_);
      fd_ = -1;
    }
  }
}

}  // namespace lapwright::station
