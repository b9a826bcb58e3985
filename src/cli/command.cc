#include "cli/command.h"

#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <iostream>
#include <nlohmann/json.hpp>
#include <set>

#include "core/files.h"
#include "core/text.h"

namespace lapwright::cli {

namespace fs = std::filesystem;

Result<fs::path> Common::archive() const {
  if (!archive_option.empty()) return fs::path(archive_option);
  if (const char* named = std::getenv("LAPWRIGHT_ARCHIVE"); named && *named) return fs::path(named);
  if (config.archive) return fs::path(*config.archive);
  return fail(Fault::usage,
              "no archive is named; give --archive DIR, set LAPWRIGHT_ARCHIVE, or write `archive: "
              "DIR` into the "
              "configuration file");
}

namespace {

/// One's own, in the order they are searched.
std::vector<fs::path> own_folders(const Common& common) {
  std::vector<fs::path> folders;
  for (const std::string& f : common.profile_folders) folders.emplace_back(f);
  for (const std::string& f : common.config.profiles) folders.emplace_back(f);
  if (const fs::path folder = profile::config_folder(); !folder.empty()) folders.push_back(folder / "profiles");
  return folders;
}

std::vector<fs::path> shipped_folders() {
  std::vector<fs::path> folders;
  if (const char* named = std::getenv("LAPWRIGHT_PROFILES"); named && *named)
    folders.emplace_back(named);
  std::error_code ignored;
  // Beside the build first, so that a checkout runs without being installed.
  folders.emplace_back(fs::is_directory(LAPWRIGHT_SOURCE_PROFILES, ignored)
                           ? LAPWRIGHT_SOURCE_PROFILES
                           : LAPWRIGHT_INSTALLED_PROFILES);
  return folders;
}

}  // namespace

profile::Shelf Common::shelf() const {
  std::vector<fs::path> folders = own_folders(*this);
  for (fs::path& f : shipped_folders()) folders.push_back(std::move(f));
  return profile::Shelf(std::move(folders));
}

profile::OwnProfiles Common::own_profiles() const {
  const auto folders = own_folders(*this);
  return {folders.empty() ? fs::path() : folders.front(), shipped_folders()};
}

profile::Trim TrimOptions::over(profile::Trim trim) const {
  trim.warmth = warmth.value_or(trim.warmth), trim.tint = tint.value_or(trim.tint);
  trim.brightness = brightness.value_or(trim.brightness), trim.contrast = contrast.value_or(trim.contrast);
  return trim;
}

void TrimOptions::add(CLI::App& command) {
  const auto one = [&](const char* name, std::optional<double>& value, const char* what) {
    command.add_option(name, value, what)->check(CLI::Range(-100.0, 100.0))->type_name("N");
  };
  one("--warmth", warmth, "Warmer, or below 0 colder: -100 to 100; what is not given stays as it is");
  one("--tint", tint, "Pinker, or below 0 greener");
  one("--brightness", brightness, "Lighter, or below 0 darker; 100 is one stop at mid grey");
  one("--contrast", contrast, "Harder, or below 0 softer");
}

Json trim_json(const profile::Trim& t) {
  return {{"warmth", t.warmth}, {"tint", t.tint}, {"brightness", t.brightness}, {"contrast", t.contrast}};
}

void print_json(const Json& document) {
  print(document.dump(2, ' ', false, Json::error_handler_t::replace));
}
void print(const std::string& line) { std::cout << line << '\n' << std::flush; }
void say(const std::string& line) { std::cerr << line << '\n' << std::flush; }

Result<std::vector<std::string>> parse_frame_list(const std::string& text) {
  std::vector<std::string> names;
  const auto bad = [&](const std::string& part) {
    return fail(Fault::usage, "--frames " + core::one_line(text, 100) + ": \"" + core::one_line(part, 40) +
                                  "\" is not a frame or a range; right are 7, 12A, 12-14 or all");
  };
  const auto is_name = [](const std::string& s) {
    return !s.empty() && s.size() <= 8 &&
           std::all_of(s.begin(), s.end(), [](unsigned char c) { return std::isalnum(c); });
  };
  std::set<std::string> known;
  const auto add = [&](const std::string& name) {
    if (known.insert(name).second) names.push_back(name);
  };
  std::size_t at = 0;
  while (at <= text.size()) {
    const std::size_t comma = std::min(text.find(',', at), text.size());
    const std::string part = text.substr(at, comma - at);
    at = comma + 1;
    const std::size_t dash = part.find('-');
    if (dash == std::string::npos) {
      if (!is_name(part)) return bad(part);
      add(part);
      continue;
    }
    const std::string from = part.substr(0, dash), to = part.substr(dash + 1);
    const auto digits = [](const std::string& s) {
      return !s.empty() && s.size() <= 4 &&
             std::all_of(s.begin(), s.end(), [](unsigned char c) { return std::isdigit(c); });
    };
    if (!digits(from) || !digits(to) || std::stoi(from) > std::stoi(to)) return bad(part);
    for (int n = std::stoi(from); n <= std::stoi(to); ++n)
      add(std::to_string(n));
  }
  return names;
}

Result<Ppi> resolution(const profile::BedProfile& bed, int asked) {
  const Ppi ppi = asked ? Ppi{asked} : bed.proof_ppi();
  if (std::find(bed.ppi.begin(), bed.ppi.end(), ppi) != bed.ppi.end()) return ppi;
  std::vector<std::string> known;
  for (const Ppi p : bed.ppi) known.push_back(std::to_string(p.value));
  return fail(Fault::usage, "--ppi " + std::to_string(asked) + ": the bed " + bed.name + " has " +
                                joined(known));
}

fs::path card_path(const fs::path& sheet) { return fs::path(sheet).replace_extension(".yaml"); }

Result<std::optional<profile::Card>> card_beside(const fs::path& sheet) {
  std::error_code ignored;
  if (!fs::exists(card_path(sheet), ignored)) return std::optional<profile::Card>{};
  const auto text = core::read_file(card_path(sheet));
  if (!text) return fail(text.error());
  auto card = profile::read_card(*text, card_path(sheet).string());
  if (!card) return fail(card.error());
  return std::optional<profile::Card>(std::move(*card));
}

std::string fixed(double v, int decimals) {
  char text[64];
  std::snprintf(text, sizeof text, "%.*f", decimals, v);
  return text;
}

std::string joined(const std::vector<std::string>& words) {
  std::string out;
  for (const std::string& w : words) out += (out.empty() ? "" : ", ") + w;
  return out;
}

}  // namespace lapwright::cli
