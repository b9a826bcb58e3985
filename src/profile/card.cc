#include "profile/card.h"

#include <algorithm>
#include <cmath>

#include "profile/section.h"

namespace lapwright::profile {
namespace {

std::string num(double value) { return number_text(value); }

template <class Numbers>
std::string list(const Numbers& values) {
  std::string out = "[";
  for (const double v : values) out += (out.size() > 1 ? ", " : "") + num(v);
  return out + "]";
}

void line(std::string& out, const std::string& indent, const std::string& key,
          const std::string& value) {
  out += indent + key + ": " + value + "\n";
}

void write_reading(std::string& out, const std::string& key, const Card::Reading& r,
                   const std::string& remark) {
  out += key + ":" + (remark.empty() ? "" : "  # " + remark) + "\n";
  line(out, "  ", "counts", list(r.counts) + "  # of 65535, red green blue");
  line(out, "  ", "where",
       "{x: " + num(r.where.x.mm()) + ", y: " + num(r.where.y.mm()) + ", width: " +
           num(r.where.width.mm()) + ", height: " + num(r.where.height.mm()) + "}  # sleeve mm");
  line(out, "  ", "from", yaml_scalar(r.from));
}

void write_infrared(std::string& out, const std::string& indent, const Card::Infrared& i) {
  out += indent + "infrared:  # a picture of its own, linear\n";
  line(out, indent + "  ", "file", yaml_scalar(i.file));
  line(out, indent + "  ", "sha256", yaml_scalar(i.sha256));
  if (!i.to_infrared) return;
  line(out, indent + "  ", "to_infrared", list(*i.to_infrared) + "  # px to its px, as measured");
  line(out, indent + "  ", "residual_px", num(i.residual_px));
}

/// "density over the open light 0.320 0.630 0.720", where both are known.
std::string density_remark(const Card& card) {
  if (!card.open_light || !card.base) return "";
  std::string out = "density over the open light";
  for (std::size_t c = 0; c < 3; ++c) {
    if (card.base->counts[c] <= 0 || card.open_light->counts[c] <= 0) return "";
    const double d = std::log10(card.open_light->counts[c] / card.base->counts[c]);
    out += " " + num(std::round(d * 1000) / 1000);
  }
  return out;
}

template <std::size_t N>
std::array<double, N> array_of(const Section& s, const std::string& key, double least = -1e12,
                               double most = 1e12) {
  std::array<double, N> out{};
  const std::vector<double> values = s.numbers(key, N, least, most);
  std::copy_n(values.begin(), N, out.begin());
  return out;
}

constexpr const char* channel_names[] = {"red", "green", "blue"};

std::string checksum(const Section& s) {
  const std::string value = s.text("sha256");
  const bool hex =
      value.size() == 64 && value.find_first_not_of("0123456789abcdef") == std::string::npos;
  if (!value.empty() && !hex) s.wrong("sha256", "must be 64 hexadecimal digits, lower case");
  return value;
}

Card::Infrared read_infrared(const Section& s) {
  Card::Infrared i;
  i.file = s.text("file");
  i.sha256 = checksum(s);
  if (!s.has("to_infrared")) return i;
  i.to_infrared = array_of<6>(s, "to_infrared");
  i.residual_px = s.number("residual_px", 0, 1e12);
  return i;
}
const Section::Known infrared_keys{"file", "sha256", "to_infrared", "residual_px"};

Card::Pass read_pass(const Section& s) {
  Card::Pass p;
  p.pass = static_cast<int>(s.whole("pass", 1, 100000));
  p.file = s.text("file");
  p.sha256 = checksum(s);
  p.device = s.text("device");
  p.started = s.text("started");
  p.finished = s.text("finished");
  p.sleeve_to_pass = array_of<6>(s, "sleeve_to_pass");
  if (s.has("infrared")) p.infrared = read_infrared(s.part("infrared", infrared_keys));
  const Tree* options = s.tree("options");
  if (!options || options->kind == Tree::Kind::null) return p;
  for (const Tree& item : options->items) {
    if (item.kind != Tree::Kind::map || item.members.size() != 1 ||
        item.members[0].value.kind == Tree::Kind::list ||
        item.members[0].value.kind == Tree::Kind::map) {
      s.complaint().add(item.line, s.path("options"), "each must be one `name: value`");
      return p;
    }
    p.options.emplace_back(item.members[0].key, item.members[0].value.text);
  }
  if (options->kind != Tree::Kind::list) s.wrong("options", "must be a list of `name: value`");
  return p;
}

Card::Lap read_lap(const Section& s) {
  Card::Lap lap;
  const auto pair = array_of<2>(s, "between");
  lap.a = static_cast<int>(std::clamp(pair[0], -1e6, 1e6));
  lap.b = static_cast<int>(std::clamp(pair[1], -1e6, 1e6));
  lap.residual_px = s.number("residual_px", -1e12, 1e12);
  lap.overlap_mm = s.number("overlap_mm", -1e12, 1e12);
  lap.confidence = s.number("confidence", -1e12, 1e12);
  lap.light_percent = array_of<3>(s, "light_percent");
  return lap;
}

Card::Reading read_reading(const Section& s) {
  Card::Reading r;
  // Densities are their logarithms.
  r.counts = array_of<3>(s, "counts", 1e-3, 65535);
  const Section w = s.part("where", {"x", "y", "width", "height"});
  r.where = {w.mm("x", -1e5, 1e5), w.mm("y", -1e5, 1e5), w.mm("width", 0, 1e5),
             w.mm("height", 0, 1e5)};
  r.from = s.text("from");
  return r;
}

}  // namespace

std::string write_card(const Card& card) {
  std::string out = "# What the picture beside this card holds; for the conversion stage.\n";
  line(out, "", "file", yaml_scalar(card.file));
  line(out, "", "sha256", yaml_scalar(card.sha256));
  line(out, "", "roll", yaml_scalar(card.roll));
  line(out, "", "sleeve", yaml_scalar(card.sleeve));
  line(out, "", "stock", yaml_scalar(card.stock));
  line(out, "", "ppi", std::to_string(card.ppi.value));
  line(out, "", "pixels",
       "{width: " + std::to_string(card.width.value) +
           ", height: " + std::to_string(card.height.value) + "}");
  line(out, "", "origin",
       "{x: " + num(card.origin_mm.x) + ", y: " + num(card.origin_mm.y) +
           "}  # sleeve mm of the first pixel's corner");
  line(out, "", "mm_per_pixel", num(card.mm_per_pixel));
  if (card.mirrored)
    line(out, "", "mirrored",
         "true  # the sleeve lay wrong side up: the picture was put right, no sample changed");
  out += card.passes.empty() ? "passes: []\n" : "passes:\n";
  for (const Card::Pass& p : card.passes) {
    out += "  - pass: " + std::to_string(p.pass) + "\n";
    line(out, "    ", "file", yaml_scalar(p.file));
    line(out, "    ", "sha256", yaml_scalar(p.sha256));
    line(out, "    ", "device", yaml_scalar(p.device));
    line(out, "    ", "started", yaml_scalar(p.started));
    line(out, "    ", "finished", yaml_scalar(p.finished));
    line(out, "    ", "sleeve_to_pass", list(p.sleeve_to_pass) + "  # mm to px, as measured");
    if (p.infrared) write_infrared(out, "    ", *p.infrared);
    out += p.options.empty() ? "    options: []\n" : "    options:  # as read back\n";
    for (const auto& [name, value] : p.options)
      line(out, "      - ", yaml_scalar(name), yaml_scalar(value));
  }
  out += card.laps.empty() ? "laps: []\n" : "laps:\n";
  for (const Card::Lap& l : card.laps) {
    out += "  - between: [" + std::to_string(l.a) + ", " + std::to_string(l.b) + "]\n";
    line(out, "    ", "residual_px", num(l.residual_px));
    line(out, "    ", "overlap_mm", num(l.overlap_mm));
    line(out, "    ", "confidence", num(l.confidence));
    line(out, "    ", "light_percent", list(l.light_percent));
  }
  if (card.infrared) write_infrared(out, "", *card.infrared);
  if (card.open_light) write_reading(out, "open_light", *card.open_light, "");
  if (card.base) write_reading(out, "base", *card.base, density_remark(card));
  if (card.evenness) {
    out += "evenness:  # log10 of light over open_light; u, u2, u3, v, v2, v3 of -1 to 1 over width and height\n";
    for (std::size_t c = 0; c < 3; ++c) line(out, "  ", channel_names[c], list(card.evenness->terms[c]));
  }
  if (card.flare) line(out, "", "flare", list(*card.flare) + "  # counts that come past the film");
  if (card.balance) {
    out += "balance:  # net density to what the channels agree in, by the sheet's own neutrals\n";
    for (std::size_t c = 0; c < 3; ++c) line(out, "  ", channel_names[c], points_text(card.balance->curve[c]));
  }
  if (card.lettering) {
    line(out, "", "lettering", "{lightness: " + num(card.lettering->lightness) + ", chroma: " + num(card.lettering->chroma) +
                                   ", hue: " + num(card.lettering->hue_degrees) + "}  # on the positive, before any trim");
  }
  if (card.positive) {
    out += "positive:  # how the proof was made of it\n";
    line(out, "  ", "trim", trim_text(card.positive->trim));
    line(out, "  ", "trim_of", card.positive->of_roll ? "roll" : "stock");
    if (card.positive->even) line(out, "  ", "even", "true  # each frame balanced by itself");
    if (card.positive->outside) line(out, "  ", "stage", "outside");
  }
  return out;
}

Result<Card> read_card(const std::string& yaml, const std::string& file) {
  const auto tree = parse_yaml(yaml, file, Fault::bad_data);
  if (!tree) return fail(tree.error());
  Complaint complaint(file, Fault::bad_data);
  const Section top(*tree, "", complaint,
                    {"file", "sha256", "roll", "sleeve", "stock", "ppi", "pixels", "origin",
                     "mm_per_pixel", "mirrored", "passes", "laps", "infrared", "open_light", "base",
                     "evenness", "flare", "balance", "lettering", "positive"});
  Card card;
  card.file = top.text("file");
  card.sha256 = checksum(top);
  card.roll = top.text("roll");
  card.sleeve = top.text("sleeve");
  card.stock = top.text("stock");
  card.ppi = {static_cast<std::int32_t>(top.whole("ppi", 1, 1'000'000))};
  const Section pixels = top.part("pixels", {"width", "height"});
  card.width = {pixels.whole("width", 1, 100'000'000)};
  card.height = {pixels.whole("height", 1, 100'000'000)};
  const Section origin = top.part("origin", {"x", "y"});
  card.origin_mm = {origin.number("x", -1e6, 1e6, "mm"), origin.number("y", -1e6, 1e6, "mm")};
  card.mm_per_pixel = top.number("mm_per_pixel", 1e-6, 1000, "mm");
  card.mirrored = top.has("mirrored") && top.word("mirrored", {"false", "true"}) == 1;
  for (const Section& s : top.parts("passes", {"pass", "file", "sha256", "device", "started",
                                               "finished", "sleeve_to_pass", "infrared", "options"})) {
    card.passes.push_back(read_pass(s));
  }
  for (const Section& s :
       top.parts("laps", {"between", "residual_px", "overlap_mm", "confidence", "light_percent"})) {
    card.laps.push_back(read_lap(s));
  }
  if (top.has("infrared")) card.infrared = read_infrared(top.part("infrared", infrared_keys));
  const Section::Known reading{"counts", "where", "from"};
  if (top.has("open_light")) card.open_light = read_reading(top.part("open_light", reading));
  if (top.has("base")) card.base = read_reading(top.part("base", reading));
  if (top.has("evenness")) {
    const Section e = top.part("evenness", {"red", "green", "blue"});
    card.evenness.emplace();
    for (std::size_t c = 0; c < 3; ++c) card.evenness->terms[c] = array_of<6>(e, channel_names[c], -1, 1);
  }
  if (top.has("flare")) card.flare = array_of<3>(top, "flare", 0, 65535);
  if (top.has("balance")) {
    const Section b = top.part("balance", {"red", "green", "blue"});
    card.balance = Card::Balance{{b.rising("red"), b.rising("green"), b.rising("blue")}};
  }
  if (top.has("lettering")) {
    const Section l = top.part("lettering", {"lightness", "chroma", "hue"});
    card.lettering = Card::Lettering{l.number("lightness", 0, 100), l.number("chroma", 0, 300), l.number("hue", 0, 360)};
  }
  if (top.has("positive")) {
    const Section p = top.part("positive", {"trim", "trim_of", "even", "stage"});
    Card::Positive& positive = *(card.positive = Card::Positive{});
    positive.trim = read_trim(p);
    positive.of_roll = p.word("trim_of", {"stock", "roll"}) == 1;
    positive.even = p.has("even") && p.word("even", {"false", "true"}) == 1;
    positive.outside = p.has("stage") && p.word("stage", {"built-in", "outside"}) == 1;
  }
  if (complaint.any()) return fail(complaint.error());
  return card;
}

}  // namespace lapwright::profile
