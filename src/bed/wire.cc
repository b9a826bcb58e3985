#include "bed/wire.h"

#include <fcntl.h>
#include <poll.h>
#include <unistd.h>

#include <cerrno>

namespace lapwright::bed {

bool read_all(int fd, void* to, std::size_t bytes) {
  char* at = static_cast<char*>(to);
  while (bytes > 0) {
    const ssize_t n = ::read(fd, at, bytes);
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) return false;
    at += n;
    bytes -= static_cast<std::size_t>(n);
  }
  return true;
}

bool read_message(int fd, Message& message) {
  MessageHead head{};
  if (!read_all(fd, &head, sizeof head)) return false;
  if (head.bytes > most_message || (head.kind != 1 && head.kind != 2)) return false;
  message.kind = static_cast<MessageKind>(head.kind);
  message.body.resize(head.bytes);
  return read_all(fd, message.body.data(), message.body.size());
}

Wire::Wire(int request_fd, int reply_fd) : request_fd_(request_fd), reply_fd_(reply_fd) {
  ::fcntl(reply_fd_, F_SETFL, ::fcntl(reply_fd_, F_GETFL) | O_NONBLOCK);
}

bool Wire::request(std::string& line) {
  line.clear();
  for (char c; line.size() < (1 << 20);) {
    const ssize_t n = ::read(request_fd_, &c, 1);
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) return false;
    if (c == '\n') return true;
    line += c;
  }
  return false;
}

bool Wire::cancelled() {
  if (cancelled_) return true;
  pollfd p{request_fd_, POLLIN, 0};
  if (::poll(&p, 1, 0) > 0 && p.revents != 0) cancelled_ = true;
  return cancelled_;
}

void Wire::say_busy() {
  if (!said_busy_) send("{\"event\":\"busy\"}");
  said_busy_ = true;
}

void Wire::rest(double seconds) {
  if (cancelled_) return;
  pollfd p{request_fd_, POLLIN, 0};
  if (::poll(&p, 1, static_cast<int>(seconds * 1000)) > 0 && p.revents != 0) cancelled_ = true;
}

bool Wire::write_all(const char* from, std::size_t bytes) {
  while (bytes > 0) {
    const ssize_t n = ::write(reply_fd_, from, bytes);
    if (n > 0) {
      from += n;
      bytes -= static_cast<std::size_t>(n);
      continue;
    }
    if (n < 0 && errno == EINTR) continue;
    if (n < 0 && errno != EAGAIN) return false;
    // A full pipe: the station holds the rows back. A message begun is finished even when
    // cancelled, so that the next can be read.
    pollfd p[2] = {{reply_fd_, POLLOUT, 0}, {request_fd_, POLLIN, 0}};
    ::poll(p, cancelled_ ? 1 : 2, 1000);
    if (p[0].revents & (POLLERR | POLLHUP)) return false;
    if (!cancelled_ && p[1].revents != 0) cancelled_ = true;
  }
  return true;
}

bool Wire::send(MessageKind kind, const void* body, std::size_t bytes) {
  if (kind == MessageKind::rows && cancelled()) return false;
  const MessageHead head{static_cast<std::uint32_t>(kind), static_cast<std::uint32_t>(bytes)};
  return write_all(reinterpret_cast<const char*>(&head), sizeof head) &&
         write_all(static_cast<const char*>(body), bytes);
}

}  // namespace lapwright::bed
