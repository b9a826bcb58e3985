#include <algorithm>
#include <cstdio>
#include <memory>

#include "bench/photographs.h"
#include "bench/sections.h"
#include "frames/frames.h"
#include "support/frame_trials.h"

namespace lapwright::bench {
namespace {

constexpr std::int64_t picture_width = 480, picture_height = 320;

/// The photographs as pictures of any shape, each under several lights.
Result<support::Pictures> pictures() {
  const auto files = photographs();
  if (!files) return fail(files.error());
  auto all = std::make_shared<std::vector<Picture>>();
  for (const auto& file : *files) {
    auto p = photograph(file, picture_width, picture_height);
    if (!p) return fail(p.error());
    all->push_back(std::move(*p));
  }
  return [all](int index, double u, double v) {
    const auto& p = (*all)[static_cast<std::size_t>(index) % all->size()];
    const int variant = index / static_cast<int>(all->size());
    if (variant & 1) u = 1 - u;
    const double x = std::clamp(u * static_cast<double>(p.width) - 0.5, 0.0, static_cast<double>(p.width) - 1.001);
    const double y = std::clamp(v * static_cast<double>(p.height) - 0.5, 0.0, static_cast<double>(p.height) - 1.001);
    const auto i = static_cast<std::int64_t>(x), j = static_cast<std::int64_t>(y);
    const auto s = static_cast<float>(x - static_cast<double>(i)), t = static_cast<float>(y - static_cast<double>(j));
    const float* a = p.light.data() + (j * p.width + i) * 3;
    const float* b = a + p.width * 3;
    const float level = std::exp2(static_cast<float>(variant / 2 % 4 - 2));  // a camera's exposures differ
    std::array<float, 3> light{};
    for (std::size_t c = 0; c < 3; ++c)
      light[c] = std::min(1.0F, level * ((a[c] * (1 - s) + a[c + 3] * s) * (1 - t) + (b[c] * (1 - s) + b[c + 3] * s) * t));
    return light;
  };
}

}  // namespace

void framing(const Setting& setting, Figures& figures) {
  const auto shown = pictures();
  if (!shown) return figures.missing("frames", shown.error().text);
  const Table table(
      "Frames on pages of known truth, seeds " + std::to_string(setting.seed) + " to " + std::to_string(setting.seed + static_cast<unsigned>(setting.pages) - 1) +
          ", photographs and drawn pictures in turn; clear and doubtful as tests/support/frame_trials.h says",
      {"kind", "strips", "count", "clear", "IoU mean", "worst", "of them sure", "doubtful", "marked", "sure right", "nowhere", "CPU s"},
      {18, 7, 8, 6, 9, 7, 13, 9, 8, 11, 8, 6});
  const auto percent = [](int part, int whole) { return whole > 0 ? number(100.0 * part / whole, 1) + " %" : std::string("-"); };
  support::FrameTally all;
  double slowest_of_all = 0;
  const auto row = [&](const std::string& name, const support::FrameTally& t, double slowest) {
    table.row({name, std::to_string(t.strips), percent(t.strips_right, t.strips), std::to_string(t.clear), t.clear ? number(t.mean(), 4) : "-",
               t.clear ? number(t.iou_worst, 3) : "-", percent(t.clear_sure, t.clear), std::to_string(t.doubtful), percent(t.doubtful_marked, t.doubtful),
               percent(t.sure_right, t.sure), std::to_string(t.nowhere), number(slowest, 2)});
    std::fflush(stdout);
  };
  std::vector<std::string> lines;
  for (const std::string& kind : support::frame_kinds()) {
    if (kind.find(setting.only) == std::string::npos) continue;
    support::FrameTally tally;
    double slowest = 0;
    for (int k = 0; k < setting.pages; ++k) {
      const unsigned seed = setting.seed + static_cast<unsigned>(k);
      const auto trial = support::frame_trial(kind, seed, seed % 3 == 2 && seed % 2 == 0 ? support::Pictures{} : *shown);
      const auto picture = trial.picture();
      image::MemorySource source(picture, {trial.ppi});
      const Clock clock;
      const auto report = frames::find(source, trial.origin, trial.sleeve, trial.options.process);
      slowest = std::max(slowest, clock.cpu());
      if (!report) {
        figures.missing("frames, " + kind, report.error().text);
        continue;
      }
      std::vector<support::FoundFrame> found;
      for (const auto& f : report->frames) found.push_back({f.strip, f.corners, f.sure});
      tally.add(support::judged(trial, found, [&](const std::string& line) { lines.push_back(line); }));
    }
    row(kind, tally, slowest);
    all.add(tally);
    slowest_of_all = std::max(slowest_of_all, slowest);
  }
  row("all", all, slowest_of_all);
  for (const std::string& line : lines) std::printf("  %s\n", line.c_str());
  if (all.clear == 0) return;
  figures.expect("frames, IoU below 1, mean over clear frames", 1 - all.mean(), 0.03);
  figures.expect("frames, IoU below 1, worst clear frame", 1 - all.iou_worst, 0.10);
  figures.expect("frames, strips with a wrong count, %", 100.0 * (all.strips - all.strips_right) / all.strips, 1);
  figures.expect("frames, doubtful ones not marked", all.doubtful - all.doubtful_marked, 0);
  figures.expect("frames, found where none is", all.nowhere, 0);
}

}  // namespace lapwright::bench
