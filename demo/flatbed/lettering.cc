#include "lettering.h"

#include <cctype>
#include <map>

namespace lapwright::flatbed {
namespace {

// Strokes separated by spaces; each point is a column 0..4 and a row 0 (top) .. 6 (baseline).
const std::map<char, const char*>& glyphs() {
  static const std::map<char, const char*> table{
      {'A', "062046 1434"}, {'B', "0006364534330300 30413233 0333"}, {'C', "4130100105163645"},
      {'D', "00062645412000"}, {'E', "40000646 0333"}, {'F', "400006 0333"}, {'G', "41301001051636454323"},
      {'H', "0006 4046 0343"}, {'I', "2026"}, {'J', "404536160504"}, {'K', "0006 4003 1346"},
      {'L', "000646"}, {'M', "0600234046"}, {'N', "06004640"}, {'O', "100105163645413010"},
      {'P', "06003041423303"}, {'Q', "100105163645413010 2446"}, {'R', "06003041423303 2346"},
      {'S', "413010010213334445361605"}, {'T', "0040 2026"}, {'U', "000516364540"}, {'V', "002640"},
      {'W', "0016233640"}, {'X', "0046 4006"}, {'Y', "002340 2326"}, {'Z', "00400646"},
      {'0', "100105163645413010"}, {'1', "112026"}, {'2', "011030414206 0646"},
      {'3', "01103041423313 334445361605"}, {'4', "3630 300444"}, {'5', "400003334445361605"},
      {'6', "3010010516364544331304"}, {'7', "004016"}, {'8', "1001021333444536160504133342413010"},
      {'9', "4233130201103041453616"}, {'-', "1333"}, {'.', "2526"}, {'\'', "2021"}, {'/', "0640"},
      {'&', "460211203112 1205163644"}, {'>', "003306 "}, {'+', "0343 2125"}, {':', "2122 2425"}};
  return table;
}

}  // namespace

double text_width(const std::string& text) {
  return text.empty() ? 0 : static_cast<double>(text.size()) * 0.86 - 0.2;
}

void draw_text(cairo_t* c, const std::string& text, double x, double y, double height, double weight) {
  cairo_save(c);
  cairo_set_line_width(c, height * weight);
  cairo_set_line_cap(c, CAIRO_LINE_CAP_ROUND);
  cairo_set_line_join(c, CAIRO_LINE_JOIN_ROUND);
  const double unit = height / 6;
  for (const char raw : text) {
    const auto found = glyphs().find(static_cast<char>(std::toupper(static_cast<unsigned char>(raw))));
    if (found != glyphs().end()) {
      bool down = false;
      for (const char* p = found->second; *p != 0;) {
        if (*p == ' ') {
          down = false;
          ++p;
          continue;
        }
        const double px = x + (p[0] - '0') * unit, py = y - (6 - (p[1] - '0')) * unit;
        down ? cairo_line_to(c, px, py) : cairo_move_to(c, px, py);
        down = true;
        p += 2;
      }
      cairo_stroke(c);
    }
    x += height * 0.86;
  }
  cairo_restore(c);
}

}  // namespace lapwright::flatbed
