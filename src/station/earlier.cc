#include "station/earlier.h"

#include "core/files.h"

namespace lapwright::station {

namespace fs = std::filesystem;

std::vector<profile::Card::Lettering> earlier_lettering(const fs::path& archive,
                                                        const std::string& stock,
                                                        const std::string& but_roll) {
  constexpr std::uint64_t most_bytes = 1 << 20;
  std::vector<profile::Card::Lettering> out;
  std::error_code trouble;
  fs::directory_iterator at(archive / "rolls", trouble), end;
  for (; !trouble && at != end; at.increment(trouble)) {
    if (at->path().filename().string() == but_roll) continue;
    const fs::path file = at->path() / "proof" / "sheet.yaml";
    const auto text = core::read_file(file, most_bytes);
    if (!text || text->find("\nlettering:") == std::string::npos) continue;
    const auto card = profile::read_card(*text, file.string());
    if (card && card->stock == stock && card->lettering) out.push_back(*card->lettering);
  }
  return out;
}

}  // namespace lapwright::station
