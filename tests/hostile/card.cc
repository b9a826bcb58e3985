#include "profile/card.h"

#include <array>
#include <cmath>

#include "density/density.h"
#include "hostile.h"

namespace lapwright::hostile {

void card(std::string_view bytes) {
  constexpr const char* name = "sheet.yaml";
  const auto card = profile::read_card(std::string(bytes), name);
  if (!card) return must_refuse(card.error(), Fault::bad_data, std::string(name) + ":");
  const std::string text = profile::write_card(*card);
  const auto again = profile::read_card(text, name);
  must(again.has_value(), again ? "" : "a card that is not read back: " + again.error().text);
  must(profile::write_card(*again) == text, "a card comes back changed");
  if (!card->open_light || !card->base) return;
  profile::StockProfile stock;
  stock.balance_on_sheet = true;
  const auto measured = *density::measured_from(*card, stock);
  for (const double d : measured.base_density)
    must(std::isfinite(d), "a base density that is no number");
  const density::Converter converter(stock, measured);
  const std::array<std::uint16_t, 9> linear{0, 0, 0, 20000, 12000, 9000, 65535, 65535, 65535};
  std::array<std::uint16_t, 9> positive{};
  converter.rows(linear.data(), positive.data(), 3);
  converter.part(linear.data(), positive.data(), {5, 7, 3, 100, 100});
}

}  // namespace lapwright::hostile
