// HTTP/1.1 on one address, and on a second one under TLS: sockets and clocks; what is answered is
// somebody else's.
//
// Invariants: header at most 8 KiB, body at most 256 KiB, 64 connections at a time, of which those
//   from other machines leave eight, and twelve from one address there; a connection is closed 5 s
//   after it was made when its TLS handshake is not done, after 60 s without a request, 5 s after a
//   request's first byte when it is not whole by then, and when a reply is taken slower than
//   32 KiB/s (10 s at least). The second port speaks TLS 1.2 and newer and nothing else. Replies
//   are made in a lane of their own, one after another; the loop never waits for a disk. A
//   reply with a flow goes on until either side ends it, with an empty comment every 15 s, each
//   piece under the reply's clock; it has its connection to itself.
// Units: seconds, bytes. Thread: run() stays until it is told to stop. Errors: usage (the address),
//   unavailable (it is taken).
#pragma once

#include <cstdint>
#include <functional>
#include <memory>
#include <string>

#include "core/result.h"
#include "review/message.h"

namespace lapwright::review {

struct Limits {
  std::uint32_t header_bytes = 8 << 10;
  std::uint64_t body_bytes = 256 << 10;
  int connections = 64, kept_for_operator = 8, connections_an_address = 12;
  double handshake_seconds = 5, idle_seconds = 60, request_seconds = 5, reply_seconds = 10;
  double reply_bytes_a_second = 32 << 10;
  double comment_seconds = 15;
};

class Server {
 public:
  /// Binds; `port` 0 takes a free one.
  static Result<std::unique_ptr<Server>> bind(const std::string& address, int port,
                                              const Limits& limits = {});
  virtual ~Server() = default;
  virtual int port() const = 0;
  /// The second port, for other machines: requests from there say so. Before run(); its number.
  virtual Result<int> let_in(const std::string& address, int port, const std::string& chain,
                             const std::string& key) = 0;
  /// Closes the second port and all that is connected there; from any thread.
  virtual void shut_out() = 0;
  /// Until stop() or a signal; returns the signal's number, 0 after stop().
  virtual int run(std::function<Reply(const Request&)> answer) = 0;
  virtual void stop() = 0;  // from any thread
};

}  // namespace lapwright::review
