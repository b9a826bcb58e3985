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

namespace lapwright::cli {
namespace {

namespace fs = std::filesystem;

struct Arguments {
  std::string plan, output;
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

std::string fixed(double v, int digits) {
  char text[64];
  std::snprintf(text, sizeof text, "%.*f", digits, v);
  return text;
}

Json lap_json(const lap::Report& r) {
  return {{"between", {r.a, r.b}}, {"ok", r.ok}, {"shift_px", r.shift_px}, {"turn_degrees", r.turn_degrees}, {"scale", r.scale},
          {"residual_px", r.residual_px}, {"confidence", r.confidence}, {"overlap_mm", r.overlap_mm}, {"needed_mm", r.needed_mm},
          {"light_percent", r.light_percent}, {"why", r.why}, {"say", r.say}};
}

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

Result<profile::Card> make_card(const plan::Plan& plan, const Arguments& args, const join::Assembled& joined, const raw::Written& written) {
  profile::Card card;
  card.file = written.path.filename().string();
  card.sha256 = written.sha256;
  card.sleeve = plan.sleeve;
  card.ppi = plan.ppi;
  card.width = {joined.sheet.width};
  card.height = {joined.sheet.height};
  card.origin_mm = joined.sheet.origin;
  card.mm_per_pixel = plan.ppi.mm_per_pixel();
  for (std::size_t i = 0; i < joined.pieces.size(); ++i) {
    auto sum = core::sha256_of(args.passes[i]);
    if (!sum) return fail(sum.error());
    profile::Card::Pass pass;
    pass.pass = joined.pieces[i].number;
    pass.file = args.passes[i];
    pass.sha256 = *sum;
    const auto& m = joined.pieces[i].placement.affine;
    pass.sleeve_to_pass = {m.a, m.b, m.c, m.d, m.e, m.f};
    card.passes.push_back(std::move(pass));
  }
  for (const lap::Report& r : joined.laps)
    card.laps.push_back({.a = r.a, .b = r.b, .residual_px = r.residual_px, .overlap_mm = r.overlap_mm, .confidence = r.confidence,
                         .light_percent = r.light_percent});
  return card;
}

Result<int> run_join(const Common& common, const Arguments& args) {
  auto plan = read_plan(args.plan);
  if (!plan) return fail(plan.error());
  auto sleeve = common.shelf().sleeve(plan->sleeve);
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
  auto joined = join::assemble(*plan, *sleeve, pictures);
  if (!joined) return fail(joined.error().fault, args.plan + ": " + joined.error().text);
  Json document{{"laps", Json::array()}};
  for (const lap::Report& r : joined->laps) {
    document["laps"].push_back(lap_json(r));
    if (!common.json) print(lap_line(r));
  }
  if (const lap::Report* bad = joined->bad()) {
    if (common.json) print_json(document);
    const auto pass = std::find_if(plan->passes.begin(), plan->passes.end(), [&](const auto& p) { return p.number == bad->b; });
    const std::string file = pass == plan->passes.end() ? args.plan : args.passes[static_cast<std::size_t>(pass - plan->passes.begin())];
    return fail(Fault::bad_data, file + ": " + (bad->say.empty() ? bad->why : bad->say));
  }

  StopOnSignal signals;
  auto writer = raw::Writer::create(output, joined->sheet.width, joined->sheet.height, joined->sheet.ppi,
                                    {.roll = {}, .page = "sheet", .make = {}, .model = {}, .date_time = {}, .note = {}});
  if (!writer) return fail(writer.error());
  auto report = join::join(joined->pieces, plan->laps, joined->sheet, **writer, stop_asked);
  if (!report) return fail(report.error());
  auto written = (*writer)->finish();
  if (!written) return fail(written.error());
  auto card = make_card(*plan, args, *joined, *written);
  if (!card) return fail(card.error());
  const fs::path card_path = fs::path(output).replace_extension(".yaml");
  if (auto r = core::write_file(card_path, profile::write_card(*card)); !r) return fail(r.error());

  document["file"] = output.string();
  document["card"] = card_path.string();
  document["sha256"] = written->sha256;
  document["pixels"] = {{"width", joined->sheet.width}, {"height", joined->sheet.height}};
  document["origin_mm"] = {joined->sheet.origin.x, joined->sheet.origin.y};
  document["uncovered_pixels"] = report->uncovered_pixels;
  document["seconds"] = watch.seconds();
  if (common.json) {
    print_json(document);
  } else {
    print(output.string() + ": " + std::to_string(joined->sheet.width) + " x " + std::to_string(joined->sheet.height) + " pixels in " +
          fixed(watch.seconds(), 1) + " s; card " + card_path.string());
    if (report->uncovered_pixels > 0)
      say("caution: " + std::to_string(report->uncovered_pixels) + " pixels are shown by no pass and were filled with open light");
  }
  return 0;
}

}  // namespace

void add_join(CLI::App& app, Common& common, Run& run) {
  auto args = std::make_shared<Arguments>();
  CLI::App* sub = app.add_subcommand("join", "Check the laps of captured passes and join them to one sheet");
  sub->description(
      "Checks the laps of passes already captured and joins them to one linear sheet.\n"
      "The sheet shows the sleeve as it is read, whatever the lays were; every pixel is resampled at most once, seams keep to\n"
      "gutters and gaps where there are some. The hand-off card for the conversion is written beside it (SHEET.yaml).\n"
      "A lap that is not good is exit 65, with what to do about it; nothing is written then.");
  sub->add_option("--plan", args->plan, "The plan that the passes were made by (lapwright plan --json)")->required()->type_name("PLAN.json");
  sub->add_option("-o,--output", args->output, "The joined sheet")->required()->type_name("SHEET.tif");
  sub->add_option("passes", args->passes, "The passes, in the plan's order")->required()->type_name("PASS.tif");
  sub->callback([&common, &run, args] { run = [&common, args] { return run_join(common, *args); }; });
}

}  // namespace lapwright::cli
