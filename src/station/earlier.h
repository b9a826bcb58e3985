// What earlier sheets of an archive showed: the edge lettering that their hand-off cards keep, and the stocks of film numbers.
//
// Units: as profile/card.h. Thread: any. Errors: none; a card that cannot be read tells nothing.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

#include "profile/card.h"

namespace lapwright::station {

/// Of every other roll's proof in the archive that is of this stock.
std::vector<profile::Card::Lettering> earlier_lettering(const std::filesystem::path& archive,
                                                        const std::string& stock,
                                                        const std::string& but_roll);

/// The stocks that other rolls with this film number on their edge were given as.
std::vector<std::string> earlier_stocks(const std::filesystem::path& archive, int film_number,
                                        const std::string& but_roll);

}  // namespace lapwright::station
