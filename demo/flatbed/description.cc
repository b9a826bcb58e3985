#include "description.h"

#include <yaml-cpp/yaml.h>

#include <cmath>
#include <filesystem>
#include <functional>
#include <map>
#include <sstream>

namespace lapwright::flatbed {
namespace {

/// Reads one mapping with every key named; unknown keys and wrong values are complaints with their line.
class Section {
 public:
  Section(std::string file, std::string where, const YAML::Node& node, std::string& complaint)
      : file_(std::move(file)), where_(std::move(where)), node_(node), complaint_(complaint) {
    if (node_ && !node_.IsMap()) complain(node_, where_, "must hold keys and values");
  }

  template <class T>
  Section& get(const char* key, T& value) {
    seen_[key] = true;
    const YAML::Node n = at(key);
    if (!n) return *this;
    try {
      value = n.as<T>();
    } catch (const YAML::Exception&) {
      complain(n, key, "cannot be understood");
    }
    return *this;
  }
  Section& number(const char* key, double& value, double low, double high) {
    get(key, value);
    if (!(value >= low && value <= high)) range(key, low, high);
    return *this;
  }
  Section& whole(const char* key, int& value, int low, int high) {
    get(key, value);
    if (value < low || value > high) range(key, low, high);
    return *this;
  }
  YAML::Node node(const char* key) {
    seen_[key] = true;
    return at(key);
  }
  void close() {
    if (!node_ || !node_.IsMap()) return;
    for (const auto& pair : node_) {
      const auto key = pair.first.as<std::string>();
      if (!seen_.count(key)) complain(pair.first, key, "is not a key here");
    }
  }
  void complain(const YAML::Node& n, const std::string& key, const std::string& what) {
    if (!complaint_.empty()) return;
    complaint_ = file_ + ":" + std::to_string(n.Mark().line + 1) + ": " + key + ": " + what;
  }

 private:
  YAML::Node at(const char* key) const {
    return node_ && node_.IsMap() ? node_[key] : YAML::Node(YAML::NodeType::Undefined);
  }
  void range(const char* key, double low, double high) {
    std::ostringstream text;
    text << "must lie from " << low << " to " << high;
    const YAML::Node n = at(key);
    complain(n ? n : node_, key, text.str());
  }

  std::string file_, where_;
  YAML::Node node_;
  std::string& complaint_;
  std::map<std::string, bool> seen_;
};

using Reader = std::function<void(const YAML::Node&, std::string&)>;

Result<> load(const std::string& file, const Reader& reader) {
  std::string complaint;
  try {
    const YAML::Node root = YAML::LoadFile(file);
    if (!root || root.IsNull()) return {};
    reader(root, complaint);
  } catch (const YAML::BadFile&) {
    return fail(Fault::no_input, file + ": cannot be read");
  } catch (const YAML::Exception& e) {
    return fail(Fault::bad_data, file + ":" + std::to_string(e.mark.line + 1) + ": " + e.msg);
  }
  if (!complaint.empty()) return fail(Fault::bad_data, complaint);
  return {};
}

bool nothing_there(const std::string& file) {
  std::error_code error;
  return file.empty() || !std::filesystem::exists(file, error) ||
         std::filesystem::file_size(file, error) == 0;
}

void read_page(Description& d, Section page) {
  page.number("width", d.page.width, 50, 500).number("height", d.page.height, 50, 600);
  page.whole("holes", d.page.holes, 0, 12);
  page.number("sheet_density", d.page.sheet_density, 0, 0.5).number("haze", d.page.haze, 0, 0.2);
  page.close();
}

void read_strips(Description& d, Section strips) {
  strips.whole("count", d.strips.count, 1, 20).whole("frames", d.strips.frames, 1, 12);
  strips.number("first_x", d.strips.first_x, 0, 300).number("first_y", d.strips.first_y, 0, 300);
  strips.number("pitch", d.strips.pitch, 10, 200).number("length", d.strips.length, 20, 400);
  std::string run = "right";
  strips.get("run", run);
  if (run != "right" && run != "down") strips.complain(strips.node("run"), "run", "is right or down");
  d.strips.down = run == "down";
  strips.get("slide_mm", d.strips.slide_mm).get("tilt_degrees", d.strips.tilt_degrees);
  strips.get("absent", d.strips.absent);
  strips.close();
}

void read_frame(Description& d, Section frame) {
  frame.number("width", d.frame_width, 5, 230).number("height", d.frame_height, 5, 120);
  frame.number("advance", d.advance, 5, 240).number("gap_jitter", d.gap_jitter, 0, 5);
  frame.close();
}

void read_edge(Description& d, Section edge) {
  edge.get("words", d.edge_words).whole("first", d.edge_first, 0, 40);
  edge.whole("dx1", d.dx1, 0, 127).whole("dx2", d.dx2, 0, 15);
  edge.close();
}

void read_bed(Description& d, Section bed) {
  BedErrors& b = d.bed;
  bed.number("skew_degrees", b.skew_degrees, -5, 5).number("turn_degrees", b.turn_degrees, -5, 5);
  bed.number("offset_x", b.offset_x, -20, 20).number("offset_y", b.offset_y, -20, 20);
  bed.number("scale_x", b.scale_x, -0.05, 0.05).number("scale_y", b.scale_y, -0.05, 0.05);
  bed.number("asymmetry", b.asymmetry, -0.02, 0.02);
  bed.number("wobble_um", b.wobble_um, 0, 500).number("wobble_period_mm", b.wobble_period_mm, 1, 400);
  bed.number("wander_um", b.wander_um, 0, 500);
  bed.number("lamp_per_pass", b.lamp_per_pass, 0, 0.3).number("lamp_along", b.lamp_along, -0.3, 0.3);
  bed.number("lamp_first", b.lamp_first, -0.3, 0.3).number("lamp_falloff", b.lamp_falloff, 0, 0.5);
  bed.number("read_noise", b.read_noise, 0, 5000).number("shot_noise", b.shot_noise, 0, 0.2);
  bed.whole("bits", b.bits, 8, 16).whole("round_width", b.round_width, 1, 64);
  bed.number("line_seconds", b.line_seconds, 0, 1).get("busy_once", b.busy_once);
  bed.number("open_light", b.open_light, 1000, 65535).number("black", b.black, 0, 10000);
  bed.close();
}

void read_pictures(Description& d, const YAML::Node& list, Section& root, const std::string& file,
                   std::string& complaint) {
  if (!list) return;
  if (!list.IsSequence()) return root.complain(list, "pictures", "must be a list");
  for (const auto& item : list) {
    Shot shot;
    Section one(file, "pictures", item, complaint);
    one.get("scene", shot.scene).whole("take", shot.take, 1, 20).number("stops", shot.stops, -10, 10);
    one.close();
    d.shots.push_back(shot);
  }
}

}  // namespace

Result<Description> read_description(const std::string& file) {
  Description d;
  d.file = file;
  auto loaded = load(file, [&](const YAML::Node& node, std::string& complaint) {
    Section root(file, "description", node, complaint);
    int seed = 1;
    root.get("practice", d.name).get("about", d.about).whole("seed", seed, 0, 1 << 30);
    d.seed = static_cast<std::uint32_t>(seed);
    std::string process = "colour-negative";
    root.get("process", process);
    const std::map<std::string, Process> known{{"colour-negative", Process::colour_negative},
                                               {"bw-negative", Process::bw_negative},
                                               {"slide", Process::slide}};
    const auto found = known.find(process);
    if (found == known.end()) {
      root.complain(root.node("process"), "process", "is colour-negative, bw-negative or slide");
    } else {
      d.process = found->second;
    }
    root.get("film", d.film);
    if (d.film != 135 && d.film != 120) root.complain(root.node("film"), "film", "is 135 or 120");
    d.film_width = d.film == 135 ? 34.975 : 61.5;
    const auto section = [&](const char* key) { return Section(file, key, root.node(key), complaint); };
    read_page(d, section("page"));
    read_strips(d, section("strips"));
    read_frame(d, section("frame"));
    read_edge(d, section("edge"));
    read_bed(d, section("bed"));
    root.number("dust_per_cm2", d.dust_per_cm2, 0, 50);
    root.number("glass_dust_per_cm2", d.glass_dust_per_cm2, 0, 50).number("grain", d.grain, 0, 10);
    root.whole("picture_px", d.picture_px, 64, 2400);
    read_pictures(d, root.node("pictures"), root, file, complaint);
    root.close();
  });
  if (!loaded) return fail(loaded.error());
  return d;
}

Result<std::optional<Lay>> read_lay(const std::string& file) {
  std::optional<Lay> lay;
  if (nothing_there(file)) return lay;
  auto loaded = load(file, [&](const YAML::Node& node, std::string& complaint) {
    Section root(file, "lay", node, complaint);
    std::vector<double> m;
    Lay l;
    root.get("sleeve_to_bed", m).get("slide_mm", l.slide_mm);
    root.close();
    bool good = m.size() == 6;
    for (const double v : m) good = good && std::isfinite(v);
    if (good) {
      l.sleeve_to_bed = {m[0], m[1], m[2], m[3], m[4], m[5]};
      good = std::abs(std::abs(l.sleeve_to_bed.determinant()) - 1) < 0.1;
    }
    if (!good) return root.complain(node, "sleeve_to_bed", "must be six numbers, a turn and a shift");
    lay = l;
  });
  if (!loaded) return fail(loaded.error());
  return lay;
}

Result<Faults> read_faults(const std::string& file) {
  Faults f;
  if (nothing_there(file)) return f;
  auto loaded = load(file, [&](const YAML::Node& node, std::string& complaint) {
    Section root(file, "faults", node, complaint);
    root.get("stall_row", f.stall_row).get("error_row", f.error_row).get("eof_row", f.eof_row);
    root.number("stall_seconds", f.stall_seconds, 0, 1e6);
    root.get("cover_open", f.cover_open).get("busy", f.busy);
    root.whole("presses", f.presses, 0, 1 << 30).whole("only_pass", f.only_pass, 0, 1 << 30);
    root.close();
  });
  if (!loaded) return fail(loaded.error());
  return f;
}

}  // namespace lapwright::flatbed
