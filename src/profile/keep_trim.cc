#include <system_error>

#include "core/files.h"
#include "profile/profile.h"

namespace lapwright::profile {
namespace {

namespace fs = std::filesystem;

bool lies_below(const fs::path& file, const fs::path& folder) {
  std::error_code trouble;
  const std::string way = fs::weakly_canonical(file, trouble).lexically_relative(fs::weakly_canonical(folder, trouble)).string();
  return !trouble && !way.empty() && !way.starts_with("..");
}

}  // namespace

Result<TrimPlace> place_of_trim(const Shelf& shelf, const OwnProfiles& own, const std::string& name) {
  const auto stock = shelf.stock(name);
  if (!stock) return fail(stock.error());
  for (const fs::path& folder : own.shipped) {
    if (!lies_below(stock->file, folder)) continue;
    if (name.find('/') != std::string::npos || name.ends_with(".yaml"))
      return fail(Fault::bad_profile, stock->file + ": is named by its path and comes with the program, so that its trim cannot be kept; a copy in a folder of your own, named so when rolls are added, can");
    if (own.folder.empty())
      return fail(Fault::bad_profile, "no folder of your own profiles is known; name one in the configuration, profiles: [FOLDER]");
    return TrimPlace{own.folder / "stocks" / (name + ".yaml"), true};
  }
  return TrimPlace{stock->file, false};
}

Result<fs::path> keep_trim(const Shelf& shelf, const OwnProfiles& own, const std::string& name, const Trim& trim) {
  if (auto r = check_trim(trim); !r) return fail(r.error());
  const auto place = place_of_trim(shelf, own, name);
  if (!place) return fail(place.error());
  const auto stock = shelf.stock(name);
  if (!stock) return fail(stock.error());
  const auto text = core::read_file(stock->file, 256 << 10);
  if (!text) return fail(text.error());
  const auto changed = with_trim(*text, stock->file, trim);
  if (!changed) return fail(changed.error());
  if (auto r = core::make_folder(place->file.parent_path()); !r) return fail(r.error());
  if (auto r = core::write_file(place->file, *changed); !r) return fail(r.error());
  const auto found = shelf.stock(name);
  std::error_code trouble;
  if (found && found->trim == trim && fs::equivalent(found->file, place->file, trouble)) return place->file;
  return fail(Fault::bad_profile, place->file.string() + ": is written, but stock " + name + " is found " +
                                      (found ? "in " + found->file : "nowhere: " + found.error().text) + "; name its folder first in the configuration, profiles: [FOLDER]");
}

}  // namespace lapwright::profile
