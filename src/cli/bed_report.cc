#include "cli/bed_report.h"

#include <nlohmann/json.hpp>

#include "cli/command.h"

namespace lapwright::cli {
namespace {

std::string numbers(const std::vector<int>& all) {
  std::vector<std::string> texts;
  for (int v : all) texts.push_back(std::to_string(v));
  return joined(texts);
}
std::string mm(Micrometres v) { return fixed(v.mm(), 1); }

void line(const std::string& what, const std::string& value) {
  if (value.empty()) return print("  " + what);
  print("  " + what + std::string(what.size() < 15 ? 16 - what.size() : 2, ' ') + value);
}

void print_understood(const bed::Capability& known) {
  line("film light", known.film_source.empty() ? "none" : known.film_source);
  if (!known.sources.empty()) line("sources", joined(known.sources));
  if (known.window)
    line("window", mm(known.window->width) + " x " + mm(known.window->height) + " mm at " +
                       mm(known.window->x) + ", " + mm(known.window->y));
  line("infrared", known.infrared.empty() ? "none" : known.infrared);
  line("bits a sample", known.depths.empty() ? "not said" : numbers(known.depths));
  line("ppi", known.resolutions.empty() ? "not said" : numbers(known.resolutions));
}

void print_settings(const bed::Capability& known) {
  line("set for film", known.settings.empty() ? "nothing" : "");
  for (const bed::Setting& s : known.settings)
    print("    " + s.option + " = " + s.value + "  (" + s.why +
          (s.was.empty() || s.was == s.value ? "" : "; was " + s.was) +
          (s.kept ? "" : "; NOT KEPT") + ")");
  print("    then, for each pass: its resolution and its area");
}

void print_options(const bed::Capability& known) {
  line("all options", "as they stand then");
  for (const bed::Seen& o : known.options)
    print("    " + o.option + (o.value.empty() ? "" : " = " + o.value) + "  (" + o.kind +
          (o.takes.empty() ? "" : ": " + o.takes) + (o.active ? "" : "; asleep") +
          (o.settable || !o.active ? "" : "; cannot be set") + ")");
}

}  // namespace

Json json_of(const BedReport& report) {
  const bed::Device& d = report.device;
  Json j = {{"device", d.name},
            {"vendor", d.vendor},
            {"model", d.model},
            {"type", d.type},
            {"profiles", report.profiles}};
  if (!report.known) {
    const Error& e = report.known.error();
    j["fault"] = {{"code", exit_code(e.fault)}, {"say", e.text}};
    return j;
  }
  const bed::Capability& known = *report.known;
  j["sources"] = known.sources;
  j["film_source"] = known.film_source.empty() ? Json() : Json(known.film_source);
  j["infrared"] = known.infrared.empty() ? Json() : Json(known.infrared);
  j["window"] = Json();
  if (known.window)
    j["window"] = {{"x", known.window->x.mm()},
                   {"y", known.window->y.mm()},
                   {"width", known.window->width.mm()},
                   {"height", known.window->height.mm()}};
  j["depths"] = known.depths;
  j["ppi"] = known.resolutions;
  j["lacks"] = known.lacks;
  j["notes"] = known.notes;
  if (!report.whole) return j;
  j["settings"] = known.settings;
  j["options"] = known.options;
  return j;
}

void print_report(const BedReport& report) {
  const bed::Device& d = report.device;
  print(d.name);
  line("flatbed", d.vendor + " " + d.model + (d.type.empty() ? "" : " (" + d.type + ")"));
  if (report.known)
    print_understood(*report.known);
  else
    line("cannot be read", report.known.error().text);
  line("bed profile",
       report.profiles.empty()
           ? "none matches; lapwright beds --write-profile F.yaml drafts one to be completed"
           : joined(report.profiles));
  if (!report.known) return;
  for (const std::string& lack : report.known->lacks) line("not to be had", lack);
  for (const std::string& note : report.known->notes) line("note", note);
  if (report.whole) print_settings(*report.known), print_options(*report.known);
}

}  // namespace lapwright::cli
