// The options of an open device, copied so that no pointer into a backend outlives a call.
//
// Invariants: after every set all descriptors were fetched again; strings are read into buffers
// with room to spare. Units: numbers as the option's own unit says; FIXED is a double. Thread: the
// worker's only thread. Errors: bad_data with the option's name; the device's own status otherwise.
#pragma once

#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "core/result.h"

namespace lapwright::bed {

enum class Kind { boolean, whole, fixed, text, button, group };
enum class Unit { none, pixel, bit, mm, dpi, percent, microsecond };

struct Span {
  double min = 0, max = 0, quant = 0;
  bool holds(double v) const { return v >= min && v <= max; }
};

struct Option {
  int index = 0;
  std::string name, title;
  Kind kind = Kind::group;
  Unit unit = Unit::none;
  int size = 0;  // bytes
  bool active = false, settable = false, readable = false;
  std::optional<Span> span;
  std::vector<double> list;
  std::vector<std::string> texts;

  bool number() const { return kind == Kind::whole || kind == Kind::fixed; }
  int words() const { return size / 4; }
  bool array() const { return number() && words() > 1; }
  bool usable() const { return active && settable && kind != Kind::group && kind != Kind::button; }
  bool choice() const { return usable() && kind == Kind::text && !texts.empty(); }
};

class Surface {
 public:
  /// `handle` is an open SANE handle.
  static Result<Surface> of(void* handle);
  const std::vector<Option>& options() const { return options_; }
  const Option& at(int index) const { return options_[static_cast<std::size_t>(index)]; }
  const Option* find(const std::string& name) const;

  Result<std::vector<double>> numbers(int index) const;
  /// The value as text: true/false, a number, a string; long arrays as "identity" or "N values".
  Result<std::string> text(int index) const;
  Result<> set(int index, const std::vector<double>& values);
  Result<> set(int index, const std::string& value);
  Result<> press(int index);
  /// Parses `value` by the option's type, constraint included.
  Result<> set_from_text(int index, const std::string& value);
  /// All active readable options with their values.
  std::vector<std::pair<std::string, std::string>> values() const;

 private:
  explicit Surface(void* handle) : handle_(handle) {}
  Result<> reload();
  Result<> control(int index, void* value);
  void* handle_;
  std::vector<Option> options_;
};

std::vector<double> identity(const Option& table);
std::string number_text(double value);
/// "8, 16" or "0 to 215.9 mm" or "Gray, Color": what the option takes.
std::string allowed(const Option& option);

}  // namespace lapwright::bed
