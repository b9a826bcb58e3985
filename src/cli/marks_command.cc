#include <CLI/CLI.hpp>
#include <memory>
#include <nlohmann/json.hpp>

#include "cli/command.h"
#include "cli/records.h"
#include "core/files.h"
#include "ledger/ledger.h"
#include "review/selects.h"

namespace lapwright::cli {
namespace {

Result<review::Desk> desk_of(const Common& common) {
  const auto archive = common.archive();
  if (!archive) return fail(archive.error());
  auto ledger = open_to_look(common);
  if (!ledger) return fail(ledger.error());
  return review::Desk(*archive, std::move(*ledger));
}

Result<int> list(const Common& common, const std::string& roll) {
  auto desk = desk_of(common);
  if (!desk) return fail(desk.error());
  const auto frames = review::chosen(*desk, roll);
  if (!frames) return fail(frames.error());
  if (common.json) {
    print_json(review::to_json(*frames));
    return 0;
  }
  std::vector<std::vector<std::string>> rows;
  for (const auto& c : *frames)
    rows.push_back({c.roll, c.frame, c.verdict, c.at_full ? "at full" : c.due ? "due" : "", c.note});
  print(rows.empty() ? "nothing was said of any frame" : table({"ROLL", "FRAME", "VERDICT", "FULL", "NOTE"}, rows));
  return 0;
}

Result<int> take(const Common& common, const std::string& file, const std::string& roll) {
  auto desk = desk_of(common);
  if (!desk) return fail(desk.error());
  const auto frames = review::chosen(*desk, roll);
  if (!frames) return fail(frames.error());
  const bool as_json = file.ends_with(".json");
  if (!as_json && !file.ends_with(".csv")) return fail(Fault::usage, file + ": a name that ends in .csv or .json is right");
  const std::string text = as_json ? review::to_json(*frames).dump(1) + "\n" : review::to_csv(*frames);
  if (auto r = core::write_file(file, text); !r) return fail(r.error());
  if (common.json)
    print_json({{"file", file}, {"frames", frames->size()}});
  else
    say("wrote " + file + ", " + std::to_string(frames->size()) + (frames->size() == 1 ? " frame" : " frames"));
  return 0;
}

Result<int> print_sheet(const Common& common, const std::string& roll, const std::string& file) {
  auto desk = desk_of(common);
  if (!desk) return fail(desk.error());
  std::optional<proof::PageSize> paper;
  if (common.config.paper) paper = {(*common.config.paper)[0], (*common.config.paper)[1]};
  if (auto r = review::print_marked(*desk, roll, paper, file); !r) return fail(r.error());
  if (common.json)
    print_json({{"file", file}, {"roll", roll}});
  else
    say("wrote " + file + "; print it at 100 %, not fitted to the page");
  return 0;
}

}  // namespace

Result<std::vector<std::string>> selects_of(const Common& common, const std::string& roll) {
  auto desk = desk_of(common);
  if (!desk) return fail(desk.error());
  const auto frames = review::chosen(*desk, roll);
  if (!frames) return fail(frames.error());
  std::vector<std::string> out;
  for (const auto& c : *frames)
    if (c.verdict == "select") out.push_back(c.frame);
  return out;
}

void add_marks(CLI::App& app, Common& common, Run& run) {
  auto* command = app.add_subcommand("marks", "What was marked on the proofs: verdicts, notes, the marked sheet on paper");
  command->require_subcommand(1, 1);
  const auto roll = std::make_shared<std::string>();
  const auto file = std::make_shared<std::string>();
  auto* list_command = command->add_subcommand("list", "Frames of which anything was said");
  list_command->add_option("ROLL", *roll, "Only this roll");
  list_command->footer("--json: {frames: [{roll, stock, frame, verdict, note, crop, at_full, due}]}; crop in sleeve millimetres");
  list_command->callback([&common, &run, roll] { run = [&common, roll] { return list(common, *roll); }; });
  auto* export_command = command->add_subcommand("export", "The same as a table (.csv) or a document (.json)");
  export_command->add_option("FILE", *file, "File to write, .csv or .json")->required();
  export_command->add_option("ROLL", *roll, "Only this roll");
  export_command->footer("--json: {file, frames}\nExample: lapwright marks export selects.csv");
  export_command->callback([&common, &run, file, roll] { run = [&common, file, roll] { return take(common, *file, *roll); }; });
  auto* print_command = command->add_subcommand("print", "The sheet at 1:1 with everything that was marked on it, as PDF");
  print_command->add_option("ROLL", *roll, "Name of the roll")->required();
  print_command->add_option("FILE", *file, "File to write (.pdf)")->required();
  print_command->footer("On the configuration's `paper`, several pages with a lap where it is smaller; verdicts and notes on a page of their own.\n--json: {file, roll}");
  print_command->callback([&common, &run, roll, file] { run = [&common, roll, file] { return print_sheet(common, *roll, *file); }; });
}

}  // namespace lapwright::cli
