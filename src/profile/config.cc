#include <array>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <map>
#include <optional>
#include <system_error>

#include "core/files.h"
#include "profile/profile.h"
#include "profile/section.h"

namespace lapwright::profile {
namespace {

namespace fs = std::filesystem;

fs::path home() {
  const char* h = std::getenv("HOME");
  return h && *h ? fs::path(h) : fs::path();
}

/// "~/..." is below HOME; a relative path is below the configuration's folder.
std::string placed(const std::string& path, const std::string& file) {
  if (path == "~") return home().string();
  if (path.starts_with("~/")) return (home() / path.substr(2)).string();
  return (fs::path(file).parent_path() / path).string();
}

/// Sheets of paper by ISO 216 and ANSI/ASME Y14.1, or their millimetres.
std::optional<std::array<double, 2>> paper_of(const std::string& name) {
  static const std::map<std::string, std::array<double, 2>> known{{"A4", {210, 297}},
                                                                  {"A3", {297, 420}},
                                                                  {"letter", {215.9, 279.4}},
                                                                  {"tabloid", {279.4, 431.8}}};
  if (const auto it = known.find(name); it != known.end()) return it->second;
  double width = 0, height = 0;
  char more = 0;
  if (std::sscanf(name.c_str(), "%lfx%lf%c", &width, &height, &more) != 2 || !(width >= 100) ||
      !(height >= 100) || width > 2000 || height > 2000)
    return std::nullopt;
  return std::array{width, height};
}

}  // namespace

Result<Config> parse_config(const std::string& yaml, const std::string& file) {
  Config config;
  const auto tree = parse_yaml(yaml, file, Fault::bad_profile);
  if (!tree) return fail(tree.error());
  if (tree->kind == Tree::Kind::null) return config;  // nothing but comments
  Complaint complaint(file, Fault::bad_profile);
  const Section top(*tree, "", complaint, {"archive", "profiles", "bed", "key", "convert", "paper"});
  if (top.has("archive")) config.archive = placed(top.text("archive"), file);
  if (top.has("bed")) config.bed = top.text("bed");
  if (top.has("key")) {
    config.key = top.text("key");
    if (*config.key != "terminal" && *config.key != "stdin" && *config.key != "page" && *config.key != "scanner" &&
        !config.key->starts_with("evdev:")) {
      top.wrong("key", "'" + *config.key +
                           "' is not right; must be terminal | stdin | page | scanner | evdev:PATH");
    }
  }
  if (top.has("profiles")) {
    const bool one = top.tree("profiles")->kind == Tree::Kind::scalar;
    for (const std::string& p : one ? std::vector{top.text("profiles")} : top.texts("profiles")) {
      config.profiles.push_back(placed(p, file));
    }
  }
  if (top.has("paper")) {
    config.paper = paper_of(top.text("paper"));
    if (!config.paper)
      top.wrong("paper", "'" + top.text("paper") +
                             "' is not right; must be A4 | A3 | letter | tabloid, or WIDTHxHEIGHT in "
                             "millimetres, 100 to 2000 each");
  }
  if (top.has("convert")) {
    config.convert = top.texts("convert");
    if (config.convert.empty())
      top.wrong("convert", "must be a list: the command, then its arguments");
    const auto names = [&](const char* what) {
      for (const std::string& a : config.convert) {
        if (a.find(what) != std::string::npos) return true;
      }
      return false;
    };
    if (!names("{sheet}") && !names("{card}"))
      top.wrong("convert",
                "no argument holds {sheet} or {card}; the command would not know its input");
    if (!names("{proof}"))
      top.wrong("convert", "no argument holds {proof}; the command would not know where to write");
  }
  if (complaint.any()) return fail(complaint.error());
  return config;
}

fs::path config_folder() {
  const char* xdg = std::getenv("XDG_CONFIG_HOME");
  // The XDG base directory specification: a relative path there is to be ignored.
  if (xdg && *xdg == '/') return fs::path(xdg) / "lapwright";
  return home().empty() ? fs::path() : home() / ".config" / "lapwright";
}

Result<Config> load_config() {
  const fs::path folder = config_folder();
  if (folder.empty()) return Config{};
  const fs::path file = folder / "config.yaml";
  std::error_code trouble;
  const fs::file_status status = fs::status(file, trouble);
  if (status.type() == fs::file_type::not_found) return Config{};
  const auto text = core::read_file(file, 256 << 10);
  if (!text) return fail(text.error());
  return parse_config(*text, file.string());
}

}  // namespace lapwright::profile
