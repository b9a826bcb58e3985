// An archive with one roll whose proof is a real pyramid, as a station would leave it.
#pragma once

#include <gtest/gtest.h>
#include <unistd.h>

#include <cmath>
#include <filesystem>
#include <fstream>
#include <memory>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "core/files.h"
#include "ledger/ledger.h"
#include "profile/card.h"
#include "proof/pyramid.h"
#include "review/bedside.h"
#include "review/desk.h"
#include "review/site.h"

namespace lapwright::review {

/// Rings and a ramp, so that every tile is another picture.
inline void write_pyramid(const std::filesystem::path& file, std::int64_t width,
                          std::int64_t height) {
  auto pyramid = proof::Pyramid::start(file, width, height, {300}, 85, {}, {});
  ASSERT_TRUE(pyramid) << pyramid.error().text;
  std::vector<std::uint16_t> row(static_cast<std::size_t>(width * 3));
  for (std::int64_t y = 0; y < height; ++y) {
    for (std::int64_t x = 0; x < width; ++x) {
      const double r = std::hypot(static_cast<double>(x) - 400, static_cast<double>(y) - 300);
      const auto at = static_cast<std::size_t>(x * 3);
      row[at] = static_cast<std::uint16_t>(32768 + 30000 * std::sin(r / 9));
      row[at + 1] = static_cast<std::uint16_t>(65535 * x / width);
      row[at + 2] = static_cast<std::uint16_t>(65535 * y / height);
    }
    ASSERT_TRUE((*pyramid)->row(row.data()));
  }
  ASSERT_TRUE((*pyramid)->finish());
}

class DeskTest : public ::testing::Test {
 protected:
  static constexpr std::int64_t width = 1300, height = 1100;
  static constexpr double mm_per_pixel = 25.4 / 300;
  static constexpr const char* host = "127.0.0.1:5279";
  static constexpr const char* uuid = "11111111-2222-4333-8444-555555555555";

  void SetUp() override {
    archive_ = std::filesystem::temp_directory_path() /
               (std::string("review-test-") +
                ::testing::UnitTest::GetInstance()->current_test_info()->name() + "-" +
                std::to_string(::getpid()));
    std::filesystem::remove_all(archive_);
    auto ledger = ledger::Ledger::open(archive_);
    ASSERT_TRUE(ledger) << ledger.error().text;
    add_proof(*ledger, roll_);
    desk_ = std::make_unique<Desk>(archive_, std::move(*ledger));
    bedside_ = std::make_unique<Bedside>(archive_);
    site_ = std::make_unique<Site>(*desk_, *bedside_, Door{"http", loopback_hosts(5279), Visitor::operator_here},
                                   [this](const std::string& line) { log_ += line + "\n"; });
  }
  void TearDown() override {
    site_.reset(), bedside_.reset(), desk_.reset();
    std::filesystem::remove_all(archive_);
  }

  static frames::Frame frame(const std::string& name, int strip, double x, double y) {
    frames::Frame f;
    f.frame = name, f.strip = strip, f.sure = 1;
    f.corners = {Spot<SleeveSpace>{x, y}, {x + 36, y}, {x + 36, y + 24}, {x, y + 24}};
    return f;
  }

  void add_proof(ledger::Ledger& ledger, const std::string& roll) {
    ASSERT_TRUE(ledger.add_roll({roll, "135-7x5", "c41-daylight-400", "2026-01-02", "a note", ""}));
    const auto job = ledger.next_job({});
    ASSERT_TRUE(job && *job);
    const std::string folder = "rolls/" + roll + "/proof/";
    ASSERT_NO_FATAL_FAILURE(write_pyramid(archive_ / folder / "proof.tif", width, height));
    profile::Card card;
    card.file = "sheet.tif", card.sha256 = std::string(64, 'a');
    card.roll = roll, card.sleeve = "135-7x5", card.stock = "c41-daylight-400";
    card.ppi = {300}, card.width = {width}, card.height = {height};
    card.origin_mm = {10, 5}, card.mm_per_pixel = mm_per_pixel;
    const std::vector<frames::Frame> found = {frame("1", 1, 15, 10), frame("2", 1, 53, 10),
                                              frame("12A", 2, 15, 46)};
    ASSERT_TRUE(core::write_file(archive_ / folder / "sheet.yaml", profile::write_card(card)));
    const Json json = frames::to_json(found);
    ASSERT_TRUE(core::write_file(archive_ / folder / "frames.json", json.dump()));
    std::vector<ledger::File> files;
    for (const char* name : {"proof.tif", "sheet.yaml", "frames.json"}) {
      const auto sum = core::sha256_of(archive_ / folder / name);
      files.push_back({folder + name, *sum, std::filesystem::file_size(archive_ / folder / name)});
    }
    const auto done = ledger.proof_done((*job)->id, files, json);
    ASSERT_TRUE(done) << done.error().text;
    image_ = files[0].sha256.substr(0, 20);
  }

  static Request get(const std::string& target) { return {"GET", target, {{"host", host}}, {}}; }
  static Request put(const std::string& target, const std::string& body) {
    return {"PUT",
            target,
            {{"host", host},
             {"origin", std::string("http://") + host},
             {"lapwright-change", "1"},
             {"sec-fetch-site", "same-origin"},
             {"content-type", "application/json"}},
            body};
  }
  static Request remove(const std::string& target) {
    Request q = put(target, "");
    q.method = "DELETE";
    return q;
  }
  int status(const Request& q) { return site_->answer(q).status; }
  Json json(const Request& q) {
    const Reply r = site_->answer(q);
    EXPECT_LT(r.status, 300) << q.target << ": " << r.body;
    return Json::parse(r.body);
  }
  Json roll() { return json(get("/api/rolls/2026-014%20b")); }
  static Json stroke() {
    return {{"colour", "red"},
            {"width", 0.9},
            {"samples", {20, 20, 0.1, 0, 22, 21, 0.5, 8.5, 25, 20, 0.9, 16}},
            {"outline", {20, 19.9, 22, 20.6, 25, 19.6, 25, 20.4, 22, 21.4, 20, 20.1}}};
  }
  std::filesystem::path marks_file() const { return archive_ / "rolls" / roll_ / "marks.json"; }

  std::filesystem::path archive_;
  std::string roll_ = "2026-014 b", image_, log_;
  std::string ink_ = std::string("/api/rolls/2026-014%20b/ink/") + uuid;
  std::unique_ptr<Desk> desk_;
  std::unique_ptr<Bedside> bedside_;
  std::unique_ptr<Site> site_;
};

}  // namespace lapwright::review
