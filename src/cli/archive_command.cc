#include <CLI/CLI.hpp>
#include <memory>
#include <nlohmann/json.hpp>

#include "cli/command.h"
#include "cli/records.h"
#include "ledger/bag.h"
#include "ledger/ledger.h"

namespace lapwright::cli {
namespace {

Json troubles_json(const std::vector<ledger::AuditLine>& troubles) {
  Json out = Json::array();
  for (const auto& t : troubles) out.push_back({{"path", t.path}, {"trouble", t.trouble}});
  return out;
}

int tell(const std::vector<ledger::AuditLine>& troubles, const std::string& all_well) {
  std::vector<std::vector<std::string>> rows;
  for (const auto& t : troubles) rows.push_back({t.trouble, t.path});
  print(rows.empty() ? all_well : table({"TROUBLE", "FILE"}, rows));
  return rows.empty() ? 0 : 1;
}

Result<int> copy(const Common& common, const std::string& place, std::vector<std::string> rolls) {
  auto ledger = open_existing(common);
  if (!ledger) return fail(ledger.error());
  if (rolls.empty()) {
    const auto all = ledger->rolls();
    if (!all) return fail(all.error());
    for (const auto& r : *all) rolls.push_back(r.name);
  }
  Json made = Json::array();
  std::vector<ledger::AuditLine> troubles;
  int bags = 0, files = 0;
  for (const std::string& roll : rolls) {
    const auto bag = ledger->copy_roll(roll, place);
    if (!bag) return fail(bag.error());
    if (bag->files == 0) continue;  // nothing was made of it yet
    ++bags, files += bag->copied;
    troubles.insert(troubles.end(), bag->troubles.begin(), bag->troubles.end());
    made.push_back({{"roll", roll},
                    {"bag", bag->folder.string()},
                    {"files", bag->files},
                    {"copied", bag->copied},
                    {"bytes", bag->bytes},
                    {"whole", bag->whole()},
                    {"troubles", troubles_json(bag->troubles)}});
    if (!common.json && bag->copied > 0)
      say(roll + ": " + std::to_string(bag->copied) + " of " + std::to_string(bag->files) +
          " files copied and read again");
  }
  if (common.json) {
    print_json({{"bags", made}});
    return troubles.empty() ? 0 : 1;
  }
  return tell(troubles, std::to_string(bags) + (bags == 1 ? " roll is" : " rolls are") + " whole in " +
                            place + (files == 0 ? ", as before" : ""));
}

Result<int> check(const Common& common, const std::string& place) {
  const auto rolls = ledger::bags_in(place);
  if (!rolls) return fail(rolls.error());
  std::vector<ledger::AuditLine> troubles;
  for (const std::string& roll : *rolls) {
    const auto found = ledger::check_bag(place, roll);
    if (!found) return fail(found.error());
    troubles.insert(troubles.end(), found->begin(), found->end());
  }
  if (common.json) {
    print_json({{"ok", troubles.empty()}, {"bags", rolls->size()}, {"troubles", troubles_json(troubles)}});
    return troubles.empty() ? 0 : 1;
  }
  return tell(troubles, rolls->empty() ? "no bags there"
                                       : std::to_string(rolls->size()) +
                                             (rolls->size() == 1 ? " bag, each file is what it was"
                                                                 : " bags, each file is what it was"));
}

}  // namespace

void add_archive(CLI::App& app, Common& common, Run& run) {
  auto* command = app.add_subcommand("archive", "Copies of the rolls in a second place");
  command->require_subcommand(1, 1);
  const auto place = std::make_shared<std::string>();
  const auto rolls = std::make_shared<std::vector<std::string>>();
  auto* copy_command = command->add_subcommand(
      "copy", "Copies rolls into a folder, one bag a roll (RFC 8493), and reads them again there");
  copy_command->add_option("DIR", *place, "Folder on another disk")->required();
  copy_command->add_option("ROLL", *rolls, "Only these rolls");
  copy_command->footer(
      "What is there already is not copied again, so that a copy that was stopped goes on. Nothing is deleted there. A roll that\n"
      "is whole in no second place is unsafe in `lapwright ledger`. Ends with 1 when a file could not be copied as it was.\n"
      "--json: {bags: [{roll, bag, files, copied, bytes, whole, troubles: [{path, trouble}]}]}");
  copy_command->callback(
      [&common, &run, place, rolls] { run = [&common, place, rolls] { return copy(common, *place, *rolls); }; });
  auto* check_command = command->add_subcommand(
      "check", "Reads every bag in a folder again; ends with 1 when something is wrong");
  check_command->add_option("DIR", *place, "Folder that holds the bags")->required();
  check_command->footer(
      "Needs no ledger. Troubles: missing, changed, unreadable, or not in the manifest.\n"
      "--json: {ok, bags, troubles: [{path, trouble}]}");
  check_command->callback([&common, &run, place] { run = [&common, place] { return check(common, *place); }; });
}

}  // namespace lapwright::cli
