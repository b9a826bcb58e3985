// Flatbeds behind saned (SANE's own network): what arrives is what the flatbed gives, and what goes
// wrong between is one sentence in time (SANE field notes, section 4).
//
// saned listens on the loopback of a network of the test's own, where that is allowed; else on the
// machine's, and the tests are skipped when somebody listens there already. The client takes its
// port from /etc/services alone.
#include <arpa/inet.h>
#include <gtest/gtest.h>
#include <net/if.h>
#include <sched.h>
#include <signal.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <thread>

#include "bed/bench.h"
#include "bed/test_pictures.h"
#include "core/clock.h"
#include "core/process.h"

namespace lapwright::bed {
namespace {

constexpr int port = 6566;
constexpr const char* program = "/usr/sbin/saned";
const std::string host = "net:127.0.0.1:";

sockaddr_in address() {
  sockaddr_in a{};
  a.sin_family = AF_INET;
  a.sin_port = htons(port);
  a.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  return a;
}
bool somebody_listens() {
  const int s = ::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
  const sockaddr_in a = address();
  const bool there = ::connect(s, reinterpret_cast<const sockaddr*>(&a), sizeof a) == 0;
  ::close(s);
  return there;
}
/// A network that nobody else is in.
void own_network() {
  if (::unshare(CLONE_NEWNET) != 0 && ::unshare(CLONE_NEWUSER | CLONE_NEWNET) != 0) return;
  const int s = ::socket(AF_INET, SOCK_DGRAM | SOCK_CLOEXEC, 0);
  ifreq up{};
  up.ifr_name[0] = 'l', up.ifr_name[1] = 'o';
  up.ifr_flags = IFF_UP | IFF_RUNNING;
  EXPECT_EQ(::ioctl(s, SIOCSIFFLAGS, &up), 0);
  ::close(s);
}

/// saned with one backend behind it.
class Saned {
 public:
  Saned(const std::string& backend, const std::string& faults = "") : folder_(backend, faults) {
    const auto pid =
        core::start({program, "-l", "-b", "127.0.0.1", "-e", "-d", "0"}, {{2, 1}, {2, 2}});
    EXPECT_TRUE(pid) << pid.error().text;
    pid_ = *pid;
    for (core::Stopwatch watch; !somebody_listens() && watch.seconds() < 10;)
      std::this_thread::sleep_for(std::chrono::milliseconds(20));
  }
  ~Saned() { end(); }
  void signal(int number) const { ::kill(-pid_, number); }
  void end() {
    if (pid_ < 0) return;
    signal(SIGKILL);
    ::waitpid(pid_, nullptr, 0);
    pid_ = -1;
  }

 private:
  SaneFolder folder_;
  pid_t pid_ = -1;
};

/// The station's side: the network and nothing else.
class Client {
 public:
  Client() : folder_("net") {
    std::ofstream(folder_.path() / "net.conf") << "connect_timeout = 3\n127.0.0.1\n";
  }

 private:
  SaneFolder folder_;
};

/// Listens as saned would, and says `text` to everybody.
class Stranger {
 public:
  explicit Stranger(std::string text) : text_(std::move(text)) {
    socket_ = ::socket(AF_INET, SOCK_STREAM | SOCK_CLOEXEC, 0);
    const int on = 1;
    ::setsockopt(socket_, SOL_SOCKET, SO_REUSEADDR, &on, sizeof on);
    const sockaddr_in a = address();
    EXPECT_EQ(::bind(socket_, reinterpret_cast<const sockaddr*>(&a), sizeof a), 0);
    EXPECT_EQ(::listen(socket_, 5), 0);
    thread_ = std::thread([this] {
      for (int c; (c = ::accept4(socket_, nullptr, nullptr, SOCK_CLOEXEC)) >= 0;) {
        if (!text_.empty()) ::send(c, text_.data(), text_.size(), MSG_NOSIGNAL);
        heard_.push_back(c);
      }
    });
  }
  ~Stranger() {
    ::shutdown(socket_, SHUT_RDWR);
    thread_.join();
    for (const int c : heard_) ::close(c);
    ::close(socket_);
  }

 private:
  std::string text_;
  int socket_ = -1;
  std::vector<int> heard_;
  std::thread thread_;
};

class Net : public ::testing::Test {
 protected:
  static void SetUpTestSuite() { own_network(); }
  void SetUp() override {
    if (::access(program, X_OK) != 0) GTEST_SKIP() << program << " is not there (sane-utils)";
    if (somebody_listens()) GTEST_SKIP() << "somebody listens on port " << port << " already";
  }
};

WorkerOptions impatient() {
  WorkerOptions o = quick_options();
  o.stall_seconds = 1, o.start_seconds = 3, o.look_seconds = 5;
  return o;
}
Request film(const std::string& where) {
  return {.device = where + "fake:depth-list",
          .window = window_mm(2, 3, 50, 40),
          .ppi = {300},
          .options = {}};
}
Request pattern_of(const std::string& where, double height) {
  return {.device = where + "test:0",
          .window = window_mm(10, 20, 150, height),
          .ppi = {1200},
          .options = {{"test-picture", "Color pattern"}},
          .light = Light::any};
}
Result<Captured> capture(const Request& request, Receiver& to,
                         const WorkerOptions& options = impatient()) {
  const std::atomic<bool> stop = false;
  return make_sane_bed(options)->capture(request, to, stop);
}
void expect_fault(const Result<Captured>& r, Fault fault, const std::string& words) {
  ASSERT_FALSE(r);
  EXPECT_EQ(static_cast<int>(r.error().fault), static_cast<int>(fault)) << r.error().text;
  EXPECT_NE(r.error().text.find(words), std::string::npos) << r.error().text;
  EXPECT_NE(r.error().text.find("saned"), std::string::npos) << r.error().text;
  EXPECT_EQ(r.error().text.find('\n'), std::string::npos);
  std::printf("%s\n", r.error().text.c_str());
}

TEST_F(Net, ListsTheFlatbedAsItIs) {
  const Saned saned("fake");
  const Client client;
  const auto all = make_sane_bed(quick_options())->list();
  ASSERT_TRUE(all) << all.error().text;
  EXPECT_EQ(all->size(), 27U);  // the table of the fake backend
  EXPECT_EQ(std::count_if(all->begin(), all->end(),
                          [](const Device& d) { return d.name == host + "fake:depth-list"; }),
            1);
}

TEST_F(Net, GivesEveryByteOfAFilmPass) {
  Keeper direct, over;
  {
    const SaneFolder here("fake");
    ASSERT_TRUE(capture(film(""), direct));
  }
  const Saned saned("fake");
  const Client client;
  const auto r = capture(film(host), over);
  ASSERT_TRUE(r) << r.error().text;
  EXPECT_EQ(over.samples, direct.samples);
  EXPECT_EQ(over.at(0, 0, 2), 65535) << "a setting was lost on the way";
  EXPECT_GT(over.row_count, 400);
}

TEST_F(Net, GivesEveryByteOfTheTestPicture) {
  const Saned saned("test");
  const Client client;
  Keeper k;
  const auto r = capture(pattern_of(host, 20), k);
  ASSERT_TRUE(r) << r.error().text;
  std::int64_t wrong = 0;
  for (std::int64_t y = 0; y < k.row_count; ++y)
    for (std::int64_t x = 0; x < k.format.width; ++x)
      for (int c = 0; c < 3; ++c) wrong += k.at(x, y, c) != pattern(x, y, c);
  EXPECT_EQ(wrong, 0);
  // CALC field notes 2.2.
  EXPECT_EQ(k.format.width, 7086);
  EXPECT_EQ(k.row_count, 944);
}

class Counting : public Receiver {
 public:
  Result<> begin(const Format& f) override {
    width_ = f.width;
    return {};
  }
  Result<> rows(const std::uint16_t*, std::int64_t count) override {
    bytes += count * width_ * 6;
    return {};
  }
  std::int64_t bytes = 0;

 private:
  std::int64_t width_ = 0;
};

TEST_F(Net, ThroughputIsPrinted) {
  double megabytes = 0;
  const auto speed = [&](const std::string& where) {
    Counting c;
    const auto r = capture(pattern_of(where, 170), c, quick_options());
    EXPECT_TRUE(r) << r.error().text;
    megabytes = static_cast<double>(c.bytes) / 1e6;
    return r ? megabytes / r->seconds : 0.0;
  };
  double here = 0;
  {
    const SaneFolder folder("test");
    here = speed("");
  }
  const Saned saned("test");
  const Client client;
  const double over = speed(host);
  std::printf("%.0f MB: %.0f MB/s directly, %.0f MB/s through saned, %.2f of it\n", megabytes,
              here, over, over / here);
  EXPECT_GT(over, 0);
}

TEST_F(Net, NobodyIsThere) {
  const Client client;
  Keeper k;
  expect_fault(capture(film(host), k), Fault::unavailable,
               "opening net:127.0.0.1:fake:depth-list: ");
  const auto all = make_sane_bed(quick_options())->list();
  ASSERT_TRUE(all) << all.error().text;
  EXPECT_TRUE(all->empty());
}

TEST_F(Net, AHostThatNobodyKnows) {
  const Client client;
  Keeper k;
  expect_fault(capture(film("net:nosuch.invalid:"), k), Fault::unavailable, "opening net:nosuch");
}

TEST_F(Net, SanedThatDiesInThePassAndComesBack) {
  for (const int number : {SIGKILL, SIGSTOP}) {
    {
      Saned saned("fake", "slow=3");
      const Client client;
      std::thread killer([&] {
        std::this_thread::sleep_for(std::chrono::milliseconds(700));
        saned.signal(number);
      });
      Keeper k;
      core::Stopwatch watch;
      const auto r = capture(film(host), k);
      killer.join();
      expect_fault(r, Fault::io, "the flatbed gave no row for 1 s");
      EXPECT_GT(k.row_count, 0);
      EXPECT_LT(watch.seconds(), 6);
    }
    const Saned saned("fake");
    const Client client;
    Keeper k;
    const auto r = capture(film(host), k);
    ASSERT_TRUE(r) << r.error().text;
  }
}

TEST_F(Net, SomebodyWhoSaysNothing) {
  const Stranger stranger("");
  const Client client;
  Keeper k;
  expect_fault(capture(film(host), k), Fault::io, "did not start within 3 s");
}

TEST_F(Net, SomebodyWhoIsNotSaned) {
  const Stranger stranger("HTTP/1.1 400 Bad Request\r\nConnection: close\r\n\r\n");
  const Client client;
  Keeper k;
  expect_fault(capture(film(host), k), Fault::unavailable, "opening net:");
}

TEST_F(Net, AFaultOfTheFlatbedItselfIsSaidAsItIs) {
  const Saned saned("fake", "status=8");
  const Client client;
  Keeper k;
  const auto r = capture(film(host), k);
  ASSERT_FALSE(r);
  EXPECT_EQ(r.error().text, "starting the pass: the lid is open; close it and make the pass again");
}

}  // namespace
}  // namespace lapwright::bed
