// The film edge code: the rule's vectors, and drawn rebates of known truth
// (tests/support/edge_print.h).
#include "frames/edge_reader.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <ctime>

#include "support/edge_print.h"

namespace lapwright::frames {
namespace {

using support::draw_edge;
using support::EdgeLook;
using support::PrintedCode;
using support::Rolls;

std::vector<std::uint8_t> modules_of(const std::string& text) {
  std::vector<std::uint8_t> modules;
  for (const char c : text) modules.push_back(c == '1');
  return modules;
}

TEST(EdgeCode, VectorsOfTheRule) {  // trade.md 1.4, decoded there by an outside library
  const auto said = [](const std::string& data) -> std::string {
    const auto code = decode(modules_of(data));
    return !code ? "refused"
                 : film_text(code->film) + (code->half ? "/" + half_name(*code->half) : "");
  };
  EXPECT_EQ(said("1010101001111001110101101000101"), "79-7/22A");
  EXPECT_EQ(said("1010101110011010100010111010101"), "115-10/11A");
  EXPECT_EQ(said("1010101001110000101001000010101"), "78-2/36");
  EXPECT_EQ(said("1010101111111011111111111000101"), "127-15/00A");  // 63 stands for "00"
  EXPECT_EQ(said("10101010011110011100101"), "79-7");
  EXPECT_EQ(said("1010101001111001110101101001101"), "refused");  // a parity bit flipped
  EXPECT_EQ(decode(modules_of("1010101001110000101001000010101"))->film,
            1250);  // of cassette 412503
  EXPECT_EQ(said("101010100111000010100100001010"), "refused");
  EXPECT_EQ(said(""), "refused");
  std::string clock_long, clock_short;
  for (int i = 0; i < long_code; ++i) clock_long += clock_dark(i, long_code) ? '1' : '0';
  for (int i = 0; i < short_code; ++i) clock_short += clock_dark(i, short_code) ? '1' : '0';
  EXPECT_EQ(clock_long, "1111101010101010101010101010111");
  EXPECT_EQ(clock_short, "11111010101010101010111");
  EXPECT_EQ(support::edge_clock(true), clock_long);
  EXPECT_EQ(support::edge_data(78, 2, 36), "1010101001110000101001000010101");
}

TEST(EdgeCode, EveryCodeThereIsIsReadAndEveryFlippedModuleRefused) {
  for (int part1 = 1; part1 < 128; part1 += 3)
    for (int part2 = 0; part2 < 16; part2 += 2)
      for (int frame = 0; frame < 64; frame += 5) {
        const bool half = (part1 + frame) % 2 != 0;
        auto modules = modules_of(support::edge_data(part1, part2, frame, half));
        const auto code = decode(modules);
        ASSERT_TRUE(code.has_value());
        EXPECT_EQ(code->film, part1 * 16 + part2);
        EXPECT_EQ(code->half, 2 * (frame >= 62 ? frame - 64 : frame) + (half ? 1 : 0));
        for (auto& m : modules) {
          m ^= 1;
          EXPECT_FALSE(decode(modules).has_value());
          m ^= 1;
        }
      }
}

TEST(EdgeCode, HalfFramesAreNamedAsTheRebateDoes) {
  EXPECT_EQ(half_name(44), "22");
  EXPECT_EQ(half_name(45), "22A");
  EXPECT_EQ(half_name(0), "0");
  EXPECT_EQ(half_name(1), "0A");
  EXPECT_EQ(half_name(-2), "00");
  EXPECT_EQ(half_name(-1), "00A");
  EXPECT_EQ(half_name(-4), "S");
}

struct Tally {
  int printed = 0, read = 0, wrong = 0;
  double module_off = 0;
  void print(const char* what) const {
    std::printf("%-34s read %4d of %4d whole codes (%.1f %%), wrong %d\n", what, read, printed,
                printed ? 100.0 * read / printed : 0, wrong);
  }
};

/// What all drawings of a test have in common; the rest is by the seed.
struct Range {
  int ppi = 600;
  double noise = 250, blur = 0.05, contrast_from = 0.15, scratches = 1.5, dust = 3;
  bool slide = false;
};

/// A rebate with two or three long codes, read as the strip's finder would: a little beside, a
/// little turned.
void rebate_trial(const Range& range, unsigned seed, Tally& tally, bool short_form = false) {
  Rolls rolls(seed);
  EdgeLook look;
  look.ppi = range.ppi, look.seed = seed * 7 + 1, look.slide = range.slide;
  look.module = rolls.between(0.29, 0.35);
  look.data_high = look.clock_high = rolls.between(0.75, 0.9);
  look.from_edge = rolls.between(0.05, 0.25);
  look.contrast = rolls.between(range.contrast_from, 0.8) * (range.slide ? 2 : 1);
  look.noise = range.noise * rolls.next(), look.blur = range.blur * rolls.next();
  look.scratches = range.scratches * rolls.next(), look.dust = range.dust * rolls.next();
  look.wobble = 0.04 * rolls.next(), look.wobble_period = rolls.between(12, 30),
  look.wobble_phase = rolls.between(0, 6.28);
  look.shear = rolls.between(-0.03, 0.03);
  look.mirrored = rolls.next() < 0.5, look.turned = rolls.next() < 0.5;
  const double length = 46, tilt = rolls.between(-0.02, 0.02);
  const int film = rolls.whole(16, 2047), first = rolls.whole(-4, 120);
  std::vector<PrintedCode> codes;
  const double start = rolls.between(2, 8);
  std::vector<int> halves;
  for (int k = 0; k < 2; ++k) {
    const int half = first + k, frame = ((half - (half & 1)) / 2 + 64) % 64;
    halves.push_back(half);
    const std::optional<int> told = short_form ? std::nullopt : std::optional(frame);
    codes.push_back({start + 19 * k, support::edge_clock(!short_form),
                     support::edge_data(film / 16, film % 16, told, half & 1)});
  }
  const double edge = look.turned ? -0.7 : support::film_across - 3.4;
  const auto picture = draw_edge(codes, look, length, edge, 4.1, tilt);
  image::MemorySource source(picture, {look.ppi});
  // The finder's line: right to 0.1 mm and 1 in 1000.
  StripLine line;
  line.pivot_along = length / 2, line.width = support::film_across;
  line.slope = std::tan(tilt) + rolls.between(-0.001, 0.001),
  line.edge = length / 2 * std::tan(tilt) + rolls.between(-0.1, 0.1);
  const double k = look.ppi / 25.4;
  const Affine<RunSpace, PassSpace> to_pixels{k, 0, 0, k, 0, -edge * k};
  const auto rebate = read_rebate(source, to_pixels, line, !look.turned, 0, length, look.slide);
  ASSERT_TRUE(rebate.has_value());
  const auto marks = read_edge_codes(*rebate);
  tally.printed += 2;
  const bool backwards = look.mirrored != look.turned;
  for (const EdgeMark& m : marks) {
    bool right = false;
    for (std::size_t i = 0; i < codes.size(); ++i) {
      double at = codes[i].at + look.module * static_cast<double>(codes[i].data.size()) / 2;
      if (backwards) at = length - at;
      const std::optional<int> half =
          short_form ? std::nullopt : std::optional(halves[i] < 124 ? halves[i] : halves[i] - 128);
      if (std::abs(m.along - at) < 0.8 && m.code == EdgeCode{film, half} &&
          m.forward == !backwards && m.clock_first == !look.turned)
        right = true;
    }
    if (right)
      ++tally.read,
          tally.module_off = std::max(tally.module_off, std::abs(m.module / look.module - 1));
    else {
      ++tally.wrong;
      std::printf(
          "  seed %u: wrong: %d/%s at %.2f margin %.2f (film %d, first %d, codes at %.1f)\n", seed,
          m.code.film, m.code.half ? half_name(*m.code.half).c_str() : "-", m.along, m.margin, film,
          first, start);
    }
  }
}

int times() { return std::getenv("LAPWRIGHT_TEST_ALL") != nullptr ? 20 : 1; }

void rebates(const char* what, const Range& range, unsigned from, int count, double least,
             bool short_form = false) {
  Tally tally;
  for (int k = 0; k < count * times(); ++k)
    rebate_trial(range, from + static_cast<unsigned>(k), tally, short_form);
  tally.print(what);
  EXPECT_EQ(tally.wrong, 0) << what;
  EXPECT_GE(tally.read, least * tally.printed) << what;
}

TEST(EdgeReader, At230Ppi) { rebates("230 ppi", {.ppi = 230}, 1000, 30, 0.5); }
TEST(EdgeReader, At300Ppi) { rebates("300 ppi", {.ppi = 300}, 2000, 30, 0.8); }
TEST(EdgeReader, At400Ppi) { rebates("400 ppi", {.ppi = 400}, 3000, 20, 0.9); }
TEST(EdgeReader, At600Ppi) { rebates("600 ppi", {.ppi = 600}, 4000, 60, 0.95); }
TEST(EdgeReader, At1200Ppi) { rebates("1200 ppi", {.ppi = 1200}, 5000, 10, 0.95); }
TEST(EdgeReader, At2400Ppi) { rebates("2400 ppi", {.ppi = 2400}, 6000, 3, 0.95); }
TEST(EdgeReader, ShortForm) { rebates("600 ppi, short form", {}, 7000, 20, 0.95, true); }
TEST(EdgeReader, Slides) { rebates("600 ppi, slide", {.slide = true}, 8000, 20, 0.95); }

/// A rebate that holds no code, or none that may be read, made without the lens and the sheet.
class NoCode {
 public:
  explicit NoCode(unsigned seed) : rolls_(seed) {
    rebate_.step = rolls_.between(0.04, 0.1), rebate_.from = 0, rebate_.across_from = -0.3;
    rebate_.dark = image::Plane(static_cast<std::int64_t>(40 / rebate_.step),
                                static_cast<std::int64_t>(2.7 / rebate_.step));
    module_ = rolls_.between(0.28, 0.4) / rebate_.step;
  }
  /// A track of modules; v as rows.
  void track(const std::string& modules, double from, double top, double high) {
    for (std::int64_t y = 0; y < rebate_.dark.height; ++y)
      for (std::int64_t x = 0; x < rebate_.dark.width; ++x) {
        const double v = static_cast<double>(y) * rebate_.step - 0.3,
                     k = (static_cast<double>(x) + 0.5 - from / rebate_.step) / module_;
        if (v < top || v >= top + high || k < 0 || k >= static_cast<double>(modules.size()))
          continue;
        if (modules[static_cast<std::size_t>(k)] == '1') rebate_.dark.row(y)[x] += 0.4F;
      }
  }
  std::string any(int count, double share = 0.5) {
    std::string modules;
    for (int i = 0; i < count; ++i) modules += rolls_.next() < share ? '1' : '0';
    return modules;
  }
  void noise(double sigma) {
    for (float& v : rebate_.dark.values) v += static_cast<float>(sigma * rolls_.normal());
  }
  Rolls& rolls() { return rolls_; }
  std::size_t read() const { return read_edge_codes(rebate_).size(); }

 private:
  Rolls rolls_;
  Rebate rebate_;
  double module_ = 8;
};

TEST(EdgeReader, NothingIsReadWhereNoCodeIs) {
  const int rounds = 120 * times();
  std::size_t read = 0;
  int drawn = 0;
  for (int k = 0; k < rounds; ++k) {
    const auto seed = static_cast<unsigned>(k) * 11 + 5;
    {  // noise alone
      NoCode rebate(seed);
      rebate.noise(0.2);
      read += rebate.read(), ++drawn;
    }
    {  // a right clock beside anything: only the data's structure, parity and levels can tell
      NoCode rebate(seed + 1);
      for (int i = 0; i < 3; ++i) {
        const double at = 1 + 13 * i;
        rebate.track(support::edge_clock(true), at, 1.0, 0.85);
        rebate.track(rebate.any(31), at, 0.15, 0.85);
      }
      rebate.noise(0.02);
      read += rebate.read(), ++drawn;
    }
    {  // codes with one module of the data the other way
      NoCode rebate(seed + 2);
      for (int i = 0; i < 3; ++i) {
        std::string data =
            support::edge_data(rebate.rolls().whole(1, 127), rebate.rolls().whole(0, 15),
                               rebate.rolls().whole(0, 63), rebate.rolls().next() < 0.5);
        char& flipped = data[static_cast<std::size_t>(rebate.rolls().whole(6, 26))];
        flipped = flipped == '1' ? '0' : '1';
        rebate.track(support::edge_clock(true), 1 + 13 * i, 1.0, 0.85),
            rebate.track(data, 1 + 13 * i, 0.15, 0.85);
      }
      rebate.noise(0.04 * rebate.rolls().next());
      read += rebate.read(), ++drawn;
    }
    {  // right data beside a clock of another length, or none that begins or ends
      NoCode rebate(seed + 3);
      for (int i = 0; i < 3; ++i) {
        const std::string data =
            support::edge_data(rebate.rolls().whole(1, 127), rebate.rolls().whole(0, 15),
                               rebate.rolls().whole(0, 63), false);
        std::string clock;
        for (int m = 0; m < 31; ++m) clock += m % 2 ? '0' : '1';
        if (i > 0)
          clock =
              support::edge_clock(false) + (i > 1 ? std::string("01010101") : std::string(8, '0'));
        rebate.track(clock, 1 + 13 * i, 1.0, 0.85), rebate.track(data, 1 + 13 * i, 0.15, 0.85);
      }
      rebate.noise(0.02);
      read += rebate.read(), ++drawn;
    }
    {  // bars of all kinds
      NoCode rebate(seed + 4);
      rebate.track(rebate.any(100, rebate.rolls().between(0.3, 0.7)), 0.5,
                   rebate.rolls().between(0.8, 1.1), 0.8);
      rebate.track(rebate.any(100, rebate.rolls().between(0.3, 0.7)), 0.5,
                   rebate.rolls().between(0.0, 0.2), 0.8);
      rebate.noise(0.1 * rebate.rolls().next());
      read += rebate.read(), ++drawn;
    }
  }
  std::printf("read %zu codes on %d rebates without one\n", read, drawn);
  EXPECT_EQ(read, 0u);
}

TEST(EdgeReader, NothingIsReadOnLetteringPerforationsOrPictures) {
  std::size_t read = 0;
  int drawn = 0;
  for (int k = 0; k < 15 * times(); ++k) {
    Rolls rolls(static_cast<unsigned>(k) + 90);
    EdgeLook look;
    look.seed = static_cast<unsigned>(k) * 3 + 2, look.ppi = 400,
    look.contrast = rolls.between(0.2, 0.8), look.scratches = 4, look.dust = 8;
    look.noise = rolls.between(50, 500), look.picture = true, look.mirrored = rolls.next() < 0.5,
    look.turned = rolls.next() < 0.5;
    const double length = 40;
    for (const double across :
         {-0.7, 1.6, 4.0, 31.6}) {  // rebate, perforations, picture and the other rebate
      const auto picture = draw_edge({}, look, length, across, 4.1);
      image::MemorySource source(picture, {look.ppi});
      StripLine line;
      line.width = support::film_across;
      const double scale = look.ppi / 25.4;
      for (const bool other_edge : {false, true}) {
        const Affine<RunSpace, PassSpace> to_pixels{scale, 0, 0,
                                                    scale, 0, -(other_edge ? 31.6 : -0.7) * scale};
        const auto rebate = read_rebate(source, to_pixels, line, other_edge, 0, length, false);
        ASSERT_TRUE(rebate.has_value());
        read += read_edge_codes(*rebate).size(), ++drawn;
      }
    }
  }
  std::printf("read %zu codes on %d drawn parts of film without one\n", read, drawn);
  EXPECT_EQ(read, 0u);
}

}  // namespace
}  // namespace lapwright::frames
