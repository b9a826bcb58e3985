// Trim at the page, on an archive whose linear sheet is there: what is seen is what the sheet made anew shows.
#include "review/trim.h"

#include <atomic>
#include <chrono>
#include <mutex>
#include <nlohmann/json.hpp>
#include <thread>

#include "density/density.h"
#include "desk_fixture.h"
#include "proof/jpeg.h"
#include "proof/proof.h"
#include "raw/tiff.h"
#include "station/remake.h"

namespace lapwright::review {
namespace {

namespace fs = std::filesystem;
using namespace std::chrono_literals;

constexpr const char* shipped_stock = R"(stock: my-400
about: masked colour negative, for this test
process: colour-negative
# what was measured, and must stay
gain: {red: 1.174, green: 1.0, blue: 0.962}
offset: {red: 0.011, green: 0.0, blue: 0.120}
paper: {slope: 2.97, dmin: 0.05, dmax: 2.10}
trim: {warmth: 0, tint: 0, brightness: 0, contrast: 0}  # as it came
)";

class TrimTest : public DeskTest {
 protected:
  static constexpr const char* base = "/api/rolls/r/trim";

  void SetUp() override {
    DeskTest::SetUp();
    site_.reset(), desk_.reset();
    profiles_ = archive_ / "profiles";
    fs::create_directories(profiles_ / "shipped");
    fs::copy(fs::path(SOURCE_DIR) / "profiles" / "sleeves", profiles_ / "shipped" / "sleeves", fs::copy_options::recursive);
    ASSERT_TRUE(core::write_file(profiles_ / "shipped" / "stocks" / "my-400.yaml", shipped_stock));
    auto ledger = ledger::Ledger::open(archive_);
    ASSERT_TRUE(ledger);
    ASSERT_NO_FATAL_FAILURE(add_sheet(*ledger));
    desk_ = std::make_unique<Desk>(archive_, std::move(*ledger));
    open_page(false);
  }
  void TearDown() override {
    site_.reset(), trimming_.reset();
    DeskTest::TearDown();
  }

  profile::Shelf shelf() const { return profile::Shelf({profiles_ / "own", profiles_ / "shipped"}); }
  profile::OwnProfiles own() const { return {profiles_ / "own", {profiles_ / "shipped"}}; }
  void open_page(bool outside) {
    site_.reset(), trimming_.reset();
    const auto log = [this](const std::string& line) {
      const std::lock_guard lock(log_mutex_);
      log_ += line + "\n";
    };
    trimming_ = std::make_unique<Trimming>(Trimming::Setting{archive_, shelf(), own(), outside, {}}, log);
    site_ = std::make_unique<Site>(*desk_, *bedside_, Door{"http", loopback_hosts(5279), Visitor::operator_here}, log, std::nullopt, trimming_.get());
  }

  /// A roll "r": a smooth scene of all densities, with some grain, on a linear sheet; its proof as the station makes it.
  void add_sheet(ledger::Ledger& ledger) {
    ASSERT_TRUE(ledger.add_roll({"r", "135-7x5", "my-400", "2026-01-02", "a note", ""}));
    const std::string folder = "rolls/r/proof/";
    auto sheet = raw::Writer::create(archive_ / folder / "sheet.tif", width, height, {300}, {.roll = "r", .page = "sheet", .make = "Maker", .model = "Bed", .date_time = {}, .note = {}});
    ASSERT_TRUE(sheet) << sheet.error().text;
    std::vector<std::uint16_t> row(static_cast<std::size_t>(width * 3));
    const double film[3] = {28718, 14065, 11433};
    std::uint32_t noise = 1;
    for (std::int64_t y = 0; y < height; ++y) {
      for (std::int64_t x = 0; x < width; ++x)
        for (std::size_t c = 0; c < 3; ++c) {
          noise = noise * 1664525 + 1013904223;
          const double net = 0.05 + 1.0 * static_cast<double>(x) / width + 0.15 * std::sin(static_cast<double>(y) / 60 + static_cast<double>(c)) * std::sin(static_cast<double>(x) / 70);
          row[static_cast<std::size_t>(x * 3) + c] =
              static_cast<std::uint16_t>(std::clamp(film[c] * std::pow(10.0, -net) * (1 + 0.01 * (static_cast<double>(noise >> 8) / (1 << 24) - 0.5)), 1.0, 65535.0));
        }
      ASSERT_TRUE((*sheet)->write(row.data(), 1));
    }
    const auto written = (*sheet)->finish();
    ASSERT_TRUE(written) << written.error().text;
    profile::Card card;
    card.file = "sheet.tif", card.sha256 = written->sha256, card.roll = "r", card.sleeve = "135-7x5", card.stock = "my-400";
    card.ppi = {300}, card.width = {width}, card.height = {height}, card.origin_mm = {10, 5}, card.mm_per_pixel = mm_per_pixel;
    card.open_light = profile::Card::Reading{{60000, 60000, 60000}, {}, "gutter"};
    card.base = profile::Card::Reading{{film[0], film[1], film[2]}, {}, "rebate"};
    card.positive.emplace();
    const auto stock = shelf().stock("my-400");
    const auto sleeve = shelf().sleeve("135-7x5");
    ASSERT_TRUE(stock && sleeve) << (stock ? sleeve.error().text : stock.error().text);
    const std::vector<frames::Frame> found = {frame("1", 1, 15, 10), frame("2", 1, 53, 10)};
    const auto measured = density::measured_from(card, *stock);
    ASSERT_TRUE(measured);
    const density::Converter converter(*stock, *measured);
    auto reader = raw::Reader::open(written->path);
    ASSERT_TRUE(reader);
    density::PositiveSource positive(**reader, converter);
    const auto made = proof::make(positive, card.origin_mm, *sleeve, found, {"r", "my-400", "", "", "2026-01-02"}, archive_ / folder, stop_);
    ASSERT_TRUE(made) << made.error().text;
    ASSERT_TRUE(core::write_file(archive_ / folder / "sheet.yaml", profile::write_card(card)));
    const Json json = frames::to_json(found);
    ASSERT_TRUE(core::write_file(archive_ / folder / "frames.json", json.dump()));
    std::vector<ledger::File> files;
    for (const char* name : {"sheet.tif", "proof.tif", "proof.jpg", "proof.pdf", "proof.xmp", "sheet.yaml", "frames.json"})
      files.push_back({folder + name, *core::sha256_of(archive_ / folder / name), fs::file_size(archive_ / folder / name)});
    const auto job = ledger.next_job({});
    ASSERT_TRUE(job && *job);
    const auto done = ledger.proof_done((*job)->id, files, json);
    ASSERT_TRUE(done) << done.error().text;
  }

  static proof::Bitmap picture(const Reply& r) {
    EXPECT_EQ(r.status, 200) << r.body;
    auto bitmap = proof::decode_jpeg({r.body.begin(), r.body.end()}, 4096);
    EXPECT_TRUE(bitmap);
    return bitmap ? *bitmap : proof::Bitmap{};
  }
  proof::Bitmap seen(const std::string& trim, const std::string& size = "300,200") {
    return picture(site_->answer(get(std::string(base) + "/look/100,100,300,200/" + size + "/" + trim + ".jpg")));
  }
  proof::Bitmap on_sheet(const std::string& size = "300,200") {
    const std::string image = json(get("/api/rolls/r"))["image"];
    return picture(site_->answer(get(image + "/100,100,300,200/" + size + "/0/default.jpg")));
  }
  static std::array<double, 3> mean(const proof::Bitmap& b) {
    std::array<double, 3> sum{};
    for (std::size_t i = 0; i < b.rgb.size(); ++i) sum[i % 3] += b.rgb[i];
    for (double& s : sum) s /= static_cast<double>(b.width * b.height);
    return sum;
  }
  static double differ(const proof::Bitmap& a, const proof::Bitmap& b) {
    EXPECT_EQ(a.rgb.size(), b.rgb.size());
    double sum = 0;
    for (std::size_t i = 0; i < std::min(a.rgb.size(), b.rgb.size()); ++i) sum += std::abs(a.rgb[i] - b.rgb[i]);
    return sum / static_cast<double>(a.rgb.size());
  }
  static Json body(double warmth, double tint, double brightness, double contrast) {
    return {{"trim", {{"warmth", warmth}, {"tint", tint}, {"brightness", brightness}, {"contrast", contrast}}}};
  }
  Json made() {
    for (int i = 0; i < 600; ++i) {
      Json now = json(get(base));
      if (!now.contains("making") || now["making"]["state"] != "running") return now;
      std::this_thread::sleep_for(50ms);
    }
    ADD_FAILURE() << "not made within 30 s";
    return {};
  }
  void audit_is_clean() {
    auto ledger = ledger::Ledger::open(archive_);
    ASSERT_TRUE(ledger);
    const auto audited = ledger->audit();
    ASSERT_TRUE(audited);
    for (const auto& line : *audited)
      if (line.path.starts_with("rolls/r/")) ADD_FAILURE() << line.path << " " << line.trouble;
  }
  std::string sum(const char* name) { return core::sha256_of(archive_ / "rolls/r/proof" / name).value_or("none"); }

  fs::path profiles_;
  std::unique_ptr<Trimming> trimming_;
  std::mutex log_mutex_;
  std::atomic<bool> stop_{false};
};

TEST_F(TrimTest, WithoutAChangeTheFrameIsSeenAsTheSheetHasIt) {
  const Json state = json(get(base));
  EXPECT_EQ(state["possible"], true) << state;
  EXPECT_EQ(state["made"], body(0, 0, 0, 0)["trim"]);
  EXPECT_EQ(state["of"], "stock");
  EXPECT_EQ(state["stock"]["writes"], (profiles_ / "own/stocks/my-400.yaml").string());
  EXPECT_EQ(state["stock"]["copies"], true);
  EXPECT_LT(differ(seen("0,0,0,0"), on_sheet()), 2.0);
  EXPECT_LT(differ(seen("0,0,0,0", "150,100"), on_sheet("150,100")), 2.0);
}

TEST_F(TrimTest, EachValueDoesWhatItsNameSays) {  // src/density/trim.h
  const auto plain = mean(seen("0,0,0,0"));
  const auto less = [&](const std::string& trim, std::size_t c) { return mean(seen(trim))[c] - plain[c]; };
  EXPECT_GT(less("60,0,0,0", 0), 4);
  EXPECT_LT(less("60,0,0,0", 2), -4);
  EXPECT_NEAR(less("60,0,0,0", 1), 0, 0.5);
  EXPECT_LT(less("-60,0,0,0", 0), -4);
  EXPECT_GT(less("-60,0,0,0", 2), 4);
  EXPECT_LT(less("0,60,0,0", 1), -4);
  EXPECT_NEAR(less("0,60,0,0", 0), 0, 0.5);
  EXPECT_GT(less("0,-60,0,0", 1), 4);
  for (std::size_t c = 0; c < 3; ++c) {
    EXPECT_GT(less("0,0,50,0", c), 8);
    EXPECT_LT(less("0,0,-50,0", c), -8);
  }
  const auto spread = [](const proof::Bitmap& b) {
    const auto m = mean(b);
    double s = 0;
    for (std::size_t i = 0; i < b.rgb.size(); ++i) s += std::abs(b.rgb[i] - m[i % 3]);
    return s / static_cast<double>(b.rgb.size());
  };
  EXPECT_GT(spread(seen("0,0,0,40")), spread(seen("0,0,0,0")) * 1.05);
  EXPECT_LT(spread(seen("0,0,0,-40")), spread(seen("0,0,0,0")) * 0.95);
}

TEST_F(TrimTest, TheSheetMadeAnewShowsWhatWasSeenAndKeepsItForTheRoll) {
  const std::string before = json(get("/api/rolls/r"))["image"], pdf = sum("proof.pdf");
  const auto wished = seen("30,-10,25,15"), small = seen("30,-10,25,15", "150,100");
  ASSERT_EQ(status(put("/api/rolls/r/frames/1/verdict", R"({"verdict": "select"})")), 200);
  EXPECT_EQ(status(put(base, body(30, -10, 25, 15).dump())), 202);
  const Json state = made();
  EXPECT_EQ(state["making"]["state"], "done") << state;
  EXPECT_EQ(state["made"], body(30, -10, 25, 15)["trim"]);
  EXPECT_EQ(state["of"], "roll");
  const Json roll = json(get("/api/rolls/r"));
  EXPECT_NE(roll["image"], before);
  EXPECT_EQ(roll["frames"].size(), 2U);
  EXPECT_EQ(roll["frames"][0]["verdict"], "select");
  EXPECT_LT(differ(on_sheet(), wished), 2.5);
  EXPECT_LT(differ(on_sheet("150,100"), small), 2.5);
  EXPECT_EQ(status(get(before + "/info.json")), 404);  // an id is of the bytes
  EXPECT_NE(sum("proof.pdf"), pdf);
  EXPECT_FALSE(fs::exists(archive_ / "rolls/r/proof/anew"));
  audit_is_clean();
  const auto card = profile::read_card(*core::read_file(archive_ / "rolls/r/proof/sheet.yaml"), "sheet.yaml");
  ASSERT_TRUE(card && card->positive);
  EXPECT_TRUE(card->positive->of_roll);
  EXPECT_EQ(card->positive->trim, (profile::Trim{30, -10, 25, 15}));
  // Back to what the stock has: the same pixels as at first, and the roll follows its stock again.
  EXPECT_EQ(status(put(base, body(0, 0, 0, 0).dump())), 202);
  EXPECT_EQ(made()["of"], "stock");
  EXPECT_LT(differ(on_sheet(), seen("0,0,0,0")), 2.0);
  audit_is_clean();
}

TEST_F(TrimTest, ASecondOneWaitsAndAStationsWorkGoesFirst) {
  {
    const auto held = ledger::ProofHold::of(archive_, "r");
    ASSERT_TRUE(held);
    EXPECT_EQ(status(put(base, body(5, 0, 0, 0).dump())), 202);
    const Json state = made();
    EXPECT_EQ(state["making"]["state"], "failed");
    EXPECT_NE(state["making"]["say"].get<std::string>().find("made anew already"), std::string::npos) << state;
  }
  auto station = ledger::Ledger::open(archive_);
  ASSERT_TRUE(station && station->sweep() && station->want("r", {"1"}, {600}));
  auto job = station->next_job({});
  while (job && *job && (*job)->roll.name != "r") job = station->next_job({(*job)->id});
  ASSERT_TRUE(job && *job && station->job_planned((*job)->id, {{"passes", 1}}));
  ASSERT_TRUE(core::write_file(archive_ / "rolls/r/full/pass-1.tif", "a pass"));
  ASSERT_TRUE(station->pass_captured((*job)->id, 1, {"rolls/r/full/pass-1.tif", *core::sha256_of(archive_ / "rolls/r/full/pass-1.tif"), 6}, {}));
  const std::string tif = sum("proof.tif");
  EXPECT_EQ(status(put(base, body(5, 0, 0, 0).dump())), 202);
  const Json state = made();
  EXPECT_EQ(state["making"]["state"], "failed");
  EXPECT_NE(state["making"]["say"].get<std::string>().find("a station is making frames of roll r"), std::string::npos) << state;
  EXPECT_EQ(sum("proof.tif"), tif);
  EXPECT_EQ(json(get(base))["made"], body(0, 0, 0, 0)["trim"]);
}

TEST_F(TrimTest, WithoutTheLinearSheetThePageSaysSo) {
  ASSERT_LT(differ(seen("0,0,0,0"), on_sheet()), 2.0);
  fs::rename(archive_ / "rolls/r/proof/sheet.tif", archive_ / "elsewhere.tif");
  const Json state = json(get(base));
  EXPECT_EQ(state["possible"], false);
  EXPECT_EQ(state["say"], "rolls/r/proof/sheet.tif: the linear sheet is not there any more, so that roll r cannot be trimmed; bring the file back from a second place");
  EXPECT_EQ(status(get(std::string(base) + "/look/0,0,10,10/10,10/0,0,0,0.jpg")), 409);
  EXPECT_EQ(status(put(base, body(1, 0, 0, 0).dump())), 409);
  fs::rename(archive_ / "elsewhere.tif", archive_ / "rolls/r/proof/sheet.tif");
  EXPECT_EQ(json(get(base))["possible"], true);
}

TEST_F(TrimTest, AStageOfOnesOwnIsLeftToTrim) {
  open_page(true);
  const Json state = json(get(base));
  EXPECT_EQ(state["possible"], false);
  EXPECT_NE(state["say"].get<std::string>().find("conversion stage of your own"), std::string::npos) << state;
  EXPECT_EQ(status(put(base, body(1, 0, 0, 0).dump())), 422);
}

TEST_F(TrimTest, WhatMakesNoSenseIsRefused) {
  for (const char* part : {"0,0,10,10/10,10/0,0,0.jpg", "0,0,10,10/10,10/0,0,0,0", "0,0,10,10/10,10/0,0,0,101.jpg", "0,0,10,10/10,10/0,0,0,nan.jpg", "0,0,10,10/11,10/0,0,0,0.jpg",
                           "-1,0,10,10/10,10/0,0,0,0.jpg", "0,0,1301,10/10,10/0,0,0,0.jpg", "1295,0,10,10/10,10/0,0,0,0.jpg", "0,0,0,10/10,10/0,0,0,0.jpg", "0,0,10,10/0,10/0,0,0,0.jpg",
                           "9223372036854775807,0,10,10/10,10/0,0,0,0.jpg", "0,0,9223372036854775807,9223372036854775807/10,10/0,0,0,0.jpg", "0,0,10,10,10/10,10/0,0,0,0.jpg", "a,0,10,10/10,10/0,0,0,0.jpg"})
    EXPECT_EQ(status(get(std::string(base) + "/look/" + part)), 400) << part;
  EXPECT_EQ(status(get(std::string(base) + "/look")), 404);
  EXPECT_EQ(status(get("/api/rolls/none/trim")), 404);
  for (const char* text : {"{}", "[]", "null", R"({"trim": 1})", R"({"trim": {"warmth": 1}})", R"({"trim": {"warmth": 1, "tint": 0, "brightness": 0, "contrast": 101}})",
                           R"({"trim": {"warmth": "1", "tint": 0, "brightness": 0, "contrast": 0}})", R"({"trim": {"warmth": 1, "tint": 0, "brightness": 0, "contrast": 0, "more": 0}})"})
    for (const char* where : {"", "/stock"}) EXPECT_EQ(status(put(std::string(base) + where, text)), 422) << text;
  EXPECT_EQ(status(put(base, "{")), 400);
  EXPECT_EQ(status(remove(base)), 404);
  EXPECT_EQ(status(put(std::string(base) + "/roll", body(0, 0, 0, 0).dump())), 404);
}

TEST_F(TrimTest, KeptForTheStockItGoesIntoACopyOfOnesOwn) {
  const Json kept = json(put(std::string(base) + "/stock", body(8, 0, -3, 0).dump()));
  const fs::path file = profiles_ / "own/stocks/my-400.yaml";
  EXPECT_EQ(kept["file"], file.string());
  const std::string text = *core::read_file(file);
  std::string expected = shipped_stock;
  const std::string zero = "{warmth: 0, tint: 0, brightness: 0, contrast: 0}";
  expected.replace(expected.find(zero), zero.size(), "{warmth: 8, tint: 0, brightness: -3, contrast: 0}");
  EXPECT_EQ(text, expected);
  EXPECT_EQ(*core::read_file(profiles_ / "shipped/stocks/my-400.yaml"), shipped_stock);
  Json state = json(get(base));
  EXPECT_EQ(state["stock"]["trim"], body(8, 0, -3, 0)["trim"]);
  EXPECT_EQ(state["stock"]["copies"], false);  // from here on it is one's own
  EXPECT_EQ(state["made"], body(0, 0, 0, 0)["trim"]);  // this roll's sheet is as it was made
  json(put(std::string(base) + "/stock", body(9, 0, 0, 0).dump()));
  EXPECT_EQ(shelf().stock("my-400")->trim, (profile::Trim{9, 0, 0, 0}));
}

}  // namespace
}  // namespace lapwright::review
