// Against the texts of IIIF Image API 3.0 (sections 4, 5 and 6) and Presentation API 3.0 (3, 5, A).
#include "review/iiif.h"

#include <gtest/gtest.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <set>

#include "desk_fixture.h"

namespace lapwright::review::iiif {
namespace {

Pyramid pyramid_of(std::int64_t width, std::int64_t height) {
  Pyramid p;
  for (;; width = (width + 1) / 2, height = (height + 1) / 2) {
    p.levels.push_back({width, height});
    if (width <= p.tile && height <= p.tile) return p;
  }
}

Asked ask(const Pyramid& p, const std::string& region, const std::string& size,
          const std::string& rotation = "0", const std::string& file = "default.jpg") {
  return read_image_request(region, size, rotation, file, p, 2048);
}

TEST(ImageRequest, EveryTileThatTheInfoImpliesIsOneOfTheFile) {
  // Image API 3.0, section 5.4 and its implementation notes: region and size of a tile.
  for (const auto& [width, height] : {std::pair<int, int>{22200, 22400},
                                      {1300, 1100},
                                      {513, 1},
                                      {1024, 1024},
                                      {1025, 512},
                                      {300, 200}}) {
    const Pyramid p = pyramid_of(width, height);
    const Json info = image_info("http://h/i", p, 2048);
    ASSERT_EQ(info["width"], width);
    std::set<std::tuple<std::size_t, std::int64_t, std::int64_t>> seen;
    for (const int s : info["tiles"][0]["scaleFactors"]) {
      const std::int64_t step = 512LL * s;
      for (std::int64_t y = 0; y < height; y += step) {
        for (std::int64_t x = 0; x < width; x += step) {
          const std::int64_t w = std::min<std::int64_t>(step, width - x),
                             h = std::min<std::int64_t>(step, height - y);
          const Asked a =
              ask(p,
                  std::to_string(x) + "," + std::to_string(y) + "," + std::to_string(w) + "," +
                      std::to_string(h),
                  std::to_string((w + s - 1) / s) + "," + std::to_string((h + s - 1) / s));
          const auto* tile = std::get_if<TileOf>(&a);
          ASSERT_TRUE(tile) << s << " " << x << " " << y;
          EXPECT_EQ(std::int64_t{1} << tile->level, s);
          seen.insert({tile->level, tile->x, tile->y});
        }
      }
    }
    std::size_t all = 0;
    for (const Extent& l : p.levels)
      all += static_cast<std::size_t>(((l.width + 511) / 512) * ((l.height + 511) / 512));
    EXPECT_EQ(seen.size(), all);
  }
}

TEST(ImageRequest, ALevelThatFitsOneTileIsAlsoTheWholeInItsSize) {
  const Pyramid p = pyramid_of(1300, 1100);
  const Asked a = ask(p, "full", "325,275");
  ASSERT_TRUE(std::get_if<TileOf>(&a));
  EXPECT_EQ(std::get<TileOf>(a).level, 2u);
}

TEST(ImageRequest, SizesOfTheInfoAndMaxAreGiven) {
  const Pyramid p = pyramid_of(22200, 22400);
  const Json info = image_info("http://h/i", p, 2048);
  EXPECT_EQ(info["maxWidth"], 1388);  // 22200 halved four times, upwards
  EXPECT_EQ(info["maxHeight"], 1400);
  for (const Json& size : info["sizes"]) {
    EXPECT_LE(size["width"].get<int>(), 1388);
    const Asked a = ask(p, "full", size["width"].dump() + "," + size["height"].dump());
    EXPECT_FALSE(std::get_if<Refused>(&a));
  }
  const Asked a = ask(p, "full", "max");
  ASSERT_TRUE(std::get_if<PartOf>(&a));
  EXPECT_EQ(std::get<PartOf>(a).width, 1388);
  EXPECT_EQ(std::get<PartOf>(a).height, 1400);
  EXPECT_EQ(info["profile"], "level0");
  EXPECT_EQ(info["type"], "ImageService3");
  EXPECT_EQ(info["protocol"], "http://iiif.io/api/image");
}

TEST(ImageRequest, ARegionIsCutAtTheSheetsEdge) {  // 4.1
  const Pyramid p = pyramid_of(1300, 1100);
  const Asked a = ask(p, "1200,1000,500,500", "50,50");
  ASSERT_TRUE(std::get_if<PartOf>(&a));
  EXPECT_EQ(std::get<PartOf>(a).area.width.value, 100);
  EXPECT_EQ(std::get<PartOf>(a).area.height.value, 100);
}

TEST(ImageRequest, WhatIsWrongIsRefused) {
  const Pyramid p = pyramid_of(1300, 1100);
  const std::vector<std::pair<std::string, std::string>> wrong = {
      {"", "max"},
      {"full", ""},
      {"square", "max"},
      {"pct:0,0,10,10", "max"},
      {"0,0,0,10", "max"},
      {"0,0,10", "1,1"},
      {"0,0,10,10,", "1,1"},
      {"-1,0,10,10", "1,1"},
      {"+1,0,10,10", "1,1"},
      {" 0,0,10,10", "1,1"},
      {"1300,0,1,1", "1,1"},
      {"0,1100,1,1", "1,1"},
      {"0,0,1e3,10", "1,1"},
      {"0,0,10,10", "0,1"},
      {"0,0,10,10", "11,10"},
      {"full", "^max"},
      {"full", "1301,1100"},
      {"full", "!100,100"},
      {"full", "100,"},
      {"full", "pct:50"},
      {"0,0,99999999999999999999,1", "1,1"},
      {"full", std::string(5000, '1')}};
  for (const auto& [region, size] : wrong) {
    const Asked a = ask(p, region, size);
    EXPECT_TRUE(std::get_if<Refused>(&a)) << region << " " << size;
  }
  for (const char* rotation : {"90", "!0", "", "0.0", "360"}) {
    const Asked a = ask(p, "full", "max", rotation);
    EXPECT_TRUE(std::get_if<Refused>(&a)) << rotation;
  }
  for (const char* file : {"default.png", "gray.jpg", "default", "default.jpg.png"}) {
    const Asked a = ask(p, "full", "max", "0", file);
    EXPECT_TRUE(std::get_if<Refused>(&a)) << file;
  }
  const Pyramid large = pyramid_of(22200, 22400);
  const Asked a = ask(large, "full", "22200,22400");
  EXPECT_TRUE(std::get_if<Refused>(&a));
}

class Presentation : public DeskTest {};

TEST_F(Presentation, ARollIsAManifestWithOneCanvasOfTheSheetsSize) {
  const Json m = json(get("/iiif/rolls/2026-014%20b/manifest.json"));
  const std::string base = std::string("http://") + host;
  EXPECT_EQ(m["@context"], "http://iiif.io/api/presentation/3/context.json");
  EXPECT_EQ(m["type"], "Manifest");
  EXPECT_EQ(m["id"], base + "/iiif/rolls/2026-014%20b/manifest.json");
  EXPECT_EQ(m["label"]["none"][0], roll_);
  ASSERT_EQ(m["items"].size(), 1u);
  const Json& canvas = m["items"][0];
  EXPECT_EQ(canvas["type"], "Canvas");
  EXPECT_EQ(canvas["width"], width);
  EXPECT_EQ(canvas["height"], height);
  const Json& painting = canvas["items"][0]["items"][0];
  EXPECT_EQ(painting["motivation"], "painting");
  EXPECT_EQ(painting["target"], canvas["id"]);
  EXPECT_EQ(painting["body"]["service"][0]["id"], base + "/iiif/image/" + image_);
  EXPECT_EQ(painting["body"]["service"][0]["type"], "ImageService3");
  EXPECT_EQ(canvas["annotations"][0]["id"], base + "/iiif/rolls/2026-014%20b/marks.json");
  // Strips are ranges, frames parts of the canvas: frame 1 begins 5 mm right of and below the
  // origin.
  ASSERT_EQ(m["structures"].size(), 2u);
  EXPECT_EQ(m["structures"][0]["type"], "Range");
  ASSERT_EQ(m["structures"][0]["items"].size(), 2u);
  EXPECT_EQ(m["structures"][1]["items"][0]["label"]["none"][0], "Frame 12A");
  const auto px = [](double mm) { return std::to_string(std::llround(mm / mm_per_pixel)); };
  EXPECT_EQ(m["structures"][0]["items"][0]["items"][0]["id"],
            canvas["id"].get<std::string>() + "#xywh=" + px(5) + "," + px(5) + "," +
                std::to_string(std::llround(41 / mm_per_pixel) - std::llround(5 / mm_per_pixel)) +
                "," +
                std::to_string(std::llround(29 / mm_per_pixel) - std::llround(5 / mm_per_pixel)));
  // What it names is there.
  EXPECT_EQ(status(get("/iiif/rolls/2026-014%20b/sheet")), 200);
  for (const Json* picture : {&painting["body"], &canvas["thumbnail"][0], &m["thumbnail"][0]}) {
    const std::string id = (*picture)["id"];
    ASSERT_EQ(id.substr(0, base.size()), base);
    const Reply r = site_->answer(get(id.substr(base.size())));
    EXPECT_EQ(r.status, 200) << id;
    EXPECT_EQ(r.header("Content-Type"), "image/jpeg");
  }
}

TEST_F(Presentation, TheShelfIsACollection) {
  const Json c = json(get("/iiif/collection.json"));
  EXPECT_EQ(c["type"], "Collection");
  ASSERT_EQ(c["items"].size(), 1u);
  EXPECT_EQ(c["items"][0]["type"], "Manifest");
  EXPECT_EQ(c["items"][0]["id"],
            std::string("http://") + host + "/iiif/rolls/2026-014%20b/manifest.json");
}

TEST_F(Presentation, IdsComeFromTheCheckedHost) {
  Request q = get("/iiif/image/" + image_ + "/info.json");
  q.headers["host"] = "localhost:5279";
  EXPECT_EQ(json(q)["id"], "http://localhost:5279/iiif/image/" + image_);
}

}  // namespace
}  // namespace lapwright::review::iiif
