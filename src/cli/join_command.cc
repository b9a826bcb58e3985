#include <CLI/CLI.hpp>
#include <algorithm>
#include <atomic>
#include <csignal>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "cli/command.h"
#include "core/clock.h"
#include "core/files.h"
#include "join/assemble.h"
#include "profile/card.h"
#include "raw/tiff.h"
#include "station/assignment.h"

namespace lapwright::cli {
namespace {

namespace fs = std::filesystem;

struct Arguments {
  std::string plan, output, sleeve;
  std::vector<std::string> passes;
};

std::atomic<bool> stop_asked{false};

/// Ctrl-C and SIGTERM end the join between two tiles while this lives; the half-made sheet is withdrawn.
class StopOnSignal {
 public:
  StopOnSignal() {
    struct sigaction action{};
    action.sa_handler = [](int) { stop_asked = true; };
    ::sigaction(SIGINT, &action, &interrupt_);
    ::sigaction(SIGTERM, &action, &terminate_);
  }
  ~StopOnSignal() {
    ::sigaction(SIGINT, &interrupt_, nullptr);
    ::sigaction(SIGTERM, &terminate_, nullptr);
  }

 private:
  struct sigaction interrupt_{}, terminate_{};
};

std::string lap_line(const lap::Report& r) {
  const std::string between = "lap " + std::to_string(r.a) + "-" + std::to_string(r.b) + ": ";
  if (!r.ok) return between + "not good: " + r.why;
  return between + "good, " + fixed(r.overlap_mm, 1) + " mm of " + fixed(r.needed_mm, 1) + " needed, moved " + fixed(r.shift_px[0], 2) + ", " +
         fixed(r.shift_px[1], 2) + " px, turned " + fixed(r.turn_degrees, 3) + " degrees, residual " + fixed(r.residual_px, 3) + " px, light " +
         fixed(r.light_percent[0], 1) + " " + fixed(r.light_percent[1], 1) + " " + fixed(r.light_percent[2], 1) + " %";
}

Result<plan::Plan> read_plan(const std::string& file) {
  auto text = core::read_file(file);
  if (!text) return fail(text.error());
  auto json = core::parse_json(*text, file);
  if (!json) return fail(json.error());
  return plan::from_json(*json, file);
}

Result<profile::Card> make_card(const plan::Plan& plan, const Arguments& args, const join::Assembled& assembled,
                                const join::SheetGeometry& geometry, const raw::Written& written) {
  profile::Card card = join::card_of(written, geometry, assembled.placed.pieces, assembled.laps);
  card.sleeve = plan.sleeve;
  for (std::size_t i = 0; i < card.passes.size(); ++i) {
    auto sum = core::sha256_of(args.passes[i]);
    if (!sum) return fail(sum.error());
    card.passes[i].file = args.passes[i];
    card.passes[i].sha256 = *sum;
  }
  return card;
}

Result<int> run_join(const Common& common, const Arguments& args) {
  auto plan = read_plan(args.plan);
  if (!plan) return fail(plan.error());
  auto sleeve = common.shelf().sleeve(args.sleeve.empty() ? plan->sleeve : args.sleeve);
  if (!sleeve) return fail(sleeve.error());
  const fs::path output = args.output;
  std::vector<std::unique_ptr<raw::Reader>> readers;
  std::vector<image::RowSource*> pictures;
  for (const std::string& file : args.passes) {
    std::error_code none;
    if (fs::equivalent(file, output, none)) return fail(Fault::usage, "-o " + args.output + ": is one of the passes; a sheet never replaces a pass");
    auto reader = raw::Reader::open(file);
    if (!reader) return fail(reader.error());
    pictures.push_back(reader->get());
    readers.push_back(std::move(*reader));
  }
  core::Stopwatch watch;
  auto assembled = join::assemble(*plan, *sleeve, pictures);
  if (!assembled) return fail(assembled.error().fault, args.plan + ": " + assembled.error().text);
  Json document{{"laps", Json::array()}};
  for (const lap::Report& r : assembled->laps) document["laps"].push_back(station::to_json(r));
  const auto print_laps = [&] {
    for (const lap::Report& r : assembled->laps) print(lap_line(r));
  };
  if (assembled->refused) {
    if (common.json) print_json(document);
    else print_laps();
    const lap::Report& bad = *assembled->refused;
    return fail(Fault::bad_data, args.passes[static_cast<std::size_t>(bad.b - 1)] + ": " + (bad.say.empty() ? bad.why : bad.say));
  }

  StopOnSignal signals;
  const auto geometry = join::SheetGeometry::of(join::sheet_area(*plan), plan->ppi);
  auto sheet = join::write_sheet(output, assembled->placed.pieces, plan->laps, geometry,
                                 {.roll = {}, .page = "sheet", .make = {}, .model = {}, .date_time = {}, .note = {}}, stop_asked);
  if (!sheet) return fail(sheet.error());
  auto card = make_card(*plan, args, *assembled, geometry, sheet->written);
  if (!card) return fail(card.error());
  if (auto r = core::write_file(card_path(output), profile::write_card(*card)); !r) return fail(r.error());

  document["file"] = output.string();
  document["card"] = card_path(output).string();
  document["sha256"] = sheet->written.sha256;
  document["pixels"] = {{"width", geometry.width}, {"height", geometry.height}};
  document["origin_mm"] = {geometry.origin.x, geometry.origin.y};
  document["uncovered_pixels"] = sheet->report.uncovered_pixels;
  document["seconds"] = watch.seconds();
  if (common.json) {
    print_json(document);
  } else {
    print_laps();
    print(output.string() + ": " + std::to_string(geometry.width) + " x " + std::to_string(geometry.height) + " pixels in " +
          fixed(watch.seconds(), 1) + " s; card " + card_path(output).string());
    if (sheet->report.uncovered_pixels > 0)
      say("caution: " + std::to_string(sheet->report.uncovered_pixels) + " pixels are shown by no pass and were filled with open light");
  }
  return 0;
}

}  // namespace

void add_join(CLI::App& app, Common& common, Run& run) {
  auto args = std::make_shared<Arguments>();
  CLI::App* sub = app.add_subcommand("join", "Checks the laps of captured passes and joins them to one sheet");
  sub->description(
      "Checks the laps of passes already captured and joins them to one linear sheet.\n"
      "The sheet shows the sleeve as it is read, whatever the lays were; every pixel is resampled at most once, seams keep to\n"
      "gutters and gaps where there are some. The hand-off card for the conversion is written beside it (SHEET.yaml).\n"
      "A lap that is not good is exit 65, with what to do about it; nothing is written then.");
  sub->add_option("--plan", args->plan, "The plan that the passes were made by (lapwright plan --json)")->required()->type_name("PLAN.json");
  sub->add_option("-o,--output", args->output, "The joined sheet")->required()->type_name("SHEET.tif");
  sub->add_option("--sleeve", args->sleeve, "Sleeve profile: a name or a path (default: the one that the plan names)")->type_name("S");
  sub->add_option("PASS", args->passes, "The passes (.tif), in the plan's order")->required()->type_name("");
  sub->footer(
      "--json: {laps: [as in the event stream], file, card, sha256, pixels, origin_mm, uncovered_pixels, seconds}; only laps when\n"
      "one is not good.\n"
      "Example: lapwright join --plan plan.json -o sheet.tif pass-1.tif pass-2.tif");
  sub->callback([&common, &run, args] { run = [&common, args] { return run_join(common, *args); }; });
}

}  // namespace lapwright::cli
