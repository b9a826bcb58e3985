#include <filesystem>
#include <fstream>

#include "core/files.h"
#include "core/process.h"
#include "density/density.h"

namespace lapwright::density {
namespace {

namespace fs = std::filesystem;

constexpr double most_seconds = 4 * 3600;

void fill_in(std::string& text, const std::string& mark, const std::string& value) {
  for (std::size_t at = text.find(mark); at != std::string::npos; at = text.find(mark, at + value.size()))
    text.replace(at, mark.size(), value);
}

/// The last few lines as one, for a message.
std::string one_line(const std::string& text) {
  std::string line = text.size() > 600 ? "..." + text.substr(text.size() - 600) : text;
  while (!line.empty() && line.back() == '\n') line.pop_back();
  for (std::size_t at = line.find('\n'); at != std::string::npos; at = line.find('\n')) line.replace(at, 1, " | ");
  return line;
}

/// Copies `from` to `to` as a whole, durable file.
Result<> publish_copy(const fs::path& from, const fs::path& to) {
  auto file = core::NewFile::create(to, 0);
  if (!file) return fail(file.error());
  std::ifstream in(from, std::ios::binary);
  std::vector<char> piece(1 << 20);
  while (in) {
    in.read(piece.data(), static_cast<std::streamsize>(piece.size()));
    if (auto r = file->write(piece.data(), static_cast<std::size_t>(in.gcount())); !r) return r;
  }
  if (!in.eof()) return fail(Fault::io, from.string() + ": cannot be read");
  return file->publish();
}

}  // namespace

Result<core::Finished> run_outside_stage(const std::vector<std::string>& arguments, const std::string& sheet,
                                         const std::string& card, const std::string& proof) {
  if (arguments.empty())
    return fail(Fault::bad_profile, "convert: the outside stage is an empty list; right is [program, \"{sheet}\", \"{proof}\"]");
  const fs::path named(proof);
  const fs::path own = named.parent_path() / (".outside-" + named.filename().string());
  std::vector<std::string> filled = arguments;
  for (std::string& a : filled) {
    fill_in(a, "{sheet}", sheet);
    fill_in(a, "{card}", card);
    fill_in(a, "{proof}", own.string());
  }
  std::error_code ignored;
  fs::remove(own, ignored);
  auto done = core::run(filled, most_seconds);
  const auto result = [&]() -> Result<> {
    const std::string stage = "the outside conversion stage ";
    if (!done)
      return fail(done.error().fault == Fault::unavailable ? Fault::bad_profile : done.error().fault, stage + done.error().text);
    const std::string last = "; its last lines: " + one_line(done->last_lines);
    if (done->exit_code != 0)
      return fail(Fault::bad_profile, stage + filled[0] + " ended with code " + std::to_string(done->exit_code) + last);
    if (const auto size = fs::file_size(own, ignored); ignored || size == 0)
      return fail(Fault::io, stage + filled[0] + " ended well but left no file at {proof}" + last);
    return publish_copy(own, named);
  }();
  fs::remove(own, ignored);
  if (!result) return fail(result.error());
  return done;
}

}  // namespace lapwright::density
