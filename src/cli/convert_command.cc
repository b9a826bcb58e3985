#include <CLI/CLI.hpp>
#include <algorithm>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>

#include "cli/command.h"
#include "core/clock.h"
#include "core/files.h"
#include "density/density.h"
#include "frames/frames.h"
#include "profile/card.h"
#include "proof/proof.h"
#include "raw/tiff.h"

namespace lapwright::cli {
namespace {

namespace fs = std::filesystem;

struct Options {
  std::string sheet, stock, out, sleeve;
  int bits = 0;
  bool outside = false, even = false;
  TrimOptions trim;
};

struct Measure {
  density::Measured measured;
  std::string from;  // "card", "sheet"
};

/// From the card when it holds the readings, else from the sheet: where the sleeve profile says, else by its statistics.
Result<Measure> measure(raw::Reader& sheet, const Options& o, const profile::Shelf& shelf, const profile::StockProfile& stock) {
  const auto card = card_beside(o.sheet);
  if (!card) return fail(card.error());
  const bool read_anew = !o.sleeve.empty();
  if (auto told = read_anew || !*card ? std::nullopt : density::measured_from(**card, stock)) return Measure{std::move(*told), "card"};
  const std::string name = read_anew ? o.sleeve : *card ? (*card)->sleeve : "";
  auto measured = [&]() -> Result<density::Measured> {
    if (name.empty()) return density::measure(sheet, stock);
    auto sleeve = shelf.sleeve(name);
    if (!sleeve) return fail(sleeve.error());
    return density::measure(sheet, *card ? (*card)->origin_mm : Spot<SleeveSpace>{}, *sleeve, stock);
  }();
  if (!measured) return fail(measured.error().fault, o.sheet + ": " + measured.error().text);
  return Measure{std::move(*measured), "sheet"};
}

/// What was asked for on the positive, and where: on the command line, for the roll of this stock, in the stock.
struct Wanted {
  profile::Trim trim;
  std::string from;  // "option", "roll", "stock"
};
Result<Wanted> wanted(const Options& o, const profile::StockProfile& stock) {
  Wanted w{stock.trim, "stock"};
  auto card = card_beside(o.sheet);
  if (!card) return fail(card.error());
  if (*card) {
    // A frame at full follows its roll's proof, as that is now.
    const auto roll = card_beside(fs::absolute(o.sheet).parent_path().parent_path() / "proof" / "sheet.tif");
    if (roll && *roll && (*roll)->roll == (*card)->roll && (*roll)->positive) (*card)->positive = (*roll)->positive;
    const auto& positive = (*card)->positive;
    if (positive && positive->of_roll && (*card)->stock == stock.name) w = {positive->trim, "roll"};
  }
  if (o.trim.any()) w = {o.trim.over(w.trim), "option"};
  return w;
}

Result<int> convert_outside(const Options& o, const Common& common) {
  if (common.config.convert.empty())
    return fail(Fault::bad_profile, "--outside: the configuration file names no outside stage; right is convert: [program, \"{sheet}\", \"{proof}\"]");
  core::Stopwatch watch;
  if (auto r = density::run_outside_stage(common.config.convert, fs::absolute(o.sheet).string(),
                                          fs::absolute(card_path(o.sheet)).string(), fs::absolute(o.out).string());
      !r)
    return fail(r.error());
  if (common.json) print_json({{"file", o.out}, {"stage", "outside"}, {"seconds", watch.seconds()}});
  else print(o.out);
  return 0;
}

/// The frames as the sleeve says they lie; found on the sheet.
Result<std::unique_ptr<density::EvenSource>> evened(raw::Reader& sheet, const Options& o, const profile::Shelf& shelf,
                                                    const profile::StockProfile& stock, const density::Measured& measured) {
  const auto card = card_beside(o.sheet);
  if (!card) return fail(card.error());
  const std::string name = !o.sleeve.empty() ? o.sleeve : *card ? (*card)->sleeve : "";
  if (name.empty()) return fail(Fault::usage, "--even: needs to know where frames lie; name the sleeve with --sleeve S");
  const auto sleeve = shelf.sleeve(name);
  if (!sleeve) return fail(sleeve.error());
  const Spot<SleeveSpace> origin = *card ? (*card)->origin_mm : Spot<SleeveSpace>{};
  const auto found = frames::find(sheet, origin, *sleeve, stock.process);
  if (!found) return fail(found.error());
  std::vector<Rect<SleeveSpace>> areas;
  for (const frames::Frame& f : found->frames) areas.push_back(frames::inside(f));
  say("each of " + std::to_string(areas.size()) + " frames balanced by itself");
  return density::EvenSource::of(sheet, origin, stock, measured, areas);
}

Result<int> convert(const Options& o, const Common& common) {
  std::error_code ignored;
  if (fs::equivalent(o.sheet, o.out, ignored)) return fail(Fault::usage, o.out + ": is the sheet itself; name another file with -o");
  if (o.outside) return convert_outside(o, common);
  if (o.stock.empty()) return fail(Fault::usage, "convert: --stock K is needed; see lapwright convert --help");
  const profile::Shelf shelf = common.shelf();
  auto stock = shelf.stock(o.stock);
  if (!stock) return fail(stock.error());
  const auto w = wanted(o, *stock);
  if (!w) return fail(w.error());
  stock->trim = w->trim;
  auto sheet = raw::Reader::open(o.sheet);
  if (!sheet) return fail(sheet.error());
  core::Stopwatch watch;
  const auto m = measure(**sheet, o, shelf, *stock);
  if (!m) return fail(m.error());
  for (const std::string& caution : m->measured.cautions) say("lapwright: caution: " + caution);

  const density::Converter converter(*stock, m->measured);
  density::PositiveSource page(**sheet, converter);
  std::unique_ptr<density::EvenSource> even;
  if (o.even) {
    auto made = evened(**sheet, o, shelf, *stock, m->measured);
    if (!made) return fail(made.error());
    even = std::move(*made);
  }
  image::RowSource& positive = even ? static_cast<image::RowSource&>(*even) : page;
  std::string extension = fs::path(o.out).extension().string();
  std::transform(extension.begin(), extension.end(), extension.begin(), [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  const int bits = o.bits != 0 ? o.bits : extension == ".jpg" || extension == ".jpeg" ? 8 : 16;
  if (auto r = proof::write_picture(positive, o.out, bits); !r) return fail(r.error());

  if (w->from == "roll") say("with the trim that was kept for the roll: " + profile::trim_text(w->trim));
  const auto& d = m->measured.base_density;
  if (common.json) {
    Json strips = Json::array();
    for (const auto& s : m->measured.strips)
      strips.push_back({{"strip", s.strip}, {"base_density", s.base_density}, {"spread", s.spread}, {"other", s.other}});
    print_json({{"file", o.out}, {"stage", "built-in"}, {"stock", stock->name}, {"bits", bits}, {"measured_from", m->from},
                {"open_light", {{"counts", m->measured.open_light.counts}, {"from", m->measured.open_light.from}}},
                {"base", {{"counts", m->measured.base.counts}, {"density", d}, {"from", m->measured.base.from}}},
                {"exposure", m->measured.exposure}, {"trim", trim_json(w->trim)}, {"trim_from", w->from}, {"even", o.even}, {"balance", m->measured.balance ? "sheet" : "profile"},
                {"light", {{"uneven_percent", 100 * m->measured.uneven}, {"known_to", m->measured.light_residual}}},
                {"flare", m->measured.flare}, {"darkest", m->measured.darkest}, {"strips", strips}, {"cautions", m->measured.cautions},
                {"seconds", watch.seconds()}});
  } else {
    char line[160];
    std::snprintf(line, sizeof line, "base %.2f/%.2f/%.2f over open light (%s)", d[0], d[1], d[2], m->measured.open_light.from.c_str());
    say(line);
    print(o.out);
  }
  return 0;
}

}  // namespace

void add_convert(CLI::App& app, Common& common, Run& run) {
  auto o = std::make_shared<Options>();
  CLI::App* c = app.add_subcommand("convert", "Turns a linear sheet into a positive: the conversion stage on its own");
  c->add_option("SHEET", o->sheet, "The linear 16-bit sheet (.tif)")->required()->type_name("");
  c->add_option("--stock", o->stock, "Stock profile: its process, gain, offset, paper and trim")->type_name("K");
  c->add_option("-o,--out", o->out, "What to write: .tif (16 bits, or 8 with --bits 8) or .jpg")->required()->type_name("PROOF.tif");
  c->add_option("--sleeve", o->sleeve, "Sleeve profile: read base and open light anew on the sheet, where this profile has pockets and rebate")->type_name("S");
  c->add_option("--bits", o->bits, "Bits a sample: 16 or 8")->check(CLI::IsMember({8, 16}));
  c->add_flag("--even", o->even, "Balance each frame by itself; without it one exposure for the page");
  o->trim.add(*c);
  c->add_flag("--outside", o->outside, "Run the outside stage of the configuration file instead");
  c->footer(
      "Open light and film base come from the card beside the sheet (SHEET.yaml) when it holds them; else they are measured on\n"
      "the sheet, by the card's sleeve or --sleeve, or without either by the picture's statistics. Density over base, the stock's\n"
      "gain and offset, one exposure for the page, a paper curve, sRGB with its profile embedded. The sheet is never changed.\n"
      "The trim is the stock's, or the one that was kept for the roll (`lapwright roll trim`) when K is the roll's stock.\n"
      "--json: {file, stage, stock, bits, measured_from, open_light, light, flare, darkest, base, balance, exposure, trim, trim_from,\n"
      "even, strips, cautions, seconds}\n"
      "Examples: lapwright convert sheet.tif --stock c41-daylight-400 -o proof.tif\n"
      "          lapwright convert sheet.tif --stock my-stock.yaml -o look.jpg");
  c->callback([o, &common, &run] { run = [o, &common] { return convert(*o, common); }; });
}

}  // namespace lapwright::cli
