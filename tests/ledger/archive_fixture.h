// A throw-away archive, and files in it as a station would leave them.
#pragma once

#include <gtest/gtest.h>
#include <unistd.h>

#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "core/files.h"
#include "ledger/ledger.h"

namespace lapwright::ledger {

class ArchiveTest : public ::testing::Test {
 protected:
  void SetUp() override {
    archive_ = std::filesystem::temp_directory_path() /
               (std::string("ledger-test-") +
                ::testing::UnitTest::GetInstance()->current_test_info()->name() + "-" +
                std::to_string(::getpid()));
    std::filesystem::remove_all(archive_);
  }
  void TearDown() override { std::filesystem::remove_all(archive_); }

  Ledger open() {
    auto l = Ledger::open(archive_);
    EXPECT_TRUE(l) << (l ? "" : l.error().text);
    return std::move(*l);
  }
  /// Writes rolls/ROLL/NAME and tells what the ledger is told of it.
  File put(const std::string& roll, const std::string& name, const std::string& text) {
    const std::string path = "rolls/" + roll + "/" + name;
    EXPECT_TRUE(core::write_file(archive_ / path, text));
    core::Sha256 sum;
    sum.add(text.data(), text.size());
    return {path, sum.hex(), text.size()};
  }
  static Json frames(const std::vector<std::string>& names) {
    Json list = Json::array();
    for (const auto& n : names) list.push_back({{"frame", n}, {"strip", 1}});
    return {{"frames", list}};
  }
  /// A roll with a published proof that shows these frames.
  void proofed(Ledger& l, const std::string& roll, const std::vector<std::string>& names) {
    ASSERT_TRUE(l.add_roll({roll, "135-7x5", "c41-daylight-400", "2026-01-02", "", ""}));
    const auto job = l.next_job({});
    ASSERT_TRUE(job && *job);
    ASSERT_EQ((*job)->roll.name, roll);
    ASSERT_TRUE(l.job_planned((*job)->id, {{"passes", 2}}));
    ASSERT_TRUE(l.pass_captured((*job)->id, 1, put(roll, "proof/pass-1.tif", "one of " + roll),
                                {{"device", "x"}}));
    ASSERT_TRUE(l.pass_captured((*job)->id, 2, put(roll, "proof/pass-2.tif", "two of " + roll),
                                {{"device", "x"}}));
    const auto done = l.proof_done(
        (*job)->id,
        {put(roll, "proof/sheet.tif", "sheet of " + roll), put(roll, "proof/frames.json", "{}")},
        frames(names));
    ASSERT_TRUE(done) << done.error().text;
    ASSERT_TRUE(l.write_manifest(roll));
  }

  std::filesystem::path archive_;
};

}  // namespace lapwright::ledger
