#include "cli/bed_draft.h"

#include <cmath>

#include "cli/command.h"
#include "profile/profile.h"

namespace lapwright::cli {
namespace {

constexpr int least_ppi = 25, most_ppi = 25400;  // of the profile loader
constexpr std::size_t most_expression = 200;

/// One line of plain characters, for comments and quoted texts.
std::string plain(const std::string& text) {
  std::string s;
  for (const char c : text) s += c >= ' ' && c < 127 ? c : '?';
  return s;
}
std::string quoted(const std::string& text) {
  std::string s = "'";
  for (const char c : plain(text)) s += c == '\'' ? std::string("''") : std::string(1, c);
  return s + "'";
}

/// An extended expression that fits exactly this text; what is not plain fits anything.
std::string expression(const std::string& text) {
  std::string s;
  for (const char c : text) {
    if (c < ' ' || c >= 127)
      s += s.size() >= 2 && s.compare(s.size() - 2, 2, ".*") == 0 ? "" : ".*";
    else if (std::string("\\.[(){*+?^$|").find(c) != std::string::npos)
      s += std::string("\\") + c;
    else
      s += c;
  }
  return s.size() > most_expression ? ".*" : s;
}

std::string match_of(const bed::Device& d) {
  if (d.vendor.empty() && d.model.empty())
    return "# The device does not say who made it: name it with --device, or give match: {vendor: "
           "\"...\", model: \"...\"}.\n";
  return "match: {vendor: " + quoted(expression(d.vendor)) +
         ", model: " + quoted(expression(d.model)) +
         "}   # regular expressions over SANE's device list\n";
}

/// Hundredths of a millimetre, never beyond what the device says.
std::string mm(Micrometres v) {
  std::string s = fixed(std::floor(v.mm() * 100) / 100, 2);
  while (s.back() == '0') s.pop_back();
  if (s.back() == '.') s.pop_back();
  return s;
}

Result<std::string> window_of(const bed::Capability& known) {
  if (!known.window)
    return fail(Fault::bad_data, known.device.name +
                                     ": says no area that is understood; lapwright beds --probe "
                                     "shows its options, a profile must be written by hand");
  const Rect<BedSpace>& w = *known.window;
  return "window: {x: " + mm(w.x) + ", y: " + mm(w.y) + ", width: " + mm(w.width) +
         ", height: " + mm(w.height) + "}\n";
}

Result<std::string> resolutions_of(const bed::Capability& known) {
  std::vector<std::string> all;
  for (const int ppi : known.resolutions)
    if (ppi >= least_ppi && ppi <= most_ppi) all.push_back(std::to_string(ppi));
  if (all.empty())
    return fail(Fault::bad_data,
                known.device.name +
                    ": says no resolution that is understood; lapwright beds "
                    "--probe shows its options, a profile must be written by hand");
  return "ppi: [" + joined(all) + "]\n";
}

std::string comments(const std::vector<std::string>& lines, const std::string& before) {
  std::string s;
  for (const std::string& l : lines) s += "# " + before + plain(l) + "\n";
  return s;
}

}  // namespace

Result<std::string> bed_draft(const bed::Capability& known, const std::string& name,
                              const std::string& file) {
  const auto window = window_of(known);
  if (!window) return window;
  const auto ppi = resolutions_of(known);
  if (!ppi) return ppi;
  const bool lit = !known.film_source.empty();
  const std::string who = plain(known.device.vendor.empty() && known.device.model.empty()
                                    ? known.device.name
                                    : known.device.vendor + " " + known.device.model);
  std::string s =
      "# A draft of what " + plain(known.device.name) +
      " says of itself. What says MEASURE is to be completed by hand.\n" +
      comments(known.lacks, "NOT TO BE HAD: ") + "bed: " + name + "\nabout: " +
      quoted(who + (lit ? ", film light " + known.film_source : ", no film light found") +
             "; overhang not measured yet") +
      "\n" + match_of(known.device) + "\n" +
      (lit ? "# MEASURE: this is what the driver says of the film light; the light itself may "
             "cover less. Capture the empty window\n"
             "# at a low resolution: where the picture is dark at an edge, move that edge in. Bed "
             "coordinates, mm: x along the\n"
             "# sensor line (tl-x), y along the carriage's travel (tl-y), the window's corner at "
             "x, y.\n"
           : "# MEASURE: this is the area of the light that stands now, not of a film light. Write "
             "the area that is lit from above,\n"
             "# in bed coordinates, mm: x along the sensor line (tl-x), y along the carriage's "
             "travel (tl-y).\n") +
      *window + "\n" +
      "# MEASURE: how far a sleeve may hang past the window, in mm. For each side lay a ruler on "
      "the glass with its zero at the\n"
      "# window's edge and read where the first thing stands that film must not ride on: a rim, a "
      "hinge, the end of the table.\n"
      "#   left: x below the window's    right: x beyond it    back: y below the window's (hinge)  "
      "  front: y beyond it\n"
      "# Nothing may hang out until it is measured. A rim that a sleeve can lie on without lifting "
      "does not count.\n"
      "overhang: {left: 0, right: 0, front: 0, back: 0}\n\n" +
      *ppi +
      "# limits: {pixels_per_line: 40800, lines: 120000}   # only where the driver refuses longer "
      "lines or more of them\n"
      "# timing is learned from the ledger.\n\n";
  for (const bed::Setting& o : known.settings)
    s += "# " + plain(o.option + " = " + o.value + ": " + o.why) + "\n";
  s += "# Options that are to stand otherwise, or that are not understood, go here; they outrank "
       "those above.\n"
       "options: {}\n";
  if (auto loads = profile::parse_bed(s, file); !loads) return fail(loads.error());
  return s;
}

}  // namespace lapwright::cli
