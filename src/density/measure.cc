#include <algorithm>
#include <cmath>
#include <cstdio>

#include "density/density.h"
#include "density/evenness.h"
#include "density/neutral.h"
#include "density/paper.h"
#include "density/plateau.h"
#include "density/stock_curve.h"

namespace lapwright::density {
namespace {

using profile::Process;
using profile::SleeveProfile;
using profile::StockProfile;

constexpr double open_reach = 0.02;      // D: pixels this near the open light's plateau belong to it
constexpr double base_reach = 0.03;      // D: the same for film base, whose quartiles must lie within 0.03 (trade.md 4.5 step 5)
constexpr double other_stock = 0.03;     // D between strips' bases that tells another stock (trade.md 4.5 step 5)
constexpr double negative_film = 1.6;    // D over open light that no negative's base passes
constexpr double orange = 0.2;           // D of blue over red from which a tone is a colour mask's
constexpr double opaque = 2.7;           // D over open light in every channel that no negative reaches (Dmax blue 2.98, READ trade.md 4.3)
constexpr double slide_black = 3.0;      // READ trade.md 4.4: 3.0 to 3.5
constexpr double slide_rebate = 1.8;     // D from which a slide's darkest plateau is taken for its own black
constexpr double plainly = 0.4;          // how sure the neutrals of a sheet must be
constexpr double piece_mm = 38;
constexpr std::int64_t least_pixels = 30;

std::string number(double v) {
  char text[32];
  std::snprintf(text, sizeof text, "%.2f", v);
  return text;
}
double mean(const std::array<double, 3>& v) { return (v[0] + v[1] + v[2]) / 3; }
std::array<double, 3> over(const std::array<double, 3>& open, const std::array<double, 3>& counts) {
  std::array<double, 3> d{};
  for (std::size_t c = 0; c < 3; ++c) d[c] = std::log10(open[c] / counts[c]);
  return d;
}
std::array<double, 3> less(std::array<double, 3> counts, const std::array<double, 3>& flare) {
  for (std::size_t c = 0; c < 3; ++c) counts[c] = std::max(counts[c] - flare[c], 0.5);
  return counts;
}
double level(const std::array<double, 3>& counts) { return mean(over({65535, 65535, 65535}, counts)); }

/// A pocket's area on the overview, and what was found in it.
struct Pocket {
  int strip = 0;  // 1-based
  PixelRect<SheetSpace> area;
  double open_share = 0;  // of its pixels
  Tone base;
};

double share_within(const Overview& o, const PixelRect<SheetSpace>& area, double from, double to) {
  std::int64_t in = 0;
  for (std::int64_t y = area.y.value; y < area.bottom().value; ++y)
    for (std::int64_t x = area.x.value; x < area.right().value; ++x) in += o.density(x, y) >= from && o.density(x, y) <= to;
  return area.empty() ? 0 : static_cast<double>(in) / static_cast<double>(area.width.value * area.height.value);
}

/// The brightest plateau of `area`: light that went through no film.
std::optional<double> open_level(const Overview& o, const PixelRect<SheetSpace>& area) {
  ToneHistogram tones;
  for (std::int64_t y = area.y.value; y < area.bottom().value; ++y)
    for (std::int64_t x = area.x.value; x < area.right().value; ++x)
      if (o.flat(x, y)) tones.add(o.density(x, y));
  const double least = std::max(static_cast<double>(least_pixels), 0.0005 * static_cast<double>(tones.total()));
  const auto peaks = tones.peaks(least, open_reach);
  if (peaks.empty()) return std::nullopt;
  return peaks.front().density;
}

/// Film without a picture: the thinnest plateau of a negative's film, the densest of a slide's.
Tone base_tone(const Overview& o, const PixelRect<SheetSpace>& area, double open, const StockProfile& stock) {
  const bool slide = stock.process == Process::slide;
  const double from = open + (slide ? 0.8 : 1.5 * open_reach), to = slide ? 6.0 : open + negative_film;
  ToneHistogram tones;
  for (std::int64_t y = area.y.value; y < area.bottom().value; ++y)
    for (std::int64_t x = area.x.value; x < area.right().value; ++x)
      if (o.flat(x, y) && o.density(x, y) >= from && o.density(x, y) <= to) tones.add(o.density(x, y));
  const double least = std::max(static_cast<double>(least_pixels), 0.02 * static_cast<double>(tones.total()));
  auto peaks = tones.peaks(least, base_reach);
  double highest = 0;
  for (const auto& p : peaks) highest = std::max(highest, p.height);
  std::erase_if(peaks, [&](const auto& p) { return p.height < 0.15 * highest; });
  if (peaks.empty()) return {};
  double chosen = slide ? peaks.back().density : peaks.front().density;
  if (!slide && stock.base) {
    // Welds and haze can be thinner than any base; a stock's known base tells them apart.
    const double known = (stock.base->red + stock.base->green + stock.base->blue) / 3;
    const auto p = std::find_if(peaks.begin(), peaks.end(), [&](const auto& q) { return q.density - open > known - 0.25; });
    if (p != peaks.end()) chosen = p->density;
  }
  return tone(o, area, chosen - base_reach, chosen + base_reach);
}

void check(Measured& m, const StockProfile& stock) {
  const auto& d = m.base_density;
  if (std::min({d[0], d[1], d[2]}) < -0.02)
    m.cautions.push_back("the film base reads brighter than open light (" + number(d[0]) + "/" + number(d[1]) + "/" + number(d[2]) +
                         "): one was taken for the other; look at where they were read");
  if (std::max({m.open_light.counts[0], m.open_light.counts[1], m.open_light.counts[2]}) > 65000)
    m.cautions.push_back("open light reaches full scale: the bed's exposure is too long, densities over open light are too low");
  if (stock.process == Process::colour_negative && d[2] - d[0] < 0.1)
    m.cautions.push_back("the film base has no orange mask (" + number(d[0]) + "/" + number(d[1]) + "/" + number(d[2]) +
                         "): is this a colour negative, as stock " + stock.name + " says?");
  if (stock.process == Process::slide && mean(d) < 1.0)
    m.cautions.push_back("no dark rebate was found: is this a slide film, as stock " + stock.name + " says?");
  if (stock.process != Process::slide && stock.base) {
    const double known[3] = {stock.base->red, stock.base->green, stock.base->blue};
    for (std::size_t c = 0; c < 3; ++c)
      if (std::abs(d[c] - known[c]) > 0.2) {
        m.cautions.push_back("the film base (" + number(d[0]) + "/" + number(d[1]) + "/" + number(d[2]) + ") is not that of stock " +
                             stock.name + " (" + number(known[0]) + "/" + number(known[1]) + "/" + number(known[2]) +
                             "): another stock, old film or another development");
        break;
      }
  }
}

void compare_strips(Measured& m) {
  if (m.strips.size() < 2) return;
  std::array<double, 3> middle{};
  for (std::size_t c = 0; c < 3; ++c) {
    std::vector<double> all;
    for (const auto& s : m.strips) all.push_back(s.base_density[c]);
    std::sort(all.begin(), all.end());
    middle[c] = all[(all.size() - 1) / 2];
  }
  for (auto& s : m.strips) {
    for (std::size_t c = 0; c < 3; ++c) s.other = s.other || std::abs(s.base_density[c] - middle[c]) > other_stock;
    if (s.other)
      m.cautions.push_back("strip " + std::to_string(s.strip) + " has another base (" + number(s.base_density[0]) + "/" +
                           number(s.base_density[1]) + "/" + number(s.base_density[2]) + " against " + number(middle[0]) + "/" +
                           number(middle[1]) + "/" + number(middle[2]) + "): another stock or development");
    if (s.spread > base_reach)
      m.cautions.push_back("strip " + std::to_string(s.strip) + ": its film base is uneven (" + number(s.spread) + " D)");
  }
}

profile::Card::Reading reading(const Overview& o, const Tone& t, std::string from) {
  return {t.counts, o.sleeve_area(t.where), std::move(from)};
}

Result<Measured> nothing_found(const std::string& what, const StockProfile& stock) {
  return fail(Fault::bad_data, "no " + what + " was found on the sheet for stock " + stock.name +
                                   "; right is a linear sheet that shows an empty pocket, a gutter or perforations, and the rebate "
                                   "of its film; check --sleeve, --stock and that the capture was linear");
}

/// When film fills the whole view, what looked like open light is the base: open light then follows from the stock.
bool only_film(const Tone& brightest, const StockProfile& stock) {
  return stock.process == Process::colour_negative && std::log10(brightest.counts[0] / brightest.counts[2]) > orange;
}

/// What is darker than any film lets be: something opaque lies there, and what is read is flare.
std::array<double, 3> flare_of(const Overview& o, const std::array<double, 3>& open, Process process, std::array<double, 3>& darkest) {
  ToneHistogram tones;
  for (std::int64_t y = 0; y < o.height(); ++y)
    for (std::int64_t x = 0; x < o.width(); ++x)
      if (o.flat(x, y)) tones.add(o.density(x, y));
  const auto peaks = tones.peaks(4.0 * least_pixels, base_reach);
  if (peaks.empty()) return {};
  const Tone dark = tone(o, o.all(), peaks.back().density - base_reach, 6);
  if (dark.pixels < least_pixels) return {};
  darkest = dark.counts;
  std::array<double, 3> flare{};
  const auto density = over(open, dark.counts);
  for (std::size_t c = 0; c < 3; ++c) {
    // A slide's own black is 3.0 at least (READ trade.md 4.4); a negative's red and green never get near to `opaque`.
    if (process == Process::slide && mean(density) > slide_rebate)
      flare[c] = std::max(0.0, dark.counts[c] - open[c] * std::pow(10.0, -slide_black));
    else if (std::min({density[0], density[1], density[2]}) > opaque)
      flare[c] = dark.counts[c];
  }
  return flare;
}

/// Open light's surface and the flare, taken out of the overview.
void even_out(Overview& o, const PixelRect<SheetSpace>& area, const Tone& brightest, Process process, Measured& m) {
  m.flare = flare_of(o, brightest.counts, process, m.darkest);
  const OpenLight light = open_light(o, area, level(brightest.counts));
  if (light.counts[0] > 0) m.evenness = light.evenness, m.uneven = light.uneven, m.light_residual = light.residual;
  o.correct(m.evenness ? LightField(*m.evenness) : LightField(), m.flare);
  if (m.uneven > 0.12)
    m.cautions.push_back("open light differs by " + std::to_string(std::lround(100 * m.uneven)) +
                         " % over the sheet; it is evened out, but the lamp or the window wants looking at");
}

/// Of a strip, where its pictures lie.
Rect<SleeveSpace> middle_of(const SleeveProfile& sleeve, int strip) {
  Rect<SleeveSpace> r = sleeve.strip(strip);
  const Rect<SleeveSpace> f = sleeve.frame_area(strip, 0);
  if (sleeve.strips.run == profile::Run::right) r.y = f.y, r.height = f.height;
  else r.x = f.x, r.width = f.width;
  return r;
}

/// Neutrals of the sheet go before a profile that stands for a whole class, when they are seen plainly.
void balance(const Overview& o, const std::vector<PixelRect<SheetSpace>>& areas, const Tone& base, const StockProfile& stock, Measured& m) {
  if (!stock.balance_on_sheet || stock.process != Process::colour_negative) return;
  std::vector<Palette> pictures;
  for (const auto& area : areas) pictures.push_back(palette(o, area, base.counts, m.flare, stock));
  const NeutralAxis axis = neutral_axis(pictures, stock);
  m.balance_sure = axis.sure;
  if (axis.sure >= plainly) m.balance = profile::Card::Balance{axis.curve};
}

/// `area` in pieces of about a frame.
void cut(const PixelRect<SheetSpace>& area, std::int64_t piece, std::vector<PixelRect<SheetSpace>>& out) {
  for (std::int64_t y = area.y.value; y < area.bottom().value; y += piece)
    for (std::int64_t x = area.x.value; x < area.right().value; x += piece)
      out.push_back({{x}, {y}, {std::min(piece, area.right().value - x)}, {std::min(piece, area.bottom().value - y)}});
}

Measured without_open_light(const Overview& o, const Tone& base, const StockProfile& stock) {
  profile::Card::Reading open = reading(o, base, "worked out from the base of stock " + stock.name);
  const profile::Channels known = stock.base.value_or(profile::Channels{0.32, 0.63, 0.72});
  const double d[3] = {known.red, known.green, known.blue};
  for (std::size_t c = 0; c < 3; ++c) open.counts[c] = std::min(base.counts[c] * std::pow(10.0, d[c]), 65535.0);
  Measured m = measured_from(open, reading(o, base, "the brightest film"), stock);
  m.cautions.push_back("no open light on the sheet: it was worked out from the film base");
  return m;
}

/// The page's base: the median of the strips that are alike.
Tone page_base(const std::vector<Pocket>& pockets, const Measured& m) {
  std::vector<const Tone*> alike;
  std::size_t i = 0;
  for (const Pocket& p : pockets)
    if (p.base.pixels > 0 && !m.strips[i++].other) alike.push_back(&p.base);
  std::sort(alike.begin(), alike.end(), [](const Tone* a, const Tone* b) { return a->counts[1] < b->counts[1]; });
  Tone page = *alike[alike.size() / 2];
  for (std::size_t c = 0; c < 3; ++c) {
    std::vector<double> all;
    for (const Tone* t : alike) all.push_back(t->counts[c]);
    std::nth_element(all.begin(), all.begin() + static_cast<std::ptrdiff_t>(all.size() / 2), all.end());
    page.counts[c] = all[all.size() / 2];
  }
  return page;
}

Tone page_open(const Overview& o, const PixelRect<SheetSpace>& block, const std::vector<Pocket>& pockets, double open,
               bool perforated, std::string& from) {
  for (const Pocket& p : pockets) {
    if (p.open_share < 0.8) continue;
    from = "empty pocket";
    return tone(o, p.area, open - open_reach, open + open_reach);
  }
  from = perforated ? "perforations and gutters" : "gutters";
  return tone(o, block, open - open_reach, open + open_reach);
}

/// Completes what was `found` on the sheet; cautions about the base come first.
Measured made(const profile::Card::Reading& open_light, const profile::Card::Reading& base, const StockProfile& stock, Measured found) {
  Measured m = std::move(found);
  auto earlier = std::move(m.cautions);
  m.cautions.clear();
  m.open_light = open_light;
  m.base = base;
  m.base_density = over(less(open_light.counts, m.flare), less(base.counts, m.flare));
  const StockCurve green = m.balance ? StockCurve(m.balance->curve[1]) : StockCurve::of(stock, 1);
  if (stock.process != Process::slide) m.exposure = PaperCurve(stock.paper).base_exposure() + StraightToe(stock.toe)(green(0));
  check(m, stock);
  m.cautions.insert(m.cautions.end(), earlier.begin(), earlier.end());
  return m;
}

}  // namespace

Measured measured_from(const profile::Card::Reading& open_light, const profile::Card::Reading& base, const StockProfile& stock) {
  return made(open_light, base, stock, {});
}

std::optional<Measured> measured_from(const profile::Card& card, const StockProfile& stock) {
  if (!card.open_light || !card.base) return std::nullopt;
  Measured before;
  before.evenness = card.evenness, before.flare = card.flare.value_or(std::array<double, 3>{});
  if (stock.balance_on_sheet) before.balance = card.balance;
  return made(*card.open_light, *card.base, stock, std::move(before));
}

void tell(const Measured& m, profile::Card& card) {
  card.open_light = m.open_light, card.base = m.base, card.evenness = m.evenness, card.balance = m.balance;
  if (m.flare != std::array<double, 3>{}) card.flare = m.flare;
}

Result<Measured> measure(image::RowSource& sheet, Spot<SleeveSpace> origin, const SleeveProfile& sleeve, const StockProfile& stock) {
  auto overview = Overview::of(sheet, origin);
  if (!overview) return fail(overview.error());
  Overview& o = *overview;
  const auto block = o.pixels(sleeve.block());
  const auto level_of_open = open_level(o, block);
  if (!level_of_open) return nothing_found("open light", stock);
  const Tone brightest = tone(o, block, *level_of_open - open_reach, *level_of_open + open_reach);
  if (brightest.pixels < least_pixels) return nothing_found("open light", stock);
  if (only_film(brightest, stock)) return without_open_light(o, brightest, stock);
  Measured m;
  even_out(o, block, brightest, stock.process, m);
  const double open = open_level(o, block).value_or(*level_of_open);

  std::vector<Pocket> pockets;
  for (int i = 0; i < sleeve.strips.count; ++i) {
    Pocket p;
    p.strip = i + 1;
    p.area = o.pixels(sleeve.strip(i));
    if (p.area.empty()) continue;
    p.open_share = share_within(o, p.area, open - 2 * open_reach, open + 1.5 * open_reach);
    if (p.open_share < 0.8) p.base = base_tone(o, p.area, open, stock);
    if (p.base.pixels < least_pixels) p.base = {};
    pockets.push_back(p);
  }
  std::string from;
  const Tone light = page_open(o, block, pockets, open, sleeve.film == profile::Film::f135, from);

  for (const Pocket& p : pockets)
    if (p.base.pixels > 0)
      m.strips.push_back({p.strip, over(less(light.counts, m.flare), less(p.base.counts, m.flare)), p.base.spread});
  if (m.strips.empty()) {
    if (stock.process != Process::slide) return nothing_found("film base", stock);
    return made(reading(o, light, from), reading(o, light, "none found"), stock, std::move(m));  // a slide needs open light only
  }
  if (stock.process != Process::slide) compare_strips(m);  // near a slide's blackest, 0.03 D is a few counts
  const Tone base = page_base(pockets, m);
  std::vector<PixelRect<SheetSpace>> pieces;
  for (const Pocket& p : pockets)
    if (p.base.pixels > 0) cut(o.pixels(middle_of(sleeve, p.strip - 1)), o.across_pixels(piece_mm), pieces);
  balance(o, pieces, base, stock, m);
  return made(reading(o, light, from), reading(o, base, "rebate"), stock, std::move(m));
}

Result<Measured> measure(image::RowSource& sheet, const StockProfile& stock) {
  auto overview = Overview::of(sheet, {});
  if (!overview) return fail(overview.error());
  Overview& o = *overview;
  const auto level_of_open = open_level(o, o.all());
  if (!level_of_open) return nothing_found("open light", stock);
  Tone light = tone(o, o.all(), *level_of_open - open_reach, *level_of_open + open_reach);
  if (light.pixels < least_pixels) return nothing_found("open light", stock);
  if (only_film(light, stock)) return without_open_light(o, light, stock);
  Measured m;
  even_out(o, o.all(), light, stock.process, m);
  const double open = open_level(o, o.all()).value_or(*level_of_open);
  light = tone(o, o.all(), open - open_reach, open + open_reach);
  const Tone base = base_tone(o, o.all(), open, stock);
  if (base.pixels < least_pixels && stock.process != Process::slide) return nothing_found("film base", stock);
  std::vector<PixelRect<SheetSpace>> pieces;
  cut(o.all(), o.across_pixels(piece_mm), pieces);
  balance(o, pieces, base, stock, m);
  return made(reading(o, light, "the brightest plateau"),
              reading(o, base.pixels ? base : light, base.pixels ? "the film's plateau" : "none found"), stock, std::move(m));
}

}  // namespace lapwright::density
