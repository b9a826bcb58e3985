#include <cstdio>
#include <memory>

#include "bench/lap_grid.h"
#include "bench/sections.h"
#include "lap/lap.h"
#include "raw/tiff.h"

namespace lapwright::bench {
namespace {

/// Two by two passes, each with its own place, wobble and light; the third and fourth lie turned by
/// 180 degrees.
std::vector<PassSpec> four(int ppi, unsigned seed) {
  std::vector<PassSpec> out(4);
  for (int i = 0; i < 4; ++i) {
    PassSpec& p = out[static_cast<std::size_t>(i)];
    p.ppi = ppi, p.number = i + 1, p.seed = seed * 4 + static_cast<unsigned>(i);
    p.x = i % 2 == 0 ? 6 : 96, p.width = 112, p.y = i < 2 ? 2 : 128, p.height = 150;
    p.quarter = i < 2 ? 0 : 2;
    p.carriage.push_back({60, 40, 0.4 + 1.7 * i});
    if (i == 0) continue;
    p.turn = 0.15 - 0.1 * i, p.shift_x = 13.37 - 5 * i, p.shift_y = -7.62 + 4 * i, p.scale = 2e-4;
    p.light = {1.02, 0.98, 1 + 0.01 * i};
  }
  return out;
}

Told measure_four(const std::vector<PassSpec>& specs,
                  const std::vector<std::filesystem::path>& files) {
  Told told;
  std::vector<std::unique_ptr<raw::Reader>> readers;
  std::vector<PassTruth> truths;
  std::vector<lap::Input> inputs;
  std::vector<lap::Placement> placed;
  std::vector<lap::Report> reports;
  const Clock clock;
  int refused = 0;
  for (std::size_t b = 0; b < specs.size(); ++b) {
    auto reader = raw::Reader::open(files[b]);
    if (!reader) return {{}, reader.error().text, ""};
    readers.push_back(std::move(*reader)), truths.emplace_back(specs[b]);
    inputs.push_back({readers.back().get(), truths.back().planned(), specs[b].number});
    placed.push_back({inputs.back().planned, {}, {}});
    double best = -1;
    for (std::size_t a = 0; a < b; ++a) {
      if (a + b == 3) continue;  // diagonal: no lap to speak of
      auto r = lap::check(inputs[a], placed[a], inputs[b], bench_sleeve());
      if (!r) return {{}, r.error().text, ""};
      if (!r->ok) {
        ++refused, told.note = std::to_string(r->a) + "-" + std::to_string(r->b) + ": " + r->why;
        continue;
      }
      if (r->confidence > best) best = r->confidence, placed[b] = r->b_on_sleeve;
      reports.push_back(std::move(*r));
    }
  }
  const auto solved = lap::solve(inputs, reports);
  told.values["wall"] = clock.wall(), told.values["cpu"] = clock.cpu(),
  told.values["refused"] = refused;
  if (!solved) return {told.values, solved.error().text, told.note};
  Sum all;
  for (std::size_t a = 0; a < specs.size(); ++a)
    for (std::size_t b = a + 1; b < specs.size(); ++b)
      for (const LapPoint& p : lap_grid(truths[a], truths[b])) {
        const auto truth = truths[b].shows(p.s),
                   found = solved->placements[b](lap::sleeve_at(solved->placements[a], p.a));
        all.add(std::hypot(found.x - truth.x, found.y - truth.y));
      }
  told.values["rms"] = all.rms(), told.values["worst"] = all.worst,
  told.values["loop"] = solved->worst_loop_px;
  return told;
}

}  // namespace

void loops(const Setting& setting, int ppi, Figures& figures) {
  const auto specs = four(ppi, setting.seed);
  std::vector<std::filesystem::path> files;
  std::string wrong;
  {
    PassMaker maker(ppi, setting.seed, specs);
    for (std::size_t i = 0; i < specs.size() && wrong.empty(); ++i) {
      files.push_back(setting.folder / ("pass-" + std::to_string(i + 1) + ".tif"));
      wrong = maker.make(i, files.back());
    }
  }
  const Measured m = wrong.empty() ? in_child([&] { return measure_four(specs, files); })
                                   : Measured{{}, wrong, "", 0};
  const Table table("Four passes with laps on all sides, two of them turned by 180 degrees, at " +
                        std::to_string(ppi) + " ppi: over all laps by the one solution",
                    {"RMS px", "worst px", "loop px", "refused laps", "wall s", "cpu s", "MB"},
                    {8, 9, 8, 13, 7, 7, 6});
  table.row({number(m.at("rms"), 4), number(m.at("worst"), 4), number(m.at("loop"), 4),
             number(m.at("refused"), 0), number(m.at("wall"), 2), number(m.at("cpu"), 2),
             number(m.peak_mb, 0)});
  if (!m.failed.empty() || !m.note.empty())
    std::printf("    %s %s\n", m.failed.c_str(), m.note.c_str());
  figures.expect(ppi >= 600 ? "four passes in a loop, RMS px, 600 to 1200 ppi"
                            : "four passes in a loop, RMS px, 300 ppi",
                 m.failed.empty() ? m.at("rms") : std::nan(""), ppi >= 600 ? 0.02 : 0.03);
  for (const auto& f : files) std::filesystem::remove(f);
}

}  // namespace lapwright::bench
