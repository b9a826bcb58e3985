#include <CLI/CLI.hpp>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <nlohmann/json.hpp>

#include "cli/command.h"
#include "frames/frames.h"
#include "raw/tiff.h"

namespace lapwright::cli {
namespace {

namespace fs = std::filesystem;

struct FramesRequest {
  std::string sheet, sleeve, stock;
};

/// Where the sheet's first pixel lies on the sleeve: the card beside it, else the sleeve's corner.
Result<Spot<SleeveSpace>> origin_of(const fs::path& sheet) {
  const auto card = card_beside(sheet);
  if (!card) return fail(card.error());
  if (*card) return (*card)->origin_mm;
  say("note: there is no card " + card_path(sheet).string() + ", so the sheet is taken to start at the sleeve's top left corner");
  return Spot<SleeveSpace>{};
}

Result<int> run_frames(const FramesRequest& request, const Common& common) {
  const auto sleeve = common.shelf().sleeve(request.sleeve);
  if (!sleeve) return fail(sleeve.error());
  auto process = profile::Process::colour_negative;
  if (!request.stock.empty()) {
    const auto stock = common.shelf().stock(request.stock);
    if (!stock) return fail(stock.error());
    process = stock->process;
  }
  const auto sheet = raw::Reader::open(request.sheet);
  if (!sheet) return fail(sheet.error());
  const auto origin = origin_of(request.sheet);
  if (!origin) return fail(origin.error());
  const auto report = frames::find(**sheet, *origin, *sleeve, process);
  if (!report) return fail(report.error());
  if (common.json) {
    print_json(frames::to_json(report->frames));
    return 0;
  }
  print("frame  strip  top left mm        size mm          sure");
  for (const frames::Frame& f : report->frames) {
    const auto length = [&](std::size_t a, std::size_t b) {
      return std::hypot(f.corners[b].x - f.corners[a].x, f.corners[b].y - f.corners[a].y);
    };
    char line[160];
    std::snprintf(line, sizeof line, "%5s  %5d  %7.2f %7.2f    %6.2f x %6.2f  %5.2f%s", f.frame.c_str(), f.strip, f.corners[0].x,
                  f.corners[0].y, length(0, 1), length(1, 2), f.sure, f.sure < 0.9 ? "  look" : "");
    print(line);
  }
  say(std::to_string(report->frames.size()) + " frames, " + std::to_string(report->sure) + " sure");
  return 0;
}

}  // namespace

void add_frames(CLI::App& app, Common& common, Run& run) {
  auto request = std::make_shared<FramesRequest>();
  CLI::App* command = app.add_subcommand("frames", "Where the frames are on a sheet");
  command->description(
      "Finds the frames of a linear sheet from the sleeve profile and the picture.\n"
      "Prints where each lies in sleeve millimetres, with how sure that is. Frames below 0.90 are marked: look at them. Numbers are positions in\n"
      "reading order. The card beside the sheet (SHEET.yaml) says where on the sleeve the sheet starts.");
  command->add_option("SHEET", request->sheet, "Linear sheet (.tif) as `lapwright join` writes it")->required()->type_name("");
  command->add_option("--sleeve", request->sleeve, "Sleeve profile: a name or a path")->required()->type_name("S");
  command->add_option("--stock", request->stock, "Stock profile; says whether the film is a negative (the default) or a slide")->type_name("K");
  command->footer(
      "--json: {\"frames\": [{frame, strip, corners, sure, numbered_by, corrected}]}, corners in sleeve millimetres, clockwise\n"
      "from the top left as the picture is read.\n"
      "Example: lapwright frames sheet.tif --sleeve 135-7x5");
  command->callback([request, &common, &run] { run = [request, &common] { return run_frames(*request, common); }; });
}

}  // namespace lapwright::cli
