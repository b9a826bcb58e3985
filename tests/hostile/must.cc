#include <algorithm>

#include "hostile.h"

namespace lapwright::hostile {

void must(bool held, const std::string& what) {
  if (!held) throw Broken(what);
}

void must_refuse(const Error& error, Fault fault, const std::string& name) {
  must(error.fault == fault, "exit code " + std::to_string(core::exit_code(error.fault)) +
                                 ", not " + std::to_string(core::exit_code(fault)) + ": " +
                                 error.text);
  must(error.text.starts_with(name), "does not name " + name + ": " + error.text);
  must(error.text.size() <= 1000,
       "a line of " + std::to_string(error.text.size()) + " bytes: " + error.text.substr(0, 200));
  const bool plain = std::none_of(error.text.begin(), error.text.end(), [](char c) {
    return static_cast<unsigned char>(c) < 0x20 || c == 0x7f;
  });
  must(plain, "not one plain line: " + error.text);
}

}  // namespace lapwright::hostile
