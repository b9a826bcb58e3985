#include <algorithm>
#include <cstdio>

#include "bench/sections.h"
#include "density/fit.h"
#include "density/truth.h"

namespace lapwright::bench {
namespace {

using density::ChartPage;
using density::Distances;
using profile::Process;
using support::ChartPageOptions;
using support::FilmModel;

constexpr unsigned stocks = 6;

profile::StockProfile shipped(const std::string& name) {
  const auto s = profile::Shelf({std::filesystem::path(SOURCE_DIR) / "profiles"}).stock(name);
  return s ? *s : profile::StockProfile{};
}

using density::By;

/// Fitted on another page of the film than the one it is judged by.
profile::StockProfile fitted(const FilmModel& film, unsigned seed, By by, std::string& sure,
                             int strips = 3) {
  ChartPageOptions o;
  o.seed = seed + 5000, o.strips = strips;
  o.with_targets = by == By::greys, o.with_wedge = by == By::wedge;
  const auto page = ChartPage::made(film, o);
  const density::FitRequest request = density::fit_request(page, by);
  image::MemorySource source(page.picture, o.ppi);
  const auto fit = density::fit_stock(source, page.origin, ChartPage::sleeve(strips),
                                      shipped("c41-daylight-400"), "fitted", request);
  sure = fit ? number(fit->sure, 2) : "-";
  return fit ? fit->stock : profile::StockProfile{};
}

}  // namespace

void densities(const Setting& setting, Figures& figures) {
  if (support::chart_lab().size() != 24)
    return figures.missing("density", "Debian's argyll-ref, the chart's values, is not installed");
  const std::vector<int> widths{6, 6, 22, 11, 8, 8, 8, 9, 6};
  const Table colour(
      "Colour negatives of generated stocks; dE00 of a 24-patch chart after one factor, greys of "
      "-3 to +3 stops from neutral",
      {"stock", "ppi", "profile", "chart dE00", "worst", "greys", "base L*", "18 % L*", "sure"},
      widths);
  for (unsigned i = 0; i < stocks; ++i) {
    const unsigned seed = setting.seed * 100 + i;
    const auto film = FilmModel::made(seed, Process::colour_negative);
    ChartPageOptions o;
    o.seed = seed, o.ppi = {i % 3 == 2 ? 600 : 300}, o.across = i % 2 == 1;
    const auto page = ChartPage::made(film, o);
    const auto row = [&](const std::string& name, const ChartPage& of,
                         const profile::StockProfile& stock, const std::string& sure) {
      const Distances d = density::distances(density::converted(of, stock, o.ppi), of);
      colour.row({std::to_string(seed), std::to_string(o.ppi.value), name, number(d.chart, 2),
                  number(d.worst, 1), number(d.greys, 2), number(d.base, 1), number(d.mid_grey, 1),
                  sure});
      figures.expect("density, lightness of plain film", d.base, 8);
      return d;
    };
    auto stock = shipped("c41-daylight-400");
    const Distances balanced = row("class, by 12 pictures", page, stock, "");
    o.strips = 9;
    const Distances rolls = row("class, by a roll's 36", ChartPage::made(film, o), stock, "");
    for (const Distances& d : {balanced, rolls})
      figures.expect("density, chart dE00, the class's profile", d.chart, 5);
    stock.balance_on_sheet = false;
    row("class, as typed", page, stock, "");  // what balancing on the sheet is worth
    std::string sure;
    auto own = fitted(film, seed, By::pictures, sure);
    const Distances pictures = row("fitted by 12 pictures", page, own, sure);
    own = fitted(film, seed, By::pictures, sure, 9);
    const Distances roll = row("fitted by 36 pictures", page, own, sure);
    for (const Distances& d : {pictures, roll})
      figures.expect("density, chart dE00, fitted by pictures alone", d.chart, 3);
    for (const Distances& d : {rolls, roll})
      figures.expect("density, greys off neutral, by a roll's pictures alone", d.greys, 2);
    for (const Distances& d : {balanced, pictures})
      figures.expect("density, greys off neutral, by a dozen pictures alone", d.greys, 2);
    own = fitted(film, seed, By::greys, sure);
    const Distances greys = row("fitted, 4 greys named", page, own, sure);
    own = fitted(film, seed, By::wedge, sure);
    const Distances wedge = row("fitted by a wedge", page, own, sure);
    for (const Distances& d : {greys, wedge}) {
      figures.expect("density, chart dE00, fitted by greys or a wedge", d.chart, 3);
      figures.expect("density, greys off neutral, fitted by greys or a wedge", d.greys, 2);
    }
  }
  const Table others("Black and white, and slides (dE00 from the film's own light)",
                     {"stock", "kind", "dE00", "greys", "base L*"}, {6, 16, 8, 8, 8});
  const Table laps("One roll captured twice under different light, each capture measured by itself",
                   {"stock", "mean dE00", "95 %"}, {6, 10, 8});
  for (unsigned i = 0; i < 2; ++i) {
    const unsigned seed = setting.seed * 100 + i;
    ChartPageOptions o;
    o.seed = seed;
    for (const bool chromogenic : {false, true}) {
      const auto page =
          ChartPage::made(FilmModel::made(seed, Process::bw_negative, chromogenic), o);
      const char* name = chromogenic ? "bw-chromogenic" : "bw-silver";
      const auto d = density::distances(density::converted(page, shipped(name), o.ppi), page);
      others.row({std::to_string(seed), name, "", number(d.greys, 2), number(d.base, 1)});
      figures.expect("density, black and white off neutral", d.greys, 2);
      figures.expect("density, lightness of plain film", d.base, 8);
    }
    const auto slide = FilmModel::made(seed, Process::slide);
    const auto page = ChartPage::made(slide, o);
    const auto p = density::converted(page, shipped("slide-daylight"), o.ppi);
    double mean = 0;
    for (const auto& patch : page.chart) {
      const auto d = slide.densities(patch.light);
      mean += density::de00(density::lab_of_light(p.light(patch.area)),
                            density::lab_of_light({std::pow(10.0, -d[0]), std::pow(10.0, -d[1]),
                                                   std::pow(10.0, -d[2])})) /
              24;
    }
    others.row({std::to_string(seed), "slide", number(mean, 2), "", ""});
    figures.expect("density, slide, dE00 from the film's own light", mean, 1);

    const auto film = FilmModel::made(seed, Process::colour_negative);
    ChartPageOptions other = o;
    other.bow = 0.03, other.drift = -0.015, other.across = true, other.flare = 0.0004,
    other.light_seed = seed + 77;
    const auto stock = shipped("c41-daylight-400");
    const auto s = density::seam(density::converted(ChartPage::made(film, o), stock, o.ppi),
                                 density::converted(ChartPage::made(film, other), stock, o.ppi));
    laps.row({std::to_string(seed), number(s.mean, 2), number(s.most, 2)});
    figures.expect("density, dE00 between two laps of a roll", s.mean, 0.5);
  }
}

}  // namespace lapwright::bench
