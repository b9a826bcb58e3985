#include "profile/yaml_tree.h"

#include <yaml-cpp/eventhandler.h>
#include <yaml-cpp/exceptions.h>
#include <yaml-cpp/parser.h>

#include <algorithm>
#include <cctype>
#include <sstream>
#include <utility>

#include "core/text.h"

namespace lapwright::profile {
namespace {

constexpr int most_depth = 64;

struct Refusal {
  int line;
  std::string what;
};

int line_of(const YAML::Mark& mark) { return mark.is_null() ? 1 : mark.line + 1; }

bool has_control(const std::string& text) {
  return std::any_of(text.begin(), text.end(), [](char c) {
    const auto u = static_cast<unsigned char>(c);
    return (u < 0x20 && c != '\n' && c != '\t') || u == 0x7f;
  });
}

/// What must hold before the library sees the text: encoding, and nesting that its recursion can
/// bear.
void check_text(const std::string& text) {
  int line = 1, open = 0;
  for (std::size_t i = 0; i < text.size();) {
    const std::size_t n = core::utf8_length(text, i);
    if (n == 0) throw Refusal{line, "not UTF-8 text"};
    const auto c = static_cast<unsigned char>(text[i]);
    if (n == 1 && (c < 0x20 || c == 0x7f) && c != '\n' && c != '\t' && c != '\r') {
      throw Refusal{line, "a control character, which YAML text cannot hold"};
    }
    if (c == '[' || c == '{') ++open;
    if (c == ']' || c == '}') --open;
    if (open > most_depth) throw Refusal{line, "brackets nested too deep"};
    if (c == '\n') ++line, open = std::max(open, 0);
    i += n;
  }
}

class Builder : public YAML::EventHandler {
 public:
  Tree take() { return std::move(root_); }
  void OnDocumentStart(const YAML::Mark&) override {}
  void OnDocumentEnd() override {}
  void OnNull(const YAML::Mark& mark, YAML::anchor_t) override { add(Tree::Kind::null, mark, ""); }
  void OnAlias(const YAML::Mark& mark, YAML::anchor_t) override {
    throw Refusal{line_of(mark), "an alias (*name), which is not used here; write the value out"};
  }
  void OnScalar(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t,
                const std::string& value) override {
    const bool plain = tag == "?" || tag.empty();
    if (plain && (value.empty() || value == "~" || value == "null")) {
      add(Tree::Kind::null, mark, value);
    } else {
      add(Tree::Kind::scalar, mark, value);
    }
  }
  void OnSequenceStart(const YAML::Mark& mark, const std::string&, YAML::anchor_t,
                       YAML::EmitterStyle::value) override {
    open(Tree::Kind::list, mark);
  }
  void OnSequenceEnd() override { close(); }
  void OnMapStart(const YAML::Mark& mark, const std::string&, YAML::anchor_t,
                  YAML::EmitterStyle::value) override {
    open(Tree::Kind::map, mark);
  }
  void OnMapEnd() override { close(); }

 private:
  struct Open {
    Tree tree;
    bool has_key = false;
    std::string key;
    int key_line = 1;
  };

  void add(Tree::Kind kind, const YAML::Mark& mark, const std::string& value) {
    if (has_control(value)) {
      throw Refusal{line_of(mark), "a control character in a value; leave it out"};
    }
    Tree leaf;
    leaf.kind = kind;
    leaf.line = line_of(mark);
    leaf.text = value;
    place(std::move(leaf));
  }
  void open(Tree::Kind kind, const YAML::Mark& mark) {
    if (stack_.size() >= most_depth) throw Refusal{line_of(mark), "nested too deep"};
    if (!stack_.empty() && stack_.back().tree.kind == Tree::Kind::map && !stack_.back().has_key) {
      throw Refusal{line_of(mark), "a list or mapping stands where a key must stand"};
    }
    Open next;
    next.tree.kind = kind;
    next.tree.line = line_of(mark);
    stack_.push_back(std::move(next));
  }
  void close() {
    Tree done = std::move(stack_.back().tree);
    stack_.pop_back();
    place(std::move(done));
  }
  void place(Tree value) {
    if (stack_.empty()) {
      root_ = std::move(value);
      return;
    }
    Open& top = stack_.back();
    if (top.tree.kind == Tree::Kind::list) {
      top.tree.items.push_back(std::move(value));
    } else if (!top.has_key) {
      if (value.text.empty()) throw Refusal{value.line, "a key is missing before the colon"};
      if (const Member* earlier = top.tree.find(value.text)) {
        throw Refusal{value.line, core::one_line(value.text, 100) + ": given twice, first in line " +
                                      std::to_string(earlier->line) + "; keep one"};
      }
      top.has_key = true;
      top.key = value.text;
      top.key_line = value.line;
    } else {
      top.has_key = false;
      top.tree.members.push_back({std::move(top.key), top.key_line, std::move(value)});
    }
  }

  Tree root_;
  std::vector<Open> stack_;
};

}  // namespace

const Member* Tree::find(const std::string& key) const {
  for (const Member& m : members) {
    if (m.key == key) return &m;
  }
  return nullptr;
}

Result<Tree> parse_yaml(const std::string& text, const std::string& file, Fault fault) {
  const auto refuse = [&](int line, const std::string& what) {
    return fail(fault, file + ":" + std::to_string(line) + ": " + core::one_line(what));
  };
  try {
    check_text(text);
    std::istringstream stream(text);
    YAML::Parser parser(stream);
    Builder builder;
    if (!parser.HandleNextDocument(builder)) return Tree{};
    Builder second;
    if (parser.HandleNextDocument(second)) {
      return refuse(second.take().line, "a second document; one document a file");
    }
    return builder.take();
  } catch (const Refusal& r) {
    return refuse(r.line, r.what);
  } catch (const YAML::Exception& e) {
    return refuse(line_of(e.mark), "not YAML: " + e.msg);
  } catch (const std::exception& e) {
    return refuse(1, std::string("not YAML: ") + e.what());
  }
}

std::string yaml_scalar(const std::string& text) {
  const auto safe = [](char c) {
    const auto u = static_cast<unsigned char>(c);
    return (u < 0x80 && std::isalnum(u) != 0) ||
           std::string_view(" .-_/+()").find(c) != std::string_view::npos;
  };
  const bool starts_well =
      !text.empty() &&
      (text.front() == '/' ||
       (safe(text.front()) && std::isalnum(static_cast<unsigned char>(text.front())) != 0));
  if (starts_well && std::all_of(text.begin(), text.end(), safe) && text.back() != ' ' &&
      text != "null" && text != "Null" && text != "NULL") {
    return text;
  }
  std::string out = "\"";
  for (std::size_t i = 0; i < text.size();) {
    const std::size_t n = core::utf8_length(text, i);
    const std::string one = text.substr(i, std::max<std::size_t>(n, 1));
    if (one == "\n") {
      out += "\\n";
    } else if (one == "\t") {
      out += "\\t";
    } else if (one == "\"" || one == "\\") {
      out += "\\" + one;
    } else {
      out += n == 0 || has_control(one) ? "\xef\xbf\xbd" : one;
    }
    i += std::max<std::size_t>(n, 1);
  }
  return out + "\"";
}

}  // namespace lapwright::profile
