#include <algorithm>
#include <cmath>
#include <cstdio>
#include <numbers>
#include <random>

#include "bench/lap_grid.h"
#include "bench/sections.h"
#include "lap/lap.h"
#include "raw/tiff.h"

namespace lapwright::bench {
namespace {

constexpr int bumps_a_lap = 16;
// As tests/lap/false_acceptance_test.cc counts: more than 3 mm from the passes' edges, and a strip's
// outermost 2 mm show nothing that would tell.
constexpr double right_mm = 0.3, wrong_mm = 0.5, edge_mm = 3, bare_mm = 2;

/// How far a join after the report would miss, mm.
double worst_miss(const PassTruth& a, const PassTruth& b, const lap::Report& report) {
  const double mm = 25.4 / b.spec().ppi;
  const auto inside = [&](const PassTruth& t, Spot<PassSpace> p) {
    return std::min({p.x, p.y, static_cast<double>(t.width()) - p.x,
                     static_cast<double>(t.height()) - p.y}) *
               mm >
           edge_mm;
  };
  double worst = 0;
  for (const LapPoint& p : lap_grid(a, b)) {
    const auto strip = bench_sleeve().strip(p.strip);
    if (p.s.y < strip.y.mm() + bare_mm || p.s.y > strip.bottom().mm() - bare_mm) continue;
    const auto truth = b.shows(p.s);
    if (!inside(a, p.a) || !inside(b, truth)) continue;
    auto s = lap::sleeve_at(report.a_on_sleeve, p.a);
    for (const lap::Slid& slid : report.slid)
      if (slid.strip == p.strip) s = {s.x + slid.along_mm, s.y + slid.across_mm};
    const auto found = report.b_on_sleeve(s);
    worst = std::max(worst, std::hypot(found.x - truth.x, found.y - truth.y) * mm);
  }
  return worst;
}

Told measure(const PassSpec& spec_a, const PassSpec& spec_b, const std::filesystem::path& file_a,
             const std::filesystem::path& file_b) {
  const PassTruth a(spec_a), b(spec_b);
  auto ra = raw::Reader::open(file_a), rb = raw::Reader::open(file_b);
  if (!ra || !rb) return {{}, (!ra ? ra.error() : rb.error()).text, ""};
  const lap::Input ia{ra->get(), a.planned(), 1}, ib{rb->get(), b.planned(), 2};
  const auto report = lap::check(ia, {ia.planned, {}, {}}, ib, bench_sleeve());
  if (!report) return {{}, report.error().text, ""};
  Told told;
  told.values["taken"] = report->ok || report->located ? 1 : 0;
  told.values["named"] = report->finding == lap::Finding::bumped ? 1 : 0;
  told.values["miss"] = worst_miss(a, b, *report);
  told.note = report->why;
  return told;
}

}  // namespace

void bumps(const Setting& setting, int ppi, Figures& figures) {
  struct Kind {
    const char* name;
    LapKind lap;
    int turn;
  };
  const Table table(
      "A sleeve bumped by 0.15 to 1.5 mm while pass 2 was captured, at " + std::to_string(ppi) +
          " ppi, half of them in the lap's first or last 15 mm",
      {"lap", "bumps", "said bumped", "refused", "taken, to 0.3 mm", "to 0.5", "wrong"},
      {-24, 6, 12, 8, 17, 7, 6});
  std::mt19937 random(setting.seed * 97 + static_cast<unsigned>(ppi));
  const auto number_in = [&](double low, double high) {
    return std::uniform_real_distribution(low, high)(random);
  };
  for (const Kind& kind : {Kind{"across", LapKind::across, 0}, Kind{"along", LapKind::along, 0},
                           Kind{"along, turned 180", LapKind::along, 180}}) {
    Variant v;
    v.lap = kind.lap, v.turn = kind.turn, v.seed = setting.seed;
    const Case plain = make_case(v, ppi);
    // The rows of pass 2 that the lap takes up.
    const bool along = kind.lap == LapKind::along;
    const double rows_mm = along ? 254 : 22;
    std::vector<PassSpec> specs{plain.a};
    for (int i = 0; i < bumps_a_lap; ++i) {
      PassSpec b = plain.b;
      const double at = i % 2 == 0   ? number_in(1, rows_mm - 1)
                        : i % 4 == 1 ? number_in(0.5, std::min(15.0, rows_mm / 2))
                                     : rows_mm - number_in(0.5, std::min(15.0, rows_mm / 2));
      const double far = 0.15 * std::pow(10, number_in(0, 1)),
                   way = number_in(0, 2 * std::numbers::pi);
      b.bumped_at_mm = at, b.bump_x = far * std::cos(way), b.bump_y = far * std::sin(way);
      b.bump_turn = number_in(-0.1, 0.1);
      specs.push_back(b);
    }
    PassMaker maker(ppi, setting.seed, specs);
    const auto fa = setting.folder / "pass-1.tif", fb = setting.folder / "pass-2.tif";
    std::string failed = maker.make(0, fa);
    int named = 0, refused = 0, right = 0, off = 0, wrong = 0;
    for (std::size_t i = 1; i < specs.size() && failed.empty(); ++i) {
      failed = maker.make(i, fb);
      if (!failed.empty()) break;
      const Measured m = in_child([&] { return measure(specs[0], specs[i], fa, fb); });
      failed = m.failed;
      const bool taken = m.at("taken") > 0;
      named += m.at("named") > 0, refused += !taken;
      if (!taken) continue;
      const double miss = m.at("miss");
      ++(miss <= right_mm ? right : miss <= wrong_mm ? off : wrong);
      if (miss > right_mm)
        std::printf("    bumped at %.1f of %.0f mm by %.2f, %.2f mm, taken %.2f mm off: %s\n",
                    specs[i].bumped_at_mm, rows_mm, specs[i].bump_x, specs[i].bump_y, miss,
                    m.note.c_str());
    }
    const int all = static_cast<int>(specs.size()) - 1;
    table.row({kind.name, std::to_string(all), std::to_string(named), std::to_string(refused),
               std::to_string(right), std::to_string(off), std::to_string(wrong)});
    if (!failed.empty()) std::printf("    %s\n", failed.c_str());
    figures.expect("wrong joins taken of a sleeve that was bumped",
                   failed.empty() ? wrong : std::nan(""), 0);
    std::filesystem::remove(fa), std::filesystem::remove(fb);
  }
}

}  // namespace lapwright::bench
