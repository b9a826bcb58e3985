#include "cli/main.h"

#include <unistd.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <csignal>
#include <filesystem>
#include <memory>

#include "bed/bed.h"
#include "cli/command.h"

namespace lapwright::cli {
namespace {

std::string own_path() {
  std::error_code error;
  const auto path = std::filesystem::read_symlink("/proc/self/exe", error);
  return error ? std::string("lapwright") : path.string();
}

void add_common(CLI::App& app, Common& common) {
  app.add_flag("--json", common.json,
               "One JSON document on standard output instead of text for people");
  app.add_option("--archive", common.archive_option, "Folder that holds the ledger and all rolls (default: LAPWRIGHT_ARCHIVE, then the "
                 "configuration's)")
      ->type_name("DIR");
  app.add_option("--profiles", common.profile_folders,
                 "Folder of profiles searched before the installed ones; a path in place of a "
                 "profile's name is used as it is")
      ->type_name("DIR");
  app.add_option("--device", common.device,
                 "SANE device to use instead of the one the bed profile matches")
      ->type_name("NAME");
}

/// In lists of commands only the first line of each: the rest stands in its own --help.
class Help : public CLI::Formatter {
 public:
  std::string make_subcommand(const CLI::App* sub) const override {
    const std::string about = sub->get_description();
    std::string name = "  " + sub->get_name();
    name.resize(std::max<std::size_t>(name.size() + 2, 12), ' ');
    return name + about.substr(0, about.find('\n')) + "\n";
  }
};

void tell_common(CLI::App& app) {
  for (CLI::App* sub : app.get_subcommands({})) {
    const std::string own = sub->get_footer();
    sub->footer((own.empty() ? own : own + "\n") +
                "With every command: --json, --archive DIR, --profiles DIR, --device NAME; see lapwright --help");
    tell_common(*sub);
  }
}

}  // namespace

int main(int argc, char** argv) {
  if (argc >= 2 && std::string(argv[1]) == "bed-worker") return bed::worker_main(3, 4);
  std::signal(SIGPIPE, SIG_IGN);

  CLI::App app{
      "lapwright: place a sleeve of film on the flatbed, press one key. It plans the passes, "
      "captures them as\n"
      "linear data, checks their laps, joins them, makes the proof and keeps the ledger.",
      "lapwright"};
  app.set_version_flag("--version", "lapwright " LAPWRIGHT_VERSION);
  app.require_subcommand(1);
  app.fallthrough();
  app.formatter(std::make_shared<Help>());
  Common common;
  common.program = own_path();
  add_common(app, common);
  Run run;
  add_beds(app, common, run);
  add_plan(app, common, run);
  add_roll(app, common, run);
  add_station(app, common, run);
  add_want(app, common, run);
  add_join(app, common, run);
  add_convert(app, common, run);
  add_frames(app, common, run);
  add_stock(app, common, run);
  add_review(app, common, run);
  add_marks(app, common, run);
  add_ledger(app, common, run);
  add_archive(app, common, run);
  tell_common(app);
  app.footer(
      "Film safety: old film may be cellulose nitrate, which burns fiercely. If the edge says "
      "NITRATE, or the film is\n"
      "older than 1955, brown, sticky or smells, do not scan it: follow your local rules and ask a "
      "conservator.\n"
      "LAPWRIGHT_ARCHIVE and ~/.config/lapwright/config.yaml (archive, bed, key, profiles, convert) "
      "stand in for options\n"
      "that are not given. lapwright COMMAND --help tells more of each.\n"
      "Exit codes follow sysexits.h: 0 done, 64 usage, 65 bad data, 66 no input, 69 no device, 73 "
      "cannot create,\n"
      "74 I/O error, 75 try again, 78 bad profile; 130 after Ctrl-C; 1 when ledger audit finds "
      "something.");

  try {
    app.parse(argc, argv);
  } catch (const CLI::ParseError& e) {
    if (e.get_exit_code() == 0) return app.exit(e);  // --help, --version
    say(std::string("lapwright: ") + e.what() + "; see lapwright " +
        (argc >= 2 && argv[1][0] != '-' ? std::string(argv[1]) + " " : std::string()) + "--help");
    return exit_code(Fault::usage);
  }
  auto config = profile::load_config();
  if (!config) {
    say("lapwright: " + config.error().text);
    return exit_code(config.error().fault);
  }
  common.config = *config;
  if (!run) {
    say("lapwright: nothing to do; see lapwright --help");
    return exit_code(Fault::usage);
  }
  auto result = run();
  if (result) return *result;
  say("lapwright: " + result.error().text);
  return exit_code(result.error().fault);
}

}  // namespace lapwright::cli
