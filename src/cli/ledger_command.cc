#include <CLI/CLI.hpp>
#include <cmath>
#include <memory>
#include <nlohmann/json.hpp>

#include "cli/command.h"
#include "cli/records.h"
#include "core/files.h"
#include "ledger/ledger.h"
#include "review/desk.h"
#include "plan/plan.h"

namespace lapwright::cli {
namespace {

std::string count(std::size_t n, const char* one) {
  return std::to_string(n) + " " + one + (n == 1 ? "" : "s");
}

std::string full_column(const ledger::RollState& s) {
  if (s.at_full.empty()) return s.proofed ? "0 of " + std::to_string(s.frames_found) : "";
  const std::string of = s.frames_found ? " of " + std::to_string(s.frames_found) : "";
  return std::to_string(s.at_full.size()) + of + ": " + joined(s.at_full);
}

/// When a second place last got all that there is.
std::string copy_column(const ledger::RollState& s) {
  std::string last;
  for (const auto& c : s.copies)
    if (c.whole) last = std::max(last, c.checked);
  return !s.proofed ? "" : last.empty() ? "unsafe" : day(last);
}

std::string audit_column(const ledger::RollState& s) {
  if (s.files.empty()) return "";
  if (!s.audited) return "never";
  return day(s.audited->at) + (s.audited->troubles ? ", " + count(static_cast<std::size_t>(s.audited->troubles), "trouble") : "");
}

Result<int> overview(const Common& common, const std::string& roll) {
  auto ledger = open_to_look(common);
  if (!ledger) return fail(ledger.error());
  std::vector<ledger::RollState> states;
  if (roll.empty()) {
    auto all = ledger->states();
    if (!all) return fail(all.error());
    states = std::move(*all);
  } else {
    auto one = ledger->state(roll);
    if (!one) return fail(one.error());
    states.push_back(std::move(*one));
  }
  if (common.json) {
    Json rolls = Json::array();
    for (const auto& s : states) rolls.push_back(roll_json(s));
    print_json(roll.empty() ? Json{{"rolls", rolls}} : rolls[0]);
    return 0;
  }
  std::vector<std::vector<std::string>> rows;
  int waiting = 0;
  std::size_t full = 0, missing = 0, due = 0, unsafe = 0;
  for (const auto& s : states) {
    rows.push_back({s.roll.name, s.proofed ? day(s.proofed_at) : "waiting",
                    s.proofed ? std::to_string(s.frames_found) : "", s.proofed ? std::to_string(s.selects().size()) : "",
                    full_column(s), joined(s.missing()), joined(s.due), copy_column(s), audit_column(s)});
    waiting += s.proofed ? 0 : 1;
    full += s.at_full.size(), missing += s.missing().size(), due += s.due.size(), unsafe += s.unsafe() ? 1 : 0;
  }
  if (rows.empty()) {
    print("no rolls yet; `lapwright roll add` adds one");
    return 0;
  }
  print(table({"ROLL", "PROOF", "FRAMES", "SELECTS", "AT FULL", "MISSING", "DUE", "COPIED", "AUDITED"}, rows));
  if (roll.empty()) {
    print("\n" + count(states.size(), "roll") + ", " + std::to_string(waiting) +
          " waiting for a proof; " + count(full, "frame") + " at full, " + count(missing, "select") + " missing, " + std::to_string(due) +
          " due; " + std::to_string(unsafe) + " unsafe (in no second place)");
    return 0;
  }
  rows.clear();
  for (const auto& f : states[0].files)
    rows.push_back({f.path, std::to_string(f.bytes), f.sha256.substr(0, 16)});
  if (!rows.empty()) print("\n" + table({"FILE", "BYTES", "SHA-256 BEGINS"}, rows));
  return 0;
}

/// What something costs that is still to be done; nothing where the bed or a profile is not known.
struct Cost {
  double seconds = 0;
  std::uint64_t bytes = 0;
};

std::optional<Cost> of_proof(const Common& common, const profile::BedProfile& bed, const ledger::Roll& roll) {
  const auto sleeve = common.shelf().sleeve(roll.sleeve);
  if (!sleeve) return std::nullopt;
  const auto plan = plan::make_plan(*sleeve, bed, bed.proof_ppi());
  if (!plan) return std::nullopt;
  return Cost{plan->totals.seconds, static_cast<std::uint64_t>(plan->totals.bytes + plan->totals.joined_bytes)};
}

/// Each frame in a window of its own: at most so long, since windows beside each other are captured together.
std::optional<Cost> of_frames(const Common& common, const profile::BedProfile& bed, const std::string& sleeve_name, const ledger::Want& want,
                              int frames_found) {
  const auto sleeve = common.shelf().sleeve(sleeve_name);
  if (!sleeve) return std::nullopt;
  const Ppi ppi = want.ppi.value > 0 ? want.ppi : bed.ppi.back();
  const bool all = want.frames == std::vector<std::string>{"all"};
  const int frames = all ? frames_found > 0 ? frames_found : sleeve->strips.count * sleeve->strips.frames : static_cast<int>(want.frames.size());
  constexpr Micrometres around{4000};
  const Pixels width = to_pixels(sleeve->frame.width + around, ppi), height = to_pixels(sleeve->frame.height + around, ppi);
  return Cost{bed.seconds(ppi, height) * frames, static_cast<std::uint64_t>(width.value * height.value * core::bytes_per_pixel) * static_cast<std::uint64_t>(frames)};
}

std::string minutes(double seconds) {
  const auto whole = static_cast<long>(seconds / 60 + 0.999);
  return whole < 60 ? std::to_string(whole) + " min" : std::to_string(whole / 60) + " h " + std::to_string(whole % 60) + " min";
}
std::string gigabytes(std::uint64_t bytes) { return fixed(static_cast<double>(bytes) / 1e9, 2) + " GB"; }

Result<int> due(const Common& common, const std::string& bed_name) {
  std::optional<profile::BedProfile> bed;
  if (!bed_name.empty() || common.config.bed) {
    auto known = common.shelf().bed(!bed_name.empty() ? bed_name : *common.config.bed);
    if (!known && !bed_name.empty()) return fail(known.error());
    if (known) bed = std::move(*known);
  }
  Cost sum;
  const auto with = [&](Json entry, const std::optional<Cost>& cost) {
    entry["seconds"] = cost ? Json(std::llround(cost->seconds)) : Json();
    entry["bytes"] = cost ? Json(cost->bytes) : Json();
    if (cost) sum.seconds += cost->seconds, sum.bytes += cost->bytes;
    return entry;
  };
  const auto shown = [](const std::optional<Cost>& cost) { return cost ? std::pair(minutes(cost->seconds), gigabytes(cost->bytes)) : std::pair<std::string, std::string>(); };
  auto ledger = open_to_look(common);
  if (!ledger) return fail(ledger.error());
  const auto states = ledger->states();
  if (!states) return fail(states.error());
  const auto wants = ledger->due();
  if (!wants) return fail(wants.error());
  Json proofs = Json::array(), full = Json::array();
  std::vector<std::vector<std::string>> rows;
  for (const auto& s : *states) {
    if (s.proofed) continue;
    const auto cost = bed ? of_proof(common, *bed, s.roll) : std::nullopt;
    proofs.push_back(with({{"roll", s.roll.name}, {"added", s.roll.added}}, cost));
    rows.push_back({s.roll.name, "proof", "", "", day(s.roll.added), shown(cost).first, shown(cost).second});
  }
  for (const auto& w : *wants) {
    std::optional<Cost> cost;
    for (const auto& s : *states)
      if (bed && s.roll.name == w.roll) cost = of_frames(common, *bed, s.roll.sleeve, w, s.frames_found);
    full.push_back(with({{"roll", w.roll}, {"frames", w.frames}, {"ppi", w.ppi.value}, {"asked", w.asked}}, cost));
    rows.push_back({w.roll, "full", joined(w.frames), w.ppi.value ? std::to_string(w.ppi.value) : "highest", day(w.asked), shown(cost).first,
                    shown(cost).second});
  }
  if (common.json) {
    print_json({{"proofs", proofs}, {"full", full}});
  } else {
    if (sum.bytes > 0) say("about " + minutes(sum.seconds) + " at the bed and " + gigabytes(sum.bytes) + " on the disk");
    print(rows.empty() ? "nothing is due"
                       : table({"ROLL", "WHAT", "FRAMES", "PPI", "SINCE", "AT MOST", "SIZE"}, rows));
  }
  return 0;
}

Result<int> audit(const Common& common) {
  auto ledger = open_to_look(common);
  if (!ledger) return fail(ledger.error());
  const auto states = ledger->states();
  if (!states) return fail(states.error());
  std::size_t files = 0;
  for (const auto& s : *states) files += s.files.size();
  const auto found = ledger->audit();
  if (!found) return fail(found.error());
  if (files > 0) {
    if (const auto kept = ledger->audited(*found); !kept) say("this audit is not kept in the ledger: " + kept.error().text);
  }
  if (common.json) {
    Json troubles = Json::array();
    for (const auto& line : *found)
      troubles.push_back({{"path", line.path}, {"trouble", line.trouble}});
    print_json({{"ok", found->empty()}, {"files", files}, {"troubles", troubles}});
  } else if (found->empty()) {
    print(files == 0 ? "no files yet" : count(files, "file") + " looked at, each is what it was");
  } else {
    std::vector<std::vector<std::string>> rows;
    for (const auto& line : *found) rows.push_back({line.trouble, line.path});
    print(table({"TROUBLE", "FILE"}, rows));
    say(count(found->size(), "trouble") + "; the ledger names " + count(files, "file"));
  }
  return found->empty() ? 0 : 1;
}

Result<int> rebuild(const Common& common) {
  const auto archive = common.archive();
  if (!archive) return fail(archive.error());
  const auto made = ledger::Ledger::rebuild(*archive);
  if (!made) return fail(made.error());
  if (auto ledger = ledger::Ledger::open(*archive)) {
    if (const auto r = review::Desk(*archive, std::move(*ledger)).agree(); !r) say("verdicts could not be taken in: " + r.error().text);
  }
  if (common.json) {
    Json left = Json::array();
    for (const auto& l : made->left) left.push_back({{"path", l.path}, {"why", l.why}});
    print_json({{"rolls", made->rolls},
                {"proofs", made->proofs},
                {"frames", made->frames},
                {"kept_as", made->kept_as},
                {"left", left}});
    return 0;
  }
  std::vector<std::vector<std::string>> rows;
  for (const auto& l : made->left) rows.push_back({l.path, l.why});
  if (!rows.empty()) print(table({"NOT TAKEN IN", "WHY"}, rows));
  say("made a ledger of " + count(static_cast<std::size_t>(made->rolls), "roll") + ", " +
      count(static_cast<std::size_t>(made->proofs), "proof") + " and " +
      count(static_cast<std::size_t>(made->frames), "frame") + " at full" +
      (made->kept_as.empty() ? "" : "; the one before is kept as " + made->kept_as) +
      "; `lapwright ledger audit` reads every file");
  return 0;
}

Result<int> export_csv(const Common& common, const std::string& file) {
  auto ledger = open_to_look(common);
  if (!ledger) return fail(ledger.error());
  const auto csv = ledger->export_csv();
  if (!csv) return fail(csv.error());
  if (file == "-") {
    if (common.json)
      return fail(Fault::usage,
                  "ledger export -: the table itself goes to standard output; leave out --json or "
                  "name a file");
    print(csv->substr(0, csv->size() - 1));  // print ends the last line
    return 0;
  }
  if (auto r = core::write_file(file, *csv); !r) return fail(r.error());
  if (common.json) {
    print_json({{"file", file}, {"bytes", csv->size()}});
  } else {
    say("wrote " + file);
  }
  return 0;
}

}  // namespace

void add_ledger(CLI::App& app, Common& common, Run& run) {
  auto* command = app.add_subcommand(
      "ledger",
      "What has been scanned at proof and at full, what is due, whether every file is what it was");
  command->footer(
      "Without a word after it: every roll. MISSING: chosen on the proof (select) and not at full. AUDITED: when its files were last read again.\n"
      "--json: {\"rolls\": [...]}, or one roll as `roll show` prints it.\n"
      "A roll that is named as a command (due, audit, rebuild, export) is shown by `roll show`.");
  const auto roll = std::make_shared<std::string>();
  const auto file = std::make_shared<std::string>();
  command->require_subcommand(0, 1);
  command->add_option("ROLL", *roll, "Only this roll, with its files");
  command->callback([&common, &run, command, roll] {
    if (command->get_subcommands().empty())
      run = [&common, roll] { return overview(common, *roll); };
  });
  auto* due_command =
      command->add_subcommand("due", "What is asked and not done: proofs, then frames at full");
  due_command->footer(
      "Time and size are those of the bed named, or of the configuration's; without a bed they are not told.\n"
      "--json: {\"proofs\": [{roll, added, seconds, bytes}], \"full\": [{roll, frames, ppi, asked, seconds, bytes}]}; ppi 0 is the highest the bed has");
  const auto bed = std::make_shared<std::string>();
  due_command->add_option("--bed", *bed, "Bed profile: a name, or a path to a .yaml file")->type_name("B");
  due_command->callback([&common, &run, bed] { run = [&common, bed] { return due(common, *bed); }; });
  auto* audit_command = command->add_subcommand(
      "audit", "Reads every file again and compares; ends with 1 when something is wrong");
  audit_command->footer(
      "Troubles: missing, changed, unreadable, or not in the ledger. Nothing is repaired and nothing removed.\n"
      "--json: {ok, files, troubles: [{path, trouble}]}");
  audit_command->callback([&common, &run] { run = [&common] { return audit(common); }; });
  auto* rebuild_command = command->add_subcommand(
      "rebuild", "Makes the ledger from the archive's folders alone; the one before is kept");
  rebuild_command->footer(
      "Taken from hand-off cards, manifests and files. Wants, notes, shot dates and unfinished jobs stand in no folder and are\n"
      "not in the new ledger.\n"
      "--json: {rolls, proofs, frames, kept_as, left: [{path, why}]}");
  rebuild_command->callback([&common, &run] { run = [&common] { return rebuild(common); }; });
  auto* export_command =
      command->add_subcommand("export", "One line a frame, as comma-separated values");
  export_command->add_option("FILE", *file, "File to write (.csv), or - for standard output")
      ->required();
  export_command->footer("--json: {file, bytes}\nExample: lapwright ledger export frames.csv");
  export_command->callback(
      [&common, &run, file] { run = [&common, file] { return export_csv(common, *file); }; });
}

}  // namespace lapwright::cli
