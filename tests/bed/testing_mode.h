// A real backend of libsane that can run without hardware: one that exports a function
// "enable_testing_mode". Found by that name, so that a libsane without it is told apart (SANE field
// notes 1.3: an internal interface of libsane 1.2.1).
//
// Thread: any. Errors: nothing where there is none.
#pragma once

#include <filesystem>
#include <fstream>
#include <iterator>
#include <optional>
#include <string>

namespace lapwright::bed {

struct TestingMode {
  std::filesystem::path library;
  std::string backend;  // "NAME" of libsane-NAME.so.1
  std::string symbol;   // mangled
};

inline std::optional<TestingMode> find_testing_mode() {
  namespace fs = std::filesystem;
  std::error_code none;
  for (const fs::directory_entry& triplet : fs::directory_iterator("/usr/lib", none))
    for (const fs::directory_entry& e : fs::directory_iterator(triplet.path() / "sane", none)) {
      const std::string name = e.path().filename().string();
      if (!name.starts_with("libsane-") || !name.ends_with(".so.1")) continue;
      std::ifstream in(e.path(), std::ios::binary);
      const std::string all{std::istreambuf_iterator<char>(in), {}};
      const auto at = all.find("enable_testing_mode");
      if (at == std::string::npos) continue;
      const auto begin = all.rfind('\0', at) + 1, end = all.find('\0', at);
      return TestingMode{e.path(), name.substr(8, name.size() - 8 - 5),
                         all.substr(begin, end - begin)};
    }
  return std::nullopt;
}

}  // namespace lapwright::bed
