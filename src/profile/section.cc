#include "profile/section.h"

#include <algorithm>
#include <cctype>
#include <charconv>
#include <cmath>
#include <utility>

#include "core/text.h"

namespace lapwright::profile {
namespace {

const Tree nothing;

std::string joined(const std::vector<std::string>& words) {
  std::string out;
  for (const std::string& w : words) out += (out.empty() ? "" : ", ") + w;
  return out;
}

std::string range_text(double least, double most, const char* unit) {
  return "a number from " + number_text(least) + " to " + number_text(most) +
         (*unit ? std::string(" ") + unit : "");
}

/// A value as it may be quoted in one line.
std::string shown(const Tree& value) {
  if (value.kind == Tree::Kind::null) return "nothing";
  if (value.kind == Tree::Kind::list) return "a list";
  if (value.kind == Tree::Kind::map) return "a mapping";
  std::string s = value.text.substr(0, value.text.find('\n'));
  if (s.size() > 40) {
    s.resize(37);
    while (!s.empty() && (static_cast<unsigned char>(s.back()) & 0x80) != 0) s.pop_back();
    s += "...";
  }
  return "'" + s + "'";
}

}  // namespace

void Complaint::add(int line, const std::string& key, const std::string& what) {
  if (error_) return;
  error_ = Error{
      fault_, file_ + ":" + std::to_string(line) + ": " +
                  core::one_line((key.empty() ? "" : core::one_line(key, 100) + ": ") + what)};
}

std::optional<double> to_number(const std::string& text) {
  const char* begin = text.data();
  const char* end = begin + text.size();
  if (begin != end && *begin == '+') ++begin;
  double value = 0;
  const auto [at, trouble] = std::from_chars(begin, end, value);
  if (trouble != std::errc{} || at != end || !std::isfinite(value)) return std::nullopt;
  return value;
}

std::optional<std::int64_t> to_whole(const std::string& text) {
  std::int64_t value = 0;
  const auto [at, trouble] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (trouble != std::errc{} || at != text.data() + text.size()) return std::nullopt;
  return value;
}

std::string number_text(double value) {
  char buffer[40];
  const auto [end, trouble] = std::to_chars(buffer, buffer + sizeof buffer, value);
  return trouble == std::errc{} ? std::string(buffer, end) : std::string("0");
}

std::string points_text(const std::map<double, double>& points) {
  std::string out;
  for (const auto& [at, value] : points) out += (out.empty() ? "{" : ", ") + number_text(at) + ": " + number_text(value);
  return out + "}";
}

Section::Section(const Tree& tree, std::string path, Complaint& complaint, const Known& known)
    : tree_(&tree), path_(std::move(path)), complaint_(&complaint) {
  if (tree.kind != Tree::Kind::map) {
    if (&tree != &nothing)
      complaint.add(tree.line, path_,
                    shown(tree) + " stands here; a mapping of keys must: " + joined(known));
    tree_ = &nothing;
    return;
  }
  if (known.empty()) return;  // free keys
  for (const Member& m : tree.members) {
    if (std::find(known.begin(), known.end(), m.key) == known.end()) {
      complaint.add(m.line, this->path(m.key), "unknown key; known here: " + joined(known));
    }
  }
}

std::string Section::path(const std::string& key) const {
  return path_.empty() ? key : path_ + "." + key;
}
bool Section::has(const std::string& key) const { return tree(key) != nullptr; }
const Tree* Section::tree(const std::string& key) const {
  const Member* m = tree_->find(key);
  return m ? &m->value : nullptr;
}
int Section::line(const std::string& key) const {
  const Member* m = tree_->find(key);
  return m ? m->line : tree_->line;
}
void Section::wrong(const std::string& key, const std::string& what) const {
  complaint_->add(line(key), path(key), what);
}

const Tree* Section::need(const std::string& key, Tree::Kind kind, const char* kind_name) const {
  const Tree* value = tree(key);
  if (!value) {
    if (tree_ != &nothing) wrong(key, std::string("missing; ") + kind_name + " must be given");
    return nullptr;
  }
  if (value->kind != kind) {
    wrong(key, shown(*value) + " is not right; must be " + kind_name);
    return nullptr;
  }
  return value;
}

std::string Section::text(const std::string& key) const {
  const Tree* value = need(key, Tree::Kind::scalar, "a text");
  return value ? value->text : "";
}

std::string Section::text_or(const std::string& key, const std::string& fallback) const {
  return has(key) ? text(key) : fallback;
}

std::string Section::name(const std::string& key) const {
  const std::string value = text(key);
  const bool good =
      !value.empty() && value.size() <= 100 && value.front() != '.' &&
      std::all_of(value.begin(), value.end(), [](char c) {
        return std::isalnum(static_cast<unsigned char>(c)) != 0 || c == '.' || c == '-' || c == '_';
      });
  if (!good && has(key))
    wrong(key, "'" + value + "' is not a name; use letters, digits, dot, dash and underscore");
  return value;
}

double Section::checked(const Tree& value, const std::string& key, double least, double most,
                        const char* unit) const {
  const auto number = value.kind == Tree::Kind::scalar ? to_number(value.text) : std::nullopt;
  if (!number || *number < least || *number > most) {
    complaint_->add(value.line, path(key),
                    shown(value) + " is not right; must be " + range_text(least, most, unit));
    return least;
  }
  return *number;
}

double Section::number(const std::string& key, double least, double most, const char* unit) const {
  const Tree* value = tree(key);
  if (value) return checked(*value, key, least, most, unit);
  if (tree_ != &nothing) wrong(key, "missing; must be " + range_text(least, most, unit));
  return least;
}

double Section::number_or(const std::string& key, double fallback, double least, double most,
                          const char* unit) const {
  return has(key) ? number(key, least, most, unit) : fallback;
}

Micrometres Section::mm(const std::string& key, double least, double most) const {
  return Micrometres::from_mm(number(key, least, most, "mm"));
}

std::int64_t Section::whole(const std::string& key, std::int64_t least, std::int64_t most) const {
  const std::string right =
      "a whole number from " + std::to_string(least) + " to " + std::to_string(most);
  const Tree* value = tree(key);
  if (!value) {
    if (tree_ != &nothing) wrong(key, "missing; must be " + right);
    return least;
  }
  const auto number = value->kind == Tree::Kind::scalar ? to_whole(value->text) : std::nullopt;
  if (!number || *number < least || *number > most) {
    complaint_->add(value->line, path(key), shown(*value) + " is not right; must be " + right);
    return least;
  }
  return *number;
}

std::size_t Section::word(const std::string& key, const std::vector<std::string>& words) const {
  std::string choice;
  for (const std::string& w : words) choice += (choice.empty() ? "" : " | ") + w;
  const Tree* value = tree(key);
  if (!value) {
    if (tree_ != &nothing) wrong(key, "missing; must be " + choice);
    return 0;
  }
  const auto at = std::find(words.begin(), words.end(), value->text);
  if (value->kind != Tree::Kind::scalar || at == words.end()) {
    wrong(key, shown(*value) + " is not right; must be " + choice);
    return 0;
  }
  return static_cast<std::size_t>(at - words.begin());
}

std::vector<double> Section::numbers(const std::string& key, std::size_t count, double least,
                                     double most) const {
  std::vector<double> out;
  const Tree* value = need(key, Tree::Kind::list, "a list of numbers");
  if (value) {
    for (const Tree& item : value->items) out.push_back(checked(item, key, least, most, ""));
    if (out.size() != count)
      wrong(key, std::to_string(out.size()) + " numbers; must be " + std::to_string(count));
  }
  out.resize(count, 0);
  return out;
}

std::vector<std::string> Section::texts(const std::string& key) const {
  std::vector<std::string> out;
  const Tree* value = need(key, Tree::Kind::list, "a list");
  if (!value) return out;
  for (const Tree& item : value->items) {
    if (item.kind != Tree::Kind::scalar) {
      complaint_->add(item.line, path(key), shown(item) + " in the list; each must be a text");
    }
    out.push_back(item.text);
  }
  return out;
}

std::map<double, double> Section::rising(const std::string& key) const {
  static const std::map<double, double> harmless{{0, 0}, {1, 1}};
  const Section points = part(key, {});
  const Tree* value = tree(key);
  if (!value || value->kind != Tree::Kind::map) return harmless;
  std::map<double, double> out;
  for (const Member& m : value->members) {
    const auto at = to_number(m.key);
    if (!at || *at < -1 || *at > 6) {
      complaint_->add(m.line, path(key), "'" + m.key + "' is not a net density; keys are densities from -1 to 6");
      return harmless;
    }
    if (!out.emplace(*at, points.number(m.key, -3, 8)).second) complaint_->add(m.line, path(key), "'" + m.key + "' comes twice");
  }
  if (out.size() < 2 || out.size() > 64) {
    wrong(key, std::to_string(out.size()) + " points; must be 2 to 64");
    return harmless;
  }
  for (auto at = out.begin(), after = std::next(at); after != out.end(); ++at, ++after) {
    const double slope = (after->second - at->second) / (after->first - at->first);
    if (slope >= 0.05 && slope <= 20) continue;
    wrong(key, "from " + number_text(at->first) + " to " + number_text(after->first) + " its slope is " + number_text(slope) +
                   "; must be from 0.05 to 20");
    return harmless;
  }
  return out;
}

Section Section::part(const std::string& key, const Known& known) const {
  const Tree* value = tree(key);
  if (!value && tree_ != &nothing) wrong(key, "missing; a mapping must be given: " + joined(known));
  return Section(value ? *value : nothing, path(key), *complaint_, known);
}

std::vector<Section> Section::parts(const std::string& key, const Known& known) const {
  std::vector<Section> out;
  if (!has(key)) return out;
  const Tree* value = need(key, Tree::Kind::list, "a list");
  if (!value) return out;
  for (const Tree& item : value->items) out.emplace_back(item, path(key), *complaint_, known);
  return out;
}

}  // namespace lapwright::profile
