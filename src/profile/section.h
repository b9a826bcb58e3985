// One mapping of a YAML file, read key by key with checks; the first thing wrong is kept and named
// by file, line and key.
//
// Invariants: keys outside `known` are complaints; after a complaint every reader returns a
// harmless value, so a parser reads
//   straight through and asks `complaint.any()` once.
// Units: as each reader says. Thread: one parse. Errors: gathered in Complaint.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "core/geometry.h"
#include "profile/yaml_tree.h"

namespace lapwright::profile {

struct Trim;

class Complaint {
 public:
  Complaint(std::string file, Fault fault) : file_(std::move(file)), fault_(fault) {}
  void add(int line, const std::string& key, const std::string& what);
  bool any() const { return error_.has_value(); }
  const Error& error() const { return *error_; }
  const std::string& file() const { return file_; }

 private:
  std::string file_;
  Fault fault_;
  std::optional<Error> error_;
};

/// The whole text as a finite number.
std::optional<double> to_number(const std::string& text);
std::optional<std::int64_t> to_whole(const std::string& text);
/// Shortest decimal that reads back as the same double.
std::string number_text(double value);
/// "{0: 0, 0.5: 0.6}".
std::string points_text(const std::map<double, double>& points);

class Section {
 public:
  using Known = std::vector<std::string>;
  Section(const Tree& tree, std::string path, Complaint& complaint, const Known& known);

  bool has(const std::string& key) const;
  int line(const std::string& key) const;  // of the key, or of the section when absent
  /// A complaint about a key of this section.
  void wrong(const std::string& key, const std::string& what) const;

  std::string text(const std::string& key) const;
  std::string text_or(const std::string& key, const std::string& fallback) const;
  /// A profile's name: letters, digits, dot, dash, underscore.
  std::string name(const std::string& key) const;
  double number(const std::string& key, double least, double most, const char* unit = "") const;
  double number_or(const std::string& key, double fallback, double least, double most,
                   const char* unit = "") const;
  Micrometres mm(const std::string& key, double least, double most) const;
  std::int64_t whole(const std::string& key, std::int64_t least, std::int64_t most) const;
  /// Which of `words` the value is (0 with a complaint when none).
  std::size_t word(const std::string& key, const std::vector<std::string>& words) const;
  std::vector<double> numbers(const std::string& key, std::size_t count, double least,
                              double most) const;
  std::vector<std::string> texts(const std::string& key) const;
  /// A mapping of densities to densities with slopes from 0.05 to 20, 2 to 64 of them.
  std::map<double, double> rising(const std::string& key) const;
  /// A nested mapping; complains when absent.
  Section part(const std::string& key, const Known& known) const;
  /// The list of mappings under a key; none when absent.
  std::vector<Section> parts(const std::string& key, const Known& known) const;
  /// The raw value, or null when absent.
  const Tree* tree(const std::string& key) const;
  std::string path(const std::string& key) const;
  Complaint& complaint() const { return *complaint_; }

 private:
  const Tree* need(const std::string& key, Tree::Kind kind, const char* kind_name) const;
  double checked(const Tree& value, const std::string& key, double least, double most,
                 const char* unit) const;
  const Tree* tree_;
  std::string path_;
  Complaint* complaint_;
};

/// The trim under `trim:`; nothing is changed where it, or a member, is absent.
Trim read_trim(const Section& section);

}  // namespace lapwright::profile
