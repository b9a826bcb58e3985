#include <CLI/CLI.hpp>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>

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
  const auto shelf = common.shelf();
  std::optional<profile::StockProfile> stock;
  if (!request.stock.empty()) {
    auto given = shelf.stock(request.stock);
    if (!given) return fail(given.error());
    stock = std::move(*given);
  }
  const auto sheet = raw::Reader::open(request.sheet);
  if (!sheet) return fail(sheet.error());
  const auto origin = origin_of(request.sheet);
  if (!origin) return fail(origin.error());
  const auto report = frames::find(**sheet, *origin, *sleeve, stock ? stock->process : profile::Process::colour_negative);
  if (!report) return fail(report.error());
  const frames::RollEdge& edge = report->edge;
  for (const std::string& caution : edge.cautions) say("lapwright: caution: " + caution);
  if (stock && edge.film)
    if (const auto text = profile::film_caution(shelf, *stock, *edge.film); !text.empty()) say("lapwright: caution: " + text);
  if (common.json) {
    print_json(frames::to_json(*report));
    return 0;
  }
  print("frame  strip  top left mm        size mm          sure  numbered by");
  for (const frames::Frame& f : report->frames) {
    const auto length = [&](std::size_t a, std::size_t b) {
      return std::hypot(f.corners[b].x - f.corners[a].x, f.corners[b].y - f.corners[a].y);
    };
    char line[160];
    std::snprintf(line, sizeof line, "%5s  %5d  %7.2f %7.2f    %6.2f x %6.2f  %5.2f  %s%s%s", f.frame.c_str(), f.strip, f.corners[0].x,
                  f.corners[0].y, length(0, 1), length(1, 2), f.sure, f.numbered_by == frames::NumberedBy::code ? "code" : "position",
                  f.number_sure ? "" : " ?", f.sure < 0.9 ? "  look" : "");
    print(line);
  }
  say(std::to_string(report->frames.size()) + " frames, " + std::to_string(report->sure) + " sure");
  if (edge.codes > 0) {
    const auto stocks = edge.film ? shelf.stocks_of_film(*edge.film) : std::vector<std::string>{};
    say(std::to_string(edge.codes) + " codes on the film's edge" +
        (edge.film ? ": film number " + std::to_string(*edge.film) + (stocks.empty() ? ", of no stock profile" : ", stock " + joined(stocks)) : ""));
  }
  return 0;
}

}  // namespace

void add_frames(CLI::App& app, Common& common, Run& run) {
  auto request = std::make_shared<FramesRequest>();
  CLI::App* command = app.add_subcommand("frames", "Where the frames are on a sheet");
  command->description(
      "Finds the frames of a linear sheet from the sleeve profile and the picture.\n"
      "Prints where each lies in sleeve millimetres, with how sure that is. Frames below 0.90 are marked: look at them. Numbers are the\n"
      "film's own where the code on its edge (135 film, 300 ppi and more) can be read, else positions in reading order; one that the\n"
      "film leaves open has a question mark. The card beside the sheet (SHEET.yaml) says where on the sleeve the sheet starts.");
  command->add_option("SHEET", request->sheet, "Linear sheet (.tif) as `lapwright join` writes it")->required()->type_name("");
  command->add_option("--sleeve", request->sleeve, "Sleeve profile: a name or a path")->required()->type_name("S");
  command->add_option("--stock", request->stock, "Stock profile; says whether the film is a negative (the default) or a slide")->type_name("K");
  command->footer(
      "--json: {\"frames\": [{frame, strip, corners, sure, numbered_by, corrected}]}, corners in sleeve millimetres, clockwise\n"
      "from the top left as the picture is read; number_sure: false where the number is open. With codes, edge: {film, mirrored,\n"
      "strips: [{strip, turned, mirrored, codes: [{at, film, frame}]}]}.\n"
      "Example: lapwright frames sheet.tif --sleeve 135-7x5");
  command->callback([request, &common, &run] { run = [request, &common] { return run_frames(*request, common); }; });
}

}  // namespace lapwright::cli
