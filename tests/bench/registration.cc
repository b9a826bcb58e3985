#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <optional>

#include "bench/lap_grid.h"
#include "bench/sections.h"
#include "lap/lap.h"
#include "raw/tiff.h"

namespace lapwright::bench {
namespace {

double slid(const PassTruth& t, int strip) {
  const auto i = static_cast<std::size_t>(strip);
  return i < t.spec().slid_mm.size() ? t.spec().slid_mm[i] : 0;
}

Told measure_case(const Case& c, const std::filesystem::path& file_a,
                  const std::filesystem::path& file_b) {
  Told told;
  const PassTruth a(c.a), b(c.b);
  const Clock clock;
  auto ra = raw::Reader::open(file_a), rb = raw::Reader::open(file_b);
  if (!ra || !rb) return {{}, (!ra ? ra.error() : rb.error()).text, ""};
  const lap::Input ia{ra->get(), a.planned(), 1}, ib{rb->get(), b.planned(), 2};
  const auto report = lap::check(ia, {ia.planned, {}, {}}, ib, bench_sleeve());
  if (!report) return {{}, report.error().text, ""};
  told.values["wall"] = clock.wall(), told.values["cpu"] = clock.cpu();
  if (!report->ok) return {told.values, "refused: " + report->why, report->say};
  const auto solved = lap::solve({ia, ib}, {*report});
  if (!solved) return {told.values, solved.error().text, ""};
  told.values["wall"] = clock.wall(), told.values["cpu"] = clock.cpu();

  const lap::Placement &pa = solved->placements[0], &pb = solved->placements[1];
  const auto off = [&](Spot<PassSpace> at_a, Spot<PassSpace> truth) {
    const auto found = pb(lap::sleeve_at(pa, at_a));
    return std::hypot(found.x - truth.x, found.y - truth.y);
  };
  Sum still, away;
  std::array<bool, 32> shown{};
  const auto points = lap_grid(a, b);
  for (const LapPoint& p : points) {
    shown[static_cast<std::size_t>(p.strip)] = true;
    if (slid(b, p.strip) == slid(a, p.strip)) still.add(off(p.a, b.shows(p.s)));
  }
  // Where each strip went in its pocket; one that is not named is taken to say "nowhere".
  for (const lap::Slid& s : report->slid)
    told.note += "strip " + std::to_string(s.strip + 1) + " said to have slid " +
                 number(s.along_mm, 3) + ", " + number(s.across_mm, 3) + " mm; ";
  if (told.note.empty() && !c.variant.slid_mm.empty()) told.note = "no strip said to have slid";
  double slid_worst = std::nan("");
  int falsely = 0;
  for (int k = 0; k < bench_sleeve().strips.count; ++k) {
    const double truth = slid(b, k) - slid(a, k);
    const auto said = std::find_if(report->slid.begin(), report->slid.end(),
                                   [&](const lap::Slid& s) { return s.strip == k; });
    if (truth == 0) falsely += said != report->slid.end();
    if (truth == 0 || !shown[static_cast<std::size_t>(k)]) continue;
    const lap::Slid found = said == report->slid.end() ? lap::Slid{} : *said;
    slid_worst =
        std::fmax(slid_worst, std::hypot(found.along_mm - truth, found.across_mm) * c.ppi / 25.4);
  }
  // 50 mm into b from the lap's far edge; a's pixels there are its own rows and columns carried on.
  for (int i = 0; i <= 40; ++i) {
    const double x =
        c.variant.lap == LapKind::across ? 10 + 190 * i / 40.0 : c.a.x + c.a.width + 50;
    const double y =
        c.variant.lap == LapKind::across ? c.a.y + c.a.height + 50 : 10 + 230 * i / 40.0;
    away.add(off(a.shows({x, y}), b.shows({x, y})));
  }
  told.values["rms"] = still.rms(), told.values["worst"] = still.worst,
  told.values["points"] = still.n;
  told.values["slid"] = slid_worst, told.values["falsely"] = falsely,
  told.values["away_rms"] = away.rms();
  told.values["confidence"] = report->confidence, told.values["patches"] = report->patches,
  told.values["residual"] = report->residual_px;

  // Light: b times the answer against a, at the rows of the lap, on film and in gutters.
  const auto worst_light = [&](const std::vector<LapPoint>& at) {
    double worst = std::nan("");
    for (std::size_t ch = 0; ch < 3; ++ch)
      for (const LapPoint& p : at) {
        const double row = b.shows(p.s).y;
        const auto& l = solved->lights[1];
        const double answer =
            l.gain[ch] * std::pow(10.0, l.drift[ch] * row / static_cast<double>(b.height()));
        worst =
            std::fmax(worst, std::abs(answer * b.light(ch, row) / a.light(ch, p.a.y) - 1) * 100);
      }
    return worst;
  };
  told.values["light_film"] = worst_light(points),
  told.values["light_gutter"] = worst_light(gutter_grid(a, b));
  return told;
}

struct Peer {
  std::string name, method;
  int up_to_ppi = 2400;  // beyond it takes minutes or more memory than a machine has
};

const std::vector<Peer> peers = {{"OpenCV ECC, affine", "ecc"},
                                 {"OpenCV ORB + affine", "orb"},
                                 {"OpenCV SIFT + affine", "sift", 1200},
                                 {"OpenCV grid of phase correlations + affine", "grid"},
                                 {"OpenCV stitcher, scans mode", "stitcher", 600},
                                 {"libvips mosaic", "mosaic", 1200}};

/// The planned lap in a pass: x, y, width, height in its pixels.
std::vector<std::string> lap_of(const PassTruth& t, double x0, double y0, double x1, double y1) {
  const auto p = t.planned()({x0, y0}), q = t.planned()({x1, y1});
  const auto clip = [](double v, std::int64_t most) {
    return std::clamp<std::int64_t>(std::llround(v), 0, most);
  };
  const std::int64_t l = clip(std::min(p.x, q.x), t.width()),
                     r = clip(std::max(p.x, q.x), t.width());
  const std::int64_t u = clip(std::min(p.y, q.y), t.height()),
                     d = clip(std::max(p.y, q.y), t.height());
  return {std::to_string(l), std::to_string(u), std::to_string(r - l), std::to_string(d - u)};
}

using Rows = std::vector<std::vector<std::string>>;

void compare_peers(const Case& c, const Setting& setting, const std::filesystem::path& fa,
                   const std::filesystem::path& fb, const Measured& ours, Figures& figures,
                   Rows& rows) {
  const PassTruth a(c.a), b(c.b);
  const double x0 = std::max(c.a.x, c.b.x), y0 = std::max(c.a.y, c.b.y),
               x1 = std::min(c.a.x + c.a.width, c.b.x + c.b.width),
               y1 = std::min(c.a.y + c.a.height, c.b.y + c.b.height);
  const auto points = lap_grid(a, b);
  double fastest = std::nan(""), fastest_near = std::nan("");
  for (const Peer& peer : peers) {
    if (c.ppi > peer.up_to_ppi) {
      rows.push_back(
          {"  " + peer.name, "not run above " + std::to_string(peer.up_to_ppi) + " ppi"});
      continue;
    }
    std::vector<std::string> command{setting.peers, peer.method, fa};
    for (const auto& s : lap_of(a, x0, y0, x1, y1)) command.push_back(s);
    command.push_back(fb);
    for (const auto& s : lap_of(b, x0, y0, x1, y1)) command.push_back(s);
    command.push_back(std::to_string(c.b.quarter));
    const Measured m = in_program(command);
    if (!m.failed.empty()) {
      rows.push_back({"  " + peer.name, m.failed});
      continue;
    }
    Sum error;
    for (const LapPoint& p : points) {
      const auto truth = b.shows(p.s);
      error.add(std::hypot(m.at("m0") * p.a.x + m.at("m1") * p.a.y + m.at("m2") - truth.x,
                           m.at("m3") * p.a.x + m.at("m4") * p.a.y + m.at("m5") - truth.y));
    }
    rows.push_back(
        {"  " + peer.name, number(error.rms(), 3), number(error.worst, 3), number(m.at("wall"), 2),
         number(m.at("cpu"), 2), number(m.peak_mb, 0), number(error.rms() / ours.at("rms"), 1),
         number(m.at("wall") / ours.at("wall"), 2), number(m.peak_mb / ours.peak_mb, 2)});
    fastest = std::fmin(fastest, m.at("wall"));
    if (error.rms() < 1) fastest_near = std::fmin(fastest_near, m.at("wall"));
  }
  const std::string at =
      "lap check at " + std::to_string(c.ppi) + " ppi, time over that of the fastest library";
  if (std::isfinite(fastest_near))
    figures.expect(at + " that comes within 1 px", ours.at("wall") / fastest_near, 1);
  else if (c.ppi >= 2400 && std::isfinite(fastest))
    figures.expect(at + ", none within 1 px", ours.at("wall") / fastest, 1);
}

void note_figures(const Case& c, const Measured& m, Figures& figures) {
  if (c.ppi == 2400) {
    figures.expect("lap check at 2400 ppi, s", m.at("wall"), 2);
    figures.expect("lap check at 2400 ppi, MB", m.peak_mb, 150);
  }
  figures.expect("light, gain off the truth on film, %", m.at("light_film"), 0.2);
  if (std::isfinite(m.at("light_gutter")))
    figures.expect("light, gain off the truth in gutters, %", m.at("light_gutter"), 0.4);
  if (!c.variant.counted) return;
  figures.expect("strips said to have slid that did not", m.at("falsely"), 0);
  if (c.variant.gear_um > 0) {
    figures.expect("registration with a gear error of " + number(c.variant.gear_um, 0) + " um at " +
                       number(c.variant.gear_mm, 1) + " mm, RMS px",
                   m.at("rms"), 0.15);
  } else if (!c.variant.slid_mm.empty()) {
    figures.expect("registration of strips that did not slide beside some that did, RMS px",
                   m.at("rms"), 0.03);
    figures.expect("a slid strip's own shift, px", m.at("slid"), 0.1);
  } else {
    figures.expect(
        c.ppi >= 600 ? "registration, RMS px, 600 to 2400 ppi" : "registration, RMS px, 300 ppi",
        m.at("rms"), c.ppi >= 600 ? 0.02 : 0.03);
    figures.expect("registration, worst point, px", m.at("worst"), 0.1);
  }
}

}  // namespace

void registration(const Setting& setting, Figures& figures) {
  std::vector<Variant> variants =
      setting.one ? std::vector<Variant>{*setting.one} : standard_variants();
  for (Variant& v : variants) v.seed = setting.seed;
  Rows costs;
  for (const int ppi : setting.ppi) {
    std::vector<Case> cases;
    std::vector<PassSpec> specs;
    for (const Variant& v : variants)
      if (v.name.find(setting.only) != std::string::npos &&
          (setting.one || !setting.only.empty() || v.at_all_ppi || ppi == 600 || ppi == 1200)) {
        cases.push_back(make_case(v, ppi));
        specs.push_back(cases.back().a), specs.push_back(cases.back().b);
      }
    PassMaker maker(ppi, setting.seed, specs);
    std::optional<Table> table;
    if (!cases.empty())
      table.emplace("Registration at " + std::to_string(ppi) +
                        " ppi: distance from the truth over the lap's film, " + number(rim_mm, 0) +
                        " mm from each pass's edges; s and MB of check and solve, from files",
                    std::vector<std::string>{"case", "RMS px", "worst px", "slid px",
                                             "50 mm off px", "light % film", "gutter", "wall s",
                                             "cpu s", "MB", "patches", "sure"},
                    std::vector<int>{-44, 8, 8, 8, 12, 12, 7, 7, 7, 7, 7, 7});
    Rows against;
    for (std::size_t i = 0; i < cases.size(); ++i) {
      const Case& c = cases[i];
      const auto fa = setting.folder / "pass-1.tif", fb = setting.folder / "pass-2.tif";
      std::string wrong = maker.make(2 * i, fa);
      if (wrong.empty()) wrong = maker.make(2 * i + 1, fb);
      const Measured m = wrong.empty() ? in_child([&] { return measure_case(c, fa, fb); })
                                       : Measured{{}, wrong, "", 0};
      table->row({c.variant.name, number(m.at("rms"), 4), number(m.at("worst"), 4),
                  number(m.at("slid"), 3), number(m.at("away_rms"), 2),
                  number(m.at("light_film"), 3), number(m.at("light_gutter"), 3),
                  number(m.at("wall"), 2), number(m.at("cpu"), 2), number(m.peak_mb, 0),
                  number(m.at("patches"), 0), number(m.at("confidence"), 4)});
      if (!m.failed.empty()) std::printf("    %s\n", m.failed.c_str());
      if (!m.note.empty()) std::printf("    %s\n", m.note.c_str());
      const bool failed = !m.failed.empty();
      if (c.variant.counted) figures.expect("good laps refused", failed ? 1 : 0, 0);
      if (!failed) note_figures(c, m, figures);
      if (c.variant.name == "across" && !failed) {
        const double megapixels =
            static_cast<double>(PassTruth(c.a).width() * PassTruth(c.a).height() +
                                PassTruth(c.b).width() * PassTruth(c.b).height()) /
            1e6;
        costs.push_back({std::to_string(ppi), number(megapixels, 1), number(m.at("cpu"), 2),
                         number(m.at("cpu") / megapixels * 1000, 2), number(m.peak_mb, 0)});
      }
      if (c.variant.peers && setting.with_peers && wrong.empty()) {
        against.push_back({c.variant.name + ": lapwright", number(m.at("rms"), 3),
                           number(m.at("worst"), 3), number(m.at("wall"), 2),
                           number(m.at("cpu"), 2), number(m.peak_mb, 0), "1", "1", "1"});
        compare_peers(c, setting, fa, fb, m, figures, against);
      }
      if (!setting.keep) std::filesystem::remove(fa), std::filesystem::remove(fb);
    }
    if (!against.empty()) {
      const Table peer_table("Against general libraries at " + std::to_string(ppi) +
                                 " ppi, on the same laps; they are given the planned quarter turn "
                                 "and the laps cut out, and their reading is not timed",
                             {"", "RMS px", "worst px", "wall s", "cpu s", "MB", "error ratio",
                              "time ratio", "memory ratio"},
                             {-60, 8, 8, 7, 7, 7, 11, 10, 12});
      for (const auto& r : against) peer_table.row(r);
    }
    if (!setting.one && ppi <= 1200 &&
        std::string("four passes").find(setting.only) != std::string::npos)
      loops(setting, ppi, figures);
    if (!setting.one && ppi <= 600 && std::string("bumped").find(setting.only) != std::string::npos)
      bumps(setting, ppi, figures);
  }
  if (costs.size() > 1) {
    const Table table("Cost of the lap check against size, the case 'across'",
                      {"ppi", "Mpx of both passes", "cpu s", "ms/Mpx", "MB"}, {5, 19, 7, 8, 6});
    for (const auto& r : costs) table.row(r);
  }
}

}  // namespace lapwright::bench
