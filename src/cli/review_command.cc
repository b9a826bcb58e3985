#include <CLI/CLI.hpp>
#include <memory>
#include <nlohmann/json.hpp>

#include "cli/command.h"
#include "cli/records.h"
#include "ledger/ledger.h"
#include "review/review.h"

namespace lapwright::cli {
namespace {

Result<int> review(const Common& common, const std::string& address) {
  const auto listen = review::read_listen(address);
  if (!listen) return fail(listen.error());
  const auto archive = common.archive();
  if (!archive) return fail(archive.error());
  auto ledger = open_existing(common);
  if (!ledger) return fail(ledger.error());
  review::Hooks hooks;
  hooks.ready = [&common](const std::string& url) {
    if (common.json) {
      print_json({{"url", url}});
      return;
    }
    print(url);
    say("Open this address in a browser on this machine. Ctrl-C ends it; every mark is on the "
        "disk.");
  };
  hooks.paper = common.config.paper;
  hooks.shelf = common.shelf(), hooks.own = common.own_profiles(), hooks.outside = !common.config.convert.empty();
  hooks.log = [](const std::string& line) { say("lapwright review: " + line); };
  return review::run(*archive, std::move(*ledger), *listen, hooks);
}

}  // namespace

void add_review(CLI::App& app, Common& common, Run& run) {
  auto* command = app.add_subcommand(
      "review", "The review page: look at the proofs, mark them, choose, in a browser");
  const auto address = std::make_shared<std::string>("127.0.0.1:5279");
  command
      ->add_option("--listen", *address,
                   "Where it is found: this machine's own addresses only, as yet; port 0 takes a "
                   "free one\n(default: 127.0.0.1:5279)")
      ->type_name("ADDRESS:PORT");
  command->footer(
      "The page shows every roll that has its proof. On a sheet: ink by pen, or by mouse or finger "
      "in the mode that says so;\n"
      "select, alt or kill for each frame, a note, a crop line; everything by keyboard too, and "
      "the page's own list of keys can\n"
      "be changed. What is marked is kept in rolls/NAME/marks.json, W3C Web Annotations under an "
      "IIIF Presentation 3.0 manifest;\n"
      "verdicts are also facts of the ledger. Chosen frames can be asked for at full resolution there, and the list of what was\n"
      "said and the marked sheet on paper be taken away; `lapwright marks` does the same. It may run beside a station.\n"
      "Prints the address once it listens. --json: {url}\n"
      "Example: lapwright review --listen 127.0.0.1:8080");
  command->callback(
      [&common, &run, address] { run = [&common, address] { return review(common, *address); }; });
}

}  // namespace lapwright::cli
