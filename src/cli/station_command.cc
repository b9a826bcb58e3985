#include <CLI/CLI.hpp>
#include <algorithm>
#include <memory>

#include "cli/command.h"
#include "station/station.h"

namespace lapwright::cli {
namespace {

struct Arguments {
  std::string bed, key, events, infrared;
  int ppi = 0, average = 1;
  bool once = false, no_look = false, even = false;
};

bool fits(const profile::BedProfile& bed, const bed::Device& device) {
  return bed.match && bed::matches(bed.match->vendor, bed.match->model, device);
}

/// The device a bed profile matches, or the one named.
Result<bed::Device> choose_device(bed::Bed& bed, const profile::BedProfile& profile,
                                  const std::string& named) {
  auto devices = bed.list();
  if (!named.empty()) {
    if (devices)
      for (const auto& d : *devices)
        if (d.name == named) return d;
    return bed::Device{named, "", "", ""};  // SANE opens devices that it does not list
  }
  if (!devices) return fail(devices.error());
  for (const auto& d : *devices)
    if (fits(profile, d)) return d;
  std::string seen;
  for (const auto& d : *devices) seen += (seen.empty() ? "" : ", ") + d.name;
  return fail(Fault::unavailable, "no flatbed that SANE reaches fits the bed profile " +
                                      profile.name + " (seen: " + (seen.empty() ? "none" : seen) +
                                      "); switch it on and plug it in, or name it with --device");
}

Result<profile::BedProfile> choose_bed(const Common& common, const Arguments& args, bed::Bed& bed) {
  if (!args.bed.empty()) return common.shelf().bed(args.bed);
  if (common.config.bed) return common.shelf().bed(*common.config.bed);
  auto devices = bed.list();
  if (!devices) return fail(devices.error());
  auto beds = common.shelf().beds();
  if (!beds) return fail(beds.error());
  for (const auto& d : *devices)
    for (const auto& b : *beds)
      if (fits(b, d) && !(b.match->vendor == ".*" && b.match->model == ".*")) return b;
  return fail(Fault::usage,
              "no bed profile is named and none fits a flatbed by its own name; give --bed B (see "
              "lapwright beds)");
}

Result<int> run_station(const Common& common, const Arguments& args) {
  auto archive = common.archive();
  if (!archive) return fail(archive.error());
  auto bed = bed::make_sane_bed({.program = common.program});
  auto profile = choose_bed(common, args, *bed);
  if (!profile) return fail(profile.error());
  auto device = choose_device(*bed, *profile, common.device);
  if (!device) return fail(device.error());
  station::Setting setting;
  setting.archive = *archive;
  setting.shelf = common.shelf();
  setting.bed = *profile;
  setting.device = device->name;
  setting.identity = *device;
  auto ppi = resolution(*profile, args.ppi);
  if (!ppi) return fail(ppi.error());
  setting.proof_ppi = *ppi;
  setting.convert = common.config.convert;
  setting.paper = common.config.paper;
  setting.even = args.even;
  setting.average = args.average;
  if (!args.infrared.empty()) {
    setting.infrared = args.infrared == "all" ? station::Setting::Infrared::all
                                              : station::Setting::Infrared::full;
    auto known = bed->probe(setting.device);
    if (!known) return fail(known.error());
    if (known->infrared.empty())
      return fail(Fault::unavailable, setting.device +
                                          ": shows no infrared (lapwright beds --probe tells what "
                                          "it has); leave --infrared away");
  }
  station::Options options;
  options.key = !args.key.empty() ? args.key : common.config.key.value_or("terminal");
  options.events = args.events;
  options.once = args.once;
  options.look = !args.no_look;
  return station::run(std::move(setting), std::move(bed), options);
}

}  // namespace

void add_station(CLI::App& app, Common& common, Run& run) {
  auto args = std::make_shared<Arguments>();
  CLI::App* sub = app.add_subcommand("station", "The station: place a sleeve, press one key");
  sub->description(
      "The station: place a sleeve, press one key.\n"
      "Rolls come in the order they were added; frames asked for at full resolution when no roll "
      "waits for its proof.\n"
      "Every pass is checked against its neighbours; a wrong one is made again, the others stay. A "
      "station that was\n"
      "stopped or killed goes on at the pass where it was. While one sleeve is joined, the next "
      "can be placed.");
  sub->add_option("--bed", args->bed, "Bed profile: a name, or a path to a .yaml file (default: the configuration's, else the one that\n"
                  "fits the flatbed by its own name)")
      ->type_name("B");
  sub->add_option("--ppi", args->ppi,
                  "Resolution of proofs (default: the highest of the bed's list up to 2400)")
      ->type_name("N");
  sub->add_option("--key", args->key,
                  "terminal (space bar, the default), stdin (every line is a press; again, skip, "
                  "cancel, stop are commands),\n"
                  "scanner (the flatbed's own button), evdev:PATH (a keypad or foot pedal), or page: no other than the\n"
                  "key of the review page, which counts beside each of them")
      ->type_name("K");
  sub->add_option(
         "--events", args->events,
         "Write the event stream, one JSON object a line, to a file, a pipe or - (standard output)")
      ->type_name("F");
  sub->add_option("--infrared", args->infrared,
                  "full or all: a picture by infrared light of every full-resolution pass, or of "
                  "every pass, where the\n"
                  "flatbed has it, kept beside the pass; dyes let infrared through, dust does not. "
                  "Never of silver\n"
                  "film, whose picture holds it back as dust does")
      ->check(CLI::IsMember({"full", "all"}))
      ->type_name("W");
  sub->add_option("--average", args->average,
                  "Frames at full resolution as the mean of so many captures (up to 16), registered to each other: for dense\n"
                  "film, whose shadows are mostly noise. The lamp warms film: not more than it needs")
      ->check(CLI::Range(1, 16))
      ->type_name("N");
  sub->add_flag("--even", args->even,
                "Proofs with each frame balanced by itself, and a note that says so; without it one "
                "exposure for the page");
  sub->add_flag("--once", args->once, "End after one job");
  sub->add_flag("--no-look", args->no_look,
                "No quick low-resolution look before a proof's passes; frames at full resolution always need it");
  sub->footer(
      "In the terminal: space = the key, a = again (the pass before), s = skip this roll, c = cancel the pass that runs, q = "
      "stop.\n"
      "Ctrl-C: what is captured stays, what is half made is withdrawn; the next start goes on from there.\n"
      "`lapwright review` beside it shows the bed, what to do next and the one key in a browser.\n"
      "Scripts: --key stdin --events - gives `place` events with the lay to wait for, and a line on standard input for each.\n"
      "Examples: lapwright station --bed a4-window-8x10 --ppi 1200\n"
      "          lapwright station --key evdev:/dev/input/by-id/usb-pedal-event-kbd --events /tmp/events.jsonl\n"
      "The lamp warms film: do not leave a sleeve under a lit lamp longer than its passes need (10 "
      "minutes is plenty).");
  sub->callback(
      [&common, &run, args] { run = [&common, args] { return run_station(common, *args); }; });
}

}  // namespace lapwright::cli
