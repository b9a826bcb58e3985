// What every subcommand shares: where things are, and how results and complaints are printed.
//
// Thread: the main thread. Errors: a subcommand returns a Result; main prints its one line on
// stderr and exits with its code.
#pragma once

#include <filesystem>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "core/json.h"
#include "core/result.h"
#include "profile/card.h"
#include "profile/profile.h"

namespace CLI {
class App;
}

namespace lapwright::cli {

struct Common {
  bool json = false;
  std::string archive_option, device;        // --archive, --device
  std::vector<std::string> profile_folders;  // --profiles, in order
  std::string program;                       // path of this binary (for the bed worker)
  profile::Config config;                    // loaded before any command runs
  Result<std::filesystem::path> archive()
      const;  // --archive, LAPWRIGHT_ARCHIVE, config; usage fault when none is given
  profile::Shelf shelf()
      const;  // --profiles, config, beside the configuration file, installed (LAPWRIGHT_PROFILES or the build's)
  profile::OwnProfiles own_profiles() const;
};

/// --warmth, --tint, --brightness, --contrast.
struct TrimOptions {
  std::optional<double> warmth, tint, brightness, contrast;
  bool any() const { return warmth || tint || brightness || contrast; }
  profile::Trim over(profile::Trim trim) const;  // what was given, the rest as it is
  void add(CLI::App& command);
};
Json trim_json(const profile::Trim& trim);

/// What a command run returns: the exit code (0, or 1 for "looked, something is missing").
using Run = std::function<Result<int>()>;

void print_json(const Json& document);  // one document and a newline on stdout
void print(const std::string& line);    // a result for people, on stdout
void say(const std::string& line);      // a message for people, on stderr
/// "7,12-14,20A" -> names; usage fault names the wrong part.
Result<std::vector<std::string>> parse_frame_list(const std::string& text);

/// The resolution asked for, or with 0 the bed's for proofs; usage fault when the bed lacks it.
Result<Ppi> resolution(const profile::BedProfile& bed, int asked);
/// The hand-off card beside a sheet (SHEET.yaml), when there is one.
std::filesystem::path card_path(const std::filesystem::path& sheet);
Result<std::optional<profile::Card>> card_beside(const std::filesystem::path& sheet);

std::string fixed(double v, int decimals);
std::string joined(const std::vector<std::string>& words);  // "a, b, c"

// Each adds its subcommand (with --help worth reading) to `app` and sets `run` when it was chosen.
void add_beds(CLI::App& app, Common& common, Run& run);
void add_plan(CLI::App& app, Common& common, Run& run);
void add_roll(CLI::App& app, Common& common, Run& run);
void add_station(CLI::App& app, Common& common, Run& run);
void add_want(CLI::App& app, Common& common, Run& run);
void add_join(CLI::App& app, Common& common, Run& run);
void add_convert(CLI::App& app, Common& common, Run& run);
void add_frames(CLI::App& app, Common& common, Run& run);
void add_stock(CLI::App& app, Common& common, Run& run);
void add_review(CLI::App& app, Common& common, Run& run);
void add_marks(CLI::App& app, Common& common, Run& run);
void add_ledger(CLI::App& app, Common& common, Run& run);
void add_archive(CLI::App& app, Common& common, Run& run);

}  // namespace lapwright::cli
