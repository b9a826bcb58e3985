// The hand-off card (sheet.yaml, frame-07.yaml): what the conversion stage is told about a linear picture.
//
// Invariants: written once, beside the picture it describes; read_card(write_card(c)) == c in every member, when every number is
//   finite, counts are from 0.001 to 65535 and every text UTF-8 (bytes that are not, and control characters, are written as U+FFFD).
// Units: as named. Thread: values. Errors: bad_data with file, line and key.
#pragma once

#include <array>
#include <map>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "core/geometry.h"
#include "core/result.h"
#include "profile/profile.h"

namespace lapwright::profile {

/// A linear picture by infrared light under the same lay. `to_infrared`: the picture's pixels to
/// its own, as measured; not there where it could not be. Of a frame it lies as the frame does.
struct InfraredPicture {
  std::string file, sha256;
  std::optional<std::array<double, 6>> to_infrared;
  double residual_px = 0;
};

struct Card {
  std::string file, sha256;  // the picture, relative to the card's folder
  std::string roll, sleeve, stock;
  Ppi ppi;
  Pixels width, height;
  Spot<SleeveSpace> origin_mm;  // sleeve coordinates of the first pixel's top left corner
  double mm_per_pixel = 0;
  bool mirrored = false;  // the sleeve lay wrong side up; the picture was put right, sleeve_to_pass tells it
  using Infrared = InfraredPicture;
  struct Pass {
    int pass = 0;
    std::string file, sha256, device, started, finished;  // RFC 3339
    std::vector<std::pair<std::string, std::string>> options;  // as read back after setting
    std::array<double, 6> sleeve_to_pass{};                    // mm to px, as measured
    std::optional<Infrared> infrared;
  };
  std::vector<Pass> passes;
  struct Lap {
    int a = 0, b = 0;
    double residual_px = 0, overlap_mm = 0, confidence = 0;
    std::array<double, 3> light_percent{};
  };
  std::vector<Lap> laps;
  struct Reading {  // counts of 65535, and where they were read
    std::array<double, 3> counts{};
    Rect<SleeveSpace> where;
    std::string from;  // "empty pocket", "gutter", "rebate", ...
  };
  /// log10 of the light over open_light: terms of u, u^2, u^3, v, v^2, v^3 for red, green, blue, where u and v run from -1 to 1
  /// over the picture's width and height.
  struct Evenness { std::array<std::array<double, 6>, 3> terms; };
  /// What makes the channels agree, as the sheet's own neutrals show it: a stock's curves.
  struct Balance { std::array<std::map<double, double>, 3> curve; };
  /// The edge lettering as the positive shows it before any trim: CIE LCh(ab).
  struct Lettering { double lightness = 0, chroma = 0, hue_degrees = 0; };
  /// How the positive was made of it: what was asked for on it, of the stock or of this roll alone; each frame balanced by itself;
  /// by a conversion stage of one's own, which takes no trim.
  struct Positive {
    Trim trim;
    bool of_roll = false, even = false, outside = false;
  };
  std::optional<Positive> positive;
  std::optional<Infrared> infrared;
  std::optional<Reading> open_light, base;  // base also in density over open light = log10(open/base)
  std::optional<Evenness> evenness;
  std::optional<std::array<double, 3>> flare;  // counts that reach the sensor past the film
  std::optional<Balance> balance;
  std::optional<Lettering> lettering;
};

std::string write_card(const Card& card);
Result<Card> read_card(const std::string& yaml, const std::string& file);

}  // namespace lapwright::profile
