// YAML text as a plain tree that keeps every value's line. The only place that knows the YAML
// library.
//
// Invariants: keys of a map are unique; text is valid UTF-8 without control characters but tab and
// newline;
//   no aliases, one document, at most 64 levels deep.
// Units: lines count from 1. Thread: values. Errors: the fault asked for, "FILE:LINE: what is
// wrong".
#pragma once

#include <string>
#include <vector>

#include "core/result.h"

namespace lapwright::profile {

struct Member;

struct Tree {
  enum class Kind { null, scalar, list, map };
  Kind kind = Kind::null;
  int line = 1;
  std::string text;             // of a scalar
  std::vector<Tree> items;      // of a list
  std::vector<Member> members;  // of a map, in the order written
  const Member* find(const std::string& key) const;
};

struct Member {
  std::string key;
  int line = 1;
  Tree value;
};

/// A text of blanks and comments is a null.
Result<Tree> parse_yaml(const std::string& text, const std::string& file, Fault fault);

/// A scalar that reads back as the same text: plain where that is safe, else in double quotes.
std::string yaml_scalar(const std::string& text);

}  // namespace lapwright::profile
