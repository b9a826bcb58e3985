// What lapwright's laps, joins and captures are worth, measured: tests/bench/run builds and runs all of it.

#include <unistd.h>

#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdio>

#include "bench/sections.h"

int main(int argc, char** argv) {
  using namespace lapwright::bench;
  CLI::App app{"Measures laps and joins against the truth and against general libraries, captures against dd."};
  std::vector<std::string> sections;
  Setting setting;
  Variant one;
  bool quick = false, wobble = false, no_wobble = false;
  std::string lap, gear, folder;
  std::vector<int> ppi;
  std::vector<std::string> slid;
  std::string only;
  app.add_option("section", sections, "register, join, resample, capture, density, proof, frames, recognise (all when none is named)")
      ->check(CLI::IsMember({"register", "join", "resample", "capture", "density", "proof", "frames", "recognise"}));
  app.add_option("--ppi", ppi, "resolutions (default 300 600 1200 2400)")
      ->check(CLI::Range(100, 4800));
  app.add_flag("--quick", quick, "300 and 600 ppi only");
  app.add_option("--only", only, "the standard cases (kinds of page) whose name holds this");
  app.add_flag("--wobble", wobble, "one case: the bed's usual wobble");
  app.add_flag("--no-wobble", no_wobble, "one case: none");
  auto* lap_option = app.add_option("--lap", lap, "one case: how the lap lies")
                         ->check(CLI::IsMember({"across", "along"}));
  auto* turn = app.add_option("--turn", one.turn, "one case: pass 2's turn")
                   ->check(CLI::IsMember({0, 90, 180, 270}));
  auto* gear_option = app.add_option("--gear", gear, "one case: a gear error, UM@MM");
  auto* slid_option = app.add_option("--slid", slid, "one case: a strip that slid, STRIP:MM");
  auto* noise = app.add_option("--noise", one.noise, "one case: times the usual noise");
  auto* dust = app.add_option("--dust", one.dust, "one case: specks a square cm");
  auto* gutter = app.add_flag("--gutter", one.gutter,
                              "one case: the lap shows a gutter and parts of two strips");
  app.add_option("--pages", setting.pages, "frames: so many pages of each kind")->check(CLI::Range(1, 10000));
  app.add_option("--seed", setting.seed, "another page and other passes");
  app.add_option("--folder", folder, "where pass files go (default: TMPDIR or /tmp)");
  app.add_flag("!--no-peers", setting.with_peers, "lapwright alone");
  app.add_flag("--keep", setting.keep, "leave the last case's pass files there");
  try {
    app.parse(argc, argv);
    if (*gear_option) {
      char mark = 0;
      if (std::sscanf(gear.c_str(), "%lf%c%lf", &one.gear_um, &mark, &one.gear_mm) != 3 ||
          mark != '@')
        throw CLI::ValidationError("--gear", "is UM@MM, as 10@5");
    }
    for (const std::string& s : slid) {
      int strip = 0;
      double mm = 0;
      if (std::sscanf(s.c_str(), "%d:%lf", &strip, &mm) != 2 || strip < 1 || strip > 7)
        throw CLI::ValidationError("--slid", "is STRIP:MM, as 3:0.2");
      one.slid_mm.resize(std::max(one.slid_mm.size(), static_cast<std::size_t>(strip)));
      one.slid_mm[static_cast<std::size_t>(strip) - 1] = mm;
    }
  } catch (const CLI::ParseError& e) {
    return app.exit(e) == 0 ? 0 : 64;
  }
  one.seed = setting.seed;
  if (quick) setting.ppi = setting.join_ppi = {300, 600};
  if (!ppi.empty()) setting.ppi = setting.join_ppi = ppi;
  if (wobble || no_wobble || *lap_option || *turn || *gear_option || *slid_option || *noise ||
      *dust || *gutter) {
    one.wobble = !no_wobble;
    one.lap = lap == "along" ? LapKind::along : LapKind::across;
    one.name = "as asked";
    one.peers = true;
    setting.one = one;
  }
  setting.only = only;
  setting.peers = std::filesystem::read_symlink("/proc/self/exe").parent_path() / "bench_peers";
  const char* tmp = std::getenv("TMPDIR");
  setting.folder = std::filesystem::path(!folder.empty()  ? folder
                                         : tmp != nullptr ? tmp
                                                          : "/tmp") /
                   ("lapwright-bench-" + std::to_string(getpid()));
  std::error_code error;
  std::filesystem::create_directories(setting.folder, error);
  if (error) {
    std::fprintf(stderr, "bench: %s cannot be made: %s\n", setting.folder.c_str(),
                 error.message().c_str());
    return 73;
  }
  const auto wanted = [&](const char* name) {
    return sections.empty() || std::find(sections.begin(), sections.end(), name) != sections.end();
  };
  Figures figures;
  if (wanted("register")) registration(setting, figures);
  if (wanted("resample")) resampling(setting, figures);
  if (wanted("join")) joining(setting, figures);
  if (wanted("capture")) capturing(setting, figures);
  if (wanted("density")) densities(setting, figures);
  if (wanted("proof")) proofing(setting, figures);
  if (wanted("frames")) framing(setting, figures);
  if (wanted("recognise")) recognising(setting, figures);
  if (!setting.keep) std::filesystem::remove_all(setting.folder, error);
  figures.print();
  return 0;
}
