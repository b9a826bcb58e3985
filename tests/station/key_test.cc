#include "station/key.h"

#include <fcntl.h>
#include <gtest/gtest.h>
#include <linux/input.h>
#include <sys/stat.h>
#include <unistd.h>

#include <chrono>
#include <condition_variable>
#include <fstream>
#include <mutex>
#include <optional>
#include <vector>

#include "station/events.h"

namespace lapwright::station {
namespace {

/// A flatbed whose button is pressed when the test says so.
class ButtonBed : public bed::Bed {
 public:
  Result<std::vector<bed::Device>> list() override { return std::vector<bed::Device>{}; }
  Result<bed::Capability> probe(const std::string&) override {
    return fail(Fault::unavailable, "no");
  }
  Result<bed::Captured> capture(const bed::Request&, bed::Receiver&,
                                const std::atomic<bool>&) override {
    return fail(Fault::unavailable, "no");
  }
  Result<bool> wait_for_button(const std::string&, const std::atomic<bool>& stop) override {
    ++asked;
    if (fault) return fail(*fault);
    while (!stop && !pressed) std::this_thread::sleep_for(std::chrono::milliseconds(5));
    return pressed.exchange(false);
  }
  std::atomic<bool> pressed{false};
  std::atomic<int> asked{0};
  std::optional<Error> fault;  // set before the key is armed
};

class Ear {
 public:
  void operator()(Heard h) {
    const std::lock_guard guard(lock_);
    heard_.push_back(std::move(h));
    wake_.notify_all();
  }
  /// What was heard once `n` things were, or after two seconds.
  std::vector<Heard> wait(std::size_t n) {
    std::unique_lock guard(lock_);
    wake_.wait_for(guard, std::chrono::seconds(2), [&] { return heard_.size() >= n; });
    return heard_;
  }

 private:
  std::mutex lock_;
  std::condition_variable wake_;
  std::vector<Heard> heard_;
};

std::string pedal(int type, int code, int value) {
  input_event e{};
  e.type = static_cast<decltype(e.type)>(type);
  e.code = static_cast<decltype(e.code)>(code);
  e.value = value;
  return {reinterpret_cast<const char*>(&e), sizeof e};
}

TEST(Key, APedalIsOnePressWhateverItRepeats) {
  const std::string path = "/tmp/lapwright-pedal-" + std::to_string(::getpid());
  ASSERT_EQ(::mkfifo(path.c_str(), 0600), 0);
  const int writer = ::open(path.c_str(), O_RDWR);
  ButtonBed bed;
  Ear ear;
  auto key = make_key_source("evdev:" + path, bed, "", [&](Heard h) { ear(std::move(h)); });
  ASSERT_TRUE(key);
  const std::string press = pedal(EV_KEY, KEY_PROG1, 1) + pedal(EV_SYN, 0, 0);
  const std::string held =
      pedal(EV_KEY, KEY_PROG1, 2) + pedal(EV_KEY, KEY_PROG1, 2) + pedal(EV_KEY, KEY_PROG1, 0);
  const std::string all =
      press + held + press;  // the second press comes within 150 ms: one nervous foot
  ASSERT_EQ(::write(writer, all.data(), 10), 10);  // events may arrive in pieces
  ASSERT_EQ(::write(writer, all.data() + 10, all.size() - 10),
            static_cast<ssize_t>(all.size() - 10));
  EXPECT_EQ(ear.wait(1).size(), 1u);
  std::this_thread::sleep_for(std::chrono::milliseconds(200));
  ASSERT_EQ(::write(writer, press.data(), press.size()), static_cast<ssize_t>(press.size()));
  EXPECT_EQ(ear.wait(2).size(), 2u);
  key->reset();
  ::close(writer);
  ::unlink(path.c_str());
}

TEST(Key, TheBedsButtonIsAskedForOnlyWhileAPlaceWaits) {
  ButtonBed bed;
  Ear ear;
  auto key = make_key_source("scanner", bed, "x", [&](Heard h) { ear(std::move(h)); });
  ASSERT_TRUE(key);
  std::this_thread::sleep_for(std::chrono::milliseconds(50));
  EXPECT_EQ(bed.asked, 0);
  (*key)->arm(true);
  bed.pressed = true;
  EXPECT_EQ(ear.wait(1).size(), 1u);
  (*key)->arm(true);
  (*key)->arm(false);  // returns only when the bed is free
  bed.pressed = true;
  std::this_thread::sleep_for(std::chrono::milliseconds(50));
  EXPECT_EQ(ear.wait(1).size(), 1u);
}

/// The flatbed's own button as the key, waited for, while the flatbed answers with a fault.
struct BrokenButton {
  explicit BrokenButton(const Error& fault) {
    bed.fault = fault;
    EXPECT_TRUE(key);
    (*key)->arm(true);
  }
  ButtonBed bed;
  Ear ear;
  Result<std::unique_ptr<KeySource>> key =
      make_key_source("scanner", bed, "x", [this](Heard h) { ear(std::move(h)); });
};

TEST(Key, AFlatbedThatCannotBeAskedForItsButtonIsToldOnceAndAskedAgain) {
  BrokenButton b(Error{Fault::io, "its cable is out"});
  while (b.bed.asked < 3) std::this_thread::sleep_for(std::chrono::milliseconds(5));
  const auto heard = b.ear.wait(1);
  ASSERT_EQ(heard.size(), 1u);
  ASSERT_TRUE(heard[0].fault);
  EXPECT_EQ(heard[0].fault->text, "its cable is out");
  EXPECT_FALSE(heard[0].ended);
}

TEST(Key, AFlatbedWithoutAButtonEndsTheKeyAndSaysSo) {
  BrokenButton b(Error{Fault::usage, "no button"});
  const auto heard = b.ear.wait(1);
  ASSERT_EQ(heard.size(), 1u);
  EXPECT_TRUE(heard[0].ended);
  ASSERT_TRUE(heard[0].fault);
  EXPECT_EQ(heard[0].fault->text, "no button");
}

TEST(Key, AnUnknownKeyIsToldWhatWouldBeRight) {
  ButtonBed bed;
  auto key = make_key_source("pedal", bed, "", [](Heard) {});
  ASSERT_FALSE(key);
  EXPECT_EQ(key.error().fault, Fault::usage);
  EXPECT_NE(key.error().text.find("evdev:PATH"), std::string::npos);
}

TEST(Events, EveryLineIsOneDocumentWithTimeAndName) {
  const std::string path = "/tmp/lapwright-events-" + std::to_string(::getpid());
  auto stream = EventStream::open(path);
  ASSERT_TRUE(stream);
  (*stream)->emit("fault", {{"code", 74}, {"say", "a\nb \xff"}});
  (*stream)->emit("key", Json::object());
  std::ifstream in(path);
  std::vector<Json> lines;
  for (std::string line; std::getline(in, line);) lines.push_back(Json::parse(line));
  ASSERT_EQ(lines.size(), 2u);
  EXPECT_EQ(lines[0]["event"], "fault");
  EXPECT_EQ(lines[0]["at"].get<std::string>().size(),
            std::string("2026-01-31T09:12:44.120Z").size());
  ::unlink(path.c_str());
  EXPECT_EQ(EventStream::open("/no/such/folder/e").error().fault, Fault::cannot_create);
}

}  // namespace
}  // namespace lapwright::station
