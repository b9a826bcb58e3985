#include <CLI/CLI.hpp>
#include <atomic>
#include <chrono>
#include <csignal>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>

#include "cli/command.h"
#include "cli/records.h"
#include "core/clock.h"
#include "ledger/ledger.h"
#include "station/remake.h"

namespace lapwright::cli {
namespace {

struct Arguments {
  std::string name, sleeve, stock, shot, note;
  TrimOptions trim;
  bool as_stock = false;
};

/// 2026, 2026-03 or 2026-03-21.
bool is_date(const std::string& s) {
  for (std::size_t i = 0; i < s.size(); ++i) {
    if (i == 4 || i == 7 ? s[i] != '-' : s[i] < '0' || s[i] > '9') return false;
  }
  if (s.size() != 4 && s.size() != 7 && s.size() != 10) return false;
  using namespace std::chrono;
  const auto part = [&](std::size_t at, int absent) {
    return at < s.size() ? std::stoi(s.substr(at, at == 0 ? 4 : 2)) : absent;
  };
  return year_month_day(year(part(0, 0)), month(static_cast<unsigned>(part(5, 1))),
                        std::chrono::day(static_cast<unsigned>(part(8, 1))))
      .ok();
}

/// A profile given as a path is kept as a full path, since the station may be started elsewhere.
std::string lasting(const std::string& name) {
  if (name.find('/') == std::string::npos && !name.ends_with(".yaml")) return name;
  std::error_code trouble;
  const auto path = std::filesystem::absolute(name, trouble);
  return trouble ? name : path.lexically_normal().string();
}

Result<int> add(const Common& common, const Arguments& args) {
  if (auto r = ledger::archive::check_roll_name(args.name); !r) return fail(r.error());
  if (!args.shot.empty() && !is_date(args.shot)) {
    return fail(Fault::usage,
                "--shot " + args.shot + ": not a date; 2026-03-21, 2026-03 or 2026 would be right");
  }
  const auto archive = common.archive();
  if (!archive) return fail(archive.error());
  const auto sleeve = common.shelf().sleeve(args.sleeve);
  if (!sleeve) return fail(sleeve.error());
  const auto stock = common.shelf().stock(args.stock);
  if (!stock) return fail(stock.error());
  auto ledger = ledger::Ledger::open(*archive);
  if (!ledger) return fail(ledger.error());
  if (!ledger->restored().empty()) say(ledger->restored());
  if (auto r = ledger->add_roll(
          {args.name, lasting(args.sleeve), lasting(args.stock), args.shot, args.note, ""});
      !r)
    return fail(r.error());
  const auto state = ledger->state(args.name);
  if (!state) return fail(state.error());
  if (common.json) {
    print_json(roll_json(*state));
  } else {
    print("added " + args.name + ": " + sleeve->name + ", " + stock->name +
          "; waiting for its proof");
  }
  return 0;
}

Result<int> list(const Common& common) {
  auto ledger = open_to_look(common);
  if (!ledger) return fail(ledger.error());
  const auto states = ledger->states();
  if (!states) return fail(states.error());
  if (common.json) {
    Json rolls = Json::array();
    for (const auto& s : *states) {
      Json roll = roll_json(s);
      roll.erase("files");
      rolls.push_back(std::move(roll));
    }
    print_json({{"rolls", rolls}});
    return 0;
  }
  std::vector<std::vector<std::string>> rows;
  for (const auto& s : *states) {
    rows.push_back({s.roll.name, s.proofed ? "proofed " + day(s.proofed_at) : "waiting",
                    s.roll.sleeve, s.roll.stock, s.roll.shot, s.roll.note});
  }
  print(rows.empty() ? "no rolls yet; `lapwright roll add` adds one"
                     : table({"ROLL", "PROOF", "SLEEVE", "STOCK", "SHOT", "NOTE"}, rows));
  return 0;
}

Result<int> show(const Common& common, const Arguments& args) {
  auto ledger = open_to_look(common);
  if (!ledger) return fail(ledger.error());
  const auto s = ledger->state(args.name);
  if (!s) return fail(s.error());
  if (common.json) {
    print_json(roll_json(*s));
    return 0;
  }
  std::vector<std::vector<std::string>> rows{{"sleeve", s->roll.sleeve}, {"stock", s->roll.stock}};
  if (!s->roll.shot.empty()) rows.push_back({"shot", s->roll.shot});
  if (!s->roll.note.empty()) rows.push_back({"note", s->roll.note});
  rows.push_back({"added", day(s->roll.added)});
  rows.push_back({"proof", s->proofed ? day(s->proofed_at) + ", " +
                                            std::to_string(s->frames_found) + " frames found"
                                      : "waiting"});
  rows.push_back({"at full", s->at_full.empty() ? "none" : joined(s->at_full)});
  rows.push_back({"due", s->due.empty() ? "nothing" : joined(s->due)});
  for (const auto& f : s->files)
    rows.push_back({rows.back()[0] == "file" || rows.back()[0].empty() ? "" : "file", f.path});
  print(table({"roll", s->roll.name}, rows));
  return 0;
}

/// Tells the trim of a roll's proof; with another, makes the proof anew.
Result<int> trim(const Common& common, const Arguments& args) {
  const auto archive = common.archive();
  if (!archive) return fail(archive.error());
  if (args.as_stock && args.trim.any())
    return fail(Fault::usage, "--as-stock is the stock's own trim; give it, or the numbers, not both");
  const bool anew = args.as_stock || args.trim.any();
  auto ledger = anew ? open_existing(common) : open_to_look(common);
  if (!ledger) return fail(ledger.error());
  const bool outside = !common.config.convert.empty();
  const auto told = [&]() -> Result<station::Negative> {
    const auto state = ledger->state(args.name);
    if (!state) return fail(state.error());
    return station::negative_of(*archive, common.shelf(), *state, outside);
  };
  auto n = told();
  if (!n) return fail(n.error());
  double seconds = 0;
  if (anew) {
    const profile::Trim wanted = args.as_stock ? n->stock.trim : args.trim.over(n->made.trim);
    static std::atomic<bool> stop{false};
    std::signal(SIGINT, [](int) { stop = true; });
    std::signal(SIGTERM, [](int) { stop = true; });
    const core::Stopwatch watch;
    const station::Remake how{wanted, !(wanted == n->stock.trim), common.config.paper, {}};
    const auto made = station::remake_proof(*archive, common.shelf(), *ledger, args.name, outside, how, stop);
    if (!made) return fail(made.error());
    for (const std::string& caution : *made) say("lapwright: caution: " + caution);
    seconds = watch.seconds();
    n = told();
    if (!n) return fail(n.error());
  }
  if (common.json) {
    Json out = {{"roll", args.name}, {"trim", trim_json(n->made.trim)}, {"trim_of", n->made.of_roll ? "roll" : "stock"},
                {"stock", n->stock.name}, {"stock_trim", trim_json(n->stock.trim)}, {"even", n->made.even}};
    if (anew) out["seconds"] = seconds;
    print_json(out);
    return 0;
  }
  print(args.name + ": trim " + profile::trim_text(n->made.trim) + ", " + (n->made.of_roll ? "kept for the roll" : "of stock " + n->stock.name));
  if (anew) say("the proof was made anew in " + fixed(seconds, 1) + " s; frames at full are made with this trim from now on");
  return 0;
}

}  // namespace

void add_roll(CLI::App& app, Common& common, Run& run) {
  auto* roll = app.add_subcommand("roll", "Rolls waiting and known: add, list, show, trim");
  roll->require_subcommand(1);
  const auto args = std::make_shared<Arguments>();

  auto* add_command = roll->add_subcommand(
      "add", "Adds a roll; the station asks for its sleeve in the order rolls were added");
  add_command
      ->add_option(
          "NAME", args->name,
          "Name of the roll and of its folder: letters, digits, dot, dash, underscore, space")
      ->required();
  add_command->add_option("--sleeve", args->sleeve, "Sleeve profile, or a path to one")
      ->required()
      ->type_name("S");
  add_command->add_option("--stock", args->stock, "Stock profile, or a path to one")
      ->required()
      ->type_name("K");
  add_command->add_option("--shot", args->shot, "When it was exposed: 2026-03-21, 2026-03 or 2026")
      ->type_name("DATE");
  add_command->add_option("--note", args->note, "A line of your own; it stands on the proof")
      ->type_name("TEXT");
  add_command->footer(
      "A profile given as a path is remembered by its full path. A name that is taken is refused; nothing is overwritten.\n"
      "--json prints the roll as `roll show` does.\n"
      "Example: lapwright roll add 2026-014 --sleeve 135-7x5 --stock c41-daylight-400 --shot 2026-03-21 --note 'harbour'");
  add_command->callback(
      [&common, &run, args] { run = [&common, args] { return add(common, *args); }; });

  auto* list_command =
      roll->add_subcommand("list", "Every roll, in the order added, and whether it has its proof");
  list_command->footer(
      "--json: {\"rolls\": [{roll, sleeve, stock, shot, note, added, proofed, proofed_at, frames_found, at_full, due}]}");
  list_command->callback([&common, &run] { run = [&common] { return list(common); }; });

  auto* show_command = roll->add_subcommand("show", "All that is known of one roll, and its files");
  show_command->add_option("NAME", args->name, "Name of the roll")->required();
  show_command->footer(
      "--json: {roll, sleeve, stock, shot, note, added, proofed, proofed_at, frames_found, at_full, due,\n"
      "         files: [{path, sha256, bytes}]}, paths below the archive\n"
      "Example: lapwright roll show 2026-014");
  show_command->callback(
      [&common, &run, args] { run = [&common, args] { return show(common, *args); }; });

  auto* trim_command = roll->add_subcommand("trim", "What was asked for on a roll's positive; with numbers, its proof is made anew so");
  trim_command->add_option("NAME", args->name, "Name of the roll")->required();
  args->trim.add(*trim_command);
  trim_command->add_flag("--as-stock", args->as_stock, "Back to the trim that the stock's profile has now");
  trim_command->footer(
      "The proof is made anew from the linear sheet that the archive keeps, with everything that was measured; marks, frames and\n"
      "numbers stay. The proof before stays until the new one is whole. The trim is kept in the roll's card (proof/sheet.yaml),\n"
      "and frames at full are made with it; of frames that are there already, `lapwright convert` makes positives with it.\n"
      "75 (try again) while a station is making frames of the roll, or another program its proof.\n"
      "--json: {roll, trim: {warmth, tint, brightness, contrast}, trim_of, stock, stock_trim, even, seconds}\n"
      "Example: lapwright roll trim 2026-014 --warmth 12 --brightness -5");
  trim_command->callback([&common, &run, args] { run = [&common, args] { return trim(common, *args); }; });
}

}  // namespace lapwright::cli
