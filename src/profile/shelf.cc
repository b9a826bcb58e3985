#include <algorithm>
#include <set>
#include <system_error>

#include "core/files.h"
#include "profile/profile.h"

namespace lapwright::profile {
namespace {

namespace fs = std::filesystem;

constexpr std::uint64_t most_bytes = 256 << 10;

template <class T>
using Parse = Result<T> (*)(const std::string&, const std::string&);

template <class T>
Result<T> load(const fs::path& file, Parse<T> parse) {
  const auto text = core::read_file(file, most_bytes);
  if (!text) return fail(text.error());
  return parse(*text, file.string());
}

bool is_path(const std::string& name) {
  return name.find('/') != std::string::npos || name.ends_with(".yaml");
}

template <class T>
Result<T> find(const Shelf& shelf, const std::vector<fs::path>& folders, const std::string& kind,
               const std::string& one, const std::string& name, Parse<T> parse) {
  if (is_path(name)) return load(name, parse);
  for (const fs::path& folder : folders) {
    const fs::path file = folder / kind / (name + ".yaml");
    std::error_code ignored;
    if (name.empty() || !fs::exists(file, ignored)) continue;
    auto found = load(file, parse);
    if (found && found->name != name) {
      return fail(Fault::bad_profile, file.string() + ":1: " + one + ": is '" + found->name +
                                          "'; must be '" + name + "' as the file is called");
    }
    return found;
  }
  std::string known;
  for (const std::string& n : shelf.names(kind)) known += (known.empty() ? "" : ", ") + n;
  return fail(Fault::no_input,
              "no " + one + " profile is called '" + name + "'; " +
                  (known.empty() ? "no folder of profiles holds any" : "there are: " + known));
}

}  // namespace

Result<BedProfile> Shelf::bed(const std::string& name) const {
  return find(*this, folders_, "beds", "bed", name, parse_bed);
}
Result<SleeveProfile> Shelf::sleeve(const std::string& name) const {
  return find(*this, folders_, "sleeves", "sleeve", name, parse_sleeve);
}
Result<StockProfile> Shelf::stock(const std::string& name) const {
  return find(*this, folders_, "stocks", "stock", name, parse_stock);
}

Result<std::vector<BedProfile>> Shelf::beds() const {
  std::vector<BedProfile> out;
  for (const std::string& name : names("beds")) {
    auto one = bed(name);
    if (!one) return fail(one.error());
    out.push_back(std::move(*one));
  }
  return out;
}

std::vector<std::string> Shelf::stocks_of_film(int film_number) const {
  std::vector<std::string> out;
  for (const std::string& name : names("stocks")) {
    const auto one = stock(name);
    if (one && std::find(one->film_numbers.begin(), one->film_numbers.end(), film_number) != one->film_numbers.end()) out.push_back(name);
  }
  return out;
}

std::string film_caution(const Shelf& shelf, const StockProfile& stock, int film_number, const std::vector<std::string>& earlier) {
  const auto& own = stock.film_numbers;
  if (std::find(own.begin(), own.end(), film_number) != own.end()) return "";
  const std::string number = std::to_string(film_number);
  std::string known;
  for (const std::string& name : shelf.stocks_of_film(film_number)) known += (known.empty() ? "" : " or ") + name;
  if (!known.empty()) return "by the code on the film's edge this is film number " + number + ", stock " + known + "; the roll is given as " + stock.name;
  if (const auto other = std::find_if(earlier.begin(), earlier.end(), [&](const std::string& e) { return e != stock.name; }); other != earlier.end())
    return "film number " + number + " on the film's edge was that of " + *other + " in an earlier roll; this roll is given as " + stock.name;
  if (!earlier.empty()) return "";
  return "film number " + number + " on the film's edge is in no stock profile; if it is " + stock.name + ", film_numbers: [" +
         (own.empty() ? "" : "..., ") + number + "] in a profile of its own tells it for every archive; this archive remembers it from now on";
}

std::vector<std::string> Shelf::names(const std::string& kind) const {
  std::set<std::string> found;
  for (const fs::path& folder : folders_) {
    std::error_code trouble;
    fs::directory_iterator it(folder / kind, trouble), end;
    for (; !trouble && it != end; it.increment(trouble)) {
      const fs::path p = it->path();
      if (p.extension() == ".yaml" && p.filename().string().front() != '.')
        found.insert(p.stem().string());
    }
  }
  return {found.begin(), found.end()};
}

}  // namespace lapwright::profile
