#include "station/earlier.h"

#include "core/files.h"
#include "core/json.h"

namespace lapwright::station {

namespace fs = std::filesystem;

namespace {

constexpr std::uint64_t most_bytes = 1 << 20;

/// Gives `take` every other roll's folder with its proof.
template <class Take>
void each_proof(const fs::path& archive, const std::string& but_roll, Take take) {
  std::error_code trouble;
  fs::directory_iterator at(archive / "rolls", trouble), end;
  for (; !trouble && at != end; at.increment(trouble))
    if (at->path().filename().string() != but_roll) take(at->path() / "proof");
}

std::optional<profile::Card> card_in(const fs::path& proof, const char* that_holds) {
  const fs::path file = proof / "sheet.yaml";
  const auto text = core::read_file(file, most_bytes);
  if (!text || text->find(that_holds) == std::string::npos) return std::nullopt;
  auto card = profile::read_card(*text, file.string());
  return card ? std::optional(std::move(*card)) : std::nullopt;
}

}  // namespace

std::vector<profile::Card::Lettering> earlier_lettering(const fs::path& archive,
                                                        const std::string& stock,
                                                        const std::string& but_roll) {
  std::vector<profile::Card::Lettering> out;
  each_proof(archive, but_roll, [&](const fs::path& proof) {
    const auto card = card_in(proof, "\nlettering:");
    if (card && card->stock == stock && card->lettering) out.push_back(*card->lettering);
  });
  return out;
}

std::vector<std::string> earlier_stocks(const fs::path& archive, int film_number,
                                        const std::string& but_roll) {
  std::vector<std::string> out;
  each_proof(archive, but_roll, [&](const fs::path& proof) {
    const auto text = core::read_file(proof / "frames.json", most_bytes);
    if (!text || text->find("\"edge\"") == std::string::npos) return;
    const auto json = core::parse_json(*text, (proof / "frames.json").string());
    if (!json) return;
    const auto edge = json->find("edge");
    if (edge == json->end() || !edge->is_object() || edge->value("film", Json()) != film_number)
      return;
    if (const auto card = card_in(proof, "\nstock:")) out.push_back(card->stock);
  });
  return out;
}

}  // namespace lapwright::station
