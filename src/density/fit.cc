#include "density/fit.h"

#include <algorithm>
#include <cmath>
#include <cstdio>

#include "density/evenness.h"
#include "density/neutral.h"
#include "density/plateau.h"
#include "density/stock_curve.h"

namespace lapwright::density {
namespace {

using Net = std::array<double, 3>;
using Curve = profile::StockProfile::Curve;

constexpr double place_radius = 0.6;  // mm
constexpr double even_tone = 0.04;    // D: spread of the quartiles of a place that is one tone
constexpr double film_slope =
    0.60;  // D a decade of exposure that the papers of the stocks are made for (READ trade.md 4.3)
constexpr double least_rise = 0.012;  // D from step to step that tells something
constexpr double lowest =
    -0.10;  // D' of the film base, where a wedge shows how the toe lies under a straight line

std::string text(double v, int decimals = 3) {
  char out[32];
  std::snprintf(out, sizeof out, "%.*f", decimals, v);
  return out;
}

double quantile(std::vector<double>& v, double q) {
  const auto at = v.begin() + static_cast<std::ptrdiff_t>(q * static_cast<double>(v.size() - 1));
  std::nth_element(v.begin(), at, v.end());
  return *at;
}

class Reader {
 public:
  Reader(const Overview& overview, const Measured& m, const profile::StockProfile& stock)
      : o_(overview), m_(m), stock_(stock) {}
  std::optional<Net> net(Spot<SleeveSpace> at, double rx, double ry, double& spread) const {
    const auto um = [](double mm) { return Micrometres::from_mm(mm); };
    const auto area = o_.pixels({um(at.x - rx), um(at.y - ry), um(2 * rx), um(2 * ry)});
    if (area.empty()) return std::nullopt;
    Net out{};
    spread = 0;
    for (std::size_t c = 0; c < 3; ++c) {
      std::vector<double> all;
      for (std::int64_t y = area.y.value; y < area.bottom().value; ++y)
        for (std::int64_t x = area.x.value; x < area.right().value; ++x)
          all.push_back(std::log10(std::max(m_.base.counts[c] - m_.flare[c], 1.0) /
                                   std::max(o_.counts(x, y)[c] - m_.flare[c], 1.0)));
      out[c] = quantile(all, 0.5);
      spread = std::max(spread, quantile(all, 0.75) - quantile(all, 0.25));
    }
    return unmixed(out, stock_);
  }

 private:
  const Overview& o_;
  const Measured& m_;
  const profile::StockProfile& stock_;
};

/// The wedge's steps from the least exposure, each with its log exposure over the first.
Result<std::vector<Net>> wedge_steps(const Reader& reader, const Wedge& w) {
  std::vector<Net> steps;
  const double dx = (w.last.x - w.first.x) / (w.steps - 1),
               dy = (w.last.y - w.first.y) / (w.steps - 1);
  const double along = std::hypot(dx, dy) * 0.3;
  for (int i = 0; i < w.steps; ++i) {
    double spread = 0;
    const auto net = reader.net({w.first.x + dx * i, w.first.y + dy * i},
                                std::abs(dx) > std::abs(dy) ? along : place_radius,
                                std::abs(dx) > std::abs(dy) ? place_radius : along, spread);
    if (!net)
      return fail(Fault::bad_data,
                  "--wedge: step " + std::to_string(i + 1) + " lies outside the sheet");
    steps.push_back(*net);
  }
  if (steps.front()[1] > steps.back()[1]) std::reverse(steps.begin(), steps.end());
  for (std::size_t i = 1; i < steps.size(); ++i)
    if (steps[i][1] < steps[i - 1][1] - 0.02)
      return fail(Fault::bad_data, "--wedge: step " + std::to_string(i + 1) + " is " +
                                       text(steps[i - 1][1] - steps[i][1], 2) +
                                       " D thinner than the one before; right is a row of steps "
                                       "that rise, from the middle of the "
                                       "first to the middle of the last");
  return steps;
}

/// Every channel by the wedge's known exposures: a straight film of the usual slope, as dense as
/// this one at its middle.
bool by_wedge(const std::vector<Net>& steps, double step, std::array<Curve, 3>& curve) {
  std::size_t middle = 0;
  for (std::size_t i = 0; i < steps.size(); ++i)
    if (std::abs(steps[i][1] - 0.6) < std::abs(steps[middle][1] - 0.6)) middle = i;
  std::array<Curve, 3> made;
  for (std::size_t c = 0; c < 3; ++c) {
    made[c][0] = lowest;
    double before = 0;
    for (std::size_t i = 0; i < steps.size(); ++i) {
      const double straight =
          steps[middle][1] +
          film_slope * step * (static_cast<double>(i) - static_cast<double>(middle));
      if (straight < lowest + 0.02 || steps[i][c] < before + least_rise) continue;
      before = steps[i][c];
      made[c][std::round(before * 10000) / 10000] = std::round(straight * 10000) / 10000;
    }
    if (made[c].size() < 5) return false;
  }
  curve = made;
  return true;
}

double round3(double v) { return std::round(v * 1000) / 1000; }

}  // namespace

Result<Fit> fit_stock(image::RowSource& sheet, Spot<SleeveSpace> origin,
                      const profile::SleeveProfile& sleeve, const profile::StockProfile& like,
                      const std::string& name, const FitRequest& request) {
  if (like.process == profile::Process::slide)
    return fail(Fault::bad_data,
                "a slide is its own positive: there is nothing to fit; right is a negative stock");
  profile::StockProfile start = like;
  start.balance_on_sheet = false;
  auto measured = measure(sheet, origin, sleeve, start);
  if (!measured) return fail(measured.error());
  auto overview = Overview::of(sheet, origin);
  if (!overview) return fail(overview.error());
  overview->correct(measured->evenness ? LightField(*measured->evenness) : LightField(),
                    measured->flare);
  const Reader reader(*overview, *measured, like);

  Fit fit;
  std::vector<Net> known;
  for (const auto& n : request.neutrals) {
    double spread = 0;
    const auto net = reader.net(n.at, place_radius, place_radius, spread);
    if (!net) return fail(Fault::bad_data, "--neutral " + n.name + ": lies outside the sheet");
    if (spread > even_tone)
      return fail(Fault::bad_data,
                  "--neutral " + n.name + ": is not one even tone (quartiles " + text(spread, 2) +
                      " D apart); right is the middle of a plain grey patch of 2 mm or more");
    known.push_back(*net);
  }
  std::vector<Net> steps;
  if (request.wedge) {
    auto read = wedge_steps(reader, *request.wedge);
    if (!read) return fail(read.error());
    steps = std::move(*read);
    known.insert(known.end(), steps.begin(), steps.end());
  }
  std::erase_if(known, [](const Net& n) { return n[1] < 0.01; });

  profile::StockProfile& s = fit.stock;
  s = start;
  s.name = name;
  s.base = profile::Channels{round3(measured->base_density[0]), round3(measured->base_density[1]),
                             round3(measured->base_density[2])};
  fit.known = static_cast<int>(known.size());
  std::array<Curve, 3> curve;
  const bool colour = like.process == profile::Process::colour_negative;
  if (colour) {
    std::vector<Palette> pictures;
    for (const auto& area : request.frames)
      pictures.push_back(palette(*overview, overview->pixels(area.grown({-1500})),
                                 measured->base.counts, measured->flare, like));
    const NeutralAxis axis = neutral_axis(pictures, like, known, {1.5, true});
    if (axis.pictures == 0 && known.size() < 2)
      return fail(Fault::bad_data,
                  "no pictures that could tell the film's neutrals were found; right is a sheet "
                  "with pictures, or "
                  "--neutral FRAME:x,y at two places of different lightness");
    fit.frames = axis.pictures, fit.sure = axis.sure, fit.halves_differ = axis.halves_differ,
    fit.from = axis.from, fit.to = axis.to;
    curve = axis.curve;
    const StockCurve own[3] = {StockCurve(curve[0]), StockCurve(curve[1]), StockCurve(curve[2])};
    double sum = 0;
    for (const Net& n : known)
      sum += std::pow(own[0](n[0]) - n[1], 2) + std::pow(own[2](n[2]) - n[1], 2);
    fit.known_off = known.empty() ? 0 : std::sqrt(sum / (2 * static_cast<double>(known.size())));
    // For people, and for who takes the curves out: the straight line between a dark and a light
    // neutral.
    const auto line = [&](std::size_t c) {
      double low = 0, high = 0;
      for (double n = 0; n < 3; n += 0.001) {
        if (own[c](n) < 0.35) low = n;
        if (own[c](n) < 0.80) high = n;
      }
      const double gain = 0.45 / (high - low);
      return std::pair{round3(gain), round3(gain * low - 0.35)};
    };
    const auto [red_gain, red_offset] = line(0);
    const auto [blue_gain, blue_offset] = line(2);
    s.gain = {red_gain, 1, blue_gain}, s.offset = {red_offset, 0, blue_offset};
    s.curve = curve;
    fit.remarks.push_back(std::to_string(fit.frames) + " frames; two halves of them differ by " +
                          text(fit.halves_differ) + " D; neutrals seen from " + text(fit.from, 2) +
                          " to " + text(fit.to, 2) + " over base; sure " + text(fit.sure, 2));
    if (fit.known > 0)
      fit.remarks.push_back(std::to_string(fit.known) + " places known to be neutral lie within " +
                            text(fit.known_off) + " D of it");
  } else {
    fit.sure = measured->strips.empty() ? 0
               : std::all_of(measured->strips.begin(), measured->strips.end(),
                             [](const auto& strip) { return !strip.other; })
                   ? 0.9
                   : 0.3;
    fit.remarks.push_back(
        "black and white: the base is measured; its picture is neutral whatever the film");
  }
  if (request.wedge) {
    if (!by_wedge(steps, request.wedge->step, curve))
      return fail(Fault::bad_data,
                  "--wedge: fewer than four of its steps differ; right is the wedge's whole "
                  "length, --steps and --step as it has them");
    s.curve = curve, s.toe = 0;
    fit.remarks.push_back("curves by a step wedge of " + std::to_string(request.wedge->steps) +
                          " steps of " + text(request.wedge->step, 2));
  }
  for (const auto& caution : measured->cautions) fit.remarks.push_back("caution: " + caution);
  fit.measured = std::move(*measured);
  return fit;
}

}  // namespace lapwright::density
