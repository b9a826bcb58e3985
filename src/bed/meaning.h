// What an option or a value means, by well-known name first and by the words of name, title and
// values next.
//
// Invariants: pure; case and separators do not matter; "colour" is "color", "grey" is "gray".
// Units: none. Thread: any. Errors: "not understood" is a value.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "bed/option.h"

namespace lapwright::bed {

/// Lower case, words separated by one space, dots kept; British spellings folded.
std::string folded(const std::string& text);
/// Whether the folded text holds the pattern (ECMAScript; words are separated by spaces).
bool has(const std::string& folded_text, const char* pattern);
/// Name and title of an option, folded: "tl x | top left x".
std::string words_of(const Option& o);

/// Light that comes through the film; the best first. Empty: none.
std::vector<std::string> film_values(const Option& source);

/// How infrared is asked for: a source of its own, a mode, or a switch beside the film light.
struct Infrared {
  enum class By { none, source, mode, on } by = By::none;
  const Option* option = nullptr;
  std::string value;  // of a source or mode
  std::string text() const;
};
Infrared find_infrared(const Surface& s);

/// Options by meaning; null where there is none. Only active settable ones.
const Option* find_source(const Surface& s);
/// A switch that turns the film light on, where no choice of sources exists.
const Option* find_film_switch(const Surface& s);
/// A device that takes nothing but film.
bool film_only(const Surface& s, const std::string& device_type);
const Option* find_film_type(const Surface& s, const Option* source);
const Option* find_mode(const Surface& s, const Option* source);
const Option* find_depth(const Surface& s);
struct Resolutions {
  const Option* bind = nullptr;
  std::vector<const Option*> options;
};
Resolutions find_resolutions(const Surface& s);

/// Edges of the area: begin and end, or begin and extent, on both axes.
struct Area {
  const Option* begin[2] = {nullptr, nullptr};
  const Option* end[2] = {nullptr, nullptr};
  bool extent[2] = {false, false};  // `end` is a width or height
  bool complete() const { return begin[0] && begin[1] && end[0] && end[1]; }
};
Area find_area(const Surface& s);

std::optional<std::string> best_film_type(const Option& o);
std::optional<std::string> best_mode(const Option& o);
/// Bits a sample in a depth value: "48 bits color" and 48 are 16. 0: not said.
int depth_of(const std::string& value);
std::optional<double> best_depth(const Option& o);

/// What a correction must be so that the data stay as the sensor gave them.
struct Neutral {
  /// `stuck`: a correction that has no neutral value.
  enum class What { leave, unknown, stuck, set } what = What::unknown;
  std::vector<double> numbers;  // for everything but texts
  std::string text;
  const char* why = "";
};
Neutral neutral_of(const Surface& s, const Option& o);

/// The flatbed's own buttons: read-only values that change when one is pressed.
bool is_button_sensor(const Option& o);

}  // namespace lapwright::bed
