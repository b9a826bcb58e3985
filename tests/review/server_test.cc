// The socket's bounds, each against a real socket. Rows of OWASP ASVS 5.0 as named.
#include "review/server.h"

#include <arpa/inet.h>
#include <gtest/gtest.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/socket.h>
#include <unistd.h>

#include <algorithm>
#include <atomic>
#include <chrono>
#include <cstring>
#include <filesystem>
#include <memory>
#include <mutex>
#include <string>
#include <thread>
#include <vector>

#include "core/clock.h"
#include "review/certificate.h"
#include "review/flow.h"

namespace lapwright::review {
namespace {

class Socket {
 public:
  explicit Socket(int port) : fd_(::socket(AF_INET, SOCK_STREAM, 0)) {
    sockaddr_in to{};
    to.sin_family = AF_INET, to.sin_port = htons(static_cast<std::uint16_t>(port));
    to.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    if (::connect(fd_, reinterpret_cast<sockaddr*>(&to), sizeof to) != 0)
      ADD_FAILURE() << "connect";
  }
  Socket(Socket&& o) noexcept : fd_(std::exchange(o.fd_, -1)) {}
  ~Socket() {
    if (fd_ >= 0) ::close(fd_);
  }
  bool send(const std::string& text) const {
    return ::send(fd_, text.data(), text.size(), MSG_NOSIGNAL) == static_cast<ssize_t>(text.size());
  }
  /// What comes until `end` is seen, the other side closes, or `seconds` pass.
  std::string read(double seconds, const std::string& end = {}) {
    std::string all;
    const core::Stopwatch watch;
    closed = false;
    while (watch.seconds() < seconds) {
      pollfd p{fd_, POLLIN, 0};
      if (::poll(&p, 1, 20) <= 0) continue;
      char buffer[65536];
      const ssize_t n = ::recv(fd_, buffer, sizeof buffer, 0);
      if (n <= 0) {
        closed = true;
        break;
      }
      all.append(buffer, static_cast<std::size_t>(n));
      if (!end.empty() && all.find(end) != std::string::npos) break;
    }
    return all;
  }
  bool closed = false;

 private:
  int fd_;
};

class ServerTest : public ::testing::Test {
 protected:
  void start(const Limits& limits, std::function<Reply(const Request&)> answer = {},
             const std::function<void()>& before = {}) {
    auto server = Server::bind("127.0.0.1", 0, limits);
    ASSERT_TRUE(server) << server.error().text;
    server_ = std::move(*server);
    if (before) before();
    if (!answer)
      answer = [](const Request& q) {
        Reply r;
        r.set("Content-Type", "text/plain");
        r.body = q.method + " " + q.target + " " + std::string(q.header("host")) + " " + q.body;
        return r;
      };
    thread_ = std::thread([this, answer] { server_->run(answer); });
  }
  void TearDown() override {
    if (!server_) return;
    server_->stop();
    thread_.join();
  }
  Socket connect() { return Socket(server_->port()); }
  std::unique_ptr<Server> server_;
  std::thread thread_;
};

TEST_F(ServerTest, AnswersOneAfterAnotherOnOneConnection) {
  start({});
  Socket s = connect();
  ASSERT_TRUE(
      s.send("GET /a HTTP/1.1\r\nHost: h\r\n\r\nPUT /b HTTP/1.1\r\nHost: h\r\nContent-Length: "
             "2\r\n\r\nhi"));
  const std::string got = s.read(5, "PUT /b h hi");
  EXPECT_NE(got.find("GET /a h "), std::string::npos);
  EXPECT_NE(got.find("PUT /b h hi"), std::string::npos);
}

TEST_F(ServerTest, AHeadReplyHasNoBody) {
  start({});
  Socket s = connect();
  ASSERT_TRUE(s.send("HEAD /a HTTP/1.1\r\nHost: h\r\nConnection: close\r\n\r\n"));
  const std::string got = s.read(5);
  EXPECT_TRUE(s.closed);
  EXPECT_NE(got.find("Content-Length: 10"), std::string::npos) << got;
  EXPECT_TRUE(got.ends_with("\r\n\r\n"));
}

TEST_F(ServerTest, ALongHeaderIsRefusedAndClosed) {  // 15.2.2
  start({});
  Socket s = connect();
  (void)s.send("GET / HTTP/1.1\r\nHost: h\r\nX: " + std::string(20000, 'a') + "\r\n\r\n");
  const std::string got = s.read(5);
  EXPECT_TRUE(s.closed);
  EXPECT_TRUE(got.empty() || got.starts_with("HTTP/1.1 431")) << got;
}

TEST_F(ServerTest, ALongBodyIsRefusedBeforeItIsRead) {  // 5.2.1, 15.2.2
  start({});
  Socket s = connect();
  ASSERT_TRUE(s.send("PUT / HTTP/1.1\r\nHost: h\r\nContent-Length: 10000000\r\n\r\n"));
  const std::string got = s.read(5);
  EXPECT_TRUE(s.closed);
  EXPECT_TRUE(got.starts_with("HTTP/1.1 413")) << got;
  Socket chunks = connect();
  (void)chunks.send("PUT / HTTP/1.1\r\nHost: h\r\nTransfer-Encoding: chunked\r\n\r\n80000\r\n" +
                    std::string(0x80000, 'a'));
  chunks.read(5);
  EXPECT_TRUE(chunks.closed);
}

TEST_F(ServerTest, WhatIsNoHttpIsClosed) {  // 2.2.1
  start({});
  for (const std::string& text :
       {std::string("\x16\x03\x01\x02\x01\x01"), std::string("hello\r\n\r\n"),
        std::string("GET / HTTP/9.9\r\n\r\n"), std::string("GET /\0 HTTP/1.1\r\n\r\n", 19),
        std::string("GET / HTTP/1.1\r\nHost: h\r\nContent-Length: -1\r\n\r\n"),
        std::string("GET / HTTP/1.1\r\nHost: h\r\nContent-Length: 1\r\nTransfer-Encoding: "
                    "chunked\r\n\r\n")}) {
    Socket s = connect();
    (void)s.send(text + std::string(200, '\n'));
    const std::string got = s.read(7);
    EXPECT_TRUE(s.closed) << text;
    EXPECT_TRUE(got.empty() || got.starts_with("HTTP/1.1 4")) << got;
  }
}

TEST_F(ServerTest, SlowClientsAreClosed) {  // 15.2.2, 13.1.2
  Limits limits;
  limits.idle_seconds = 0.6, limits.request_seconds = 0.4;
  start(limits);
  Socket idle = connect(), header = connect(), body = connect();
  ASSERT_TRUE(header.send("GET / HTTP/1.1\r\n"));
  ASSERT_TRUE(body.send("PUT / HTTP/1.1\r\nHost: h\r\nContent-Length: 100000\r\n\r\n"));
  const core::Stopwatch watch;
  std::atomic<bool> dripping = true;
  std::thread drip([&] {
    while (dripping) {
      (void)header.send("X: a\r\n");
      (void)body.send("a");
      std::this_thread::sleep_for(std::chrono::milliseconds(50));
    }
  });
  header.read(10), body.read(10), idle.read(10);
  dripping = false;
  drip.join();
  EXPECT_TRUE(idle.closed && header.closed && body.closed);
  EXPECT_LT(watch.seconds(), 8);
  Socket quick = connect();
  ASSERT_TRUE(quick.send("GET / HTTP/1.1\r\nHost: h\r\n\r\n"));
  EXPECT_NE(quick.read(5, "GET / h").find("200"), std::string::npos);
}

TEST_F(ServerTest, ASlowReaderIsClosed) {  // 15.2.2
  Limits limits;
  limits.reply_seconds = 0.3, limits.reply_bytes_a_second = 1e12;
  start(limits, [](const Request&) {
    Reply r;
    r.body = std::string(32 << 20, 'a');
    return r;
  });
  Socket s = connect();
  ASSERT_TRUE(s.send("GET / HTTP/1.1\r\nHost: h\r\n\r\n"));
  std::this_thread::sleep_for(std::chrono::milliseconds(1500));
  EXPECT_LT(s.read(10).size(), std::size_t{32 << 20});
  EXPECT_TRUE(s.closed);
}

TEST_F(ServerTest, SixtyFourConnectionsAndNoMore) {  // 15.2.2
  start({});
  std::vector<Socket> held;
  for (int i = 0; i < 64; ++i) {
    held.push_back(connect());
    ASSERT_TRUE(held.back().send("GET / HTTP/1.1\r\nHost: h\r\n\r\n"));
    ASSERT_NE(held.back().read(5, "GET / h").find("200"), std::string::npos) << i;
  }
  Socket more = connect();
  (void)more.send("GET / HTTP/1.1\r\nHost: h\r\n\r\n");
  EXPECT_EQ(more.read(3), "");
  EXPECT_TRUE(more.closed);
  held.pop_back();
  bool served = false;
  for (int i = 0; i < 100 && !served; ++i) {
    std::this_thread::sleep_for(std::chrono::milliseconds(20));
    Socket again = connect();
    (void)again.send("GET / HTTP/1.1\r\nHost: h\r\n\r\n");
    served = again.read(1, "GET / h").find("200") != std::string::npos;
  }
  EXPECT_TRUE(served);
}

TEST_F(ServerTest, AReplyThatGoesOnIsSentAsItComesAndEndsWithItsFlow) {
  auto stream = std::make_shared<Flow>();
  stream->push("first ");
  Limits limits;
  limits.comment_seconds = 0.2, limits.idle_seconds = 0.3;  // silence is no reason to end it
  start(limits, [&](const Request& q) {
    Reply r;
    if (q.target == "/goes-on") r.flow = stream;
    r.set("Content-Type", "text/event-stream");
    return r;
  });
  Socket s = connect();
  ASSERT_TRUE(s.send("GET /goes-on HTTP/1.1\r\nHost: h\r\n\r\n"));
  std::string got = s.read(5, "first ");
  EXPECT_NE(got.find("Connection: close"), std::string::npos) << got;
  EXPECT_EQ(got.find("Content-Length"), std::string::npos) << got;
  EXPECT_TRUE(got.ends_with("\r\n\r\nfirst ")) << got;
  got = s.read(1);
  EXPECT_FALSE(s.closed);
  EXPECT_NE(got.find(":\n\n:\n\n"), std::string::npos) << "a comment now and then: " << got;
  stream->push("second ");
  EXPECT_NE(s.read(5, "second ").find("second "), std::string::npos);
  stream->push("last");
  stream->end();
  EXPECT_NE(s.read(5).find("last"), std::string::npos);
  EXPECT_TRUE(s.closed);
}

TEST_F(ServerTest, AReplyThatGoesOnIsLetGoWhenItsReaderIs) {  // 15.2.2
  std::mutex lock;
  std::vector<std::weak_ptr<Flow>> streams;
  Limits limits;
  limits.reply_seconds = 0.4, limits.reply_bytes_a_second = 1e12, limits.comment_seconds = 0.1;
  start(limits, [&](const Request&) {
    Reply r;
    r.flow = std::make_shared<Flow>(64 << 20);
    r.flow->push("begins");
    const std::lock_guard guard(lock);
    streams.push_back(r.flow);
    return r;
  });
  const auto left = [&] {
    const std::lock_guard guard(lock);
    return std::count_if(streams.begin(), streams.end(), [](const auto& w) { return !w.expired(); });
  };
  const auto until = [&](long n) {
    for (int i = 0; i < 500 && left() != n; ++i) std::this_thread::sleep_for(std::chrono::milliseconds(10));
    return left() == n;
  };
  {
    Socket goes = connect(), talks = connect();
    for (Socket* s : {&goes, &talks}) {
      ASSERT_TRUE(s->send("GET / HTTP/1.1\r\nHost: h\r\n\r\n"));
      ASSERT_NE(s->read(5, "begins").find("begins"), std::string::npos);
    }
    EXPECT_EQ(left(), 2);
    ASSERT_TRUE(talks.send("GET / HTTP/1.1\r\n"));  // it has said all that it may
    talks.read(5);
    EXPECT_TRUE(talks.closed);
    EXPECT_TRUE(until(1));
  }
  EXPECT_TRUE(until(0)) << "who hangs up is noticed";
  Socket slow = connect();
  ASSERT_TRUE(slow.send("GET / HTTP/1.1\r\nHost: h\r\n\r\n"));
  ASSERT_NE(slow.read(5, "begins").find("begins"), std::string::npos);
  {
    const std::lock_guard guard(lock);
    streams.back().lock()->push(std::string(32 << 20, 'a'));
  }
  EXPECT_TRUE(until(0)) << "who does not read is closed";
  EXPECT_LT(slow.read(10).size(), std::size_t{32 << 20});
  EXPECT_TRUE(slow.closed);
}

TEST_F(ServerTest, RepliesThatGoOnCountAmongTheConnections) {  // 15.2.2
  Limits limits;
  limits.connections = 3;
  start(limits, [](const Request& q) {
    Reply r;
    if (q.target == "/goes-on") r.flow = std::make_shared<Flow>();
    if (r.flow) r.flow->push("begins");
    else r.body = "whole";
    return r;
  });
  std::vector<Socket> held;
  for (int i = 0; i < 3; ++i) {
    held.push_back(connect());
    ASSERT_TRUE(held.back().send("GET /goes-on HTTP/1.1\r\nHost: h\r\n\r\n"));
    ASSERT_NE(held.back().read(5, "begins").find("begins"), std::string::npos);
  }
  Socket more = connect();
  (void)more.send("GET / HTTP/1.1\r\nHost: h\r\n\r\n");
  EXPECT_EQ(more.read(3), "");
  held.clear();
  bool served = false;
  for (int i = 0; i < 100 && !served; ++i) {
    Socket again = connect();
    (void)again.send("GET / HTTP/1.1\r\nHost: h\r\n\r\n");
    served = again.read(0.2, "whole").find("whole") != std::string::npos;
  }
  EXPECT_TRUE(served);
  Socket head = connect();
  ASSERT_TRUE(head.send("HEAD /goes-on HTTP/1.1\r\nHost: h\r\nConnection: close\r\n\r\n"));
  EXPECT_TRUE(head.read(5).ends_with("\r\n\r\n"));
  EXPECT_TRUE(head.closed);
}

class TabletsPort : public ServerTest {
 protected:
  /// Opens the port for other machines and starts.
  void open(const Limits& limits) {
    folder_ = std::filesystem::temp_directory_path() / ("server-test-" + std::to_string(::getpid()));
    const auto c = station_certificate(folder_, "127.0.0.1", "");
    ASSERT_TRUE(c) << c.error().text;
    start(limits, {}, [&] {
      const auto port = server_->let_in("127.0.0.1", 0, c->chain, c->key);
      ASSERT_TRUE(port) << port.error().text;
      port_ = *port;
    });
  }
  void TearDown() override {
    ServerTest::TearDown();
    std::filesystem::remove_all(folder_);
  }
  Socket far() const { return Socket(port_); }
  std::filesystem::path folder_;
  int port_ = 0;
};

TEST_F(TabletsPort, ATlsHandshakeThatStallsIsClosed) {  // 15.2.2, 13.1.2
  Limits limits;
  limits.handshake_seconds = 0.4;
  open(limits);
  Socket silent = far(), dripping = far();
  const core::Stopwatch watch;
  // The first bytes of a ClientHello (RFC 8446, 5.1), and nothing after them.
  ASSERT_TRUE(dripping.send(std::string("\x16\x03\x01\x02\x00\x01\x00", 7)));
  silent.read(10), dripping.read(10);
  EXPECT_TRUE(silent.closed && dripping.closed);
  EXPECT_GT(watch.seconds(), 0.3);
  EXPECT_LT(watch.seconds(), 5);
}

TEST_F(TabletsPort, PlainHttpGetsNothingThere) {  // 12.2.1
  open({});
  Socket s = far();
  ASSERT_TRUE(s.send("GET / HTTP/1.1\r\nHost: h\r\n\r\n"));
  EXPECT_EQ(s.read(5).find("HTTP"), std::string::npos);
  EXPECT_TRUE(s.closed);
}

TEST_F(TabletsPort, TwelveFromAnAddressAndTheOperatorIsNotShutOut) {  // 15.2.2
  Limits limits;
  limits.connections = 20, limits.kept_for_operator = 9;
  open(limits);
  std::vector<Socket> held;
  for (int i = 0; i < 11; ++i) held.push_back(far());  // all that others may have here
  EXPECT_EQ(held.back().read(0.3), "");
  EXPECT_FALSE(held.back().closed);
  Socket more = far();
  more.read(3);
  EXPECT_TRUE(more.closed);
  Socket here = connect();
  ASSERT_TRUE(here.send("GET / HTTP/1.1\r\nHost: h\r\n\r\n"));
  EXPECT_NE(here.read(5, "GET / h").find("200"), std::string::npos);
}

TEST_F(TabletsPort, TheThirteenthFromAnAddressIsClosed) {  // 15.2.2
  open({});
  std::vector<Socket> held;
  for (int i = 0; i < 12; ++i) held.push_back(far());
  EXPECT_EQ(held.back().read(0.3), "");
  EXPECT_FALSE(held.back().closed);
  Socket more = far();
  more.read(3);
  EXPECT_TRUE(more.closed);
}

TEST_F(TabletsPort, ShutOutIsOutAtOnce) {
  open({});
  Socket held = far();
  EXPECT_EQ(held.read(0.3), "");
  ASSERT_FALSE(held.closed);
  server_->shut_out();
  held.read(3);
  EXPECT_TRUE(held.closed);
  Socket here = connect();
  ASSERT_TRUE(here.send("GET / HTTP/1.1\r\nHost: h\r\n\r\n"));
  EXPECT_NE(here.read(5, "GET / h").find("200"), std::string::npos);
}

TEST_F(ServerTest, TwoHostsAreNone) {
  start({});
  Socket s = connect();
  ASSERT_TRUE(s.send("GET / HTTP/1.1\r\nHost: a\r\nHost: b\r\n\r\n"));
  const std::string got = s.read(5, "GET / ");
  EXPECT_TRUE(got.find("GET / a, b") != std::string::npos || got.starts_with("HTTP/1.1 400"))
      << got;
}

TEST(ServerBind, APortThatIsTakenIsToldInOneLine) {
  auto first = Server::bind("127.0.0.1", 0);
  ASSERT_TRUE(first);
  const auto second = Server::bind("127.0.0.1", (*first)->port());
  ASSERT_FALSE(second);
  EXPECT_EQ(second.error().fault, Fault::unavailable);
  EXPECT_EQ(second.error().text.find('\n'), std::string::npos);
}

}  // namespace
}  // namespace lapwright::review
