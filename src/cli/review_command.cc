#include <CLI/CLI.hpp>
#include <memory>
#include <mutex>
#include <nlohmann/json.hpp>

#include "cli/command.h"
#include "cli/records.h"
#include "ledger/ledger.h"
#include "review/review.h"
#include "review/tablets.h"

namespace lapwright::cli {
namespace {

struct Arguments {
  std::string listen = "127.0.0.1:5279", tablets, forget;
  double hours = 12;
  bool let_in = false, list = false, forgets = false;
};

/// The server's lane, its loop and whoever watches the terminal all talk.
void say_line(const std::string& line) {
  static std::mutex one;
  const std::lock_guard guard(one);
  say(line);
}

Result<int> about_tablets(const Common& common, const Arguments& args) {
  const auto folder = review::tablets_folder();
  if (!folder) return fail(folder.error());
  review::Tablets tablets(*folder, "", [](const std::string& line) { say_line(line); });
  if (args.list) {
    const auto known = tablets.sessions();
    if (!known) return fail(known.error());
    Json list = Json::array();
    std::vector<std::vector<std::string>> rows;
    for (const auto& s : *known) {
      list.push_back(review::to_json(s));
      const auto text = [&](const char* key) { return list.back()[key].get<std::string>(); };
      const auto minute = [&](const char* key) {
        return text(key).substr(0, 10) + " " + text(key).substr(11, 5);
      };
      rows.push_back({text("tablet"), text("address"), minute("admitted"), minute("seen"),
                      minute("ends"), text("archive")});
    }
    if (common.json)
      print_json({{"tablets", list}});
    else
      print(rows.empty() ? "no tablets"
                         : table({"TABLET", "ADDRESS", "ADMITTED (UTC)", "SEEN", "ENDS", "ARCHIVE"},
                                 rows));
    return 0;
  }
  const auto gone = tablets.forget(args.forget, "by command");
  if (!gone) return fail(gone.error());
  if (gone->empty() && args.forget != "all")
    return fail(Fault::no_input, "--forget-tablet " + args.forget +
                                     ": there is no such tablet; see lapwright review --list-tablets");
  if (common.json) print_json({{"forgotten", *gone}});
  return 0;
}

Result<int> review(const Common& common, const Arguments& args) {
  if (args.list || args.forgets) return about_tablets(common, args);
  const auto listen = review::read_listen(args.listen);
  if (!listen) return fail(listen.error());
  std::optional<review::LetIn> let_in;
  if (args.let_in) {
    const auto at = review::read_tablets(args.tablets);
    if (!at) return fail(at.error());
    let_in = {*at, args.hours};
  }
  const auto archive = common.archive();
  if (!archive) return fail(archive.error());
  auto ledger = open_existing(common);
  if (!ledger) return fail(ledger.error());
  review::Hooks hooks;
  hooks.ready = [&common](const review::Ready& ready) {
    const auto& t = ready.tablets;
    if (common.json) {
      Json out = {{"url", ready.url}};
      if (t)
        out["tablets"] = {{"url", t->url},
                          {"until", t->until},
                          {"fingerprint", t->fingerprint},
                          {"authority_fingerprint", t->authority_fingerprint}};
      print_json(out);
      return;
    }
    print(ready.url);
    say_line("Open this address in a browser on this machine. Ctrl-C ends it; every mark is on the "
             "disk.");
    if (!t) return;
    say_line("Tablets are let in at " + t->url + " until " + t->until.substr(0, 16) +
             " UTC. They will say that they do not know the certificate; its SHA-256 is\n" +
             t->fingerprint);
    if (t->fresh_authority)
      say_line("It is signed by a new authority of this station: a tablet that has an earlier one "
               "installed does not know it.");
  };
  hooks.paper = common.config.paper;
  hooks.shelf = common.shelf(), hooks.own = common.own_profiles(), hooks.outside = !common.config.convert.empty();
  hooks.log = [](const std::string& line) { say_line("lapwright review: " + line); };
  hooks.say = say_line;
  return review::run(*archive, std::move(*ledger), *listen, let_in, hooks);
}

}  // namespace

void add_review(CLI::App& app, Common& common, Run& run) {
  auto* command = app.add_subcommand(
      "review", "The review page: look at the proofs, mark them, choose, in a browser");
  const auto args = std::make_shared<Arguments>();
  command
      ->add_option("--listen", args->listen,
                   "Where the operator finds it: this machine's loopback only; port 0 takes a free "
                   "one\n(default: 127.0.0.1:5279)")
      ->type_name("ADDRESS:PORT");
  auto* tablets =
      command
          ->add_option("--tablets", args->tablets,
                       "Lets tablets in, too, by https on this one address of this machine (port "
                       "5280 when none is given)")
          ->type_name("ADDRESS[:PORT]");
  command
      ->add_option("--for", args->hours,
                   "After how many hours tablets are not let in any more, up to 168 (default: 12)")
      ->type_name("HOURS")
      ->check(CLI::Range(0.0005, 168.0))
      ->needs(tablets);
  auto* list = command->add_flag("--list-tablets", args->list,
                                 "Lists the tablets that were admitted, and ends");
  auto* forget = command->add_option(
      "--forget-tablet", args->forget,
      "Ends the session of one tablet, or with `all` of every one, also while the page runs; and "
      "ends");
  forget->type_name("TABLET")->excludes(list)->excludes(tablets);
  list->excludes(tablets);
  command->footer(
      "The page shows every roll that has its proof. On a sheet: ink by pen, or by mouse or finger "
      "in the mode that says so;\n"
      "select, alt or kill for each frame, a note, a crop line; everything by keyboard too, and "
      "the page's own list of keys can\n"
      "be changed. What is marked is kept in rolls/NAME/marks.json, W3C Web Annotations under an "
      "IIIF Presentation 3.0 manifest;\n"
      "verdicts are also facts of the ledger. Chosen frames can be asked for at full resolution "
      "there, and the list of what was\n"
      "said and the marked sheet on paper be taken away; `lapwright marks` does the same. It may "
      "run beside a station.\n"
      "Prints the address once it listens. --json: {url}, with --tablets {url, tablets: {url, "
      "until, fingerprint,\n"
      "authority_fingerprint}}; of --list-tablets {tablets: [{tablet, address, archive, admitted, "
      "seen, ends}]}; of\n"
      "--forget-tablet {forgotten}\n"
      "A tablet is paired with the code that stands here and on the operator's page, and admitted "
      "here (Enter or y; n refuses\n"
      "it; c makes a new code) or there. It may look and mark; all else is the operator's. Its "
      "session ends after 12 hours without\n"
      "a word, after 30 days, or when it is forgotten. What is known of tablets, and the station's "
      "certificate, lies in\n"
      "$XDG_STATE_HOME/lapwright/tablets (or ~/.local/state/lapwright/tablets).\n"
      "Example: lapwright review --listen 127.0.0.1:8080\n"
      "Example: lapwright review --tablets 192.168.1.20 --for 3");
  command->callback([&common, &run, args, tablets, forget] {
    args->let_in = tablets->count() > 0, args->forgets = forget->count() > 0;
    run = [&common, args] { return review(common, *args); };
  });
}

}  // namespace lapwright::cli
