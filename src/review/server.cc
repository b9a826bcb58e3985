#include "review/server.h"

#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/signal_set.hpp>
#include <boost/asio/ssl.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>
#include <boost/asio/write.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/core/tcp_stream.hpp>
#include <boost/beast/http.hpp>
#include <boost/beast/ssl.hpp>
#include <chrono>
#include <csignal>
#include <exception>
#include <map>
#include <optional>
#include <set>
#include <type_traits>

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
using Tls = beast::ssl_stream<beast::tcp_stream>;

/// Something that can be closed at once.
struct Held {
  virtual void drop() = 0;

 protected:
  ~Held() = default;
};

/// Touched in the loop only.
struct Port {
  bool tls = false;
  int most = 0, most_an_address = 0;
  bool shut = false;
  std::map<std::string, int> by_address = {};
  std::set<Held*> held = {};
};

struct Shared {
  Limits limits;
  Answer answer;
  asio::thread_pool* lane = nullptr;
  int open = 0;  // touched in the loop only
};

/// One connection: shake hands where that is done, wait for a byte, read a request, have it
/// answered, write the reply, again.
template <class Stream>
class Connection : public Held, public std::enable_shared_from_this<Connection<Stream>> {
 public:
  static constexpr bool tls = std::is_same_v<Stream, Tls>;

  template <class... Context>
  Connection(Shared& shared, Port& port, std::string address, tcp::socket socket,
             Context&... context)
      : stream_(std::move(socket), context...),
        comment_(stream_.get_executor()),
        shared_(shared),
        port_(port),
        address_(std::move(address)) {
    ++shared_.open, ++port_.by_address[address_];
    port_.held.insert(this);
  }
  ~Connection() {
    --shared_.open;
    if (--port_.by_address[address_] == 0) port_.by_address.erase(address_);
    port_.held.erase(this);
  }

  void start() {
    if constexpr (tls) {
      lowest().expires_after(milliseconds(shared_.limits.handshake_seconds));
      stream_.async_handshake(asio::ssl::stream_base::server,
                              [self = this->shared_from_this()](error_code e) {
                                if (e) return self->drop();
                                self->wait();
                              });
    } else {
      wait();
    }
  }

  void drop() override { lowest().close(); }

 private:
  beast::tcp_stream& lowest() { return beast::get_lowest_layer(stream_); }

  void wait() {
    if (buffer_.size() > 0) return read();
    lowest().expires_after(milliseconds(shared_.limits.idle_seconds));
    stream_.async_read_some(
        buffer_.prepare(4096), [self = this->shared_from_this()](error_code e, std::size_t bytes) {
          if (e) return self->close();
          self->buffer_.commit(bytes);
          self->read();
        });
  }

  void read() {
    parser_.emplace();
    parser_->header_limit(shared_.limits.header_bytes);
    parser_->body_limit(shared_.limits.body_bytes);
    lowest().expires_after(milliseconds(shared_.limits.request_seconds));
    http::async_read(
        stream_, buffer_, *parser_,
        [self = this->shared_from_this()](error_code e, std::size_t) { self->have(e); });
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
    request.address = address_;
    request.from_elsewhere = tls;
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
    lowest().expires_never();
    asio::post(*shared_.lane,
               [self = this->shared_from_this(), request = std::move(request)]() mutable {
                 auto reply = std::make_shared<Reply>();
                 try {
                   *reply = self->shared_.answer(request);
                 } catch (const std::exception&) {  // out of memory, or a bug: this one fails alone
                   *reply = refusal(500, "that went wrong here");
                 }
                 // Handed over, so that it ends in the loop and not here.
                 const auto loop = self->stream_.get_executor();
                 asio::post(loop,
                            [self = std::move(self), reply] { self->send(std::move(*reply)); });
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
    for (const auto& [name, value] : reply.headers)
      reply_->insert(name, core::one_line(value, 2000));
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
    lowest().expires_after(milliseconds(limits.reply_seconds +
                                        static_cast<double>(bytes) / limits.reply_bytes_a_second));
    serializer_.emplace(*reply_);
    const auto then = [self = this->shared_from_this()](error_code e, std::size_t) {
      if (e || !self->keep_) return self->close();
      self->wait();
    };
    if (going_on_)
      http::async_write_header(stream_, *serializer_,
                               [self = this->shared_from_this()](error_code e, std::size_t) {
                                 e ? self->close() : self->go_on();
                               });
    else if (head_)
      http::async_write_header(stream_, *serializer_, then);
    else
      http::async_write(stream_, *serializer_, then);
  }

  /// Sends what comes until either side ends it. Nothing more is expected of the other side: a byte
  /// is its end, too.
  void go_on() {
    lowest().expires_never();
    stream_.async_read_some(
        buffer_.prepare(64),
        [self = this->shared_from_this()](error_code, std::size_t) { self->close(); });
    going_on_->on_push([weak = this->weak_from_this(), executor = stream_.get_executor()] {
      asio::post(executor, [weak] {
        if (const auto self = weak.lock()) self->send_more();
      });
    });
    comment_later();
    send_more();
  }
  void send_more(std::string more = {}) {
    if (sending_ || closing_ || !lowest().socket().is_open()) return;
    piece_ = going_on_->take() + std::move(more);
    if (piece_.empty()) {
      if (going_on_->ended()) close();
      return;
    }
    sending_ = true;
    lowest().expires_after(
        milliseconds(shared_.limits.reply_seconds +
                     static_cast<double>(piece_.size()) / shared_.limits.reply_bytes_a_second));
    asio::async_write(stream_, asio::buffer(piece_),
                      [self = this->shared_from_this()](error_code e, std::size_t) {
                        self->sending_ = false;
                        e ? self->close() : self->send_more();
                      });
  }
  /// A comment now and then: a reader that is gone without a word is noticed.
  void comment_later() {
    comment_.expires_after(milliseconds(shared_.limits.comment_seconds));
    comment_.async_wait([weak = this->weak_from_this()](error_code e) {
      const auto self = weak.lock();
      if (e || !self || !self->lowest().socket().is_open()) return;
      self->send_more(":\n\n");
      self->comment_later();
    });
  }

  void close() {
    if (going_on_) going_on_->on_push({});
    comment_.cancel();
    if constexpr (tls) {
      if (closing_ || !lowest().socket().is_open()) return;
      closing_ = true;
      lowest().expires_after(milliseconds(1.0));  // for the word of farewell
      stream_.async_shutdown([self = this->shared_from_this()](error_code) { self->drop(); });
    } else {
      error_code ignored;
      stream_.socket().shutdown(tcp::socket::shutdown_send, ignored);
      drop();
    }
  }

  Stream stream_;
  asio::steady_timer comment_;
  Shared& shared_;
  Port& port_;
  std::string address_;
  beast::flat_buffer buffer_{64 << 10};
  std::optional<http::request_parser<http::string_body>> parser_;
  std::optional<http::response<http::string_body>> reply_;
  std::optional<http::response_serializer<http::string_body>> serializer_;
  bool keep_ = false, head_ = false, closing_ = false;
  std::shared_ptr<Flow> going_on_;  // of a reply that goes on
  std::string piece_;
  bool sending_ = false;
};

class BeastServer : public Server {
 public:
  explicit BeastServer(const Limits& limits)
      : acceptor_(loop_), elsewhere_(loop_), signals_(loop_), rest_(loop_), other_rest_(loop_) {
    shared_.limits = limits;
    here_.most = here_.most_an_address = limits.connections;
    there_.tls = true;
    there_.most = limits.connections - limits.kept_for_operator;
    there_.most_an_address = limits.connections_an_address;
  }

  Result<> listen(tcp::acceptor& acceptor, const std::string& address, int port,
                  const std::string& option) {
    error_code e;
    const auto ip = asio::ip::make_address(address, e);
    if (e) return fail(Fault::usage, "'" + core::one_line(address, 60) + "' is no address");
    const tcp::endpoint end(ip, static_cast<std::uint16_t>(port));
    if (!e) acceptor.open(end.protocol(), e);
    if (!e) acceptor.set_option(tcp::acceptor::reuse_address(true), e);
    if (!e) acceptor.bind(end, e);
    if (!e) acceptor.listen(asio::socket_base::max_listen_connections, e);
    if (e)
      return fail(Fault::unavailable, address + ":" + std::to_string(port) +
                                          ": cannot be listened on: " + e.message() +
                                          "; give another with " + option);
    return {};
  }

  Result<> bind(const std::string& address, int port) {
    return listen(acceptor_, address, port, "--listen");
  }

  Result<int> let_in(const std::string& address, int port, const std::string& chain,
                     const std::string& key) override {
    error_code e;
    SSL_CTX* ssl = context_.native_handle();
    // A connection is one handshake and no more; what could be resumed is not kept.
    context_.set_options(asio::ssl::context::default_workarounds | SSL_OP_NO_RENEGOTIATION |
                         SSL_OP_NO_COMPRESSION | SSL_OP_NO_TICKET);
    SSL_CTX_set_session_cache_mode(ssl, SSL_SESS_CACHE_OFF);
    if (SSL_CTX_set_min_proto_version(ssl, TLS1_2_VERSION) != 1 ||
        SSL_CTX_set_num_tickets(ssl, 0) != 1 ||
        SSL_CTX_set_cipher_list(ssl, "ECDHE+AESGCM:ECDHE+CHACHA20") != 1)
      return fail(Fault::internal, "OpenSSL knows none of the ciphers that are asked for");
    context_.use_certificate_chain(asio::buffer(chain), e);
    if (!e) context_.use_private_key(asio::buffer(key), asio::ssl::context::pem, e);
    if (e) return fail(Fault::internal, "the station's certificate: " + e.message());
    if (auto r = listen(elsewhere_, address, port, "--tablets"); !r) return fail(r.error());
    return static_cast<int>(elsewhere_.local_endpoint(e).port());
  }

  void shut_out() override {
    asio::post(loop_, [this] {
      there_.shut = true;
      error_code ignored;
      elsewhere_.close(ignored);
      for (Held* one : there_.held) one->drop();
    });
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
    accept(acceptor_, here_, rest_);
    if (elsewhere_.is_open()) accept(elsewhere_, there_, other_rest_);
    loop_.run();
    lane.join();  // what was asked is kept, though nobody waits for the reply
    return signal_;
  }

  void stop() override {
    asio::post(loop_, [this] { loop_.stop(); });
  }

 private:
  void accept(tcp::acceptor& acceptor, Port& port, asio::steady_timer& rest) {
    acceptor.async_accept([this, &acceptor, &port, &rest](error_code e, tcp::socket socket) {
      if (e == asio::error::operation_aborted || port.shut) return;
      if (e) {  // out of descriptors, most likely: not again at once
        rest.expires_after(std::chrono::milliseconds(200));
        rest.async_wait([this, &acceptor, &port, &rest](error_code stopped) {
          if (!stopped && !port.shut) accept(acceptor, port, rest);
        });
        return;
      }
      begin(port, std::move(socket));
      accept(acceptor, port, rest);
    });
  }

  void begin(Port& port, tcp::socket socket) {
    error_code e;
    const auto from = socket.remote_endpoint(e);
    if (e) return;  // gone already
    const std::string address = from.address().to_string();
    const auto same = port.by_address.find(address);
    // What is too much is closed here.
    if (shared_.open >= shared_.limits.connections ||
        static_cast<int>(port.held.size()) >= port.most ||
        (same != port.by_address.end() && same->second >= port.most_an_address))
      return;
    socket.set_option(tcp::no_delay(true), e);
    if (port.tls)
      std::make_shared<Connection<Tls>>(shared_, port, address, std::move(socket), context_)
          ->start();
    else
      std::make_shared<Connection<beast::tcp_stream>>(shared_, port, address, std::move(socket))
          ->start();
  }

  // These outlive the connections, which the loop holds.
  Shared shared_;
  Port here_, there_;
  asio::ssl::context context_{asio::ssl::context::tls_server};
  asio::io_context loop_{1};
  tcp::acceptor acceptor_, elsewhere_;
  asio::signal_set signals_;
  asio::steady_timer rest_, other_rest_;
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
