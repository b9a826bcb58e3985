#include "review/qr.h"

#include <qrencode.h>

#include <memory>

namespace lapwright::review {
namespace {

constexpr int rim = 4;

class Modules {
 public:
  explicit Modules(const std::string& text)
      : code_(QRcode_encodeString8bit(text.c_str(), 0, QR_ECLEVEL_M)) {}
  bool good() const { return code_ != nullptr; }
  int size() const { return code_->width + 2 * rim; }
  bool dark(int x, int y) const {
    x -= rim, y -= rim;
    return x >= 0 && y >= 0 && x < code_->width && y < code_->width &&
           (code_->data[y * code_->width + x] & 1) != 0;
  }

 private:
  struct Free {
    void operator()(QRcode* code) const { QRcode_free(code); }
  };
  std::unique_ptr<QRcode, Free> code_;
};

}  // namespace

std::string qr_svg(const std::string& text) {
  const Modules m(text);
  if (!m.good()) return {};
  const std::string size = std::to_string(m.size());
  std::string path;
  for (int y = 0; y < m.size(); ++y)
    for (int x = 0; x < m.size();) {
      int end = x;
      while (end < m.size() && m.dark(end, y)) ++end;
      if (end > x)
        path += "M" + std::to_string(x) + " " + std::to_string(y) + "h" + std::to_string(end - x) +
                "v1h-" + std::to_string(end - x) + "z";
      x = end + 1;
    }
  return "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 " + size + " " + size +
         "\" shape-rendering=\"crispEdges\"><path fill=\"#fff\" d=\"M0 0h" + size + "v" + size +
         "H0z\"/><path d=\"" + path + "\"/></svg>\n";
}

std::string qr_blocks(const std::string& text, bool colour) {
  const Modules m(text);
  if (!m.good()) return {};
  std::string out;
  for (int y = 0; y < m.size(); y += 2) {
    if (colour) out += "\033[30;107m";
    for (int x = 0; x < m.size(); ++x) {
      // Without colours the terminal's own light ink draws the light modules.
      const bool upper = m.dark(x, y) == colour;
      const bool lower = y + 1 < m.size() ? m.dark(x, y + 1) == colour : !colour;
      out += upper && lower ? "\u2588" : upper ? "\u2580" : lower ? "\u2584" : " ";
    }
    out += colour ? "\033[0m\n" : "\n";
  }
  return out;
}

}  // namespace lapwright::review
