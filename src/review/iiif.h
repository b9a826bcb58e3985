// IIIF Image 3.0 (level 0 with regionByPx and sizeByWh) and Presentation 3.0, as texts and numbers.
//
// Invariants: pure; every id in a document begins with `base`, which comes from a checked Host.
// Units: pixels of the sheet. Thread: any. Errors: 400 with one sentence.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "core/geometry.h"
#include "core/json.h"
#include "frames/frames.h"

namespace lapwright::review::iiif {

inline constexpr const char* image_type =
    "application/ld+json;profile=\"http://iiif.io/api/image/3/context.json\"";
inline constexpr const char* presentation_type =
    "application/ld+json;profile=\"http://iiif.io/api/presentation/3/context.json\"";

struct Extent {
  std::int64_t width = 0, height = 0;
  bool operator==(const Extent&) const = default;
};

/// What an image is made of: the sizes of its levels, and of a tile.
struct Pyramid {
  std::vector<Extent> levels;
  std::int64_t tile = 512;
  /// The largest level that is at most `longest` a side; full/max has its size.
  Extent largest(std::int64_t longest) const;
};

struct TileOf {
  std::size_t level = 0;
  std::int64_t x = 0, y = 0;
};
struct PartOf {
  PixelRect<SheetSpace> area;
  std::int64_t width = 0, height = 0;
};
struct Refused {
  std::string say;
};
using Asked = std::variant<TileOf, PartOf, Refused>;

/// "0,0,512,512" "512,512" "0" "default.jpg"; `longest` bounds what is not a tile.
Asked read_image_request(std::string_view region, std::string_view size, std::string_view rotation,
                         std::string_view file, const Pyramid& pyramid, std::int64_t longest);

Json image_info(const std::string& id, const Pyramid& pyramid, std::int64_t longest);

/// A roll with a proof.
struct Sheet {
  std::string roll, stock, sleeve, shot, note;
  std::string roll_id;   // as it stands in an address
  std::string image_id;  // likewise
  Pyramid pyramid;
  Extent largest;
  Spot<SleeveSpace> origin;
  double pixels_per_mm = 0;
  std::vector<frames::Frame> frames;
};

/// The upright rectangle round a frame, "x,y,w,h" in whole pixels.
std::string frame_fragment(const Sheet& sheet, const frames::Frame& frame);

Json collection(const std::string& base, const std::vector<Sheet>& rolls);
Json canvas(const std::string& base, const Sheet& sheet);
Json manifest(const std::string& base, const Sheet& sheet);

}  // namespace lapwright::review::iiif
