#include "review/server.h"

#include <atomic>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/signal_set.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>
#include <boost/asio/write.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/core/tcp_stream.hpp>
#include <boost/beast/http.hpp>
#include <chrono>
#include <csignal>
#include <exception>
#include <optional>

#include "core/text.h"
#include "review/flow.h"

namespace lapwright::review {
namespace {

namespace asio = boost::asio;
namespace beast = boost::beast;
namespace http = boost::beast::http;
using boost::system::error_code;
using tcp = asio::ip::tcp;

std::chrono::milliseconds milliseconds(double seconds) {
  return std::chrono::milliseconds(static_cast<std::int64_t>(seconds * 1000));
}

using Answer = std::function<Reply(const Request&)>;

struct Shared {
  Limits limits;
  Answer answer;
  asio::thread_pool* lane = nullptr;
  int open = 0;  // touched in the loop only
};

/// One connection: wait for a byte, read a request, have it answered, write the reply, again.
class Connection : public std::enable_shared_from_this<Connection> {
 public:
  Connection(tcp::socket socket, Shared& shared)
      : stream_(std::move(socket)), comment_(stream_.get_executor()), shared_(shared) {
    ++shared_.open;
  }
  ~Connection() { --shared_.open; }

  void wait() {
    if (buffer_.size() > 0) return read();
    stream_.expires_after(milliseconds(shared_.limits.idle_seconds));
    stream_.async_read_some(buffer_.prepare(4096),
                            [self = shared_from_this()](error_code e, std::size_t bytes) {
                              if (e) return self->close();
                              self->buffer_.commit(bytes);
                              self->read();
                            });
  }

 private:
  void read() {
    parser_.emplace();
    parser_->header_limit(shared_.limits.header_bytes);
    parser_->body_limit(shared_.limits.body_bytes);
    stream_.expires_after(milliseconds(shared_.limits.request_seconds));
    http::async_read(stream_, buffer_, *parser_,
                     [self = shared_from_this()](error_code e, std::size_t) { self->have(e); });
  }

  void have(error_code e) {
    if (e == http::error::header_limit) return last(refusal(431, "the header is too long"));
    if (e == http::error::body_limit) return last(refusal(413, "the body is too long"));
    if (e && e.category() == http::make_error_code(http::error::bad_method).category() &&
        e != http::error::end_of_stream && e != http::error::partial_message)
      return last(refusal(400, "this is no HTTP request"));
    if (e) return close();
    auto& message = parser_->get();
    keep_ = message.keep_alive();
    Request request;
    request.method = std::string(message.method_string());
    request.target = std::string(message.target());
    for (const auto& field : message) {
      std::string name(field.name_string());
      for (char& c : name)
        if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
      // A header that is told twice is told by nobody we know: neither is believed.
      const auto [it, fresh] = request.headers.emplace(name, std::string(field.value()));
      if (!fresh) it->second += ", " + std::string(field.value());
    }
    request.body = std::move(message.body());
    head_ = request.method == "HEAD";
    // No clock runs while the reply is made, which is bounded by what may be asked.
    stream_.expires_never();
    asio::post(*shared_.lane, [self = shared_from_this(), request = std::move(request)] {
      auto reply = std::make_shared<Reply>();
      try {
        *reply = self->shared_.answer(request);
      } catch (const std::exception&) {  // out of memory, or a bug: this request fails alone
        *reply = refusal(500, "that went wrong here");
      }
      asio::post(self->stream_.get_executor(), [self, reply] { self->send(std::move(*reply)); });
    });
  }

  void last(Reply reply) {
    keep_ = false;
    head_ = false;
    send(std::move(reply));
  }

  void send(Reply reply) {
    going_on_ = head_ ? nullptr : std::move(reply.flow);
    if (going_on_) keep_ = false;  // its end is the connection's
    reply_.emplace();
    reply_->version(11);
    reply_->result(static_cast<unsigned>(reply.status));
    for (const auto& [name, value] : reply.headers) reply_->set(name, core::one_line(value, 2000));
    reply_->keep_alive(keep_);
    const std::size_t bytes = reply.body.size();
    if (going_on_) {
      // Without a length: what comes is its body.
    } else if (head_ || reply.status == 304) {
      if (head_) reply_->content_length(bytes);
    } else {
      reply_->body() = std::move(reply.body);
      reply_->prepare_payload();
    }
    const Limits& limits = shared_.limits;
    stream_.expires_after(milliseconds(limits.reply_seconds +
                                       static_cast<double>(bytes) / limits.reply_bytes_a_second));
    serializer_.emplace(*reply_);
    const auto then = [self = shared_from_this()](error_code e, std::size_t) {
      if (e || !self->keep_) return self->close();
      self->wait();
    };
    if (going_on_)
      http::async_write_header(stream_, *serializer_, [self = this->shared_from_this()](error_code e, std::size_t) {
        e ? self->close() : self->go_on();
      });
    else if (head_)
      http::async_write_header(stream_, *serializer_, then);
    else
      http::async_write(stream_, *serializer_, then);
  }

  /// Sends what comes until either side ends it. Nothing more is expected of the other side: a byte is its end, too.
  void go_on() {
    stream_.expires_never();
    stream_.async_read_some(buffer_.prepare(64), [self = this->shared_from_this()](error_code, std::size_t) { self->close(); });
    going_on_->on_push([weak = this->weak_from_this(), executor = stream_.get_executor()] {
      asio::post(executor, [weak] {
        if (const auto self = weak.lock()) self->send_more();
      });
    });
    comment_later();
    send_more();
  }
  void send_more(std::string more = {}) {
    if (sending_ || !stream_.socket().is_open()) return;
    piece_ = going_on_->take() + std::move(more);
    if (piece_.empty()) {
      if (going_on_->ended()) close();
      return;
    }
    sending_ = true;
    stream_.expires_after(milliseconds(shared_.limits.reply_seconds + static_cast<double>(piece_.size()) / shared_.limits.reply_bytes_a_second));
    asio::async_write(stream_, asio::buffer(piece_), [self = this->shared_from_this()](error_code e, std::size_t) {
      self->sending_ = false;
      e ? self->close() : self->send_more();
    });
  }
  /// A comment now and then: a reader that is gone without a word is noticed.
  void comment_later() {
    comment_.expires_after(milliseconds(shared_.limits.comment_seconds));
    comment_.async_wait([weak = this->weak_from_this()](error_code e) {
      const auto self = weak.lock();
      if (e || !self || !self->stream_.socket().is_open()) return;
      self->send_more(":\n\n");
      self->comment_later();
    });
  }

  void close() {
    if (going_on_) going_on_->on_push({});
    comment_.cancel();
    error_code ignored;
    stream_.socket().shutdown(tcp::socket::shutdown_send, ignored);
    stream_.close();
  }

  beast::tcp_stream stream_;
  asio::steady_timer comment_;
  Shared& shared_;
  beast::flat_buffer buffer_{64 << 10};
  std::optional<http::request_parser<http::string_body>> parser_;
  std::optional<http::response<http::string_body>> reply_;
  std::optional<http::response_serializer<http::string_body>> serializer_;
  bool keep_ = false, head_ = false;
  std::shared_ptr<Flow> going_on_;  // of a reply that goes on
  std::string piece_;
  bool sending_ = false;
};

class BeastServer : public Server {
 public:
  explicit BeastServer(const Limits& limits) : acceptor_(loop_), signals_(loop_), rest_(loop_) {
    shared_.limits = limits;
  }

  Result<> bind(const std::string& address, int port) {
    error_code e;
    const auto ip = asio::ip::make_address(address, e);
    if (e) return fail(Fault::usage, "'" + core::one_line(address, 60) + "' is no address");
    const tcp::endpoint end(ip, static_cast<std::uint16_t>(port));
    if (!e) acceptor_.open(end.protocol(), e);
    if (!e) acceptor_.set_option(tcp::acceptor::reuse_address(true), e);
    if (!e) acceptor_.bind(end, e);
    if (!e) acceptor_.listen(asio::socket_base::max_listen_connections, e);
    if (e)
      return fail(Fault::unavailable, address + ":" + std::to_string(port) +
                                          ": cannot be listened on: " + e.message() +
                                          "; give another with --listen");
    return {};
  }

  int port() const override {
    error_code ignored;
    return acceptor_.local_endpoint(ignored).port();
  }

  int run(Answer answer) override {
    asio::thread_pool lane(1);
    shared_.answer = std::move(answer);
    shared_.lane = &lane;
    error_code ignored;
    signals_.add(SIGINT, ignored);
    signals_.add(SIGTERM, ignored);
    signals_.async_wait([this](error_code e, int number) {
      if (e) return;
      signal_ = number;
      loop_.stop();
    });
    accept();
    loop_.run();
    lane.join();  // what was asked is kept, though nobody waits for the reply
    return signal_;
  }

  void stop() override {
    asio::post(loop_, [this] { loop_.stop(); });
  }

 private:
  void accept() {
    acceptor_.async_accept([this](error_code e, tcp::socket socket) {
      if (e == asio::error::operation_aborted) return;
      if (e) {  // out of descriptors, most likely: not again at once
        rest_.expires_after(std::chrono::milliseconds(200));
        rest_.async_wait([this](error_code stopped) {
          if (!stopped) accept();
        });
        return;
      }
      if (shared_.open < shared_.limits.connections) {
        error_code ignored;
        socket.set_option(tcp::no_delay(true), ignored);
        std::make_shared<Connection>(std::move(socket), shared_)->wait();
      }  // else it is closed here
      accept();
    });
  }

  Shared shared_;  // outlives the connections, which the loop holds
  asio::io_context loop_{1};
  tcp::acceptor acceptor_;
  asio::signal_set signals_;
  asio::steady_timer rest_;
  int signal_ = 0;
};

}  // namespace

Result<std::unique_ptr<Server>> Server::bind(const std::string& address, int port,
                                             const Limits& limits) {
  auto server = std::make_unique<BeastServer>(limits);
  if (auto r = server->bind(address, port); !r) return fail(r.error());
  return std::unique_ptr<Server>(std::move(server));
}

}  // namespace lapwright::review
