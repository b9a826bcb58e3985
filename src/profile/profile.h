// What is known of a flatbed, a sleeve and a stock, read from YAML into checked values.
//
// Invariants: a value of these types has passed every check; unknown keys were refused.
// Units: micrometres, ppi, seconds, densities. Thread: values.
// Errors: bad_profile "FILE:LINE: KEY: what is wrong; what would be right"; no_input when there is no such profile.
#pragma once

#include <array>
#include <filesystem>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "core/geometry.h"
#include "core/result.h"

namespace lapwright::profile {

struct BedProfile {
  struct Match { std::string vendor = ".*", model = ".*"; };  // extended regular expressions
  struct Overhang { Micrometres left, right, front, back; };
  struct Limits { std::optional<Pixels> pixels_per_line, lines; };
  struct Timing { double fixed = 25; std::map<int, double> line; };  // seconds; by ppi
  std::string name, about, file;
  std::optional<Match> match;
  Rect<BedSpace> window;
  Overhang overhang;
  std::vector<Ppi> ppi;  // ascending
  Limits limits;
  std::optional<Timing> timing;
  std::map<std::string, std::string> options;
  /// The highest of the list up to 2400: the proof's default.
  Ppi proof_ppi() const;
  /// Seconds for a pass of `lines` rows: the line time of the nearest listed ppi, carried to `at` as trade.md's model (section 6)
  /// goes; that model alone where no timing is listed.
  double seconds(Ppi at, Pixels lines) const;
};

enum class Film { f135, f120, sheet };
enum class Run { right, down };

struct SleeveProfile {
  std::string name, about, file;
  Size page;
  Film film = Film::f135;
  struct Frame { Micrometres width, height, advance; } frame;  // width along the strip
  struct Strips {
    int count = 0, frames = 0;
    Point<SleeveSpace> first;
    Micrometres pitch, length;
    Run run = Run::right;
    std::optional<Micrometres> width = std::nullopt;  // of the film, where it is not the usual
  } strips;
  /// Width of the film across the strip: `strips.width`, else 34.975 mm (135), 61.5 mm (120), frame height + 6 mm (sheet).
  Micrometres film_width() const;
  /// The film of strip `i` (0-based) as it should lie.
  Rect<SleeveSpace> strip(int i) const;
  /// Frame `j` (0-based, along the run) of strip `i`, centred across the strip, evenly along it.
  Rect<SleeveSpace> frame_area(int i, int j) const;
  /// All strips together.
  Rect<SleeveSpace> block() const;
};

enum class Process { colour_negative, bw_negative, slide };
struct Channels { double red = 0, green = 0, blue = 0; };

struct Trim {  // each -100..100, on the positive
  double warmth = 0, tint = 0, brightness = 0, contrast = 0;
  bool operator==(const Trim&) const = default;
};
/// usage: names the member and what would be right.
Result<> check_trim(const Trim& trim);
/// "{warmth: 0, tint: 0, brightness: 0, contrast: 0}".
std::string trim_text(const Trim& trim);

struct StockProfile {
  std::string name, about, file;
  Process process = Process::colour_negative;
  bool silver = false;  // the picture is of silver, which holds back infrared as dust does
  std::optional<Channels> base;
  Channels gain{1, 1, 1}, offset{0, 0, 0};
  /// Red, green, blue: net density to the density that the channels agree in, rising, two points at least; in place of gain and
  /// offset where toe and shoulder need it.
  using Curve = std::map<double, double>;
  std::optional<std::array<Curve, 3>> curve;
  /// Net densities times this are the layers' own: row by row what each takes of red, green and blue.
  std::optional<std::array<std::array<double, 3>, 3>> crosstalk;
  double toe = 0;  // net density over which the film bends away from its base; straightened where it is not 0
  bool balance_on_sheet = false;  // gain and offset stand for a whole class: neutrals that a sheet shows plainly go before them
  /// `knee`: how many densities the bends at either end of a straight slope take; 0: one long bend.
  struct Paper { double slope = 2.97, dmin = 0.05, dmax = 2.10, knee = 0; } paper;
  Trim trim;
  std::vector<int> film_numbers;  // of the code on the film's edge that this stock is known by; 16 to 2047
};

Result<BedProfile> parse_bed(const std::string& yaml, const std::string& file);
Result<SleeveProfile> parse_sleeve(const std::string& yaml, const std::string& file);
Result<StockProfile> parse_stock(const std::string& yaml, const std::string& file);
/// The profile's text with another trim and not a byte else changed; bad_profile where the text does not allow that.
Result<std::string> with_trim(const std::string& yaml, const std::string& file, const Trim& trim);
/// The profile as YAML that parse_stock() reads back alike, after `remarks` (each a line of comment).
std::string write_stock(const StockProfile& stock, const std::vector<std::string>& remarks);

/// Finds profiles by name in folders (each with beds/, sleeves/, stocks/), first folder first; a name that holds
/// a slash or ends in .yaml is a path and used as it is.
class Shelf {
 public:
  explicit Shelf(std::vector<std::filesystem::path> folders) : folders_(std::move(folders)) {}
  Result<BedProfile> bed(const std::string& name) const;
  Result<SleeveProfile> sleeve(const std::string& name) const;
  Result<StockProfile> stock(const std::string& name) const;
  /// Every bed profile found; the broken ones are errors.
  Result<std::vector<BedProfile>> beds() const;
  /// Names of the stock profiles that name a film number; a profile that cannot be read names none.
  std::vector<std::string> stocks_of_film(int film_number) const;
  /// Names found for a kind ("beds", "sleeves", "stocks"), sorted, for messages.
  std::vector<std::string> names(const std::string& kind) const;

 private:
  std::vector<std::filesystem::path> folders_;
};

/// Where one's own profiles are written, and the folders that are never written into.
struct OwnProfiles {
  std::filesystem::path folder;
  std::vector<std::filesystem::path> shipped;
};
/// Where a stock's own trim would be kept: in its profile where that is one's own; of a shipped one in a copy in one's own folder.
struct TrimPlace {
  std::filesystem::path file;
  bool copies = false;
};
Result<TrimPlace> place_of_trim(const Shelf& shelf, const OwnProfiles& own, const std::string& stock);
/// Keeps it there, with every other line as it was; returns the file. The stock is then found with this trim, or it is an error.
Result<std::filesystem::path> keep_trim(const Shelf& shelf, const OwnProfiles& own, const std::string& stock, const Trim& trim);

/// What there is to say when a film's edge tells a film number and the roll is given as `stock`: nothing where the stock names that
/// number; else which stock does, or that none does and where to write it down.
std::string film_caution(const Shelf& shelf, const StockProfile& stock, int film_number, const std::vector<std::string>& earlier = {});

/// $XDG_CONFIG_HOME/lapwright/config.yaml: archive:, profiles:, bed:, key:, convert: [list of arguments]. Paths: "~/" is HOME,
/// relative ones are below the file's folder.
struct Config {
  std::optional<std::string> archive, bed, key;
  std::vector<std::string> profiles;
  std::vector<std::string> convert;  // outside conversion stage; {sheet} {card} {proof} are filled in
  std::optional<std::array<double, 2>> paper;  // mm, width and height upright, that proofs are printed on
};
Result<Config> parse_config(const std::string& yaml, const std::string& file);
/// $XDG_CONFIG_HOME/lapwright, else ~/.config/lapwright.
std::filesystem::path config_folder();
/// The configuration file where it exists, else an empty Config.
Result<Config> load_config();

}  // namespace lapwright::profile
