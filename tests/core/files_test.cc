#include "core/files.h"

#include <gtest/gtest.h>
#include <unistd.h>

#include <cerrno>
#include <cstdlib>

#include "core/process.h"
#include "core/units.h"

namespace lapwright::core {
namespace {

namespace fs = std::filesystem;

class Files : public ::testing::Test {
 protected:
  void SetUp() override {
    char name[] = "/tmp/lapwright-files-XXXXXX";
    folder_ = ::mkdtemp(name);
  }
  void TearDown() override {
    fail_nth_call(0, 0);
    fs::remove_all(folder_);
  }
  fs::path folder_;
};

TEST_F(Files, Sha256AgreesWithFips180AndWithCoreutils) {
  Sha256 sum;  // FIPS 180-4 example "abc"
  sum.add("abc", 3);
  EXPECT_EQ(sum.hex(), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
  ASSERT_TRUE(write_file(folder_ / "a.txt", std::string(3000000, 'x')));
  auto mine = sha256_of(folder_ / "a.txt");
  ASSERT_TRUE(mine);
  auto theirs = run({"sha256sum", (folder_ / "a.txt").string()}, 20);
  ASSERT_TRUE(theirs);
  EXPECT_EQ(theirs->last_lines.substr(0, 64), *mine);
}

/// The n-th system call fails, for every n until none fires: the file is whole or absent, and no
/// part of it stays.
TEST_F(Files, WhicheverCallFailsTheFileIsWholeOrAbsent) {
  const std::string text(200000, 'q');
  for (const int error : {EIO, ENOSPC}) {
    int failures = 0;
    for (std::int64_t n = 1;; ++n) {
      const fs::path path = folder_ / ("d" + std::to_string(error)) / std::to_string(n) / "f.txt";
      fail_nth_call(n, error);
      const bool ok = write_file(path, text).has_value();
      const bool fired = calls_made() >= n;
      fail_nth_call(0, 0);
      if (!fired) {
        EXPECT_TRUE(ok);
        break;
      }
      ++failures;
      EXPECT_FALSE(ok) << n;
      EXPECT_FALSE(fs::exists(path)) << n;
      EXPECT_FALSE(fs::exists(path.parent_path() / ".f.txt.part")) << n;
    }
    EXPECT_GE(failures, 6);
  }
}

/// An error is told only of a file that is not there: the one before is back, a new one is gone.
TEST_F(Files, WhateverFailsTheFileThatWasThereIsBackAndNoNewOneStays) {
  for (const bool before : {true, false}) {
    int failures = 0;
    for (std::int64_t n = 1;; ++n) {
      const fs::path path = folder_ / (before ? "before" : "none") / std::to_string(n) / "f.txt";
      ASSERT_TRUE(make_folder(path.parent_path()));
      if (before) {
        ASSERT_TRUE(write_file(path, "older"));
      }
      fail_nth_call(n, EIO);
      const auto written = write_file(path, "newer");
      const bool fired = calls_made() >= n;
      fail_nth_call(0, 0);
      if (!fired) break;
      ++failures;
      EXPECT_FALSE(written) << n;
      EXPECT_EQ(fs::exists(path), before) << n;
      if (before) {
        EXPECT_EQ(*read_file(path), "older") << n;
      }
      EXPECT_EQ(std::distance(fs::directory_iterator(path.parent_path()), {}), before ? 1 : 0) << n;
    }
    EXPECT_EQ(failures, 7) << "open, write, fsync, close, rename, open and fsync of the folder";
  }
}

TEST_F(Files, ADropIsSaidSoWithAdvice) {
  ASSERT_TRUE(make_folder(folder_ / "d"));
  for (const int n : {3, 7}) {  // fsync of the file, of its folder
    fail_nth_call(n, EIO);
    const auto r = write_file(folder_ / "d" / "f.txt", "x");
    fail_nth_call(0, 0);
    ASSERT_FALSE(r);
    EXPECT_EQ(r.error().fault, Fault::io);
    EXPECT_NE(r.error().text.find("dropped"), std::string::npos) << r.error().text;
    EXPECT_NE(r.error().text.find("f.txt: "), std::string::npos) << r.error().text;
    EXPECT_NE(r.error().text.find("; the disk fails: see to it"), std::string::npos);
  }
  EXPECT_NE(advice(ENOSPC).find("free some space"), std::string::npos);
  EXPECT_NE(advice(EROFS).find("make it writable"), std::string::npos);
  EXPECT_NE(advice(ENOENT).find("bring it back"), std::string::npos);
  EXPECT_EQ(advice(EINTR), "");
}

TEST_F(Files, AMasterIsNeverOverwritten) {
  ASSERT_TRUE(write_file(folder_ / "m", "first"));
  EXPECT_FALSE(NewFile::create(folder_ / "m", 0, Existing::refuse));
  auto late = NewFile::create(folder_ / "n", 0, Existing::refuse);
  ASSERT_TRUE(late);
  ASSERT_TRUE(write_file(folder_ / "n", "came first"));
  EXPECT_FALSE(late->publish());
  EXPECT_EQ(*read_file(folder_ / "n"), "came first");
}

TEST_F(Files, AnAbandonedFileLeavesNothing) {
  {
    auto file = NewFile::create(folder_ / "x", 1000);
    ASSERT_TRUE(file);
    ASSERT_TRUE(file->write("half", 4));
  }
  EXPECT_TRUE(fs::is_empty(folder_));
}

TEST_F(Files, SweepsPartialsOnly) {
  ASSERT_TRUE(write_file(folder_ / "keep.tif", "x"));
  ASSERT_TRUE(write_file(folder_ / ".pass-1.tif.part", "x"));
  EXPECT_EQ(*sweep_partials(folder_), 1);
  EXPECT_TRUE(fs::exists(folder_ / "keep.tif"));
}

TEST_F(Files, AFullDiskIsToldBeforeAnythingIsWritten) {
  auto file = NewFile::create(folder_ / "big", std::uint64_t{1} << 50);
  ASSERT_FALSE(file);
  EXPECT_EQ(file.error().fault, Fault::cannot_create);
  EXPECT_TRUE(fs::is_empty(folder_));
}

TEST(Process, TellsExitCodesOutputAndTime) {
  auto r = run({"sh", "-c", "echo first; echo last >&2; exit 3"}, 10);
  ASSERT_TRUE(r);
  EXPECT_EQ(r->exit_code, 3);
  EXPECT_NE(r->last_lines.find("last"), std::string::npos);
  EXPECT_EQ(run({"/no/such/program"}, 10).error().fault, Fault::unavailable);
  EXPECT_EQ(run({"sleep", "30"}, 0.2).error().fault, Fault::io);
}

TEST(Units, PixelsSurviveMicrometresUpTo25400Ppi) {
  for (const int ppi : {75, 300, 1200, 2400, 4800, 6400, 9600, 25400})
    for (std::int64_t n = 0; n < 200000; n += 37)
      EXPECT_EQ(to_pixels(to_micrometres({n}, {ppi}), {ppi}).value, n);
}

/// Pixel and byte counts of trade.md 6 (CALC).
TEST(Units, AreasOfTheTradeTable) {
  const auto bytes = [](double w, double h, int ppi) {
    return to_pixels(Micrometres::from_mm(w), {ppi}).value *
           to_pixels(Micrometres::from_mm(h), {ppi}).value * bytes_per_pixel;
  };
  EXPECT_EQ(bytes(36, 24, 2400), 46294416);
  EXPECT_EQ(bytes(203.2, 254, 2400), 2764800000);
  EXPECT_EQ(bytes(203.2, 254, 4800), 11059200000);
  EXPECT_EQ(bytes(252, 190, 2400), 2564873298);
  EXPECT_EQ(bytes(310, 437, 2400), 7256728086);
}

}  // namespace
}  // namespace lapwright::core
