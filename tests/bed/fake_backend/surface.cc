// Surfaces after the capability table of the SANE field notes (section 1.1), named by what is
// peculiar in them, and some that no known driver has.
#include "fake_backend/surface.h"

namespace fake {
namespace {

using S = const State&;
constexpr double fine = 4800;

Spec flag(std::string name, double value = 1, std::function<bool(S)> active = {}) {
  return {.name = name, .title = name, .type = Type::boolean, .number = value, .active = active};
}
Spec choice(std::string name, std::string value, std::vector<std::string> texts,
            std::function<bool(S)> active = {}, std::function<void(State&)> on_set = {}) {
  return {.name = name,
          .title = name,
          .type = Type::text,
          .text = value,
          .texts = texts,
          .active = active,
          .on_set = on_set};
}
Spec number(std::string name, Type type, Unit unit, double value, Range r) {
  return {
      .name = name, .title = name, .type = type, .unit = unit, .number = value, .range = [r](S) {
        return r;
      }};
}
Spec list(std::string name, Unit unit, double value, std::vector<double> members) {
  return {.name = name,
          .title = name,
          .type = Type::whole,
          .unit = unit,
          .number = value,
          .list = members};
}
Spec table(std::string name, int count, std::function<bool(S)> active = {}) {
  return {.name = name,
          .title = name,
          .type = Type::whole,
          .number = 7,
          .range =
              [](S) {
                return Range{0, 255, 0};
              },
          .active = active,
          .count = count};
}
/// Four edges whose ranges come from a function of the state.
void edges(std::vector<Spec>& o, std::function<Range(S)> x, std::function<Range(S)> y,
           Unit unit = Unit::mm,
           std::vector<std::string> names = {"tl-x", "tl-y", "br-x", "br-y"}) {
  for (int i = 0; i < 4; ++i) {
    Spec s{.name = names[static_cast<std::size_t>(i)],
           .title = "edge",
           .type = unit == Unit::mm ? Type::fixed : Type::whole,
           .unit = unit};
    s.range = i % 2 == 0 ? x : y;
    s.number = i < 2 ? 0 : 50;
    o.push_back(s);
  }
}
std::function<Geometry(S)> mm_edges(const char* dpi = "resolution", const char* dpi_y = nullptr) {
  return [dpi, dpi_y](S s) {
    return Geometry{s.n("tl-x"), s.n("tl-y"), s.n("br-x"),
                    s.n("br-y"), s.n(dpi),    s.n(dpi_y ? dpi_y : dpi)};
  };
}
/// The range is the glass, or with film light the film window.
std::function<Range(S)> by_source(const char* film, double glass, double window,
                                  double origin = 0) {
  return [=](S s) {
    return s.t("source").find(film) != std::string::npos ? Range{origin, origin + window, 0}
                                                         : Range{0, glass, 0};
  };
}
int first_broken(std::initializer_list<bool> rules) {
  int i = 0;
  for (bool ok : rules) {
    ++i;
    if (!ok) return i;
  }
  return 0;
}
bool identity(const std::vector<double>& t) {
  const auto n = static_cast<double>(t.size() - 1);
  for (std::size_t i = 0; i < t.size(); ++i)
    if (static_cast<long>(t[i]) != static_cast<long>(255.0 * static_cast<double>(i) / n + 0.5))
      return false;
  return true;
}

Surface list_gamma(bool tables_only) {
  Surface s{.name = tables_only ? "table-gamma" : "list-gamma"};
  const auto film = [](S st) { return st.t("source") != "Flatbed"; };
  s.options = {
      {.name = "standard", .title = "Scan Mode", .type = Type::group},
      choice("source", "Flatbed",
             {"Flatbed", "Automatic Document Feeder", "Transparency Unit", "TPU8x10"}, {},
             [](State& st) {
               st.text["film-type"] = "Negative Film",
               st.number["focus-position"] = st.t("source") == "Flatbed" ? 64 : 89;
             }),
      choice("film-type", "Negative Film",
             {"Positive Film", "Negative Film", "Positive Slide", "Negative Slide"}, film),
      choice("mode", "Lineart", {"Lineart", "Gray", "Color"}, {},
             [](State& st) { st.number["depth"] = 8; }),
      list("depth", Unit::bit, 8, {8, 16}),
      choice(
          "gamma-correction", "CRT displays (Gamma=1.8)",
          tables_only
              ? std::vector<std::string>{"Default", "User defined", "High density printing",
                                         "High contrast printing"}
              : std::vector<std::string>{"Default", "User defined (Gamma=1.8)",
                                         "CRT displays (Gamma=1.8)", "User defined (Gamma=1.0)"}),
      table("red-gamma-table", 256,
            [](S st) { return st.t("gamma-correction") == "User defined"; }),
      table("green-gamma-table", 256,
            [](S st) { return st.t("gamma-correction") == "User defined"; }),
      table("blue-gamma-table", 256,
            [](S st) { return st.t("gamma-correction") == "User defined"; }),
      choice("color-correction", "Built in CCT profile",
             {"None", "Built in CCT profile", "User defined CCT profile"}),
      number("brightness", Type::whole, Unit::none, 2, {-4, 3, 0}),
      number("sharpness", Type::whole, Unit::none, 1, {-2, 2, 0}),
      flag("mirror"),
      flag("preview"),
      flag("wait-for-button"),
      number("focus-position", Type::whole, Unit::none, 64, {0, 254, 0}),
      list("resolution", Unit::dpi, 300, {300, 600, 1200, 2400, 4800}),
  };
  if (tables_only) s.options[5].text = "Default";
  // Only the far edges follow the source.
  edges(
      s.options,
      [](S) {
        return Range{0, 215.9, 0};
      },
      [](S) {
        return Range{0, 297.2, 0};
      });
  for (auto& o : s.options) {
    if (o.name == "br-x")
      o.range = [](S st) {
        return Range{0,
                     st.t("source") == "Flatbed"   ? 215.9
                     : st.t("source") == "TPU8x10" ? 203.2
                                                   : 68.6,
                     0};
      };
    if (o.name == "br-y")
      o.range = [](S st) {
        return Range{0,
                     st.t("source") == "Flatbed"   ? 297.2
                     : st.t("source") == "TPU8x10" ? 254.0
                                                   : 237.0,
                     0};
      };
  }
  s.geometry = mm_edges();
  s.width_step = 8;
  s.color = [](S st) { return st.t("mode") == "Color"; };
  s.deep = [](S st) { return st.n("depth") == 16; };
  s.broken = [film, tables_only](S st) {
    const bool curve = tables_only ? st.t("gamma-correction") == "User defined" &&
                                         identity(st.array.at("red-gamma-table")) &&
                                         identity(st.array.at("green-gamma-table")) &&
                                         identity(st.array.at("blue-gamma-table"))
                                   : st.t("gamma-correction") == "User defined (Gamma=1.0)";
    return first_broken({film(st), st.t("film-type") == "Positive Film", curve,
                         st.t("color-correction") == "None", st.n("brightness") == 0,
                         st.n("sharpness") == 0, st.n("mirror") == 0, st.n("preview") == 0,
                         st.n("wait-for-button") == 0, st.n("focus-position") == 89});
  };
  return s;
}

/// Raw by nature at 16 bits; depth falls back with the mode; corrections go to sleep at 16 bits.
Surface depth_list() {
  Surface s{.name = "depth-list"};
  s.options = {
      choice("mode", "Gray", {"Color", "Gray"}, {}, [](State& st) { st.number["depth"] = 8; }),
      choice("source", "Flatbed",
             {"Flatbed", "Transparency Adapter Infrared", "Transparency Adapter"}, {},
             [](State& st) { st.number["resolution"] = 300; }),
      list("depth", Unit::bit, 8, {8, 16}),
      flag("preview", 0),
      {.name = "brightness",
       .title = "Brightness",
       .type = Type::whole,
       .number = 10,
       .range =
           [](S) {
             return Range{-100, 100, 1};
           },
       .active = [](S st) { return st.n("depth") == 8; }},
      flag("custom-gamma"),
      table("gamma-table", 4096, [](S st) { return st.n("custom-gamma") != 0; }),
      list("resolution", Unit::dpi, 75, {4800, 2400, 1200, 600, 300, 150}),
      {.name = "scan", .title = "Scan button", .type = Type::boolean, .sensor = true},
      {.name = "file", .title = "File button", .type = Type::boolean, .sensor = true},
  };
  edges(s.options, by_source("Transparency", 216, 70), by_source("Transparency", 299, 230));
  s.geometry = mm_edges();
  s.width_step = 4;
  s.color = [](S st) { return st.t("mode") == "Color"; };
  s.deep = [](S st) { return st.n("depth") == 16; };
  s.broken = [](S st) {
    return first_broken({st.t("source") == "Transparency Adapter", st.n("custom-gamma") == 0});
  };
  return s;
}

/// No depth option: the mode says it; the source resets mode and resolution; ranges are the glass's
/// for every source.
Surface mode_depth() {
  Surface s{.name = "mode-depth"};
  s.options = {
      list("resolution", Unit::dpi, 75, {75, 150, 300, 600, 1200, 2400}),
      choice("mode", "Color",
             {"Color", "Gray", "48 bits color", "16 bits gray", "Negative color", "Lineart"}),
      choice("source", "Flatbed", {"Flatbed", "Transparency Unit"}, {},
             [](State& st) { st.text["mode"] = "Color", st.number["resolution"] = 75; }),
      flag("button-controlled"),
      flag("custom-gamma"),
      {.name = "gamma",
       .title = "Gamma function exponent",
       .type = Type::fixed,
       .number = 2.2,
       .range =
           [](S) {
             return Range{0.3, 5, 0};
           },
       .active = [](S st) { return st.n("custom-gamma") != 0; }},
      {.name = "button-update", .title = "Update button state", .type = Type::button},
      {.name = "button-1", .title = "Button 1", .type = Type::whole, .sensor = true},
  };
  edges(
      s.options,
      [](S) {
        return Range{0, 216, 0};
      },
      [](S) {
        return Range{0, 297.5, 0};
      });
  s.geometry = mm_edges();
  s.color = [](S st) { return st.t("mode").find("olor") != std::string::npos; };
  s.deep = [](S st) { return st.t("mode") == "48 bits color"; };
  s.broken = [](S st) {
    return first_broken({st.t("source") == "Transparency Unit", st.n("custom-gamma") == 0,
                         st.n("button-controlled") == 0});
  };
  return s;
}

Surface tables_and_range() {
  Surface s{.name = "tables-range"};
  s.options = {
      choice("mode", "Gray",
             {"Line Art", "Gray", "Color", "12bit Color", "16bit Gray", "16bit Color"}),
      choice("source", "Normal", {"Normal", "ADF Front", "Transparency"}),
      number("resolution", Type::whole, Unit::dpi, 150, {50, 4800, 10}),
      number("brightness", Type::fixed, Unit::none, 20, {-100, 100, 1}),
      number("contrast", Type::fixed, Unit::none, 20, {-100, 100, 1}),
      table("red-gamma-table", 256),
      table("green-gamma-table", 256),
      table("blue-gamma-table", 256),
      flag("infra-red"),
      {.name = "message",
       .title = "message text from the scanner",
       .type = Type::text,
       .sensor = true},
  };
  edges(s.options, by_source("Transparency", 216, 100), by_source("Transparency", 300, 200));
  s.geometry = mm_edges();
  s.color = [](S st) { return st.t("mode").find("Color") != std::string::npos; };
  s.deep = [](S st) { return st.t("mode") == "16bit Color"; };
  s.broken = [](S st) {
    return first_broken({st.t("source") == "Transparency", st.n("brightness") == 0,
                         st.n("contrast") == 0, identity(st.array.at("red-gamma-table")),
                         identity(st.array.at("blue-gamma-table")), st.n("infra-red") == 0});
  };
  return s;
}

Surface three_frames() {
  Surface s{.name = "three-frames"};
  s.options = {
      choice("mode", "Gray", {"LineArt", "Halftone", "Gray", "Color"}),
      choice("source", "Flatbed", {"Flatbed", "ADF", "TMA", "Filmstrip"}),
      list("depth", Unit::bit, 8, {8, 10, 12, 14, 16}),
      {.name = "resolution-bind",
       .title = "Bind X and Y resolution",
       .type = Type::boolean,
       .number = 0},
      number("resolution", Type::fixed, Unit::dpi, 72, {10, 2400, 1}),
      {.name = "y-resolution",
       .title = "Y resolution",
       .type = Type::fixed,
       .unit = Unit::dpi,
       .number = 72,
       .range =
           [](S) {
             return Range{10, 2400, 1};
           },
       .active = [](S st) { return st.n("resolution-bind") == 0; }},
      choice("gamma-correction", "Scalar", {"None", "Scalar", "Custom"}),
      {.name = "scalar-gamma",
       .title = "Scalar gamma",
       .type = Type::fixed,
       .number = 2.2,
       .range =
           [](S) {
             return Range{0.1, 4, 0};
           },
       .active = [](S st) { return st.t("gamma-correction") == "Scalar"; }},
      flag("no-backtracking", 0),
      flag("auto-adjust"),
      flag("preview"),
      number("exposure", Type::whole, Unit::none, 0, {0, 510, 2}),
  };
  edges(s.options, by_source("TMA", 216, 120), by_source("TMA", 300, 200));
  s.geometry = [](S st) {
    return Geometry{st.n("tl-x"),
                    st.n("tl-y"),
                    st.n("br-x"),
                    st.n("br-y"),
                    st.n("resolution"),
                    st.n("resolution-bind") != 0 ? st.n("resolution") : st.n("y-resolution")};
  };
  s.three_frames = true, s.order = "GBR", s.pad = 6;
  s.color = [](S st) { return st.t("mode") == "Color"; };
  s.deep = [](S st) { return st.n("depth") == 16; };
  s.broken = [](S st) {
    return first_broken({st.t("source") == "TMA", st.t("gamma-correction") == "None",
                         st.n("auto-adjust") == 0, st.n("preview") == 0, st.n("exposure") == 0});
  };
  return s;
}

/// The film window has an origin of its own; the negative switch and analog gamma are on; one frame
/// or three.
Surface origin_range(bool frames) {
  Surface s{.name = frames ? "origin-frames" : "origin-range"};
  s.three_frames = frames, s.order = "BRG";
  s.options = {
      choice("mode", "Color", {"Lineart", "Gray", "Color"}),
      choice("source", "Flatbed", {"Flatbed", "Transparency Adapter"}),
      number("resolution", Type::fixed, Unit::dpi, 100, {50, 1200, 1}),
      {.name = "y-resolution",
       .title = "Y resolution",
       .type = Type::fixed,
       .unit = Unit::dpi,
       .number = 60,
       .range =
           [](S) {
             return Range{50, 2400, 1};
           },
       .active = [](S st) { return st.n("resolution-bind") == 0; }},
      {.name = "resolution-bind",
       .title = "Bind X and Y resolution",
       .type = Type::boolean,
       .number = frames ? 0.0 : 1.0},
      list("depth", Unit::bit, 8, {8, 9, 10, 12, 14, 16}),
      flag("negative"),
      flag("custom-gamma"),
      number("analog-gamma", Type::fixed, Unit::none, 1.8, {1, 2, 0}),
      number("shadow", Type::fixed, Unit::none, 5, {0, 100, 1}),
      number("highlight", Type::fixed, Unit::none, 95, {0, 100, 1}),
      flag("warmup", 0),
  };
  edges(s.options, by_source("Transparency", 216, 120, 45.5),
        by_source("Transparency", 300, 200, 30.25));
  s.geometry = [](S st) {
    return Geometry{st.n("tl-x"),
                    st.n("tl-y"),
                    st.n("br-x"),
                    st.n("br-y"),
                    st.n("resolution"),
                    st.n("resolution-bind") != 0 ? st.n("resolution") : st.n("y-resolution")};
  };
  s.color = [](S st) { return st.t("mode") == "Color"; };
  s.deep = [](S st) { return st.n("depth") == 16; };
  s.broken = [](S st) {
    return first_broken({st.t("source") == "Transparency Adapter", st.n("negative") == 0,
                         st.n("analog-gamma") == 1, st.n("custom-gamma") == 0, st.n("shadow") == 0,
                         st.n("highlight") == 100});
  };
  return s;
}

/// Film only, no source; the area counts pixels of the highest resolution.
Surface pixels_finest() {
  Surface s{.name = "pixels-finest"};
  s.options = {
      flag("negative"),
      list("depth", Unit::bit, 8, {8, 14, 16}),
      flag("autofocus", 0),
      {.name = "focus",
       .title = "Focus position",
       .type = Type::whole,
       .number = 123,
       .range =
           [](S) {
             return Range{0, 450, 0};
           }},
      list("resolution", Unit::dpi, 300, {4800, 2400, 1200, 600, 300}),
      flag("ae"),
      {.name = "frame",
       .title = "Film frame number",
       .type = Type::whole,
       .number = 1,
       .range =
           [](S) {
             return Range{1, 6, 1};
           }},
      {.name = "eject", .title = "Eject film", .type = Type::button},
  };
  const auto r = [](S) { return Range{0, 11339, 0}; };
  edges(s.options, r, r, Unit::pixel);
  s.geometry = [](S st) {
    const double k = 25.4 / fine;
    return Geometry{st.n("tl-x") * k, st.n("tl-y") * k,   (st.n("br-x")) * k,
                    st.n("br-y") * k, st.n("resolution"), st.n("resolution")};
  };
  s.color = [](S) { return true; };
  s.deep = [](S st) { return st.n("depth") == 16; };
  s.broken = [](S st) {
    return first_broken({st.n("negative") == 0, st.n("focus") == 123, st.n("ae") == 0});
  };
  return s;
}

/// The area counts pixels of the resolution set; origin and extent; every name unknown.
Surface odd_names() {
  Surface s{.name = "odd-names"};
  s.options = {
      choice("light", "Reflected", {"Reflected", "Transmitted"}),
      choice("film", "colour negative", {"colour negative", "monochrome negative", "colour slide"},
             [](S st) { return st.t("light") == "Transmitted"; }),
      choice("image-type", "Greyscale", {"Binary", "Greyscale", "Colour"}),
      choice("bit-depth", "8 bit", {"8 bit", "16 bit"},
             [](S st) { return st.t("image-type") == "Colour"; }),
      choice("tone-curve", "s-shaped", {"s-shaped", "linear", "gamma 2.2"}),
      flag("auto-colour"),
      choice("color-restoration", "low", {"off", "low", "high"}),
      number("unsharp-mask", Type::whole, Unit::none, 40, {0, 100, 1}),
      number("saturation", Type::whole, Unit::none, 30, {-50, 50, 1}),
      flag("dust-removal"),
      flag("flip-horizontal"),
      list("scan-resolution", Unit::none, 150, {150, 300, 600, 1200}),
      number("hopper", Type::whole, Unit::none, 3, {0, 9, 1}),
  };
  const auto span = [](double mm) {
    return [mm](S st) {
      return Range{0, static_cast<double>(static_cast<long>(mm * st.n("scan-resolution") / 25.4)),
                   0};
    };
  };
  edges(s.options, span(100), span(150), Unit::pixel, {"x-origin", "y-origin", "width", "height"});
  s.geometry = [](S st) {
    const double dpi = st.n("scan-resolution"), k = 25.4 / dpi;
    return Geometry{st.n("x-origin") * k,
                    st.n("y-origin") * k,
                    (st.n("x-origin") + st.n("width")) * k,
                    (st.n("y-origin") + st.n("height")) * k,
                    dpi,
                    dpi};
  };
  s.color = [](S st) { return st.t("image-type") == "Colour"; };
  s.deep = [](S st) { return st.t("bit-depth") == "16 bit"; };
  s.broken = [](S st) {
    return first_broken({st.t("light") == "Transmitted", st.t("film") == "colour slide",
                         st.t("tone-curve") == "linear", st.n("auto-colour") == 0,
                         st.t("color-restoration") == "off", st.n("unsharp-mask") == 0,
                         st.n("saturation") == 0, st.n("dust-removal") == 0,
                         st.n("flip-horizontal") == 0, st.n("hopper") == 3});
  };
  return s;
}

/// More names nobody knows: media type, bits a pixel, dots per inch, corners written out.
Surface odd_corners() {
  Surface s{.name = "odd-corners"};
  s.options = {
      {.name = "media-type",
       .title = "What lies on the glass",
       .type = Type::text,
       .text = "paper",
       .texts = {"paper", "film-negative", "film-positive"}},
      choice("colour-mode", "mono", {"mono", "grey", "rgb"}),
      list("bits", Unit::none, 24, {24, 48}),
      {.name = "gamma",
       .title = "Gamma",
       .type = Type::fixed,
       .number = 2.2,
       .range =
           [](S) {
             return Range{0.5, 3, 0};
           }},
      flag("linear-output", 0),
      flag("auto-exposure"),
      choice("digital-sharpening", "standard", {"disabled", "standard"}),
      {.name = "dpi",
       .title = "Sampling",
       .type = Type::whole,
       .number = 200,
       .range =
           [](S) {
             return Range{100, 3200, 100};
           }},
  };
  const auto by = [](double glass, double film) {
    return [=](S st) { return Range{0, st.t("media-type") == "paper" ? glass : film, 0}; };
  };
  edges(s.options, by(210, 80), by(297, 240), Unit::mm,
        {"top-left-x", "top-left-y", "bottom-right-x", "bottom-right-y"});
  s.geometry = [](S st) {
    return Geometry{st.n("top-left-x"),     st.n("top-left-y"), st.n("bottom-right-x"),
                    st.n("bottom-right-y"), st.n("dpi"),        st.n("dpi")};
  };
  s.color = [](S st) { return st.t("colour-mode") == "rgb"; };
  s.deep = [](S st) { return st.n("bits") == 48; };
  s.broken = [](S st) {
    return first_broken({st.t("media-type") == "film-positive", st.n("gamma") == 1,
                         st.n("linear-output") == 1, st.n("auto-exposure") == 0,
                         st.t("digital-sharpening") == "disabled"});
  };
  return s;
}

/// left, top, width, height in mm; a film lamp that is only a switch; the depth is a range.
Surface lamp_switch() {
  Surface s{.name = "lamp-switch"};
  s.options = {
      {.name = "back-light", .title = "Light from the lid", .type = Type::boolean, .number = 0},
      choice("mode", "Color", {"Gray", "Color"}),
      number("sample-depth", Type::whole, Unit::bit, 8, {1, 16, 1}),
      number("x-resolution", Type::whole, Unit::dpi, 100, {50, 2400, 1}),
      number("y-resolution", Type::whole, Unit::dpi, 100, {50, 4800, 1}),
  };
  const auto by = [](double glass, double film) {
    return [=](S st) { return Range{0, st.n("back-light") != 0 ? film : glass, 0}; };
  };
  edges(s.options, by(210, 90), by(297, 160), Unit::mm, {"left", "top", "width", "height"});
  s.geometry = [](S st) {
    return Geometry{st.n("left"),
                    st.n("top"),
                    st.n("left") + st.n("width"),
                    st.n("top") + st.n("height"),
                    st.n("x-resolution"),
                    st.n("y-resolution")};
  };
  s.color = [](S st) { return st.t("mode") == "Color"; };
  s.deep = [](S st) { return st.n("sample-depth") == 16; };
  s.broken = [](S st) { return first_broken({st.n("back-light") == 1}); };
  return s;
}

Surface plain(std::string name, std::vector<std::string> sources, std::string right,
              std::vector<double> depths) {
  Surface s{.name = name};
  s.options = {choice("source", sources.front(), sources),
               choice("mode", "Color", {"Gray", "Color"}), list("depth", Unit::bit, 8, depths),
               list("resolution", Unit::dpi, 300, {300, 600})};
  edges(
      s.options,
      [](S) {
        return Range{0, 200, 0};
      },
      [](S) {
        return Range{0, 280, 0};
      });
  s.geometry = mm_edges();
  s.color = [](S st) { return st.t("mode") == "Color"; };
  s.deep = [](S st) { return st.n("depth") == 16; };
  s.broken = [right](S st) { return first_broken({right.empty() || st.t("source") == right}); };
  return s;
}

/// Paper by its one source; the film's kind is an option of its own, in the plural.
Surface plural_film() {
  Surface s = plain("plural-film", {"Normal", "TPU"}, "TPU", {8, 12, 16});
  s.options.push_back(choice("type-of-film", "Negatives", {"Negatives", "Slides"},
                             [](S st) { return st.t("source") == "TPU"; }));
  s.broken = [](S st) {
    return first_broken({st.t("source") == "TPU", st.t("type-of-film") == "Slides"});
  };
  return s;
}

/// The source's name is the film's; depths of 8 and 14 (handed over as 16); buttons with a space in
/// their names.
Surface film_sources() {
  Surface s{.name = "film-sources"};
  const auto film = [](S st) { return st.t("source") != "Normal"; };
  s.options = {
      choice("mode", "Color", {"Lineart", "Gray", "Color"}, {},
             [](State& st) { st.number["depth"] = 8; }),
      list("depth", Unit::bit, 8, {8, 14}),
      choice("source", "Normal", {"Normal", "Transparency", "Negative"}),
      {.name = "resolution",
       .title = "Scan resolution",
       .type = Type::whole,
       .unit = Unit::dpi,
       .number = 50,
       .range =
           [film](S st) {
             return Range{film(st) ? 150.0 : 50.0, 2400, 1};
           }},
      number("brightness", Type::fixed, Unit::none, 12, {-100, 100, 1}),
      number("contrast", Type::fixed, Unit::none, -7, {-100, 100, 1}),
      flag("preview"),
      flag("custom-gamma"),
      table("gamma-table", 4096, [](S st) { return st.n("custom-gamma") != 0; }),
      number("lampoff-time", Type::whole, Unit::none, 300, {0, 999, 1}),
      flag("warmup-time", 0),
      {.name = "button 0", .title = "Scan button", .type = Type::boolean, .sensor = true},
  };
  const auto span = [](double glass, double transparency, double negative) {
    return [=](S st) {
      return Range{0,
                   st.t("source") == "Normal"     ? glass
                   : st.t("source") == "Negative" ? negative
                                                  : transparency,
                   0};
    };
  };
  edges(s.options, span(215, 42.3, 38.9), span(297, 43.2, 29.6));
  s.geometry = mm_edges();
  s.vague_before_start = true;
  s.color = [](S st) { return st.t("mode") == "Color"; };
  s.deep = [](S st) { return st.n("depth") > 8; };
  s.broken = [](S st) {
    return first_broken({st.t("source") == "Transparency", st.n("brightness") == 0,
                         st.n("contrast") == 0,
                         st.n("custom-gamma") == 0 || identity(st.array.at("gamma-table")),
                         st.n("preview") == 0, st.n("lampoff-time") == 300});
  };
  return s;
}

/// Always 16 bits under film light, in a mode that does not say so; modes and resolutions follow
/// the source; infrared is a mode.
Surface deep_light() {
  Surface s{.name = "deep-light"};
  const auto film = [](S st) { return st.t("source") == "Transparency Unit"; };
  s.options = {
      {.name = "resolution",
       .title = "Scan resolution",
       .type = Type::whole,
       .unit = Unit::dpi,
       .number = 75,
       .members =
           [film](S st) {
             return film(st) ? std::vector<double>{300, 600, 1200, 2400, 4800, 9600}
                             : std::vector<double>{75, 150, 300, 600, 1200, 2400, 4800};
           }},
      {.name = "mode",
       .title = "Scan mode",
       .type = Type::text,
       .text = "Gray",
       .choices =
           [film](S st) {
             return film(st) ? std::vector<std::string>{"Infrared", "Negative color",
                                                        "Negative gray", "Gray", "Color"}
                             : std::vector<std::string>{"Color", "Gray", "48 bits color",
                                                        "16 bits gray", "Lineart"};
           }},
      choice("source", "Flatbed", {"Flatbed", "Transparency Unit"}, {},
             [film](State& st) {
               st.text["mode"] = film(st) ? "Negative color" : "Color",
               st.number["resolution"] = film(st) ? 300 : 75;
             }),
      flag("button-controlled"),
      flag("custom-gamma", 0),
      table("gamma-table", 4096, [](S st) { return st.n("custom-gamma") != 0; }),
  };
  edges(
      s.options,
      [](S) {
        return Range{0, 216, 0};
      },
      [](S) {
        return Range{0, 297.5, 0};
      });
  s.geometry = mm_edges();
  s.color = [](S st) { return st.t("mode").find("olor") != std::string::npos; };
  s.deep = [film](S st) { return film(st) || st.t("mode") == "48 bits color"; };
  s.broken = [film](S st) {
    return first_broken({film(st), st.t("mode") == "Color", st.n("custom-gamma") == 0,
                         st.n("button-controlled") == 0});
  };
  return s;
}

/// A unit for film alone: no reflected light, 16 bits only, its highest resolution along the
/// carriage only; infrared is a source.
Surface film_unit() {
  Surface s{.name = "film-unit"};
  s.options = {
      choice("mode", "Gray", {"Color", "Gray"}),
      choice("source", "Transparency Adapter Infrared",
             {"Transparency Adapter Infrared", "Transparency Adapter"}),
      list("depth", Unit::bit, 16, {16}),
      flag("preview", 0),
      {.name = "resolution",
       .title = "Scan resolution",
       .type = Type::whole,
       .unit = Unit::dpi,
       .number = 1200,
       .members =
           [](S st) {
             return st.t("source") == "Transparency Adapter"
                        ? std::vector<double>{9600, 4800, 2400, 1200, 600, 300}
                        : std::vector<double>{2400, 1200, 600, 300};
           }},
      flag("custom-gamma", 0),
      table("gamma-table", 256, [](S st) { return st.n("custom-gamma") != 0; }),
      flag("force-calibration", 0),
      number("expiration-time", Type::whole, Unit::none, 60, {-1, 30000, 1}),
      flag("swdespeck"),
      {.name = "despeck",
       .title = "Size of specks",
       .type = Type::whole,
       .number = 1,
       .range =
           [](S) {
             return Range{1, 9, 1};
           },
       .active = [](S st) { return st.n("swdespeck") != 0; }},
  };
  edges(
      s.options,
      [](S) {
        return Range{0, 35, 0};
      },
      [](S) {
        return Range{0, 230, 0};
      });
  s.geometry = mm_edges();
  s.most_ppi_x = 4800, s.width_step = 4;
  s.color = [](S st) { return st.t("mode") == "Color"; };
  s.deep = [](S) { return true; };
  s.broken = [](S st) {
    return first_broken({st.t("source") == "Transparency Adapter", st.n("custom-gamma") == 0,
                         st.n("swdespeck") == 0, st.n("expiration-time") == 60});
  };
  return s;
}

/// Rounds without a word: a resolution to sixties, edges to a fifth of a millimetre; takes any
/// beginning of a text for the whole.
Surface quiet_rounding() {
  Surface s =
      plain("quiet-rounding", {"Flatbed", "Transparency Adapter"}, "Transparency Adapter", {8, 16});
  s.quiet = true;
  for (Spec& o : s.options) {
    if (o.name == "resolution")
      o = {.name = "resolution",
           .title = "Scan resolution",
           .type = Type::whole,
           .unit = Unit::dpi,
           .number = 60,
           .range =
               [](S) {
                 return Range{60, 4800, 0};
               },
           .step = 60};
    if (o.unit == Unit::mm) o.step = 0.2;
  }
  return s;
}

/// The film unit is not attached: its source sleeps.
Surface unlit() {
  Surface s = plain("unlit", {"Flatbed", "Transparency Unit"}, "Transparency Unit", {8, 16});
  s.options.front().active = [](S) { return false; };
  return s;
}

/// A feeder's and glass's device: 8 bits, a fixed curve, and a correction that cannot be turned
/// off.
Surface feeder() {
  Surface s{.name = "feeder"};
  s.options = {
      choice("source", "ADF Front", {"Flatbed", "ADF Front", "ADF Duplex"}),
      choice("mode", "Monochrome", {"Monochrome", "Grayscale", "Color"}),
      list("depth", Unit::bit, 8, {1, 8}),
      list("resolution", Unit::dpi, 200, {200, 300, 600}),
      {.name = "gamma", .title = "Gamma", .type = Type::fixed, .number = 1.8, .sensor = true},
      choice("sharpness-level", "medium", {"medium", "high"}),
      flag("jpeg-compression"),
  };
  edges(
      s.options,
      [](S) {
        return Range{0, 215.9, 0};
      },
      [](S) {
        return Range{0, 297, 0};
      });
  s.geometry = mm_edges();
  s.color = [](S st) { return st.t("mode") == "Color"; };
  s.deep = [](S) { return false; };
  s.broken = [](S) { return 0; };
  return s;
}

}  // namespace

const std::vector<Surface>& surfaces() {
  static const std::vector<Surface> all = {
      list_gamma(false),
      list_gamma(true),
      depth_list(),
      mode_depth(),
      deep_light(),
      film_unit(),
      tables_and_range(),
      film_sources(),
      three_frames(),
      origin_range(false),
      origin_range(true),
      pixels_finest(),
      plural_film(),
      quiet_rounding(),
      unlit(),
      feeder(),
      plain("slide-source", {"Reflective", "Slide", "Negative"}, "Slide", {8, 16}),
      plain("positive-source", {"Reflective", "Positive", "Negative"}, "Positive", {8, 16}),
      plain("tma-slides", {"Flatbed", "ADF", "TMA Slides", "TMA Negatives"}, "TMA Slides", {8, 16}),
      plain("negative-only", {"Flatbed", "TMA Negatives"}, "TMA Negatives", {8, 16}),
      plain("xpa-light", {"Normal", "ADF", "XPA"}, "XPA", {8, 10, 12, 16}),
      plain("twelve-bit", {"Flatbed", "Transparency Unit"}, "Transparency Unit", {8, 12}),
      plain("eight-bit", {"Flatbed", "ADF", "Transparency Unit"}, "", {1, 8}),
      plain("no-film", {"Flatbed", "ADF"}, "", {8, 16}),
      odd_names(),
      odd_corners(),
      lamp_switch()};
  return all;
}

}  // namespace fake
