#include <cmath>

#include "profile/profile.h"
#include "profile/section.h"

namespace lapwright::profile {
namespace {

Channels channels(const Section& top, const std::string& key, double least, double most) {
  const Section c = top.part(key, {"red", "green", "blue"});
  return {c.number("red", least, most), c.number("green", least, most),
          c.number("blue", least, most)};
}

std::array<double, 3> row_of(const Section& s, const std::string& key) {
  const auto v = s.numbers(key, 3, -2, 3);
  return {v[0], v[1], v[2]};
}

std::array<std::array<double, 3>, 3> matrix(const Section& s) {
  const std::array<std::array<double, 3>, 3> m{row_of(s, "red"), row_of(s, "green"), row_of(s, "blue")};
  const char* names[] = {"red", "green", "blue"};
  for (std::size_t i = 0; i < 3; ++i)
    if (m[i][i] - std::abs(m[i][(i + 1) % 3]) - std::abs(m[i][(i + 2) % 3]) < 0.1 && !s.complaint().any())
      s.wrong(names[i], "its own channel must outweigh the two others by 0.1 at least");
  return m;
}

std::string flow(const Channels& c) {
  return "{red: " + number_text(c.red) + ", green: " + number_text(c.green) + ", blue: " + number_text(c.blue) + "}";
}

}  // namespace

std::string trim_text(const Trim& t) {
  return "{warmth: " + number_text(t.warmth) + ", tint: " + number_text(t.tint) + ", brightness: " + number_text(t.brightness) +
         ", contrast: " + number_text(t.contrast) + "}";
}

Result<> check_trim(const Trim& t) {
  const std::pair<const char*, double> members[] = {{"warmth", t.warmth}, {"tint", t.tint}, {"brightness", t.brightness}, {"contrast", t.contrast}};
  for (const auto& [name, value] : members)
    if (!(value >= -100 && value <= 100)) return fail(Fault::usage, std::string(name) + ": a number from -100 to 100 is right");
  return {};
}

Trim read_trim(const Section& section) {
  if (!section.has("trim")) return {};
  const Section t = section.part("trim", {"warmth", "tint", "brightness", "contrast"});
  const auto value = [&](const char* key) { return t.number_or(key, 0, -100, 100); };
  return {value("warmth"), value("tint"), value("brightness"), value("contrast")};
}

Result<std::string> with_trim(const std::string& yaml, const std::string& file, const Trim& trim) {
  const auto before = parse_stock(yaml, file);
  if (!before) return fail(before.error());
  // The key at the beginning of a line, and what belongs to it: up to its closing brace, or the indented lines after it.
  std::string out = yaml;
  const std::size_t key = out.starts_with("trim:") ? 0 : out.find("\ntrim:");
  if (key == std::string::npos) {
    if (!out.empty() && out.back() != '\n') out += '\n';
    out += "trim: " + trim_text(trim) + "\n";
  } else {
    const std::size_t from = key == 0 && out[0] == 't' ? 0 : key + 1;
    std::size_t line_end = std::min(out.find('\n', from), out.size());
    const std::size_t brace = out.find('{', from), comment = out.find('#', from);
    std::size_t to;
    if (brace < line_end && brace < comment) {
      const std::size_t close = out.find('}', brace);
      to = close == std::string::npos ? out.size() : close + 1;
    } else {
      while (line_end < out.size() && line_end + 1 < out.size() && (out[line_end + 1] == ' ' || out[line_end + 1] == '\t'))
        line_end = std::min(out.find('\n', line_end + 1), out.size());
      to = line_end;
    }
    out.replace(from, to - from, "trim: " + trim_text(trim));
  }
  auto expected = *before;
  expected.trim = trim;
  const auto after = parse_stock(out, file);
  if (!after || write_stock(*after, {}) != write_stock(expected, {}))
    return fail(Fault::bad_profile, file + ": trim: cannot be changed where it stands; write `trim: " + trim_text(trim) + "` on a line of its own there");
  return out;
}

std::string write_stock(const StockProfile& s, const std::vector<std::string>& remarks) {
  static constexpr const char* processes[] = {"colour-negative", "bw-negative", "slide"};
  static constexpr const char* names[] = {"red", "green", "blue"};
  std::string out = "stock: " + yaml_scalar(s.name) + "\nabout: " + yaml_scalar(s.about) +
                    "\nprocess: " + processes[static_cast<int>(s.process)] + "\n";
  for (const std::string& r : remarks) out += "# " + r + "\n";
  if (s.silver != (s.process == Process::bw_negative)) out += std::string("image: ") + (s.silver ? "silver" : "dye") + "\n";
  if (s.base) out += "base: " + flow(*s.base) + "\n";
  out += "gain: " + flow(s.gain) + "\noffset: " + flow(s.offset) + "\n";
  if (s.curve) {
    out += "curve:\n";
    for (std::size_t c = 0; c < 3; ++c) out += std::string("  ") + names[c] + ": " + points_text((*s.curve)[c]) + "\n";
  }
  if (s.crosstalk) {
    out += "crosstalk:\n";
    for (std::size_t c = 0; c < 3; ++c) {
      const auto& r = (*s.crosstalk)[c];
      out += std::string("  ") + names[c] + ": [" + number_text(r[0]) + ", " + number_text(r[1]) + ", " + number_text(r[2]) + "]\n";
    }
  }
  if (s.toe > 0) out += "toe: " + number_text(s.toe) + "\n";
  if (s.balance_on_sheet) out += "balance: sheet\n";
  out += "paper: {slope: " + number_text(s.paper.slope) + ", dmin: " + number_text(s.paper.dmin) + ", dmax: " + number_text(s.paper.dmax) +
         (s.paper.knee > 0 ? ", knee: " + number_text(s.paper.knee) : "") + "}\n";
  out += "trim: " + trim_text(s.trim) + "\n";
  for (std::size_t i = 0; i < s.film_numbers.size(); ++i)
    out += (i == 0 ? "film_numbers: [" : ", ") + std::to_string(s.film_numbers[i]) +
           (i + 1 == s.film_numbers.size() ? "]\n" : "");
  return out;
}

Result<StockProfile> parse_stock(const std::string& yaml, const std::string& file) {
  const auto tree = parse_yaml(yaml, file, Fault::bad_profile);
  if (!tree) return fail(tree.error());
  Complaint complaint(file, Fault::bad_profile);
  const Section top(*tree, "", complaint,
                    {"stock", "about", "process", "image", "base", "gain", "offset", "curve",
                     "toe", "crosstalk", "balance", "paper", "trim", "film_numbers"});
  StockProfile s;
  s.file = file;
  s.name = top.name("stock");
  s.about = top.text("about");
  s.process =
      std::vector{Process::colour_negative, Process::bw_negative,
                  Process::slide}[top.word("process", {"colour-negative", "bw-negative", "slide"})];
  s.silver = top.has("image") ? top.word("image", {"dye", "silver"}) == 1
                              : s.process == Process::bw_negative;
  if (top.has("base")) s.base = channels(top, "base", 0, 4);
  if (top.has("gain")) s.gain = channels(top, "gain", 0.1, 10);
  if (top.has("offset")) s.offset = channels(top, "offset", -3, 3);
  if (top.has("curve")) {
    const Section c = top.part("curve", {"red", "green", "blue"});
    s.curve = {c.rising("red"), c.rising("green"), c.rising("blue")};
  }
  s.toe = top.number_or("toe", 0, 0, 0.5);
  if (s.toe > 0 && s.toe < 0.01) top.wrong("toe", "must be 0 or from 0.01 to 0.5");
  if (top.has("crosstalk")) s.crosstalk = matrix(top.part("crosstalk", {"red", "green", "blue"}));
  if (top.has("balance")) s.balance_on_sheet = top.word("balance", {"profile", "sheet"}) == 1;
  if (top.has("paper")) {
    const Section p = top.part("paper", {"slope", "dmin", "dmax", "knee"});
    s.paper = {p.number("slope", 0.2, 20), p.number("dmin", 0, 1), p.number("dmax", 0.5, 5),
               p.number_or("knee", 0, 0, 0.3)};
    if (s.paper.knee > 0 && s.paper.knee < 0.01) p.wrong("knee", "must be 0 or from 0.01 to 0.3");
    if (s.paper.dmax < s.paper.dmin + 0.3) p.wrong("dmax", "must be at least 0.3 over dmin");
  }
  s.trim = read_trim(top);
  if (top.has("film_numbers")) {
    for (const std::string& text : top.texts("film_numbers")) {
      const auto number = to_whole(text);
      if (!number || *number < 16 || *number > 2047) {
        top.wrong("film_numbers", "'" + text + "' is no film number; whole numbers from 16 to 2047, as `lapwright frames` prints them, would be right");
        break;
      }
      s.film_numbers.push_back(static_cast<int>(*number));
    }
  }
  if (complaint.any()) return fail(complaint.error());
  return s;
}

}  // namespace lapwright::profile
