#include <CLI/CLI.hpp>
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <memory>
#include <nlohmann/json.hpp>
#include <system_error>

#include "cli/command.h"
#include "core/files.h"
#include "plan/plan.h"

namespace lapwright::cli {
namespace {

struct Arguments {
  std::string sleeve, bed, drawing, guide;
  int ppi = 0;
  double lap = 0, tolerance = 0;
  bool lap_given = false, tolerance_given = false;
};

std::string size_text(std::int64_t bytes) {
  return bytes < (std::int64_t{1} << 30) ? fixed(static_cast<double>(bytes) / (1 << 20), 1) + " MiB"
                                         : fixed(static_cast<double>(bytes) / (1 << 30), 2) + " GiB";
}

std::string time_text(double seconds) {
  const long long s = std::llround(seconds);
  return s < 120 ? std::to_string(s) + " s" : std::to_string(s / 60) + " min " + std::to_string(s % 60) + " s";
}

void print_table(const plan::Plan& plan, const profile::SleeveProfile& sleeve, const profile::BedProfile& bed) {
  print(plan.sleeve + " on " + plan.bed + " at " + std::to_string(plan.ppi.value) + " ppi: " + std::to_string(plan.totals.passes) +
        (plan.totals.passes == 1 ? " pass, " : " passes, ") + time_text(plan.totals.seconds) + ", " + size_text(plan.totals.bytes) +
        " captured, sheet " + size_text(plan.totals.joined_bytes));
  print("");
  char line[256];
  std::snprintf(line, sizeof line, "%4s  %4s  %-31s %15s %11s  %s", "pass", "turn", "window (bed mm: x y width height)", "pixels", "size", "time");
  print(line);
  for (const plan::Pass& p : plan.passes) {
    std::snprintf(line, sizeof line, "%4d  %4d  %8.2f %7.2f %8.2f %8.2f %15s %11s  %s", p.number, p.lay.turn, p.window.x.mm(), p.window.y.mm(),
                  p.window.width.mm(), p.window.height.mm(),
                  (std::to_string(p.width.value) + " x " + std::to_string(p.height.value)).c_str(), size_text(p.bytes).c_str(),
                  time_text(p.seconds).c_str());
    print(line);
  }
  print("");
  for (const plan::Pass& p : plan.passes) print("pass " + std::to_string(p.number) + ": " + how_to_lay(plan, p, sleeve, bed));
  if (!plan.laps.empty()) print("");
  for (const plan::Lap& l : plan.laps) {
    const bool x = l.seam.axis == plan::Axis::x;
    const char* through = l.seam.through == plan::Through::gutter ? "a gutter" : l.seam.through == plan::Through::gap ? "a gap" : "frames";
    print("lap " + std::to_string(l.a) + "-" + std::to_string(l.b) + ": " + fixed((x ? l.area.width : l.area.height).mm(), 1) +
          " mm wide, seam at " + (x ? "x " : "y ") + fixed(l.seam.at.mm(), 1) + " mm of the sleeve, through " + through);
  }
}

Result<int> run_plan(const Common& common, const Arguments& args) {
  const std::string bed_name = !args.bed.empty() ? args.bed : common.config.bed.value_or("");
  if (bed_name.empty()) return fail(Fault::usage, "no bed profile is named; give --bed B, or write `bed: B` into the configuration file");
  const profile::Shelf shelf = common.shelf();
  auto sleeve = shelf.sleeve(args.sleeve);
  if (!sleeve) return fail(sleeve.error());
  auto bed = shelf.bed(bed_name);
  if (!bed) return fail(bed.error());
  const auto ppi = resolution(*bed, args.ppi);
  if (!ppi) return fail(ppi.error());
  plan::Options options;
  if (args.lap_given) options.smallest_lap = Micrometres::from_mm(args.lap);
  if (args.tolerance_given) options.placement_tolerance = Micrometres::from_mm(args.tolerance);
  if (auto archive = common.archive()) {
    if (auto free = core::free_bytes(*archive)) options.free_bytes = *free;
  }
  auto plan = plan::make_plan(*sleeve, *bed, *ppi, options);
  if (!plan) return fail(plan.error());
  if (!args.drawing.empty()) {
    if (auto r = core::write_file(args.drawing, plan::draw_svg(*plan, *sleeve, *bed)); !r) return fail(r.error());
  }
  if (!args.guide.empty()) {
    if (auto r = plan::write_guide_pdf(*plan, *sleeve, *bed, args.guide); !r) return fail(r.error());
  }
  if (common.json) {
    print_json(plan::to_json(*plan));
  } else {
    print_table(*plan, *sleeve, *bed);
  }
  for (const std::string& c : plan->cautions) say("caution: " + c);
  if (!args.drawing.empty()) say("drawing: " + args.drawing);
  if (!args.guide.empty()) say("guide: " + args.guide + " (print at 100 %, check the 100 mm bar)");
  return 0;
}

}  // namespace

void add_plan(CLI::App& app, Common& common, Run& run) {
  auto args = std::make_shared<Arguments>();
  CLI::App* sub = app.add_subcommand("plan", "The passes that a sleeve needs on a bed, and how it lies for each");
  sub->description(
      "The passes that a sleeve needs on a bed, and how it lies for each.\n"
      "The fewest passes that show every strip with 2 mm to spare, over all quarter turns and every position that the\n"
      "bed's overhang allows; among these the one with the fewest seams through frames, then the fewest turns of the\n"
      "sleeve between passes, then the least time.");
  sub->add_option("--sleeve", args->sleeve, "Sleeve profile: a name, or a path to a .yaml file")->type_name("S")->required();
  sub->add_option("--bed", args->bed, "Bed profile: a name, or a path to a .yaml file (default: the configuration's)")->type_name("B");
  sub->add_option("--ppi", args->ppi, "Resolution (default: the highest of the bed's list up to 2400)")
      ->type_name("N")
      ->check(CLI::Range(25, 25400));
  CLI::Option* lap = sub->add_option("--lap", args->lap,
                                     "Smallest lap in mm (default 12; never less than three times the tolerance plus the\n"
                                     "3 mm that the lap check needs)")
                         ->type_name("MM")
                         ->check(CLI::Range(0.0, 500.0));
  CLI::Option* tolerance = sub->add_option("--tolerance", args->tolerance, "How far a hand may miss when laying, in mm (default 3)")
                               ->type_name("MM")
                               ->check(CLI::Range(0.0, 100.0));
  sub->add_option("--drawing", args->drawing, "Write a drawing of each lay, to scale")->type_name("F.svg");
  sub->add_option("--guide", args->guide, "Write a paper guide at 1:1 to lay on the glass, one page a lay")->type_name("F.pdf");
  sub->footer(
      "Examples: lapwright plan --sleeve 135-7x5 --bed a4-window-8x10 --ppi 2400 --drawing lays.svg --guide guide.pdf\n"
      "          lapwright plan --sleeve mine.yaml --bed a4-window-8x10 --json\n"
      "A sleeve that cannot be laid ends with exit code 65, the reason, and what would help in millimetres.");
  sub->callback([&common, &run, args, lap, tolerance] {
    args->lap_given = lap->count() > 0;
    args->tolerance_given = tolerance->count() > 0;
    run = [&common, args] { return run_plan(common, *args); };
  });
}

}  // namespace lapwright::cli
