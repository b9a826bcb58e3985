// How the station and its bed worker talk: one JSON line asks, messages answer.
//
// Request: one line of JSON. Any byte after it, or the end of the stream, means cancel.
// Reply: messages of an 8-byte head {uint32 kind, uint32 bytes} and a body: JSON or whole rows.
// Same machine, native order. Invariants: a message is at most `most_message` bytes. Thread: one
// per end. Errors: false when the other end is gone.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <vector>

namespace lapwright::bed {

enum class MessageKind : std::uint32_t { json = 1, rows = 2 };
struct MessageHead {
  std::uint32_t kind, bytes;
};
inline constexpr std::uint32_t most_message = 32 << 20;

struct Message {
  MessageKind kind = MessageKind::json;
  std::vector<char> body;
};

/// Reads exactly `bytes`; false at the end of the stream.
bool read_all(int fd, void* to, std::size_t bytes);
/// The next message; false at the end of the stream or on nonsense.
bool read_message(int fd, Message& message);

/// The worker's end.
class Wire {
 public:
  Wire(int request_fd, int reply_fd);
  /// The request line; false when there is none.
  bool request(std::string& line);
  /// Whether the station asked to cancel (or is gone).
  bool cancelled();
  /// Sends, waiting for room; false when the station is gone, or for rows when it asked to cancel.
  bool send(MessageKind kind, const void* body, std::size_t bytes);
  bool send(const std::string& json) { return send(MessageKind::json, json.data(), json.size()); }
  /// Tells that the device is busy, the first time.
  void say_busy();
  /// Sleeps, but not through a cancel.
  void rest(double seconds);

 private:
  bool write_all(const char* from, std::size_t bytes);
  int request_fd_, reply_fd_;
  bool cancelled_ = false, said_busy_ = false;
};

}  // namespace lapwright::bed
