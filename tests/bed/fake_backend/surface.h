// A flatbed's options as a table: what a surface looks like, how options wake, move and reset each
// other, and what must be set before the data are honest.
//
// Invariants: values are words (FIXED as doubles) or texts. Thread: one. Errors: none.
#pragma once

#include <functional>
#include <map>
#include <string>
#include <vector>

namespace fake {

enum class Type { boolean, whole, fixed, text, button, group };
enum class Unit { none, pixel, bit, mm, dpi };
struct Range {
  double min = 0, max = 0, quant = 0;
};

struct State;
struct Spec {
  std::string name, title;
  Type type = Type::boolean;
  Unit unit = Unit::none;
  double number = 0;   // default
  std::string text{};  // default
  std::vector<double> list{};
  std::vector<std::string> texts{};
  std::function<Range(const State&)> range{};  // none: no range
  std::function<bool(const State&)> active{};  // none: always
  std::function<void(State&)> on_set{};
  int count = 1;                                                    // words of an array
  bool sensor = false;                                              // read only
  std::function<std::vector<double>(const State&)> members{};       // a list that moves
  std::function<std::vector<std::string>(const State&)> choices{};  // texts that move
  double step = 0;  // the device rounds to it, whatever the range says
};

struct Geometry {
  double x0, y0, x1, y1;  // mm
  double ppi_x, ppi_y;
};

struct Surface {
  std::string name;
  std::vector<Spec> options;
  std::function<Geometry(const State&)> geometry;
  /// 0: honest; else the number of the first rule broken, for the test to read in the picture.
  std::function<int(const State&)> broken;
  std::function<bool(const State&)> color, deep;
  bool three_frames = false;
  std::string order = "RGB";
  int pad = 0, width_step = 1;
  bool quiet = false;               // rounds without saying so, and takes any prefix of a text
  bool vague_before_start = false;  // parameters before the start are of 8 bits
  double most_ppi_x = 0;            // the sensor's; 0: as the option says
};

struct State {
  const Surface* surface = nullptr;
  std::map<std::string, double> number;
  std::map<std::string, std::string> text;
  std::map<std::string, std::vector<double>> array;
  double n(const std::string& name) const { return number.at(name); }
  const std::string& t(const std::string& name) const { return text.at(name); }
};

const std::vector<Surface>& surfaces();

}  // namespace fake
