#include "density/stock_drawing.h"

#include <cmath>
#include <cstdio>

#include "density/density.h"

namespace lapwright::density {
namespace {

constexpr double left = 60, top = 40, wide = 480, high = 320, shown = 2.0;

std::string text(double v, int decimals) {
  char out[32];
  std::snprintf(out, sizeof out, "%.*f", decimals, v);
  return out;
}

std::string escaped(const std::string& s) {
  std::string out;
  for (const char c : s)
    out += c == '<' ? "&lt;" : c == '&' ? "&amp;" : c == '>' ? "&gt;" : std::string(1, c);
  return out;
}

std::string label(double x, double y, const std::string& anchor, const std::string& s) {
  return "<text x=\"" + text(x, 1) + "\" y=\"" + text(y, 1) + "\" text-anchor=\"" + anchor + "\">" +
         escaped(s) + "</text>\n";
}

}  // namespace

std::vector<Tone255> tones(const profile::StockProfile& stock, double step, double most) {
  constexpr double full = 65535;
  const bool slide = stock.process == profile::Process::slide;
  profile::StockProfile plain = stock;
  plain.base.reset();
  const Converter converter(
      plain, measured_from({{full, full, full}, {}, ""}, {{full, full, full}, {}, ""}, plain));
  std::vector<Tone255> out;
  for (int i = 0; i * step <= (slide ? 2 * most : most) + 1e-9; ++i) {
    const double net = i * step;
    const auto count = static_cast<std::uint16_t>(std::lround(full * std::pow(10.0, -net)));
    const std::uint16_t in[3] = {count, count, count};
    std::uint16_t code[3];
    converter.rows(in, code, 1);
    out.push_back({net, {code[0] / 257.0, code[1] / 257.0, code[2] / 257.0}});
  }
  return out;
}

std::string stock_svg(const profile::StockProfile& stock) {
  const auto x = [](double net) { return left + wide * net / shown; };
  const auto y = [](double code) { return top + high * (1 - code / 255); };
  std::string out =
      "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"600\" height=\"420\" viewBox=\"0 0 600 "
      "420\" font-family=\"sans-serif\" "
      "font-size=\"12\">\n<rect width=\"600\" height=\"420\" fill=\"white\"/>\n";
  out += label(left, 22, "start", stock.name + ": " + stock.about);
  for (int i = 0; i <= 10; ++i) {
    const double net = 0.2 * i;
    out += "<path d=\"M" + text(x(net), 1) + " " + text(top, 1) + "v" + text(high, 1) +
           "\" stroke=\"#ddd\"/>\n";
    out += label(x(net), top + high + 18, "middle", text(net, 1));
  }
  for (int code = 0; code <= 255; code += 51) {
    out += "<path d=\"M" + text(left, 1) + " " + text(y(code), 1) + "h" + text(wide, 1) +
           "\" stroke=\"#ddd\"/>\n";
    out += label(left - 8, y(code) + 4, "end", std::to_string(code));
  }
  out += label(left + wide / 2, 400, "middle",
               stock.process == profile::Process::slide ? "density over open light"
                                                        : "density over the film base");
  const auto all = tones(stock, 0.01, stock.process == profile::Process::slide ? shown / 2 : shown);
  constexpr const char* colours[] = {"#c22", "#282", "#22c"};
  for (std::size_t c = 0; c < 3; ++c) {
    out += std::string("<polyline fill=\"none\" stroke=\"") + colours[c] +
           "\" stroke-width=\"1.5\" points=\"";
    for (const auto& t : all) out += text(x(t.net), 1) + "," + text(y(t.code[c]), 1) + " ";
    out += "\"/>\n";
  }
  return out + "</svg>\n";
}

}  // namespace lapwright::density
