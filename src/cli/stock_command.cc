#include <CLI/CLI.hpp>
#include <cmath>
#include <cstdio>
#include <filesystem>
#include <memory>
#include <nlohmann/json.hpp>

#include "cli/command.h"
#include "cli/records.h"
#include "core/files.h"
#include "density/fit.h"
#include "density/stock_drawing.h"
#include "frames/frames.h"
#include "raw/tiff.h"

namespace lapwright::cli {
namespace {

namespace fs = std::filesystem;

struct FitOptions {
  std::string sheet, stock, like, sleeve, out, wedge;
  std::vector<std::string> neutral;
  int steps = 21;
  double step = 0.15;
  bool replace = false;
};

Json channels(const profile::Channels& c) { return {c.red, c.green, c.blue}; }

Json stock_json(const profile::StockProfile& s) {
  static constexpr const char* processes[] = {"colour-negative", "bw-negative", "slide"};
  Json j = {{"stock", s.name},
            {"about", s.about},
            {"file", s.file},
            {"process", processes[static_cast<int>(s.process)]},
            {"gain", channels(s.gain)},
            {"offset", channels(s.offset)},
            {"toe", s.toe},
            {"balance", s.balance_on_sheet ? "sheet" : "profile"},
            {"paper",
             {{"slope", s.paper.slope},
              {"dmin", s.paper.dmin},
              {"dmax", s.paper.dmax},
              {"knee", s.paper.knee}}},
            {"trim",
             {{"warmth", s.trim.warmth},
              {"tint", s.trim.tint},
              {"brightness", s.trim.brightness},
              {"contrast", s.trim.contrast}}}};
  if (s.base) j["base"] = channels(*s.base);
  if (s.curve) {
    j["curve"] = Json::array();
    for (const auto& curve : *s.curve) {
      Json points = Json::array();
      for (const auto& [net, value] : curve) points.push_back({net, value});
      j["curve"].push_back(points);
    }
  }
  if (s.crosstalk) j["crosstalk"] = *s.crosstalk;
  if (!s.film_numbers.empty()) j["film_numbers"] = s.film_numbers;
  return j;
}

/// "FRAME:n,n,..." with `count` numbers: the frame's name and millimetres from its top left corner
/// as the picture is read.
Result<std::pair<std::string, std::vector<double>>> parse_place(const std::string& option,
                                                                const std::string& text,
                                                                std::size_t count) {
  const auto wrong = [&] {
    return fail(Fault::usage, option + " " + text +
                                  ": right is FRAME:" + (count == 2 ? "x,y" : "x1,y1,x2,y2") +
                                  ", millimetres from the frame's top left corner, as " +
                                  (count == 2 ? "7:12,8" : "9:2,12,34,12"));
  };
  const auto colon = text.find(':');
  if (colon == std::string::npos || colon == 0) return wrong();
  std::vector<double> numbers;
  std::string rest = text.substr(colon + 1) + ",";
  for (std::size_t at = 0, end; (end = rest.find(',', at)) != std::string::npos; at = end + 1) {
    char* last = nullptr;
    const std::string part = rest.substr(at, end - at);
    const double v = std::strtod(part.c_str(), &last);
    if (part.empty() || *last != 0 || !std::isfinite(v) || v < 0 || v > 500) return wrong();
    numbers.push_back(v);
  }
  if (numbers.size() != count) return wrong();
  return std::pair{text.substr(0, colon), numbers};
}

Result<Spot<SleeveSpace>> on_sleeve(const std::vector<frames::Frame>& found,
                                    const std::string& option, const std::string& name, double x,
                                    double y) {
  for (const frames::Frame& f : found) {
    if (f.frame != name) continue;
    const auto &c = f.corners[0], &right = f.corners[1], &down = f.corners[3];
    const double w = std::hypot(right.x - c.x, right.y - c.y),
                 h = std::hypot(down.x - c.x, down.y - c.y);
    if (x > w || y > h)
      return fail(Fault::bad_data, option + " " + name + ": " + fixed(x, 1) + "," + fixed(y, 1) +
                                       " lies outside the frame; it is " + fixed(w, 1) + " x " +
                                       fixed(h, 1) + " mm");
    return Spot<SleeveSpace>{c.x + (right.x - c.x) / w * x + (down.x - c.x) / h * y,
                             c.y + (right.y - c.y) / w * x + (down.y - c.y) / h * y};
  }
  std::vector<std::string> names;
  for (const frames::Frame& f : found) names.push_back(f.frame);
  return fail(Fault::bad_data,
              option + " " + name + ": no such frame was found; there are " + joined(names));
}

/// As the proof numbered them (frames.json beside the sheet), else as they are found now.
Result<std::vector<frames::Frame>> frames_of(raw::Reader& sheet, const std::string& file,
                                             Spot<SleeveSpace> origin,
                                             const profile::SleeveProfile& sleeve,
                                             profile::Process process) {
  const fs::path beside = fs::path(file).parent_path() / "frames.json";
  std::error_code ignored;
  if (fs::exists(beside, ignored)) {
    const auto text = core::read_file(beside);
    if (!text) return fail(text.error());
    const Json json = Json::parse(*text, nullptr, false);
    if (json.is_discarded())
      return fail(Fault::bad_data,
                  beside.string() + ": is not JSON; make it again or move it away");
    return frames::from_json(json, beside.string());
  }
  auto found = frames::find(sheet, origin, sleeve, process);
  if (!found) return fail(found.error());
  return std::move(found->frames);
}

/// NEW as a path, else NEW.yaml among the stocks of the first folder of one's own profiles, else
/// here.
fs::path destination(const FitOptions& o, const Common& common) {
  if (!o.out.empty()) return o.out;
  if (o.stock.find('/') != std::string::npos || o.stock.ends_with(".yaml")) return o.stock;
  const auto& folders =
      !common.profile_folders.empty() ? common.profile_folders : common.config.profiles;
  return (folders.empty() ? fs::path() : fs::path(folders.front()) / "stocks") /
         (o.stock + ".yaml");
}

Result<int> fit(const FitOptions& o, const Common& common) {
  const fs::path file = destination(o, common);
  const std::string name = file.stem().string();
  std::error_code ignored;
  if (fs::exists(file, ignored) && !o.replace)
    return fail(Fault::cannot_create,
                file.string() + ": is there already; another name, or --replace to write over it");
  const auto card = card_beside(o.sheet);
  if (!card) return fail(card.error());
  const profile::Shelf shelf = common.shelf();
  const std::string sleeve_name = !o.sleeve.empty() ? o.sleeve : *card ? (*card)->sleeve : "";
  if (sleeve_name.empty())
    return fail(Fault::usage,
                "stock fit: no card lies beside the sheet; name its sleeve with --sleeve S");
  const auto sleeve = shelf.sleeve(sleeve_name);
  if (!sleeve) return fail(sleeve.error());
  const auto like = shelf.stock(!o.like.empty()                    ? o.like
                                : *card && !(*card)->stock.empty() ? (*card)->stock
                                                                   : "c41-daylight-400");
  if (!like) return fail(like.error());
  auto sheet = raw::Reader::open(o.sheet);
  if (!sheet) return fail(sheet.error());
  const Spot<SleeveSpace> origin = *card ? (*card)->origin_mm : Spot<SleeveSpace>{};
  const auto found = frames_of(**sheet, o.sheet, origin, *sleeve, like->process);
  if (!found) return fail(found.error());

  density::FitRequest request;
  for (const frames::Frame& f : *found) request.frames.push_back(frames::inside(f));
  for (const std::string& text : o.neutral) {
    const auto place = parse_place("--neutral", text, 2);
    if (!place) return fail(place.error());
    const auto at =
        on_sleeve(*found, "--neutral", place->first, place->second[0], place->second[1]);
    if (!at) return fail(at.error());
    request.neutrals.push_back({text, *at});
  }
  if (!o.wedge.empty()) {
    const auto place = parse_place("--wedge", o.wedge, 4);
    if (!place) return fail(place.error());
    const auto first =
        on_sleeve(*found, "--wedge", place->first, place->second[0], place->second[1]);
    if (!first) return fail(first.error());
    const auto last =
        on_sleeve(*found, "--wedge", place->first, place->second[2], place->second[3]);
    if (!last) return fail(last.error());
    request.wedge = density::Wedge{*first, *last, o.steps, o.step};
  }
  auto made = density::fit_stock(**sheet, origin, *sleeve, *like, name, request);
  if (!made) return fail(made.error().fault, o.sheet + ": " + made.error().text);
  made->stock.about = like->about + ", fitted on a sheet";
  if (*card && !(*card)->roll.empty()) made->stock.about += " of roll " + (*card)->roll;
  const std::string text = profile::write_stock(made->stock, made->remarks);
  if (const auto again = profile::parse_stock(text, file.string()); !again)
    return fail(Fault::bad_data,
                o.sheet + ": what was measured makes no stock: " + again.error().text);
  if (file.has_parent_path()) fs::create_directories(file.parent_path(), ignored);
  if (auto r = core::write_file(file, text); !r) return fail(r.error());
  made->stock.file = file.string();
  for (const std::string& r : made->remarks) say(r);
  if (made->sure < 0.7)
    say("lapwright: caution: not sure of it; name a few grey places with --neutral FRAME:x,y, dark "
        "and light, or photograph a step wedge");
  if (common.json) {
    Json j = stock_json(made->stock);
    j["sure"] = made->sure, j["frames"] = made->frames, j["known"] = made->known;
    j["halves_differ"] = made->halves_differ, j["known_off"] = made->known_off,
    j["seen"] = {made->from, made->to};
    j["cautions"] = made->measured.cautions;
    print_json(j);
  } else {
    print(file.string());
  }
  return 0;
}

Result<int> show(const std::string& name, const std::string& svg, const Common& common) {
  const auto stock = common.shelf().stock(name);
  if (!stock) return fail(stock.error());
  const auto tones = density::tones(*stock);
  if (!svg.empty())
    if (auto r = core::write_file(svg, density::stock_svg(*stock)); !r) return fail(r.error());
  if (common.json) {
    Json j = stock_json(*stock);
    j["tones"] = Json::array();
    for (const auto& t : tones) j["tones"].push_back({{"net_density", t.net}, {"code", t.code}});
    if (!svg.empty()) j["svg"] = svg;
    print_json(j);
    return 0;
  }
  print(stock->name + ": " + stock->about + " (" + stock->file + ")");
  std::string text = profile::write_stock(*stock, {});
  print(text.substr(0, text.size() - 1));
  std::vector<std::vector<std::string>> rows;
  for (const auto& t : tones)
    rows.push_back(
        {fixed(t.net, 2), fixed(t.code[0], 1), fixed(t.code[1], 1), fixed(t.code[2], 1)});
  print("What a density over the base prints as, sRGB of 255:");
  print(table({"density", "red", "green", "blue"}, rows));
  if (!svg.empty()) say("drawing: " + svg);
  return 0;
}

Result<int> trim(const std::string& name, const TrimOptions& options, const Common& common) {
  const profile::Shelf shelf = common.shelf();
  auto stock = shelf.stock(name);
  if (!stock) return fail(stock.error());
  if (options.any()) {
    const auto file = profile::keep_trim(shelf, common.own_profiles(), name, options.over(stock->trim));
    if (!file) return fail(file.error());
    stock = shelf.stock(name);
    if (!stock) return fail(stock.error());
    say("kept in " + file->string());
  }
  if (common.json)
    print_json(stock_json(*stock));
  else
    print(stock->name + ": trim " + profile::trim_text(stock->trim) + " (" + stock->file + ")");
  return 0;
}

Result<int> list(const Common& common) {
  const profile::Shelf shelf = common.shelf();
  Json all = Json::array();
  std::vector<std::vector<std::string>> rows;
  for (const std::string& name : shelf.names("stocks")) {
    const auto stock = shelf.stock(name);
    if (!stock) {
      say("lapwright: " + stock.error().text);
      continue;
    }
    all.push_back(stock_json(*stock));
    rows.push_back({stock->name, stock->about, stock->file});
  }
  if (common.json)
    print_json({{"stocks", all}});
  else
    print(table({"stock", "about", "file"}, rows));
  return 0;
}

}  // namespace

void add_stock(CLI::App& app, Common& common, Run& run) {
  CLI::App* stock = app.add_subcommand(
      "stock", "What is known of kinds of film: list, show, trim, fit a new one on a sheet");
  stock->require_subcommand(1);

  CLI::App* l = stock->add_subcommand("list", "The stocks that profiles are found for");
  l->footer("--json: {stocks: [as `stock show`]}");
  l->callback([&common, &run] { run = [&common] { return list(common); }; });

  auto what = std::make_shared<std::pair<std::string, std::string>>();
  CLI::App* s =
      stock->add_subcommand("show", "One stock: its numbers, and what each density prints as");
  s->add_option("K", what->first, "Stock profile: a name or a path")->required()->type_name("");
  s->add_option("--svg", what->second,
                "Draw its curve: the positive over density, a line a channel")
      ->type_name("F.svg");
  s->footer(
      "--json: {stock, about, file, process, base, gain, offset, curve, crosstalk, toe, balance, "
      "paper, trim, tones, svg}");
  s->callback([what, &common, &run] {
    run = [what, &common] { return show(what->first, what->second, common); };
  });

  auto how = std::make_shared<std::pair<std::string, TrimOptions>>();
  CLI::App* t = stock->add_subcommand("trim", "What is asked for on the positives of a stock; with numbers, it is kept for later rolls");
  t->add_option("K", how->first, "Stock profile: a name or a path")->required()->type_name("");
  how->second.add(*t);
  t->footer(
      "Kept in the stock's profile where that is one of your own; of a profile that comes with the program in a copy in the first\n"
      "folder of your own profiles, by default profiles/ beside the configuration file.\n"
      "--json: as `stock show`\n"
      "Example: lapwright stock trim c41-daylight-400 --warmth 8");
  t->callback([how, &common, &run] { run = [how, &common] { return trim(how->first, how->second, common); }; });

  auto o = std::make_shared<FitOptions>();
  CLI::App* f =
      stock->add_subcommand("fit", "Makes a stock profile from a linear sheet of that stock");
  f->add_option("SHEET", o->sheet,
                "The linear 16-bit sheet (.tif); its card beside it tells sleeve and stock")
      ->required()
      ->type_name("");
  f->add_option("--stock", o->stock, "The new stock's name, or the file to write")
      ->required()
      ->type_name("NEW");
  f->add_option("--like", o->like,
                "Stock to start from (default: the card's, else c41-daylight-400)")
      ->type_name("K");
  f->add_option("--sleeve", o->sleeve, "Sleeve profile (default: the card's)")->type_name("S");
  f->add_option(
       "--neutral", o->neutral,
       "A grey place: frame and millimetres from its top left corner, as 7:12,8; again for more")
      ->type_name("FRAME:x,y");
  f->add_option("--wedge", o->wedge,
                "A photographed step wedge: the middles of its first and last step")
      ->type_name("FRAME:x1,y1,x2,y2");
  f->add_option("--steps", o->steps, "The wedge's steps")
      ->check(CLI::Range(5, 100))
      ->capture_default_str();
  f->add_option("--step", o->step, "Density from step to step")
      ->check(CLI::Range(0.02, 1.0))
      ->capture_default_str();
  f->add_option("-o,--out", o->out,
                "File to write (default: NEW.yaml in stocks/ of the first folder of your own "
                "profiles, else here)")
      ->type_name("F.yaml");
  f->add_flag("--replace", o->replace, "Write over a file that is there");
  f->footer(
      "All frames together tell where neutrals lie: every picture holds some grey. Grey places "
      "that you name weigh more, a step\n"
      "wedge most; it also shows the film's contrast. The profile says how sure it is.\n"
      "--json: as `stock show`, with {sure, frames, known, halves_differ, known_off, seen, "
      "cautions}\n"
      "Examples: lapwright stock fit sheet.tif --stock my-400\n"
      "          lapwright stock fit sheet.tif --stock my-400 --neutral 3:10,12 --neutral 3:30,12 "
      "--replace");
  f->callback([o, &common, &run] { run = [o, &common] { return fit(*o, common); }; });
}

}  // namespace lapwright::cli
