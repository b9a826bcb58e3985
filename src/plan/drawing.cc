#include <algorithm>
#include <cmath>
#include <cstdio>

#include "plan/refusal.h"
#include "plan/sketch.h"

namespace lapwright::plan {
namespace {

// One unit of the drawing is one millimetre of the bed.
constexpr double room = 34, gap = 16, title_height = 46, foot_height = 34;

std::string num(double v) {
  char text[32];
  std::snprintf(text, sizeof text, "%.2f", v);
  return text;
}

std::string escaped(const std::string& s) {
  std::string out;
  for (const char c : s) {
    if (c == '<') out += "&lt;";
    else if (c == '>') out += "&gt;";
    else if (c == '&') out += "&amp;";
    else if (c == '"') out += "&quot;";
    else if (static_cast<unsigned char>(c) >= 0x20) out += c;
  }
  return out;
}

std::vector<std::string> wrapped(const std::string& s, std::size_t width) {
  std::vector<std::string> lines{""};
  std::size_t at = 0;
  while (at < s.size()) {
    const std::size_t end = std::min(s.find(' ', at), s.size());
    const std::string word = s.substr(at, end - at);
    if (!lines.back().empty() && lines.back().size() + 1 + word.size() > width) lines.emplace_back();
    lines.back() += (lines.back().empty() ? "" : " ") + word;
    at = end + 1;
  }
  return lines;
}

struct Svg {
  std::string out;
  void line(double x1, double y1, double x2, double y2, const char* style) {
    out += "<line x1='" + num(x1) + "' y1='" + num(y1) + "' x2='" + num(x2) + "' y2='" + num(y2) + "' class='" + style + "'/>\n";
  }
  template <class Space>
  void rect(const Rect<Space>& r, const char* style) {
    out += "<rect x='" + num(r.x.mm()) + "' y='" + num(r.y.mm()) + "' width='" + num(r.width.mm()) + "' height='" +
           num(r.height.mm()) + "' class='" + style + "'/>\n";
  }
  void text(double x, double y, const std::string& s, const char* style, double turn = 0) {
    out += "<text x='" + num(x) + "' y='" + num(y) + "' class='" + style + "'";
    if (turn != 0) out += " transform='rotate(" + num(turn) + " " + num(x) + " " + num(y) + ")'";
    out += ">" + escaped(s) + "</text>\n";
  }
};

const char* head = R"(<style>
text{font-family:sans-serif;font-size:6.5px;fill:#000}
.h{font-size:10px;font-weight:bold}.s{font-size:6px}.m{text-anchor:middle}.e{text-anchor:end}
.o{paint-order:stroke;stroke:#fff;stroke-width:2.4px;stroke-linejoin:round;font-weight:bold}
.page{fill:#fbfaf4;stroke:#000;stroke-width:.7}.strip{fill:#d4d0c8;stroke:none}.frame{fill:#fff;stroke:#777;stroke-width:.35}
.n{font-size:7px;fill:#333;text-anchor:middle;paint-order:stroke;stroke:#fff;stroke-width:2px}.bind{stroke:#000;stroke-width:2.4}.hole{fill:#fff;stroke:#000;stroke-width:.5}
.window{fill:none;stroke:#000;stroke-width:1.6}.pass{fill:none;stroke:#000;stroke-width:.8;stroke-dasharray:4 2}
.lap{fill:url(#hatch);stroke:#000;stroke-width:.3}.seam{stroke:#000;stroke-width:1;stroke-dasharray:7 2 1.5 2}
.hinge{stroke:#000;stroke-width:4}.dim{stroke:#000;stroke-width:.5;marker-start:url(#arrow);marker-end:url(#arrow)}
.bold{stroke:#000;stroke-width:2.2;fill:none;marker-end:url(#big)}
</style>
<defs><pattern id='hatch' width='5' height='5' patternUnits='userSpaceOnUse' patternTransform='rotate(45)'><line x1='0' y1='0' x2='0' y2='5' stroke='#000' stroke-width='.7' stroke-opacity='.55'/></pattern>
<marker id='arrow' viewBox='0 0 8 8' refX='7' refY='4' markerWidth='8' markerHeight='8' orient='auto-start-reverse'><path d='M0 1 8 4 0 7z'/></marker>
<marker id='big' viewBox='0 0 8 8' refX='6' refY='4' markerWidth='4' markerHeight='4' orient='auto'><path d='M0 0 8 4 0 8z'/></marker></defs>
)";

std::string matrix(const Affine<SleeveSpace, BedSpace>& m) {
  return "matrix(" + num(m.a) + " " + num(m.b) + " " + num(m.c) + " " + num(m.d) + " " + num(m.e) + " " + num(m.f) + ")";
}

/// The sleeve as it lies: page, binding edge with its holes, strips and frames, laps and seams.
void draw_sleeve(Svg& svg, const Sketch& k, int in_a_strip) {
  svg.out += "<g transform='" + matrix(k.sleeve_to_bed) + "'>\n";
  svg.rect(Rect<SleeveSpace>{{0}, {0}, k.sleeve.width, k.sleeve.height}, "page");
  for (const auto& strip : k.strips) svg.rect(strip, "strip");
  for (const auto& frame : k.frames) svg.rect(frame, "frame");
  for (const auto& lap : k.laps) svg.rect(lap, "lap");
  for (const auto& s : k.seams) svg.line(s.from.x, s.from.y, s.to.x, s.to.y, "seam");
  for (std::size_t i = 0; i < k.strips.size(); ++i) {
    const auto first = k.frames[i * static_cast<std::size_t>(in_a_strip)].centre_mm();
    svg.text(first.x, first.y + 2.5, std::to_string(i + 1), "n");
  }
  svg.line(0.8, 0, 0.8, k.sleeve.height.mm(), "bind");
  for (const auto& hole : k.holes)
    svg.out += "<circle cx='" + num(hole.x) + "' cy='" + num(hole.y) + "' r='" + num(k.hole_radius) + "' class='hole'/>\n";
  svg.out += "</g>\n";
}

/// A name along the inside of one edge of the page on the bed.
void name_edge(Svg& svg, const Rect<BedSpace>& page, Side side, const std::string& name) {
  const auto c = page.centre_mm();
  switch (side) {
    case Side::left: svg.text(page.x.mm() - 3, c.y, name, "s m o", -90); break;
    case Side::right: svg.text(page.right().mm() + 7, c.y, name, "s m o", -90); break;
    case Side::back: svg.text(c.x, page.y.mm() - 3, name, "s m o"); break;
    case Side::front: svg.text(c.x, page.bottom().mm() + 8, name, "s m o"); break;
  }
}

/// How far the sleeve hangs past the window on each side.
void measure_overhang(Svg& svg, const Sketch& k) {
  const Rect<BedSpace>&page = k.page, &w = k.bed_window;
  // Far from the edges' names, which stand in the middle.
  const double x = page.x.mm() + page.width.mm() * 0.12, y = page.y.mm() + page.height.mm() * 0.2;
  for (const Side side : {Side::left, Side::right, Side::back, Side::front}) {
    const Um over = k.past[static_cast<std::size_t>(side)];
    if (std::abs(over) < 500) continue;
    const std::string label = mm_text(std::abs(over)) + (over > 0 ? " out" : " inside");
    double from, to;
    switch (side) {
      case Side::left: from = page.x.mm(), to = w.x.mm(); break;
      case Side::right: from = w.right().mm(), to = page.right().mm(); break;
      case Side::back: from = page.y.mm(), to = w.y.mm(); break;
      default: from = w.bottom().mm(), to = page.bottom().mm(); break;
    }
    const double middle = (from + to) / 2;
    const bool small = std::abs(over) < 34'000;
    if (side == Side::left || side == Side::right) {
      svg.line(from, y, to, y, "dim");
      if (!small) svg.text(middle, y - 3.5, label, "m o");
      else if (side == Side::left) svg.text(std::min(from, to) - 3, y + 2.5, label, "e o");
      else svg.text(std::max(from, to) + 3, y + 2.5, label, "o");
    } else {
      svg.line(x, from, x, to, "dim");
      svg.text(x + 4, small && side == Side::back ? std::min(from, to) - 3 : middle + 2.5, label, "o");
    }
  }
}

void draw_lay(Svg& svg, const Plan& plan, std::size_t index, const profile::SleeveProfile& s, const profile::BedProfile& bed,
              const Rect<BedSpace>& extent) {
  const Pass& pass = plan.passes[index];
  const Sketch sketch = sketch_of(plan, pass, s, bed);
  const Rect<BedSpace>&page = sketch.page, &w = sketch.bed_window;
  const double top = extent.y.mm() - room, left = extent.x.mm() - room, right = extent.right().mm() + room;
  const auto letters = static_cast<std::size_t>((right - left) / 3.3);
  svg.text(left, top - title_height + 10, "Pass " + std::to_string(pass.number) + " of " + std::to_string(plan.passes.size()), "h");
  double y = top - title_height + 20;
  for (const std::string& l : wrapped(how_to_lay(plan, pass, s, bed), letters)) svg.text(left, y, l, ""), y += 8;
  svg.line(w.x.mm() - 8, top + 4, w.right().mm() + 8, top + 4, "hinge");
  svg.text((w.x.mm() + w.right().mm()) / 2, top - 1, "hinge of the lid (back of the bed)", "s m");
  draw_sleeve(svg, sketch, s.strips.frames);
  svg.rect(w, "window");
  if (pass.window != w) svg.rect(pass.window, "pass");
  name_edge(svg, page, sketch.binding, "binding edge");
  name_edge(svg, page, sketch.top, "top of the sleeve");
  svg.text(w.right().mm() - 3, w.bottom().mm() - 3.5, "window " + mm_number(w.width.value) + " x " + mm_text(w.height.value), "s e o");
  measure_overhang(svg, sketch);
  const double foot = extent.bottom().mm() + room + 4;
  y = foot;
  svg.text(left, y, "Captured: " + mm_number(pass.window.width.value) + " x " + mm_text(pass.window.height.value) + " from x " +
                        mm_number(pass.window.x.value) + ", y " + mm_text(pass.window.y.value) + "; " + std::to_string(pass.width.value) +
                        " x " + std::to_string(pass.height.value) + " pixels", "s");
  y += 9;
  if (index + 1 == plan.passes.size()) return;
  const Pass& next = plan.passes[index + 1];
  for (const std::string& l : wrapped("Then: " + how_to_lay(plan, next, s, bed), letters)) svg.text(left, y, l, ""), y += 8;
  if (next.lay.turn != pass.lay.turn) return;
  const auto to = page_on_bed(next, s).centre_mm(), from = page.centre_mm();
  const double dx = to.x - from.x, dy = to.y - from.y, length = std::max(1.0, std::hypot(dx, dy)), k = std::min(1.0, 60 / length);
  const double cx = (w.x.mm() + w.right().mm()) / 2, cy = (w.y.mm() + w.bottom().mm()) / 2;
  svg.out += "<path d='M" + num(cx - dx * k / 2) + " " + num(cy - dy * k / 2) + "L" + num(cx + dx * k / 2) + " " + num(cy + dy * k / 2) + "' class='bold'/>\n";
  svg.text(cx + 6, cy - 6, "then " + mm_text(std::llround(length * 1000)), "o");
}

}  // namespace

std::string draw_svg(const Plan& plan, const profile::SleeveProfile& sleeve, const profile::BedProfile& bed) {
  Rect<BedSpace> extent = bed.window;
  for (const Pass& p : plan.passes) extent = extent.hull(page_on_bed(p, sleeve));
  const double width = extent.width.mm() + 2 * room + gap, height = extent.height.mm() + 2 * room + title_height + foot_height;
  const auto columns = std::min<std::size_t>(plan.passes.size(), 4);
  const auto rows = (plan.passes.size() + columns - 1) / columns;
  const double total_w = std::max(width * static_cast<double>(columns) + gap, 330.0), total_h = height * static_cast<double>(rows) + 64;
  Svg svg;
  svg.out = "<svg xmlns='http://www.w3.org/2000/svg' width='" + num(total_w * 2) + "' height='" + num(total_h * 2) + "' viewBox='0 0 " +
            num(total_w) + " " + num(total_h) + "'>\n";
  svg.out += head;
  svg.out += "<rect width='100%' height='100%' fill='#fff'/>\n";
  svg.text(gap, 16, "Sleeve " + plan.sleeve + " on bed " + plan.bed + ", " + std::to_string(plan.ppi.value) + " ppi: " +
                        std::to_string(plan.passes.size()) + (plan.passes.size() == 1 ? " pass" : " passes"), "h");
  svg.text(gap, 26, "Seen from above, the hinge at the back. Thick frame: the window; dashed: what the pass captures; hatched: lap; dash-dot: seam.", "s");
  svg.text(gap, 35, "Clean the glass and the sleeve first; the film lies flat, pictures right-reading from above.", "s");
  for (std::size_t i = 0; i < plan.passes.size(); ++i) {
    const double x = gap + room + width * static_cast<double>(i % columns) - extent.x.mm();
    const double y = 44 + room + title_height + height * static_cast<double>(i / columns) - extent.y.mm();
    svg.out += "<g transform='translate(" + num(x) + " " + num(y) + ")'>\n";
    draw_lay(svg, plan, i, sleeve, bed, extent);
    svg.out += "</g>\n";
  }
  return svg.out + "</svg>\n";
}

}  // namespace lapwright::plan
