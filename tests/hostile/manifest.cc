#include <unistd.h>

#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <map>

#include "core/text.h"
#include "hostile.h"
#include "ledger/store.h"

namespace lapwright::hostile {
namespace {

namespace fs = std::filesystem;

/// An archive of one roll in memory, gone with the process.
class Archive {
 public:
  Archive() {
    std::string name = "/dev/shm/lapwright-hostile-XXXXXX";
    must(::mkdtemp(name.data()) != nullptr, "no folder for a test");
    path = name;
    for (const char* folder : {"proof", "full"}) fs::create_directories(roll() / folder);
    for (const char* file : {"proof/pass-1.tif", "proof/sheet.tif", "proof/proof.jpg",
                             "full/frame-07.tif", "proof/\xff.txt", "proof/a\nb"})
      std::ofstream(roll() / file) << file;
  }
  ~Archive() {
    std::error_code ignored;
    fs::remove_all(path, ignored);
  }
  fs::path roll() const { return path / "rolls" / "r"; }
  fs::path path;
};

constexpr const char* given[] = {"manifest-sha256.txt", "proof/sheet.yaml", "proof/frames.json",
                                 "proof/plan.json", "full/frame-07.yaml"};

/// The bytes as the texts of a roll's folder: after a line "== NAME" the text of that file; what
/// stands before is the manifest.
std::map<std::string, std::string> texts_of(std::string_view bytes) {
  std::map<std::string, std::string> texts;
  std::string name = given[0];
  while (!bytes.empty()) {
    const std::size_t end = std::min(bytes.find('\n'), bytes.size() - 1) + 1;
    std::string_view line = bytes.substr(0, end);
    bytes.remove_prefix(end);
    bool heading = false;
    for (const char* file : given)
      if (line == "== " + std::string(file) + "\n") name = file, heading = true;
    if (!heading) texts[name] += line;
  }
  return texts;
}

bool plain(const std::string& text) {
  return text.size() <= 2000 && std::none_of(text.begin(), text.end(), [](char c) {
           return static_cast<unsigned char>(c) < 0x20 || c == 0x7f;
         });
}

}  // namespace

void manifest(std::string_view bytes) {
  static const Archive archive;
  const auto texts = texts_of(bytes);
  for (const char* file : given) {
    const auto text = texts.find(file);
    if (text == texts.end())
      fs::remove(archive.roll() / file);
    else
      std::ofstream(archive.roll() / file, std::ios::binary) << text->second;
  }
  auto db = ledger::Database::open(":memory:");
  must(db.has_value(), "no database");
  ledger::Ledger::Store store(archive.path, std::move(*db));
  const auto rebuilt = ledger::absorb(store);
  must(rebuilt.has_value(), rebuilt ? "" : "not rebuilt: " + rebuilt.error().text);
  for (const auto& left : rebuilt->left)
    must(plain(left.path) && plain(left.why), "not one plain line: " + left.path + ": " + left.why);
  // As the books stand once the ledger is opened again.
  store.books = {};
  must(store.refresh().has_value(), "the ledger's own events are not read back");
  const ledger::RollBook* book = store.books.roll("r");
  if (!book) return;
  for (const auto& [path, file] : book->named()) {
    const auto allowed = store.check_file("r", file);
    must(allowed.has_value(),
         allowed ? "" : "the ledger names what it must not: " + allowed.error().text);
  }
  for (const auto& [path, file] : book->named())
    must(core::is_plain(path), "a name that is no line of a manifest: " + path);
  (void)book->due();
}

}  // namespace lapwright::hostile
