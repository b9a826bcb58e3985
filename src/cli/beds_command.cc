#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "bed/bed.h"
#include "cli/command.h"

namespace lapwright::cli {
namespace {

std::string numbers(const std::vector<int>& all) {
  std::vector<std::string> texts;
  for (int v : all) texts.push_back(std::to_string(v));
  return joined(texts);
}
std::string mm(Micrometres v) { return fixed(v.mm(), 1); }

std::vector<std::string> fitting(const std::vector<profile::BedProfile>& profiles, const bed::Device& device) {
  std::vector<std::string> names;
  for (const auto& p : profiles)
    if (p.match && bed::matches(p.match->vendor, p.match->model, device)) names.push_back(p.name);
  return names;
}

Json json_of(const bed::Device& d, const Result<bed::Capability>& known, const std::vector<std::string>& profiles) {
  Json j = {{"device", d.name}, {"vendor", d.vendor}, {"model", d.model}, {"type", d.type}, {"profiles", profiles}};
  if (!known) {
    j["fault"] = {{"code", exit_code(known.error().fault)}, {"say", known.error().text}};
    return j;
  }
  j["sources"] = known->sources;
  j["film_source"] = known->film_source.empty() ? Json() : Json(known->film_source);
  j["window"] = Json();
  if (known->window)
    j["window"] = {{"x", known->window->x.mm()}, {"y", known->window->y.mm()}, {"width", known->window->width.mm()}, {"height", known->window->height.mm()}};
  j["depths"] = known->depths;
  j["ppi"] = known->resolutions;
  j["notes"] = known->notes;
  return j;
}

void print_device(const bed::Device& d, const Result<bed::Capability>& known, const std::vector<std::string>& profiles) {
  print(d.name);
  const auto line = [](const char* what, const std::string& value) { print(std::string("  ") + what + std::string(16 - std::string(what).size(), ' ') + value); };
  line("flatbed", d.vendor + " " + d.model + (d.type.empty() ? "" : " (" + d.type + ")"));
  if (!known) {
    line("cannot be read", known.error().text);
  } else {
    line("film light", known->film_source.empty() ? "none" : known->film_source);
    if (!known->sources.empty()) line("sources", joined(known->sources));
    if (known->window)
      line("window", mm(known->window->width) + " x " + mm(known->window->height) + " mm at " + mm(known->window->x) + ", " + mm(known->window->y));
    line("bits a sample", known->depths.empty() ? "not said" : numbers(known->depths));
    line("ppi", numbers(known->resolutions));
  }
  line("bed profile", profiles.empty() ? "none matches; copy one under profiles/beds and set its match and window" : joined(profiles));
  if (known)
    for (const std::string& n : known->notes) line("note", n);
}

Result<int> beds(const Common& common) {
  bed::WorkerOptions options;
  options.program = common.program;
  const auto bed = bed::make_sane_bed(options);
  std::vector<bed::Device> devices;
  if (!common.device.empty()) {
    devices.push_back({common.device, "", "", ""});
  } else {
    say("looking for flatbeds ...");
    auto found = bed->list();
    if (!found) return fail(found.error());
    devices = std::move(*found);
  }
  const auto profiles = common.shelf().beds();
  if (!profiles) say("lapwright: " + profiles.error().text);
  Json all = Json::array();
  int code = 0;
  for (bed::Device& d : devices) {
    const auto known = bed->probe(d.name);
    if (!known && !common.device.empty() && !common.json) return fail(known.error());
    if (known && d.vendor.empty() && d.model.empty()) d = known->device;
    const bool identified = !d.vendor.empty() || !d.model.empty();
    const auto fit = profiles && identified ? fitting(*profiles, d) : std::vector<std::string>{};
    if (common.json) all.push_back(json_of(d, known, fit));
    else print_device(d, known, fit);
    if (!known && !common.device.empty()) code = exit_code(known.error().fault);
  }
  if (common.json) print_json({{"beds", all}});
  if (devices.empty())
    say("No flatbed answers. Is it plugged in and switched on, and its film unit connected? Then:\n"
        "  permissions  install the udev rules, or: sudo adduser \"$USER\" scanner, and log in again\n"
        "  driver       its SANE backend must stand in dll.conf (in /etc/sane.d, or in the folder that SANE_CONFIG_DIR names)\n"
        "  by hand      lapwright beds --device NAME tries a device that is not listed");
  return code;
}

}  // namespace

void add_beds(CLI::App& app, Common& common, Run& run) {
  auto* sub = app.add_subcommand("beds",
                                 "Lists the flatbeds that SANE reaches, and the bed profiles that fit each.\n"
                                 "Sources, film window, bits and resolutions are asked for; nothing is scanned and nothing moves.");
  sub->footer(
      "Window and ppi are those of the film light, in mm as the bed profile's window wants them. A device that cannot be\n"
      "opened is listed with the reason. --device NAME looks at that one alone, listed or not, and ends with 69 when it cannot\n"
      "be opened.\n"
      "--json: {\"beds\": [{device, vendor, model, type, sources, film_source, window, depths, ppi, profiles, notes}]}, or\n"
      "        \"fault\": {code, say} in place of what could not be read.\n"
      "Example: lapwright beds --device net:scanner.local:bed");
  sub->callback([&common, &run] { run = [&common] { return beds(common); }; });
}

}  // namespace lapwright::cli
