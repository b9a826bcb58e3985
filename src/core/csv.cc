#include "core/csv.h"

#include <string_view>

namespace lapwright::core {
namespace {

std::string cell(const std::string& text) {
  std::string value = text;
  if (!value.empty() &&
      std::string_view("=+-@\t\r\n").find(value.front()) != std::string_view::npos)
    value.insert(0, 1, '\'');
  if (value.find_first_of(",\"\r\n'") == std::string::npos) return value;
  std::string out = "\"";
  for (const char c : value) out += c == '"' ? std::string("\"\"") : std::string(1, c);
  return out + "\"";
}

}  // namespace

std::string csv_row(const std::vector<std::string>& cells) {
  std::string out;
  for (std::size_t i = 0; i < cells.size(); ++i) out += (i ? "," : "") + cell(cells[i]);
  return out + "\r\n";
}

}  // namespace lapwright::core
