// Draws film edge codes for an outside reader and reads them itself: draw_edge_codes FOLDER
//
// Writes FOLDER/NNN.pgm, and one JSON object a picture to standard output: file, kind, printed (as
// "79-7/22A"; empty: must be refused), turned, mirrored, and what read_edge_codes says of it: read,
// turned_read, mirrored_read.
#include <cmath>
#include <cstdio>
#include <fstream>
#include <string>

#include "frames/edge_reader.h"
#include "support/edge_print.h"

namespace {

using namespace lapwright;

/// The frame as the code's six bits have it, which is how the outside reader prints it.
std::string raw_text(const frames::EdgeCode& code) {
  std::string text = frames::film_text(code.film);
  if (!code.half) return text;
  const int half = *code.half, frame = ((half - (half & 1)) / 2 + 64) % 64;
  return text + "/" + std::to_string(frame) + ((half & 1) != 0 ? "A" : "");
}

struct Case {
  std::string kind, printed, data;
  support::EdgeLook look;
  double tilt = 0;
};

void draw(const Case& c, int number, const std::string& folder) {
  const double length = 16, high = 3.1,
               edge = c.look.turned ? -0.5 : support::film_across - high + 0.5;
  const bool long_form = c.data.size() == 31;
  const auto picture = draw_edge({{long_form ? 2.6 : 4.0, support::edge_clock(long_form), c.data}},
                                 c.look, length, edge, high, c.tilt);
  const std::string name = std::to_string(number) + ".pgm";
  std::ofstream out(folder + "/" + name, std::ios::binary);
  out << "P5 " << picture.width() << " " << picture.height() << " 255\n";
  for (std::int64_t y = 0; y < picture.height(); ++y)
    for (std::int64_t x = 0; x < picture.width(); ++x)
      out.put(static_cast<char>(std::min(255, picture.row(y)[x * 3] / 128)));
  image::MemorySource source(picture, {c.look.ppi});
  frames::StripLine line;
  line.width = support::film_across, line.slope = std::tan(c.tilt);
  const double k = c.look.ppi / 25.4;
  const auto rebate =
      read_rebate(source, {k, 0, 0, k, 0, -edge * k}, line, !c.look.turned, 0, length, false);
  std::string read;
  bool turned = false, mirrored = false;
  if (rebate)
    for (const frames::EdgeMark& m : read_edge_codes(*rebate)) {
      read += (read.empty() ? "" : " ") + raw_text(m.code);
      turned = !m.clock_first, mirrored = m.forward != m.clock_first;
    }
  const auto word = [](bool b) { return b ? "true" : "false"; };
  std::printf(
      "{\"file\": \"%s\", \"kind\": \"%s\", \"printed\": \"%s\", \"turned\": %s, \"mirrored\": %s, "
      "\"read\": \"%s\", \"turned_read\": %s, \"mirrored_read\": %s}\n",
      name.c_str(), c.kind.c_str(), c.printed.c_str(), word(c.look.turned), word(c.look.mirrored),
      read.c_str(), word(turned), word(mirrored));
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 2) return 64;
  const std::string folder = argv[1];
  int number = 0;
  support::EdgeLook clean;
  clean.noise = 0, clean.blur = 0, clean.lettering = false, clean.perforations = false,
  clean.contrast = 0.6;
  const auto with = [&](const std::string& kind, const std::string& printed,
                        const std::string& data, int ppi, int lie) {
    Case c{kind, printed, data, clean, 0};
    c.look.ppi = ppi, c.look.turned = (lie & 1) != 0, c.look.mirrored = (lie & 2) != 0;
    draw(c, number++, folder);
  };
  for (int lie = 0; lie < 4; ++lie) {  // the vectors of trade.md 1.4
    const int ppi = 600;
    with("vector", "79-7/22A", "1010101001111001110101101000101", ppi, lie);
    with("vector", "115-10/11A", "1010101110011010100010111010101", ppi, lie);
    with("vector", "78-2/36", "1010101001110000101001000010101", ppi, lie);
    with("vector", "127-15/63A", "1010101111111011111111111000101", ppi, lie);
    with("vector", "79-7", "10101010011110011100101", ppi, lie);
    with("wrong parity", "", "1010101001111001110101101001101", ppi, lie);
  }
  support::Rolls rolls(31);
  for (int k = 0; k < 240; ++k) {
    const int part1 = rolls.whole(1, 127), part2 = rolls.whole(0, 15), frame = rolls.whole(0, 63);
    const bool half = rolls.next() < 0.5;
    const std::string printed = std::to_string(part1) + "-" + std::to_string(part2) + "/" +
                                std::to_string(frame) + (half ? "A" : "");
    if (k < 120) {
      with("clean", printed, support::edge_data(part1, part2, frame, half), 230 + 35 * (k % 30),
           k % 4);
      continue;
    }
    Case c{"worn", printed, support::edge_data(part1, part2, frame, half), clean,
           rolls.between(-0.02, 0.02)};
    c.look.ppi = rolls.whole(400, 1300), c.look.turned = (k & 1) != 0,
    c.look.mirrored = (k & 2) != 0;
    c.look.seed = static_cast<unsigned>(k), c.look.noise = 300 * rolls.next(),
    c.look.blur = 0.05 * rolls.next(), c.look.contrast = rolls.between(0.2, 0.8);
    c.look.dust = 2 * rolls.next(), c.look.scratches = rolls.next(),
    c.look.shear = rolls.between(-0.02, 0.02), c.look.perforations = true, c.look.lettering = true;
    draw(c, number++, folder);
  }
  return 0;
}
