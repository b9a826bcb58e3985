#include "profile/profile.h"

#include <gtest/gtest.h>

#include <chrono>
#include <random>

#include "core/files.h"

namespace lapwright::profile {
namespace {

const std::string bed_text = R"(bed: b
about: a bed
match: {vendor: ".*", model: "A.*"}
window: {x: 1, y: 2.5, width: 203.2, height: 254.0}
overhang: {left: 90, right: 91, front: 400, back: 10}
ppi: [1200, 300, 600, 2400, 4800]
limits: {pixels_per_line: 40800, lines: 120000}
timing: {fixed: 25, line: {300: 0.0025, 1200: 0.005, 2400: 0.008}}
options: {lamp: "on", "focus position": 2, plain: yes}
)";
const std::string sleeve_text = R"(sleeve: s
about: a sleeve
page: {width: 216, height: 279}
film: 135
frame: {width: 36, height: 24, advance: 38}
strips: {count: 7, frames: 5, first: {x: 18, y: 14}, pitch: 36.2, length: 190, run: right}
)";
const std::string stock_text = R"(stock: k
about: a stock
process: colour-negative
base: {red: 0.32, green: 0.63, blue: 0.72}
gain: {red: 1.174, green: 1.0, blue: 0.962}
offset: {red: 0.011, green: 0.0, blue: 0.120}
paper: {slope: 2.97, dmin: 0.05, dmax: 2.10}
trim: {warmth: 1, tint: -2, brightness: 3, contrast: -100}
curve:
  red: {0: 0, 0.5: 0.6, 1.2: 1.35}
  green: {0: 0, 1: 1}
  blue: {0: -0.05, 0.4: 0.3, 1: 0.9}
crosstalk:
  red: [1.02, -0.03, 0.01]
  green: [-0.04, 1.05, -0.02]
  blue: [0, -0.08, 1.1]
toe: 0.1
balance: sheet
)";

TEST(BedProfile, ReadsEveryKey) {
  const auto b = parse_bed(bed_text, "b.yaml");
  ASSERT_TRUE(b) << b.error().text;
  EXPECT_EQ(b->name, "b");
  EXPECT_EQ(b->match->model, "A.*");
  EXPECT_EQ(b->window, (Rect<BedSpace>{{1000}, {2500}, {203200}, {254000}}));
  EXPECT_EQ(b->overhang.right.value, 91000);
  EXPECT_EQ(b->ppi, (std::vector<Ppi>{{300}, {600}, {1200}, {2400}, {4800}})) << "ascending";
  EXPECT_EQ(b->proof_ppi().value, 2400);
  EXPECT_EQ(b->limits.pixels_per_line->value, 40800);
  EXPECT_EQ(b->options, (std::map<std::string, std::string>{
                            {"lamp", "on"}, {"focus position", "2"}, {"plain", "yes"}}));
}

TEST(BedProfile, WhatMayBeLeftOut) {
  const auto b = parse_bed(
      "bed: b\nabout: x\nwindow: {x: 0, y: 0, width: 70, height: 230}\nppi: [3200]\n", "b.yaml");
  ASSERT_TRUE(b) << b.error().text;
  EXPECT_FALSE(b->match);
  EXPECT_EQ(b->overhang.left.value, 0);
  EXPECT_EQ(b->proof_ppi().value, 3200) << "nothing up to 2400: the lowest there is";
}

// trade.md 6 (CALC on invented line times): a pass of 203 x 254 mm takes 33 / 46 / 85 / 217 / 745
// s.
TEST(BedProfile, SecondsFollowTheTradesModel) {
  const std::pair<int, int> table[] = {{300, 33}, {600, 46}, {1200, 85}, {2400, 217}, {4800, 745}};
  auto b = parse_bed(bed_text, "b.yaml");
  ASSERT_TRUE(b);
  for (int timed = 1; timed >= 0; --timed) {
    if (!timed) b->timing.reset();
    for (const auto& [ppi, seconds] : table) {
      EXPECT_NEAR(b->seconds({ppi}, to_pixels(b->window.height, {ppi})), seconds, 0.5)
          << ppi << (timed ? " timed" : " by the model");
    }
  }
  b->timing = BedProfile::Timing{10, {{1200, 0.1}}};
  EXPECT_DOUBLE_EQ(b->seconds({1200}, {100}), 20);
  EXPECT_NEAR(b->seconds({2400}, {100}), 10 + 100 * 0.1 * 8 / 5, 1e-9)
      << "carried over as the model goes";
  // A wide line at a high resolution is bound by the link: 25 MB/s, 6 bytes a pixel.
  b->timing.reset();
  b->window.width = Micrometres::from_mm(900);
  EXPECT_NEAR(b->seconds({2400}, {1000}),
              25 + 1000 * static_cast<double>(to_pixels(b->window.width, {2400}).value * 6) / 25e6,
              1e-6);
}

TEST(SleeveProfile, StripsAndFramesLieWhereTheyShould) {
  auto s = parse_sleeve(sleeve_text, "s.yaml");
  ASSERT_TRUE(s) << s.error().text;
  EXPECT_EQ(s->film_width().value, 34975);
  EXPECT_EQ(s->strip(0), (Rect<SleeveSpace>{{18000}, {14000}, {190000}, {34975}}));
  EXPECT_EQ(s->strip(6).y.value, 14000 + 6 * 36200);
  // Five frames of 36 with 2 between: 188 of 190 mm, so the first begins 1 mm in (CALC).
  EXPECT_EQ(s->frame_area(0, 0).x.value, 19000);
  EXPECT_EQ(s->frame_area(2, 4).x.value, 19000 + 4 * 38000);
  EXPECT_EQ(s->frame_area(0, 0).width.value, 36000);
  EXPECT_NEAR(static_cast<double>(s->frame_area(0, 0).y.value), 14000 + (34975 - 24000) / 2.0, 0.6);
  EXPECT_EQ(s->block(), (Rect<SleeveSpace>{{18000}, {14000}, {190000}, {6 * 36200 + 34975}}));
  for (int i = 0; i < 7; ++i) {
    for (int j = 0; j < 5; ++j) EXPECT_TRUE(s->strip(i).contains(s->frame_area(i, j)));
  }
}

TEST(SleeveProfile, DownIsTheSameTurnedOver) {
  std::string text = sleeve_text;
  text.replace(text.find("run: right"), 10, "run: down");
  text.replace(text.find("width: 216, height: 279"), 23, "width: 290, height: 216");
  const auto down = parse_sleeve(text, "s.yaml");
  const auto right = parse_sleeve(sleeve_text, "s.yaml");
  ASSERT_TRUE(down) << down.error().text;
  for (int i = 0; i < 7; ++i) {
    const auto a = right->frame_area(i, 3), b = down->frame_area(i, 3);
    EXPECT_EQ(b.y - down->strips.first.y, a.x - right->strips.first.x);
    EXPECT_EQ(b.x - down->strips.first.x, a.y - right->strips.first.y);
    EXPECT_EQ(b.width, a.height);
    EXPECT_EQ(b.height, a.width);
    EXPECT_TRUE(down->strip(i).contains(b));
  }
}

TEST(SleeveProfile, FilmWidths) {
  auto s = *parse_sleeve(sleeve_text, "s.yaml");
  s.film = Film::f120;
  EXPECT_EQ(s.film_width().value, 61500);
  s.film = Film::sheet;
  EXPECT_EQ(s.film_width().value, 30000);
  s.strips.width = Micrometres{12345};
  EXPECT_EQ(s.film_width().value, 12345);
}

TEST(StockProfile, ReadsBackWhatItWrites) {
  for (const std::string& text : {stock_text, std::string("stock: k\nabout: \"x: #1\"\nprocess: bw-negative\nimage: dye\npaper: {slope: 1.7, dmin: 0.05, dmax: 2.1, knee: 0.08}\n"),
                                  std::string("stock: k\nabout: x\nprocess: slide\n")}) {
    const auto k = parse_stock(text, "k.yaml");
    ASSERT_TRUE(k) << k.error().text;
    const std::string written = write_stock(*k, {"how it was made", "how sure it is"});
    const auto again = parse_stock(written, "k.yaml");
    ASSERT_TRUE(again) << again.error().text << "\n" << written;
    EXPECT_EQ(write_stock(*again, {"how it was made", "how sure it is"}), written);
    EXPECT_EQ(again->about, k->about);
    EXPECT_EQ(again->silver, k->silver);
    EXPECT_EQ(again->curve, k->curve);
    EXPECT_EQ(again->crosstalk, k->crosstalk);
    EXPECT_EQ(again->paper.knee, k->paper.knee);
  }
}

TEST(StockProfile, ReadsEveryKey) {
  const auto k = parse_stock(stock_text, "k.yaml");
  ASSERT_TRUE(k) << k.error().text;
  EXPECT_EQ(k->gain.red, 1.174);
  EXPECT_EQ(k->offset.blue, 0.12);
  EXPECT_EQ(k->base->blue, 0.72);
  EXPECT_EQ(k->paper.dmax, 2.1);
  EXPECT_EQ(k->trim.tint, -2);
  ASSERT_TRUE(k->curve && k->crosstalk);
  EXPECT_EQ((*k->curve)[0], (StockProfile::Curve{{0, 0}, {0.5, 0.6}, {1.2, 1.35}}));
  EXPECT_EQ((*k->curve)[2].at(0), -0.05);
  EXPECT_EQ((*k->crosstalk)[1], (std::array<double, 3>{-0.04, 1.05, -0.02}));
  EXPECT_EQ(k->toe, 0.1);
  EXPECT_TRUE(k->balance_on_sheet);
  EXPECT_EQ(k->paper.knee, 0);
  const auto least = parse_stock("stock: k\nabout: x\nprocess: slide\n", "k.yaml");
  ASSERT_TRUE(least) << least.error().text;
  EXPECT_EQ(least->process, Process::slide);
  EXPECT_FALSE(least->silver);
  const std::string bw = "stock: k\nabout: x\nprocess: bw-negative\n";
  EXPECT_TRUE(parse_stock(bw, "k.yaml")->silver);
  EXPECT_FALSE(parse_stock(bw + "image: dye\n", "k.yaml")->silver);
  EXPECT_FALSE(parse_stock(bw + "image: ink\n", "k.yaml"));
  EXPECT_TRUE(parse_stock(bw, "k.yaml")->film_numbers.empty());
  EXPECT_EQ(parse_stock(bw + "film_numbers: [16, 1271, 2047]\n", "k.yaml")->film_numbers, (std::vector<int>{16, 1271, 2047}));
  for (const char* wrong : {"[15]", "[2048]", "[79-7]", "[12.5]", "1271", "[[1271]]"}) {  // N from 16 to 2047: trade.md 1.4
    const auto r = parse_stock(bw + "film_numbers: " + wrong + "\n", "k.yaml");
    ASSERT_FALSE(r) << wrong;
    EXPECT_NE(r.error().text.find("k.yaml:4: film_numbers"), std::string::npos) << r.error().text;
  }
  EXPECT_FALSE(least->base);
  EXPECT_EQ(least->gain.red, 1);
}

// ---- broken profiles: what is replaced by what, and the line and key that must be named ----

struct Broken {
  char kind;  // b, s, k
  const char *from, *to, *starts;
};

class BrokenProfile : public ::testing::TestWithParam<Broken> {};

TEST_P(BrokenProfile, IsRefusedWithLineAndKey) {
  const Broken& p = GetParam();
  std::string text = p.kind == 'b' ? bed_text : p.kind == 's' ? sleeve_text : stock_text;
  const auto at = text.find(p.from);
  ASSERT_NE(at, std::string::npos) << p.from;
  text.replace(at, std::string(p.from).size(), p.to);
  std::optional<Error> error;
  const auto keep = [&](const auto& r) {
    if (!r) error = r.error();
  };
  p.kind == 'b'   ? keep(parse_bed(text, "f.yaml"))
  : p.kind == 's' ? keep(parse_sleeve(text, "f.yaml"))
                  : keep(parse_stock(text, "f.yaml"));
  ASSERT_TRUE(error) << "accepted:\n" << text;
  EXPECT_EQ(error->fault, Fault::bad_profile);
  EXPECT_EQ(error->text.substr(0, std::string(p.starts).size()), p.starts);
  EXPECT_EQ(error->text.find('\n'), std::string::npos) << error->text;
}

INSTANTIATE_TEST_SUITE_P(
    All, BrokenProfile,
    ::testing::Values(
        Broken{'b', "bed: b", "bde: b", "f.yaml:1: bde: unknown key"},
        Broken{'b', "bed: b\n", "", "f.yaml:1: bed: missing"},
        Broken{'b', "bed: b", "bed: a/b", "f.yaml:1: bed: "},
        Broken{'b', "bed: b", "bed: [b]", "f.yaml:1: bed: "},
        Broken{'b', "about: a bed\n", "", "f.yaml:1: about: missing"},
        Broken{'b', "about: a bed", "about:", "f.yaml:2: about: "},
        Broken{'b', "\"A.*\"", "\"A(*\"", "f.yaml:3: match.model: "},
        Broken{'b', "vendor:", "vendr:", "f.yaml:3: match.vendr: unknown key"},
        Broken{'b', "width: 203.2", "width: 0", "f.yaml:4: window.width: "},
        Broken{'b', "width: 203.2", "width: -3", "f.yaml:4: window.width: "},
        Broken{'b', "width: 203.2", "width: .inf", "f.yaml:4: window.width: "},
        Broken{'b', "width: 203.2", "width: nan", "f.yaml:4: window.width: "},
        Broken{'b', "width: 203.2", "width: 1e400", "f.yaml:4: window.width: "},
        Broken{'b', "width: 203.2", "width: 203,2", "f.yaml:4: window.2: unknown key"},
        Broken{'b', "width: 203.2", "width: 203.2 mm", "f.yaml:4: window.width: "},
        Broken{'b', "height: 254.0", "height: 9999999", "f.yaml:4: window.height: "},
        Broken{'b', "x: 1, ", "", "f.yaml:4: window.x: missing"},
        Broken{'b', "x: 1, ", "x: 1, x: 2, ", "f.yaml:4: x: given twice"},
        Broken{'b', "window: {x: 1, y: 2.5, width: 203.2, height: 254.0}", "window: 3",
               "f.yaml:4: window: "},
        Broken{'b', "left: 90", "left: -1", "f.yaml:5: overhang.left: "},
        Broken{'b', "left: 90", "lefft: 90", "f.yaml:5: overhang.lefft: unknown key"},
        Broken{'b', "[1200, 300, 600, 2400, 4800]", "[]", "f.yaml:6: ppi: "},
        Broken{'b', "[1200, 300,", "[0, 300,", "f.yaml:6: ppi: "},
        Broken{'b', "[1200, 300,", "[1200.5, 300,", "f.yaml:6: ppi: "},
        Broken{'b', "[1200, 300,", "[300, 300,", "f.yaml:6: ppi: "},
        Broken{'b', "[1200, 300, 600, 2400, 4800]", "300", "f.yaml:6: ppi: "},
        Broken{'b', "[1200, 300,", "[99999999999999999999, 300,", "f.yaml:6: ppi: "},
        Broken{'b', "lines: 120000", "lines: 0", "f.yaml:7: limits.lines: "},
        Broken{'b', "lines: 120000", "lines: 1.5", "f.yaml:7: limits.lines: "},
        Broken{'b', "fixed: 25", "fixed: -1", "f.yaml:8: timing.fixed: "},
        Broken{'b', "2400: 0.008", "2400: 0", "f.yaml:8: timing.line.2400: "},
        Broken{'b', "2400: 0.008", "fast: 0.008", "f.yaml:8: timing.line: "},
        Broken{'b', "line: {300: 0.0025, 1200: 0.005, 2400: 0.008}", "line: 3",
               "f.yaml:8: timing.line: "},
        Broken{'b', "lamp: \"on\"", "lamp: [1, 2]", "f.yaml:9: options.lamp: "},
        Broken{'b', "bed: b", "bed: *b", "f.yaml:1: "},
        Broken{'b', "bed: b", "bed: \xff", "f.yaml:1: not UTF-8"},
        Broken{'b', "about: a bed", "about: \"a\\0b\"", "f.yaml:2: a control character"},
        Broken{'b', "options: {", "options: {{", "f.yaml:9: "},
        Broken{'b', "ppi: [", "ppi: ", "f.yaml:"},
        Broken{'b', "bed: b\n", "bed: b\n---\n", "f.yaml:"},
        Broken{'s', "sleeve: s", "sleave: s", "f.yaml:1: sleave: unknown key"},
        Broken{'s', "film: 135", "film: 136", "f.yaml:4: film: '136'"},
        Broken{'s', "film: 135\n", "", "f.yaml:1: film: missing"},
        Broken{'s', "width: 216", "width: 2160", "f.yaml:3: page.width: "},
        Broken{'s', "width: 216", "width: 207", "f.yaml:6: strips.first: the strips reach"},
        Broken{'s', "height: 279", "height: 260", "f.yaml:6: strips.first: "},
        Broken{'s', "x: 18", "x: -1", "f.yaml:6: strips.first.x: "},
        Broken{'s', "x: 18", "x: 27", "f.yaml:6: strips.first: "},
        Broken{'s', "count: 7", "count: 0", "f.yaml:6: strips.count: "},
        Broken{'s', "count: 7", "count: 8", "f.yaml:6: strips.first: "},
        Broken{'s', "count: 7", "count: 7.0", "f.yaml:6: strips.count: "},
        Broken{'s', "pitch: 36.2", "pitch: 34", "f.yaml:6: strips.pitch: "},
        Broken{'s', "length: 190", "length: 187.9", "f.yaml:6: strips.length: "},
        Broken{'s', "run: right", "run: up", "f.yaml:6: strips.run: 'up'"},
        Broken{'s', "advance: 38", "advance: 35", "f.yaml:5: frame.advance: "},
        Broken{'s', "height: 24", "height: 36", "f.yaml:5: frame.height: "},
        Broken{'s', "run: right", "run: right, width: 20", "f.yaml:5: frame.height: "},
        Broken{'s', "width: 36,", "width: thirty-six,", "f.yaml:5: frame.width: 'thirty-six'"},
        Broken{'s', "frames: 5", "frames: ~", "f.yaml:6: strips.frames: nothing"},
        Broken{'k', "process: colour-negative", "process: color-negative",
               "f.yaml:3: process: 'color-negative'"},
        Broken{'k', "red: 0.32", "red: -0.32", "f.yaml:4: base.red: "},
        Broken{'k', "red: 1.174", "red: 0", "f.yaml:5: gain.red: "},
        Broken{'k', "blue: 0.120", "blu: 0.120", "f.yaml:6: offset.blu: unknown key"},
        Broken{'k', "slope: 2.97", "slope: 0", "f.yaml:7: paper.slope: "},
        Broken{'k', "dmax: 2.10", "dmax: 0.01", "f.yaml:7: paper.dmax: "},
        Broken{'k', "dmin: 0.05, dmax: 2.10", "dmin: 0.9, dmax: 1.1", "f.yaml:7: paper.dmax: "},
        Broken{'k', "warmth: 1", "warmth: 101", "f.yaml:8: trim.warmth: "},
        Broken{'k', "0.5: 0.6", "0.5: -0.6", "f.yaml:10: curve.red: from 0 to 0.5 its slope is -1.2"},
        Broken{'k', "1.2: 1.35", "x: 1.35", "f.yaml:10: curve.red: 'x' is not a net density"},
        Broken{'k', "green: {0: 0, 1: 1}", "green: {0: 0}", "f.yaml:11: curve.green: 1 points"},
        Broken{'k', "[1.02, -0.03, 0.01]", "[1.02, -0.03]", "f.yaml:14: crosstalk.red: 2 numbers"},
        Broken{'k', "1.05, -0.02", "0.05, -0.02", "f.yaml:15: crosstalk.green: its own channel"},
        Broken{'k', "toe: 0.1", "toe: 0.7", "f.yaml:17: toe: "},
        Broken{'k', "balance: sheet", "balance: even", "f.yaml:18: balance: 'even'"},
        Broken{'k', "dmax: 2.10}", "dmax: 2.10, knee: 0.5}", "f.yaml:7: paper.knee: "},
        Broken{'k', "contrast: -100", "contrast: low", "f.yaml:8: trim.contrast: 'low'"}));

TEST(Garbage, EmptyAndOddTextsAreRefused) {
  for (const char* text : {"", "\n\n", "# only words", "3", "[]", "[1, 2]", "- a\n- b", "null",
                           "---\n...\n", "\t", "a", "{}", "? a", "!!binary x", "&a *a", "<<: 1"}) {
    for (const auto& error : {parse_bed(text, "f").error(), parse_sleeve(text, "f").error(),
                              parse_stock(text, "f").error()}) {
      EXPECT_EQ(error.fault, Fault::bad_profile) << text;
      EXPECT_EQ(error.text.substr(0, 2), "f:") << error.text;
      EXPECT_EQ(error.text.find('\n'), std::string::npos) << error.text;
    }
  }
}

TEST(Garbage, DeepAndWideTextsEndSoon) {
  const auto begin = std::chrono::steady_clock::now();
  for (const char* piece : {"[", "{", "- ", "? ", "a: {", "[[{", "!a ", "&a ", "\"", "'", "| "}) {
    std::string text;
    while (text.size() < 20000) text += piece;
    EXPECT_FALSE(parse_bed(text, "f")) << piece;
  }
  std::string steps;  // block mappings, each one deeper
  for (std::size_t i = 0; i < 300; ++i) steps += std::string(i, ' ') + "a:\n";
  EXPECT_FALSE(parse_bed(steps, "f"));
  EXPECT_LT(std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count(), 10);
}

// Random damage to good profiles: refused in one line or read, never anything else.
TEST(Garbage, DamagedProfilesNeverDoMoreThanBeRefused) {
  std::mt19937 random(20260131);
  const std::string alphabet = "{}[]:,-?!&*|>'\"%@`#~ \n\t0123456789.eE+xabz\xc3\xa4\xff";
  int refused = 0, read = 0;
  for (int i = 0; i < 6000; ++i) {
    const int kind = i % 3;
    std::string text = kind == 0 ? bed_text : kind == 1 ? sleeve_text : stock_text;
    for (std::size_t k = 0, n = 1 + random() % 6; k < n && !text.empty(); ++k) {
      const std::size_t at = random() % text.size();
      switch (random() % 4) {
        case 0:
          text[at] = alphabet[random() % alphabet.size()];
          break;
        case 1:
          text.insert(at, 1, alphabet[random() % alphabet.size()]);
          break;
        case 2:
          text.erase(at, 1 + random() % 8);
          break;
        default:
          text.insert(at, text.substr(random() % text.size(), random() % 30));
      }
    }
    std::optional<Error> error;
    if (kind == 0) {
      if (auto r = parse_bed(text, "f"); !r) error = r.error();
    } else if (kind == 1) {
      if (auto r = parse_sleeve(text, "f"); !r) error = r.error();
    } else if (auto r = parse_stock(text, "f"); !r) {
      error = r.error();
    }
    error ? ++refused : ++read;
    if (error) {
      EXPECT_EQ(error->fault, Fault::bad_profile);
      EXPECT_EQ(error->text.find('\n'), std::string::npos) << error->text;
      EXPECT_EQ(error->text.substr(0, 2), "f:") << error->text;
    }
  }
  EXPECT_GT(refused, 1000);
  EXPECT_GT(read, 10);
}

TEST(Config, PaperIsAKnownSheetOrItsMillimetres) {
  // ISO 216 and ANSI/ASME Y14.1.
  const std::map<std::string, std::array<double, 2>> right{{"A4", {210, 297}}, {"letter", {215.9, 279.4}}, {"330x482.6", {330, 482.6}}};
  for (const auto& [name, size] : right) {
    const auto config = parse_config("paper: " + name + "\n", "config.yaml");
    ASSERT_TRUE(config) << config.error().text;
    EXPECT_EQ(config->paper, size) << name;
  }
  EXPECT_FALSE(parse_config("", "config.yaml")->paper);
  for (const char* wrong : {"A5", "a4", "210", "210x", "0x297", "210x297mm", "nanx300", "99999x300"}) {
    const auto config = parse_config(std::string("paper: ") + wrong + "\n", "config.yaml");
    ASSERT_FALSE(config) << wrong;
    EXPECT_EQ(config.error().text.rfind("config.yaml:1: paper: '", 0), 0U) << config.error().text;
  }
}

TEST(StockProfile, ItsTrimIsChangedAndNotAByteElse) {
  const std::string head = "stock: k\nabout: x  # a remark: trim: {}\nprocess: slide\n", tail = "# the end\nfilm_numbers: [1271]\n";
  const Trim t{1, -2.5, 0, 40};
  const std::string right = "trim: {warmth: 1, tint: -2.5, brightness: 0, contrast: 40}";
  for (const auto& [before, after] : std::vector<std::pair<std::string, std::string>>{
           {head + "trim: {warmth: 3}  # warm\n" + tail, head + right + "  # warm\n" + tail},
           {head + "trim:\n  warmth: 3\n  tint: 4\n" + tail, head + right + "\n" + tail},
           {head + "trim: {warmth: 3,\n  tint: 4}\n" + tail, head + right + "\n" + tail},
           {"trim: {}\n" + head + tail, right + "\n" + head + tail},
           {head + tail, head + tail + right + "\n"},
           {head + "film_numbers: [1271]", head + "film_numbers: [1271]\n" + right + "\n"}}) {
    const auto changed = with_trim(before, "k.yaml", t);
    ASSERT_TRUE(changed) << before << changed.error().text;
    EXPECT_EQ(*changed, after);
    EXPECT_EQ(parse_stock(*changed, "k.yaml")->trim, t);
  }
  EXPECT_EQ(with_trim("stock: k\nwrong: 1\n", "k.yaml", t).error().fault, Fault::bad_profile);
  EXPECT_EQ(with_trim("{stock: k, about: x, process: slide, trim: {warmth: 3}}\n", "k.yaml", t).error().fault, Fault::bad_profile);
  EXPECT_EQ(check_trim({0, 101, 0, 0}).error().text, "tint: a number from -100 to 100 is right");
}

}  // namespace
}  // namespace lapwright::profile
