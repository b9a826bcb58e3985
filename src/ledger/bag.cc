#include "ledger/bag.h"

#include <algorithm>

#include "core/clock.h"
#include "core/files.h"
#include "ledger/folders.h"
#include "ledger/store.h"

namespace lapwright::ledger {
namespace {

namespace fs = std::filesystem;

constexpr const char* declaration_name = "bagit.txt";
constexpr const char* info_name = "bag-info.txt";
constexpr const char* tags_name = "tagmanifest-sha256.txt";
constexpr const char* declaration = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";
constexpr const char* payload = "data/";
constexpr std::uint64_t large = 64 << 20;

/// Sums by path below the bag; nothing where there is no such manifest.
std::map<std::string, std::string> sums_in(const fs::path& bag, const char* manifest) {
  std::map<std::string, std::string> out;
  const auto text = core::read_file(bag / manifest);
  const std::string below = "rolls/x/";
  if (text)
    for (const auto& [path, sum] : read_manifest("x", *text).sums) out[path.substr(below.size())] = sum;
  return out;
}

std::string lines_of(const std::map<std::string, std::string>& sums) {
  std::string out;
  for (const auto& [path, sum] : sums) out += sum + "  " + path + "\n";
  return out;
}

std::string sum_of(const std::string& text) {
  core::Sha256 sum;
  sum.add(text.data(), text.size());
  return sum.hex();
}

bool is_there(const fs::path& path, const File& file) {
  std::error_code error;
  return fs::is_regular_file(fs::symlink_status(path, error)) && fs::file_size(path, error) == file.bytes && !error;
}

/// Empty when the file lies in the bag and was read again there.
Result<std::string> copy(const fs::path& from, const fs::path& to, const File& file) {
  std::error_code error;
  if (!fs::is_regular_file(fs::symlink_status(from, error))) return std::string("missing");
  auto read = core::copy_file(from, to);
  if (!read) return read.error().fault == Fault::no_input ? Result<std::string>("unreadable") : fail(read.error());
  const auto again = core::sha256_of(to);
  if (*read == file.sha256 && again && *again == file.sha256) return std::string();
  if (auto r = core::remove_file(to); !r) return fail(r.error());
  return std::string(*read != file.sha256 ? "changed" : "not the same when it was read again in the second place");
}

/// Empty, or what is wrong with a file of a bag.
std::string trouble_with(const fs::path& path, const std::string& sum) {
  std::error_code error;
  const auto status = fs::symlink_status(path, error);
  if (!fs::exists(status)) return "missing";
  if (!fs::is_regular_file(status)) return "changed";
  const auto read = core::sha256_of(path);
  return !read ? "unreadable" : *read == sum ? "" : "changed";
}

Result<> write_tags(const fs::path& bag, const std::string& roll, const std::map<std::string, std::string>& sums) {
  const std::string manifest = lines_of(sums);
  std::uint64_t octets = 0;
  for (const auto& [path, sum] : sums) {
    std::error_code error;
    octets += fs::file_size(bag / path, error);
  }
  const auto there = core::read_file(bag / manifest_name);
  const auto tagged = sums_in(bag, tags_name);
  const bool sound = tagged.size() == 3 && std::all_of(tagged.begin(), tagged.end(), [&](const auto& t) {
    return trouble_with(bag / t.first, t.second).empty();
  });
  if (sound && there && *there == manifest) return {};
  const std::string info = "Bag-Software-Agent: lapwright " LAPWRIGHT_VERSION "\nBagging-Date: " + core::rfc3339_now().substr(0, 10) +
                           "\nExternal-Identifier: " + roll + "\nPayload-Oxum: " + std::to_string(octets) + "." +
                           std::to_string(sums.size()) + "\n";
  const std::map<std::string, std::string> tags{{declaration_name, declaration}, {info_name, info}, {manifest_name, manifest}};
  std::map<std::string, std::string> tag_sums;
  for (const char* name : {manifest_name, info_name, declaration_name}) {
    if (auto r = core::write_file(bag / name, tags.at(name)); !r) return r;
    tag_sums[name] = sum_of(tags.at(name));
  }
  return core::write_file(bag / tags_name, lines_of(tag_sums));
}

}  // namespace

Result<Bag> fill_bag(const fs::path& archive, const std::string& roll, const Named& files, const fs::path& place) {
  Bag bag;
  bag.folder = place / roll;
  if (files.empty()) return bag;
  std::error_code error;
  if (fs::exists(bag.folder, error) && !fs::is_empty(bag.folder, error) && !fs::exists(bag.folder / "data", error))
    return fail(Fault::cannot_create, bag.folder.string() + ": is no bag of this roll (it has no data folder); name another place");
  const std::size_t below = ("rolls/" + roll + "/").size();
  const auto before = sums_in(bag.folder, manifest_name);
  std::map<std::string, std::string> sums;
  for (const auto& [path, sum] : before)
    if (path.starts_with(payload) && fs::exists(bag.folder / path, error)) sums[path] = sum;
  std::vector<const File*> wanted;
  std::uint64_t room = 0;
  for (const auto& [path, file] : files) {
    const std::string in_bag = payload + path.substr(below);
    ++bag.files, bag.bytes += file.bytes;
    const auto kept = sums.find(in_bag);
    if (kept != sums.end() && kept->second == file.sha256 && is_there(bag.folder / in_bag, file)) continue;
    sums.erase(in_bag);
    wanted.push_back(&file), room += file.bytes;
  }
  if (auto r = core::make_folder(bag.folder / "data"); !r) return fail(r.error());
  const auto free = core::free_bytes(bag.folder);
  if (!free) return fail(free.error());
  if (*free < room)
    return fail(Fault::cannot_create, place.string() + ": " + std::to_string(room >> 20) + " MB are to be copied and " +
                                          std::to_string(*free >> 20) + " MB are free; make room there and copy again");
  for (const File* file : wanted) {
    const std::string in_bag = payload + file->path.substr(below);
    const auto to = bag.folder / in_bag;
    if (auto swept = core::sweep_partials(to.parent_path()); !swept && fs::exists(to.parent_path(), error)) return fail(swept.error());
    auto trouble = copy(archive / file->path, to, *file);
    if (!trouble) return fail(trouble.error());
    if (!trouble->empty()) {
      bag.troubles.push_back({file->path, *trouble});
      continue;
    }
    sums[in_bag] = file->sha256;
    ++bag.copied, bag.copied_bytes += file->bytes;
    // What took long and is there is not copied again when the rest is stopped.
    if (file->bytes < large) continue;
    if (auto r = write_tags(bag.folder, roll, sums); !r) return fail(r.error());
  }
  if (auto r = write_tags(bag.folder, roll, sums); !r) return fail(r.error());
  return bag;
}

Result<std::vector<AuditLine>> check_bag(const fs::path& place, const std::string& roll) {
  const fs::path bag = place / roll;
  std::error_code error;
  if (!fs::exists(bag / declaration_name, error))
    return fail(Fault::no_input, bag.string() + ": no bag there (it has no " + declaration_name + ")");
  auto all = sums_in(bag, tags_name);
  const bool tagged = all.count(manifest_name) && all.count(declaration_name) && all.count(info_name);
  auto named = sums_in(bag, manifest_name);
  all.merge(named);
  std::vector<AuditLine> out;
  if (!tagged) out.push_back({roll + "/" + tags_name, "missing"});
  for (const auto& [path, sum] : all)
    if (const auto trouble = trouble_with(bag / path, sum); !trouble.empty()) out.push_back({roll + "/" + path, trouble});
  const auto there = files_below(bag, bag);
  if (!there) return fail(there.error());
  for (const std::string& path : *there)
    if (path != tags_name && !all.count(path)) out.push_back({roll + "/" + path, "not in the manifest"});
  return out;
}

Result<std::vector<std::string>> bags_in(const fs::path& place) {
  std::error_code error;
  if (!fs::is_directory(place, error)) return fail(Fault::no_input, place.string() + ": is no folder; name the place that holds the copies");
  std::vector<std::string> out;
  for (fs::directory_iterator it(place, error), end; !error && it != end; it.increment(error))
    if (fs::exists(it->path() / declaration_name, error)) out.push_back(it->path().filename().string());
  if (error) return fail(Fault::io, place.string() + ": cannot be listed: " + error.message());
  std::sort(out.begin(), out.end());
  return out;
}

}  // namespace lapwright::ledger
