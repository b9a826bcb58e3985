#include <algorithm>
#include <cmath>
#include <regex>

#include "profile/profile.h"
#include "profile/section.h"

namespace lapwright::profile {
namespace {

// trade.md 6, time per pass: 25 s fixed, a link of 25 MB/s, milliseconds a line by ppi.
constexpr double model_fixed = 25, model_link = 25e6;
struct LineTime {
  double ppi, seconds;
};
constexpr LineTime model_lines[] = {
    {300, 0.0025}, {600, 0.0035}, {1200, 0.005}, {2400, 0.008}, {4800, 0.015}};

/// The model's time a line, a power law between (and beyond) its points.
double model_line(double ppi) {
  std::size_t i = 0;
  while (i + 2 < std::size(model_lines) && ppi > model_lines[i + 1].ppi) ++i;
  const LineTime& a = model_lines[i];
  const LineTime& b = model_lines[i + 1];
  return a.seconds *
         std::pow(ppi / a.ppi, std::log(b.seconds / a.seconds) / std::log(b.ppi / a.ppi));
}

std::string expression(const Section& match, const std::string& key) {
  const std::string text = match.text_or(key, ".*");
  if (text.size() > 200) match.wrong(key, "longer than 200 characters");
  try {
    (void)std::regex(text, std::regex::extended);
  } catch (const std::exception&) {
    match.wrong(key, "'" + text.substr(0, 60) +
                         "' is not an extended regular expression; \".*\" matches everything");
  }
  return text;
}

std::vector<Ppi> resolutions(const Section& top) {
  std::vector<Ppi> out;
  const Tree* list = top.tree("ppi");
  if (!list || list->kind != Tree::Kind::list || list->items.empty()) {
    top.wrong("ppi", "must be a list of the resolutions offered, as [300, 600, 1200, 2400]");
    return out;
  }
  for (const Tree& item : list->items) {
    const auto value = to_whole(item.text);
    if (item.kind != Tree::Kind::scalar || !value || *value < 25 || *value > 25400) {
      top.complaint().add(
          item.line, "ppi",
          "'" + item.text + "' is not right; each must be a whole number from 25 to 25400");
      return out;
    }
    out.push_back({static_cast<std::int32_t>(*value)});
  }
  std::sort(out.begin(), out.end());
  if (std::adjacent_find(out.begin(), out.end()) != out.end())
    top.wrong("ppi", "a resolution stands twice; name each once");
  return out;
}

BedProfile::Timing timing(const Section& t) {
  BedProfile::Timing out;
  out.fixed = t.number_or("fixed", model_fixed, 0, 3600, "s");
  if (!t.has("line")) return out;
  const Section line = t.part("line", {});
  for (const Member& m : t.tree("line")->members) {
    const auto ppi = to_whole(m.key);
    if (!ppi || *ppi < 25 || *ppi > 25400) {
      t.complaint().add(m.line, "timing.line",
                        "'" + m.key + "' is not a resolution; keys are ppi from 25 to 25400");
    } else {
      out.line[static_cast<int>(*ppi)] = line.number(m.key, 1e-6, 60, "s");
    }
  }
  return out;
}

}  // namespace

Ppi BedProfile::proof_ppi() const {
  Ppi best = ppi.empty() ? Ppi{} : ppi.front();
  for (const Ppi p : ppi) {
    if (p.value <= 2400) best = std::max(best, p);
  }
  return best;
}

double BedProfile::seconds(Ppi at, Pixels lines) const {
  double fixed = model_fixed, line = 0;
  if (timing) fixed = timing->fixed;
  if (timing && !timing->line.empty()) {
    const auto distance = [&](int listed) {
      return std::abs(std::log(static_cast<double>(listed) / at.value));
    };
    const auto near = std::min_element(
        timing->line.begin(), timing->line.end(),
        [&](const auto& a, const auto& b) { return distance(a.first) < distance(b.first); });
    line = near->second * model_line(at.value) / model_line(near->first);
  } else {
    const auto line_bytes =
        static_cast<double>(to_pixels(window.width, at).value * core::bytes_per_pixel);
    line = std::max(model_line(at.value), line_bytes / model_link);
  }
  return fixed + line * static_cast<double>(lines.value);
}

Result<BedProfile> parse_bed(const std::string& yaml, const std::string& file) {
  const auto tree = parse_yaml(yaml, file, Fault::bad_profile);
  if (!tree) return fail(tree.error());
  Complaint complaint(file, Fault::bad_profile);
  const Section top(
      *tree, "", complaint,
      {"bed", "about", "match", "window", "overhang", "ppi", "limits", "timing", "options"});
  BedProfile bed;
  bed.file = file;
  bed.name = top.name("bed");
  bed.about = top.text("about");
  if (top.has("match")) {
    const Section match = top.part("match", {"vendor", "model"});
    bed.match = BedProfile::Match{expression(match, "vendor"), expression(match, "model")};
  }
  const Section window = top.part("window", {"x", "y", "width", "height"});
  bed.window = {window.mm("x", 0, 1000), window.mm("y", 0, 1000), window.mm("width", 10, 1000),
                window.mm("height", 10, 2000)};
  if (top.has("overhang")) {
    const Section hang = top.part("overhang", {"left", "right", "front", "back"});
    const auto side = [&](const char* key) {
      return Micrometres::from_mm(hang.number_or(key, 0, 0, 3000, "mm"));
    };
    bed.overhang = {side("left"), side("right"), side("front"), side("back")};
  }
  bed.ppi = resolutions(top);
  if (top.has("limits")) {
    const Section limits = top.part("limits", {"pixels_per_line", "lines"});
    if (limits.has("pixels_per_line"))
      bed.limits.pixels_per_line = Pixels{limits.whole("pixels_per_line", 100, 10'000'000)};
    if (limits.has("lines")) bed.limits.lines = Pixels{limits.whole("lines", 100, 100'000'000)};
  }
  if (top.has("timing")) bed.timing = timing(top.part("timing", {"fixed", "line"}));
  if (const Tree* options = top.tree("options")) {
    const Section section = top.part("options", {});
    for (const Member& m : options->members) {
      if (m.value.kind == Tree::Kind::list || m.value.kind == Tree::Kind::map) {
        section.wrong(m.key, "must be one value, as the SANE option takes it");
      }
      bed.options[m.key] = m.value.text;
    }
  }
  if (complaint.any()) return fail(complaint.error());
  return bed;
}

}  // namespace lapwright::profile
