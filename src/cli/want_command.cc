#include <CLI/CLI.hpp>
#include <algorithm>
#include <memory>
#include <nlohmann/json.hpp>

#include "cli/command.h"
#include "cli/records.h"
#include "ledger/ledger.h"

namespace lapwright::cli {
namespace {

struct Arguments {
  std::string roll, frames;
  int ppi = 0;
};

Result<int> want(const Common& common, const Arguments& args) {
  Result<std::vector<std::string>> frames = std::vector<std::string>();
  if (args.frames == "selects") {
    const auto selects = selects_of(common, args.roll);
    if (!selects) return fail(selects.error());
    if (selects->empty())
      return fail(Fault::bad_data, "roll " + args.roll + ": no frame is a select yet; choose on the page of `lapwright review`, or name the frames");
    frames = *selects;
  } else {
    frames = parse_frame_list(args.frames);
  }
  if (!frames) return fail(frames.error());
  auto ledger = open_existing(common);
  if (!ledger) return fail(ledger.error());
  if (auto r = ledger->want(args.roll, *frames, {args.ppi}); !r) return fail(r.error());
  const auto state = ledger->state(args.roll);
  if (!state) return fail(state.error());
  std::vector<std::string> there;
  for (const std::string& f : *frames) {
    const auto in = [&](const std::vector<std::string>& list) {
      return std::find(list.begin(), list.end(), f) != list.end();
    };
    if (in(state->at_full) && !in(state->due)) there.push_back(f);
  }
  if (common.json) {
    print_json({{"roll", args.roll},
                {"asked", *frames},
                {"ppi", args.ppi},
                {"already_at_full", there},
                {"due", state->due}});
    return 0;
  }
  if (!there.empty()) say("already at full: " + joined(there));
  print(state->due.empty() ? "nothing is due of " + args.roll
                           : "due of " + args.roll + ": " + joined(state->due));
  if (!state->due.empty() && !state->proofed)
    say("they wait until the roll has its proof, where frames are found");
  return 0;
}

}  // namespace

void add_want(CLI::App& app, Common& common, Run& run) {
  auto* command = app.add_subcommand(
      "want", "Asks for frames of a roll at full resolution; the station makes the passes");
  command->footer(
      "A frame that is at full already at that resolution is not made again. Frames of a roll that waits for its proof wait\n"
      "with it. --json: {roll, asked, ppi, already_at_full, due}\n"
      "Examples: lapwright want 2026-014 --frames 7,12-14 --ppi 4800\n          lapwright want "
      "2026-014 --frames all");
  const auto args = std::make_shared<Arguments>();
  command->add_option("ROLL", args->roll, "Name of the roll")->required();
  command
      ->add_option("--frames", args->frames, "Frames as numbered on the proof: 7,12-14,20A; all; or selects, those chosen on the page")
      ->required()
      ->type_name("LIST");
  command
      ->add_option("--ppi", args->ppi,
                   "Resolution at least; without it the highest that the bed offers")
      ->type_name("N")
      ->check(CLI::Range(1, 25400));
  command->callback(
      [&common, &run, args] { run = [&common, args] { return want(common, *args); }; });
}

}  // namespace lapwright::cli
