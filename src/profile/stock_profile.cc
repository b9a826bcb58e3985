#include "profile/profile.h"
#include "profile/section.h"

namespace lapwright::profile {
namespace {

Channels channels(const Section& top, const std::string& key, double least, double most) {
  const Section c = top.part(key, {"red", "green", "blue"});
  return {c.number("red", least, most), c.number("green", least, most),
          c.number("blue", least, most)};
}

}  // namespace

Result<StockProfile> parse_stock(const std::string& yaml, const std::string& file) {
  const auto tree = parse_yaml(yaml, file, Fault::bad_profile);
  if (!tree) return fail(tree.error());
  Complaint complaint(file, Fault::bad_profile);
  const Section top(*tree, "", complaint,
                    {"stock", "about", "process", "image", "base", "gain", "offset", "paper", "trim", "film_numbers"});
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
  if (top.has("paper")) {
    const Section p = top.part("paper", {"slope", "dmin", "dmax"});
    s.paper = {p.number("slope", 0.2, 20), p.number("dmin", 0, 1), p.number("dmax", 0.5, 5)};
    if (s.paper.dmax < s.paper.dmin + 0.3) p.wrong("dmax", "must be at least 0.3 over dmin");
  }
  if (top.has("trim")) {
    const Section t = top.part("trim", {"warmth", "tint", "brightness", "contrast"});
    const auto value = [&](const char* key) { return t.number_or(key, 0, -100, 100); };
    s.trim = {value("warmth"), value("tint"), value("brightness"), value("contrast")};
  }
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
