#include <CLI/CLI.hpp>
#include <nlohmann/json.hpp>

#include "bed/bed.h"
#include "cli/bed_check.h"
#include "cli/bed_draft.h"
#include "cli/bed_report.h"
#include "cli/command.h"
#include "core/files.h"

namespace lapwright::cli {
namespace {

struct Asked {
  bool probe = false, check = false;
  std::string device;         // of --probe or --check, else of --device
  std::string write_profile;  // path; empty: none
};

std::vector<std::string> fitting(const std::vector<profile::BedProfile>& profiles,
                                 const bed::Device& device) {
  std::vector<std::string> names;
  for (const auto& p : profiles)
    if (p.match && bed::matches(p.match->vendor, p.match->model, device)) names.push_back(p.name);
  return names;
}

struct Looked {
  bed::Device device;
  Result<bed::Capability> known;
};

Result<std::vector<Looked>> look(bed::Bed& bed, const std::string& device) {
  std::vector<bed::Device> devices;
  if (!device.empty()) {
    devices.push_back({device, "", "", ""});
  } else {
    say("looking for flatbeds ...");
    auto found = bed.list();
    if (!found) return fail(found.error());
    devices = std::move(*found);
  }
  std::vector<Looked> all;
  for (const bed::Device& d : devices) {
    all.push_back({d, bed.probe(d.name)});
    if (all.back().known && d.vendor.empty() && d.model.empty())
      all.back().device = all.back().known->device;
  }
  return all;
}

/// The one that --write-profile or --check means: alone, or alone with a film light.
Result<const bed::Capability*> chosen(const std::vector<Looked>& all) {
  if (all.empty())
    return fail(Fault::unavailable, "no flatbed answers; lapwright beds says what may be wrong");
  if (all.size() == 1) {
    if (!all.front().known) return fail(all.front().known.error());
    return &*all.front().known;
  }
  std::vector<const bed::Capability*> lit;
  std::vector<std::string> names;
  for (const Looked& l : all) {
    names.push_back(l.device.name);
    if (l.known && !l.known->film_source.empty()) lit.push_back(&*l.known);
  }
  if (lit.size() == 1) return lit.front();
  return fail(Fault::usage,
              "several flatbeds answer (" + joined(names) + "); name one with --device");
}

Result<> write_profile(const std::vector<Looked>& all, const std::filesystem::path& path,
                       bool json) {
  const auto known = chosen(all);
  if (!known) return fail(known.error());
  if (path.extension() != ".yaml")
    return fail(Fault::usage, path.string() + ": a bed profile's name ends in .yaml");
  const std::string name = path.stem().string();
  const auto draft = bed_draft(**known, name, path.string());
  if (!draft) return fail(draft.error());
  // A profile that was completed by hand is never overwritten.
  auto file = core::NewFile::create(path, draft->size(), core::Existing::refuse);
  if (!file) return fail(file.error());
  if (auto r = file->write(draft->data(), draft->size()); !r) return r;
  if (auto r = file->publish(); !r) return r;
  const std::string next =
      "complete overhang and check window by its comments, then: lapwright "
      "plan --bed " +
      path.string() + " ...";
  if (json)
    print_json({{"profile", path.string()}, {"bed", name}, {"device", (*known)->device.name}});
  else
    print(path.string() + ": a draft for " + (*known)->device.name);
  say(next);
  return {};
}

void say_nobody() {
  say("No flatbed answers. Is it plugged in and switched on, and its film unit connected? Then:\n"
      "  permissions  install the udev rules, or: sudo adduser \"$USER\" scanner, and log in "
      "again\n"
      "  driver       its SANE backend must stand in dll.conf (in /etc/sane.d, or in the folder "
      "that SANE_CONFIG_DIR names)\n"
      "  network      its host must stand in net.conf, run saned, and let this machine in\n"
      "  by hand      lapwright beds --device NAME tries a device that is not listed");
}

Result<int> beds(const Common& common, const Asked& asked) {
  bed::WorkerOptions options;
  options.program = common.program;
  const auto bed = bed::make_sane_bed(options);
  const std::string device = asked.device.empty() ? common.device : asked.device;
  const auto all = look(*bed, device);
  if (!all) return fail(all.error());
  if (asked.check) {
    const auto known = chosen(*all);
    if (!known) return fail(known.error());
    return check_window(common, *bed, **known);
  }
  if (!asked.write_profile.empty()) {
    if (auto r = write_profile(*all, asked.write_profile, common.json); !r) return fail(r.error());
    return 0;
  }
  if (!device.empty() && !common.json && !all->front().known)
    return fail(all->front().known.error());
  const auto profiles = common.shelf().beds();
  if (!profiles) say("lapwright: " + profiles.error().text);
  Json documents = Json::array();
  for (const Looked& l : *all) {
    const bool identified = !l.device.vendor.empty() || !l.device.model.empty();
    const BedReport report{
        l.device, l.known,
        profiles && identified ? fitting(*profiles, l.device) : std::vector<std::string>{},
        asked.probe};
    if (common.json)
      documents.push_back(json_of(report));
    else
      print_report(report);
  }
  if (common.json) print_json({{"beds", documents}});
  if (all->empty()) say_nobody();
  return !device.empty() && !all->front().known ? exit_code(all->front().known.error().fault) : 0;
}

}  // namespace

void add_beds(CLI::App& app, Common& common, Run& run) {
  auto* sub = app.add_subcommand(
      "beds",
      "Lists the flatbeds that SANE reaches, and the bed profiles that fit each.\n"
      "Sources, film window, bits and resolutions are asked for; nothing is scanned and nothing "
      "moves.");
  const auto asked = std::make_shared<Asked>();
  auto* probe = sub->add_option("--probe", asked->device,
                                "All of how a device was understood: what will be set and why, "
                                "what could not be had, every option; all "
                                "devices where none is named")
                    ->expected(0, 1)
                    ->type_name("[DEVICE]");
  auto* check = sub->add_option("--check", asked->device,
                                "First use: captures the empty window at a low resolution and "
                                "tells whether the light is on and even, "
                                "where it ends, what is clipped, how many bits the data hold and "
                                "whether they look linear; kept in the "
                                "ledger of the archive")
                    ->expected(0, 1)
                    ->type_name("[DEVICE]")
                    ->excludes(probe);
  sub->add_option("--write-profile", asked->write_profile,
                  "Writes a bed profile from what the device says, to be completed by hand; "
                  "comments in it say how to measure. An "
                  "existing file is left alone")
      ->type_name("F.yaml");
  sub->footer(
      "Window and ppi are those of the film light, in mm as the bed profile's window wants them. A "
      "device that cannot be\n"
      "opened is listed with the reason. --device NAME looks at that one alone, listed or not, and "
      "ends with 69 when it cannot\n"
      "be opened. When something is off, send in what --probe prints.\n"
      "--json: {\"beds\": [{device, vendor, model, type, sources, film_source, window, depths, "
      "ppi, profiles, lacks, notes}]}, or\n"
      "        \"fault\": {code, say} in place of what could not be read. With --probe also "
      "settings: [{option, value, was, why,\n"
      "        kept}] and options: [{option, title, kind, takes, value, active, settable}]. With "
      "--write-profile: {profile, bed,\n"
      "        device}. With --check: {checked: {device, ppi, window, lit, level, clipped, "
      "evenness, bits, scale, "
      "noise_exponent,\n"
      "        noise_exponent_error, findings: [{good, say}], kept}}, and code 1 where a finding "
      "is not good.\n"
      "Example: lapwright beds --write-profile ~/film/profiles/beds/my-bed.yaml");
  sub->callback([&common, &run, asked, probe, check] {
    asked->probe = probe->count() > 0;
    asked->check = check->count() > 0;
    run = [&common, asked] { return beds(common, *asked); };
  });
}

}  // namespace lapwright::cli
