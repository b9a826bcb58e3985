#include "bed/option.h"

#include <sane/sane.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <cstring>

#include "bed/status.h"

namespace lapwright::bed {
namespace {

double from_word(SANE_Word w, Kind kind) {
  return kind == Kind::fixed ? static_cast<double>(w) / 65536.0 : static_cast<double>(w);
}
SANE_Word to_word(double v, Kind kind) {
  const double scaled = kind == Kind::fixed ? v * 65536.0 : v;
  return static_cast<SANE_Word>(std::llround(std::clamp(scaled, -2147483648.0, 2147483647.0)));
}

Kind kind_of(SANE_Value_Type type) {
  switch (type) {
    case SANE_TYPE_BOOL:
      return Kind::boolean;
    case SANE_TYPE_INT:
      return Kind::whole;
    case SANE_TYPE_FIXED:
      return Kind::fixed;
    case SANE_TYPE_STRING:
      return Kind::text;
    case SANE_TYPE_BUTTON:
      return Kind::button;
    case SANE_TYPE_GROUP:
      return Kind::group;
  }
  return Kind::group;
}

Unit unit_of(SANE_Unit unit) {
  switch (unit) {
    case SANE_UNIT_NONE:
      return Unit::none;
    case SANE_UNIT_PIXEL:
      return Unit::pixel;
    case SANE_UNIT_BIT:
      return Unit::bit;
    case SANE_UNIT_MM:
      return Unit::mm;
    case SANE_UNIT_DPI:
      return Unit::dpi;
    case SANE_UNIT_PERCENT:
      return Unit::percent;
    case SANE_UNIT_MICROSECOND:
      return Unit::microsecond;
  }
  return Unit::none;
}

Option copy(const SANE_Option_Descriptor& d, int index) {
  Option o;
  o.index = index;
  if (d.name) o.name = d.name;
  if (d.title) o.title = d.title;
  o.kind = kind_of(d.type);
  o.unit = unit_of(d.unit);
  o.size = std::clamp<int>(d.size, 0, 1 << 22);
  o.active = SANE_OPTION_IS_ACTIVE(d.cap);
  o.settable = SANE_OPTION_IS_SETTABLE(d.cap);
  o.readable = (d.cap & SANE_CAP_SOFT_DETECT) != 0 && o.kind != Kind::button;
  if (o.kind == Kind::group) return o;
  if (d.constraint_type == SANE_CONSTRAINT_RANGE && d.constraint.range && o.number())
    o.span =
        Span{from_word(d.constraint.range->min, o.kind), from_word(d.constraint.range->max, o.kind),
             from_word(d.constraint.range->quant, o.kind)};
  if (d.constraint_type == SANE_CONSTRAINT_WORD_LIST && d.constraint.word_list && o.number())
    for (SANE_Word i = 1; i <= d.constraint.word_list[0] && i < 4096; ++i)
      o.list.push_back(from_word(d.constraint.word_list[i], o.kind));
  if (d.constraint_type == SANE_CONSTRAINT_STRING_LIST && d.constraint.string_list &&
      o.kind == Kind::text)
    for (int i = 0; d.constraint.string_list[i] && i < 4096; ++i)
      o.texts.emplace_back(d.constraint.string_list[i]);
  return o;
}

}  // namespace

Result<Surface> Surface::of(void* handle) {
  Surface s(handle);
  if (auto r = s.reload(); !r) return fail(r.error());
  return s;
}

Result<> Surface::reload() {
  const SANE_Option_Descriptor* zero = sane_get_option_descriptor(handle_, 0);
  SANE_Int count = 0;
  const SANE_Status status =
      zero ? sane_control_option(handle_, 0, SANE_ACTION_GET_VALUE, &count, nullptr)
           : SANE_STATUS_INVAL;
  if (status != SANE_STATUS_GOOD) return fail(explain(status, "reading the option list"));
  options_.clear();
  options_.push_back({});
  for (int i = 1; i < count && i < 4096; ++i) {
    const SANE_Option_Descriptor* d = sane_get_option_descriptor(handle_, i);
    Option o;
    o.index = i;
    options_.push_back(d ? copy(*d, i) : o);
  }
  return {};
}

const Option* Surface::find(const std::string& name) const {
  for (const Option& o : options_)
    if (o.kind != Kind::group && !o.name.empty() && o.name == name) return &o;
  return nullptr;
}

Result<std::vector<double>> Surface::numbers(int index) const {
  const Option& o = at(index);
  std::vector<SANE_Word> words(static_cast<std::size_t>(o.words()) + 16, 0);
  const SANE_Status status =
      sane_control_option(handle_, index, SANE_ACTION_GET_VALUE, words.data(), nullptr);
  if (status != SANE_STATUS_GOOD) return fail(explain(status, "reading option " + o.name));
  std::vector<double> values;
  for (int i = 0; i < std::max(1, o.words()); ++i)
    values.push_back(from_word(words[static_cast<std::size_t>(i)], o.kind));
  return values;
}

Result<std::string> Surface::text(int index) const {
  const Option& o = at(index);
  if (o.kind == Kind::text) {
    // A list's longest member may be longer than `size` says.
    std::size_t room = static_cast<std::size_t>(o.size);
    for (const std::string& t : o.texts) room = std::max(room, t.size() + 1);
    std::vector<char> buffer(room + 64, '\0');
    const SANE_Status status =
        sane_control_option(handle_, index, SANE_ACTION_GET_VALUE, buffer.data(), nullptr);
    if (status != SANE_STATUS_GOOD) return fail(explain(status, "reading option " + o.name));
    buffer.back() = '\0';
    return std::string(buffer.data());
  }
  auto values = numbers(index);
  if (!values) return fail(values.error());
  if (o.kind == Kind::boolean) return std::string(values->front() != 0 ? "true" : "false");
  if (values->size() > 16)
    return *values == identity(o) ? std::string("identity")
                                  : std::to_string(values->size()) + " values";
  std::string all;
  for (double v : *values) all += (all.empty() ? "" : ", ") + number_text(v);
  return all;
}

Result<> Surface::control(int index, void* value) {
  const std::string name = at(index).name;
  SANE_Int info = 0;
  const SANE_Status status =
      sane_control_option(handle_, index, SANE_ACTION_SET_VALUE, value, &info);
  // Some devices move other options even when they refuse one, and not all of them say so.
  if (auto again = reload(); !again) return again;
  if (status != SANE_STATUS_GOOD) return fail(explain(status, "setting option " + name));
  return {};
}

Result<> Surface::set(int index, const std::vector<double>& values) {
  const Option& o = at(index);
  std::vector<SANE_Word> words;
  for (double v : values) words.push_back(to_word(v, o.kind));
  words.resize(std::max(words.size(), static_cast<std::size_t>(o.words())) + 16, 0);
  return control(index, words.data());
}

Result<> Surface::set(int index, const std::string& value) {
  const Option& o = at(index);
  std::vector<char> buffer(std::max(static_cast<std::size_t>(o.size), value.size() + 1) + 64, '\0');
  std::memcpy(buffer.data(), value.data(), value.size());
  return control(index, buffer.data());
}

Result<> Surface::press(int index) {
  SANE_Word nothing[16] = {};
  return control(index, nothing);
}

Result<> Surface::set_from_text(int index, const std::string& value) {
  const Option o = at(index);
  const auto wrong = [&] {
    return fail(Fault::bad_profile, "option " + o.name + ": \"" + value +
                                        "\" is not one of its values; right is " + allowed(o));
  };
  if (o.kind == Kind::text) {
    // Backends take any unique prefix silently; only a whole value is what was asked for.
    if (!o.texts.empty() && std::find(o.texts.begin(), o.texts.end(), value) == o.texts.end())
      return wrong();
    return set(index, value);
  }
  if (o.kind == Kind::boolean) {
    if (value == "true" || value == "yes" || value == "on" || value == "1")
      return set(index, std::vector<double>{1});
    if (value == "false" || value == "no" || value == "off" || value == "0")
      return set(index, std::vector<double>{0});
    return wrong();
  }
  if (!o.number())
    return fail(Fault::bad_profile, "option " + o.name + ": is not a value that can be set");
  if (o.array() && value == "identity") return set(index, identity(o));
  std::vector<double> values;
  for (std::size_t at = 0; at <= value.size();) {
    const std::size_t comma = std::min(value.find(',', at), value.size());
    std::string part = value.substr(at, comma - at);
    at = comma + 1;
    const auto first = part.find_first_not_of(' ');
    if (first == std::string::npos) return wrong();
    part = part.substr(first, part.find_last_not_of(' ') - first + 1);
    double v = 0;
    const auto [end, error] = std::from_chars(part.data(), part.data() + part.size(), v);
    if (error != std::errc() || end != part.data() + part.size() || !std::isfinite(v))
      return wrong();
    if (o.kind == Kind::whole && v != std::round(v)) return wrong();
    if (o.span && !o.span->holds(v)) return wrong();
    if (!o.list.empty() && std::none_of(o.list.begin(), o.list.end(),
                                        [&](double l) { return std::abs(l - v) < 1e-4; }))
      return wrong();
    values.push_back(v);
  }
  if (static_cast<int>(values.size()) != std::max(1, o.words())) return wrong();
  return set(index, values);
}

std::vector<std::pair<std::string, std::string>> Surface::values() const {
  std::vector<std::pair<std::string, std::string>> all;
  for (const Option& o : options_) {
    if (!o.active || !o.readable || o.kind == Kind::group || o.name.empty()) continue;
    if (auto v = text(o.index)) all.emplace_back(o.name, *v);
  }
  return all;
}

std::vector<double> identity(const Option& table) {
  const int n = table.words();
  const double low = table.span ? table.span->min : 0, high = table.span ? table.span->max : n - 1;
  std::vector<double> values;
  for (int i = 0; i < n; ++i) {
    const double v = low + (high - low) * i / std::max(1, n - 1);
    values.push_back(table.kind == Kind::whole ? std::round(v) : std::round(v * 65536) / 65536);
  }
  return values;
}

std::string number_text(double value) {
  // FIXED steps are 1/65536: six digits tell them apart as far as a person cares.
  char buffer[64];
  const double rounded = std::round(value * 1e5) / 1e5;
  const auto done = std::to_chars(buffer, buffer + sizeof buffer, rounded == 0 ? 0.0 : rounded,
                                  std::chars_format::fixed);
  return std::string(buffer, done.ptr);
}

std::string allowed(const Option& o) {
  std::string s;
  if (o.kind == Kind::boolean) return "true or false";
  if (o.span) {
    s = number_text(o.span->min) + " to " + number_text(o.span->max);
    if (o.unit == Unit::mm) s += " mm";
    if (o.unit == Unit::pixel) s += " px";
    if (o.unit == Unit::dpi) s += " dpi";
    if (o.span->quant > 0) s += " in steps of " + number_text(o.span->quant);
  }
  for (double v : o.list) s += (s.empty() ? "" : ", ") + number_text(v);
  for (const std::string& t : o.texts) s += (s.empty() ? "" : ", ") + t;
  if (o.array()) s = std::to_string(o.words()) + " numbers" + (s.empty() ? "" : ", each " + s);
  return s.empty() ? (o.number() ? "a number" : "a text") : s;
}

}  // namespace lapwright::bed
