// What was marked on one roll's sheet: verdicts, notes, crop lines and ink, as W3C Web Annotations
// in rolls/NAME/marks.json.
//
// Invariants: the file is replaced whole, and before a change is called done it is on the disk;
// what
//   another process changed meanwhile is read again first, under a lock on the roll's folder; a
//   stroke's id comes from who drew it, and the same stroke twice is one; annotations of others
//   stay as they are; an SVG path is made here from numbers, never taken as text.
// Units: sleeve millimetres, milliseconds, pressure 0 to 1; pixels of the sheet in selectors.
// Thread: one. Errors: bad_data (of what is read: what was asked; of the file, which is then left
//   alone), cannot_create (no room, or `most_bytes` reached), io.
#pragma once

#include <cstdint>
#include <filesystem>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "core/json.h"
#include "review/iiif.h"

namespace lapwright::review {

/// An editor's word on a frame; empty: none yet.
bool is_verdict(const std::string& word);

struct Stroke {
  std::string id;                                  // a UUID in lower case
  std::string colour;                              // red, yellow, white, blue
  double width = 0;                                // mm, of the pencil's point
  std::vector<double> samples;                     // x, y, pressure, t; again and again
  std::vector<std::pair<double, double>> outline;  // round what the pencil covered
};

/// Reads a stroke as the page sends it; bad_data names the member and what would be right.
Result<Stroke> read_stroke(const Json& json, const std::string& id, const iiif::Sheet& sheet);
/// A rectangle inside the frame, x, y, width, height.
Result<std::optional<std::array<double, 4>>> read_crop(const Json& json,
                                                       const frames::Frame& frame);
/// Up to 2000 bytes of UTF-8, lines and tabs allowed.
Result<std::string> read_note(const Json& json);

class Marks {
 public:
  static constexpr std::uint64_t most_bytes = 32 << 20;

  explicit Marks(std::filesystem::path folder) : folder_(std::move(folder)) {}

  /// How each frame stands.
  struct Frame {
    std::string verdict, note;
    std::optional<std::array<double, 4>> crop;
  };
  struct State {
    std::map<std::string, Frame> frames;  // those that anything was said of
    Json ink = Json::array();             // {id, colour, width, samples}
  };
  Result<State> state(bool with_ink = true);
  /// The AnnotationPage with ids that begin with `base`.
  Result<Json> page(const std::string& base, const iiif::Sheet& sheet);

  enum class Kept { added, there, another_has_it };
  Result<Kept> keep(const Stroke& stroke, const iiif::Sheet& sheet);
  /// False when there was none.
  Result<bool> remove(const std::string& id);
  Result<> set_verdict(const iiif::Sheet& sheet, const frames::Frame& frame,
                       const std::string& verdict);
  Result<> set_note(const iiif::Sheet& sheet, const frames::Frame& frame, const std::string& note);
  /// Writes marks.xmp beside the file: verdicts and notes as regions of the sheet that other programs read.
  Result<> write_xmp(const iiif::Sheet& sheet);
  Result<> set_crop(const iiif::Sheet& sheet, const frames::Frame& frame,
                    const std::optional<std::array<double, 4>>& crop);

 private:
  struct Stamp {
    std::int64_t seconds = 0, nanoseconds = 0, bytes = -1;
    std::uint64_t inode = 0;
    bool operator==(const Stamp&) const = default;
  };
  std::filesystem::path file() const;
  Stamp stamp() const;
  Result<> refresh();
  /// An annotation and how it stands in the file; a change writes anew only what it changes.
  struct Item {
    Json json;
    std::string line;
  };
  using Items = std::vector<std::shared_ptr<const Item>>;
  static std::shared_ptr<const Item> item(Json json);
  Result<> write(Items items);
  /// Under the lock: reads again, changes, writes.
  template <class Change>
  Result<> change(Change change);
  Result<> put(const std::string& id, Json annotation);  // null: takes it away

  std::filesystem::path folder_;
  Items items_;
  std::optional<Stamp> read_;
};

}  // namespace lapwright::review
