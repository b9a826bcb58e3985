// Transmission to density to positive, by the stock and by what was measured on the sheet itself (trade.md 4.5).
//
// Invariants: nothing is inverted in gamma space; one exposure for the page; trim acts on the positive.
// Units: counts of 65535, densities, sleeve millimetres. Thread: a Converter is immutable once made, rows() from any thread.
// Errors: bad_data when neither open light nor base can be found (with what would help).
#pragma once

#include <array>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "core/process.h"
#include "image/rgb.h"
#include "profile/card.h"
#include "profile/profile.h"

namespace lapwright::density {

struct Measured {
  profile::Card::Reading open_light, base;       // counts
  std::array<double, 3> base_density{};          // log10(open / base)
  struct Strip { int strip = 0; std::array<double, 3> base_density{}; double spread = 0; bool other = false; };
  std::vector<Strip> strips;                     // `other`: told as another stock or development
  std::optional<profile::Card::Evenness> evenness;  // of the open light over the sheet; converted away
  double uneven = 0, light_residual = 0;            // share of light lacking at its darkest; D it is known to
  std::array<double, 3> flare{};                    // counts that come past the film; 0 where the sheet shows nothing opaque
  std::array<double, 3> darkest{};                  // counts: flare is no more than that
  double balance_sure = 0;
  std::optional<profile::Card::Balance> balance;    // by neutrals of the sheet, where the stock leaves it to them
  double exposure = 0;                           // one for the page: log10 of light, added before the paper curve
  std::array<double, 3> shift{};                 // more of it in each channel: only of a frame that is balanced by itself
  std::vector<std::string> cautions;
};

/// What the hand-off card tells: nothing where it lacks open light or base; no strips.
std::optional<Measured> measured_from(const profile::Card& card, const profile::StockProfile& stock);
/// Writes into the card what conversion needs to find there.
void tell(const Measured& measured, profile::Card& card);

/// From readings taken earlier: base density, the page's exposure, cautions; no strips.
Measured measured_from(const profile::Card::Reading& open_light, const profile::Card::Reading& base,
                       const profile::StockProfile& stock);

/// Measures a sheet (reads it once, reduced). `origin` and ppi place it on the sleeve.
Result<Measured> measure(image::RowSource& sheet, Spot<SleeveSpace> origin, const profile::SleeveProfile& sleeve,
                         const profile::StockProfile& stock);
/// Without a sleeve profile (`lapwright convert SHEET.tif --stock K` on its own): from the picture's statistics.
Result<Measured> measure(image::RowSource& sheet, const profile::StockProfile& stock);

class Converter {
 public:
  Converter(const profile::StockProfile& stock, const Measured& measured);
  ~Converter();
  Converter(Converter&&) noexcept;
  /// Linear samples to sRGB-encoded 16-bit samples (IEC 61966-2-1), `pixels` of them, as if the light were even.
  void rows(const std::uint16_t* linear, std::uint16_t* srgb, std::int64_t pixels) const;
  /// `n` pixels from column `x` of row `y` of a picture of this size, where the light is as measured.
  struct Part {
    std::int64_t x, y, n, width, height;
  };
  void part(const std::uint16_t* linear, std::uint16_t* srgb, const Part& part) const;

 private:
  struct Tables;
  std::unique_ptr<Tables> tables_;
};

/// The sheet seen through the converter.
class PositiveSource : public image::RowSource {
 public:
  PositiveSource(image::RowSource& sheet, const Converter& converter) : sheet_(sheet), converter_(converter) {}
  std::int64_t width() const override { return sheet_.width(); }
  std::int64_t height() const override { return sheet_.height(); }
  Ppi ppi() const override { return sheet_.ppi(); }
  Result<> read(std::int64_t first, std::int64_t rows, std::uint16_t* out) override;
  Result<> read_block(std::int64_t x, std::int64_t columns, std::int64_t first, std::int64_t rows, std::uint16_t* out) override;

 private:
  image::RowSource& sheet_;
  const Converter& converter_;
};

/// Each frame balanced by itself: its own exposure and half of its own cast taken away, on sheets made with --even. A frame of
/// plain film stays as the page has it.
class EvenSource : public image::RowSource {
 public:
  static Result<std::unique_ptr<EvenSource>> of(image::RowSource& sheet, Spot<SleeveSpace> origin, const profile::StockProfile& stock,
                                                const Measured& measured, const std::vector<Rect<SleeveSpace>>& frames);
  std::int64_t width() const override { return sheet_.width(); }
  std::int64_t height() const override { return sheet_.height(); }
  Ppi ppi() const override { return sheet_.ppi(); }
  Result<> read(std::int64_t first, std::int64_t rows, std::uint16_t* out) override;
  Result<> read_block(std::int64_t x, std::int64_t columns, std::int64_t first, std::int64_t rows, std::uint16_t* out) override;
  struct Frame {
    PixelRect<SheetSpace> area;
    double exposure = 0;             // log10 of light over the page's
    std::array<double, 3> shift{};
    bool balanced = false;           // false: plain film
  };
  const std::vector<Frame>& frames() const { return frames_; }

 private:
  EvenSource(image::RowSource& sheet, Converter page) : sheet_(sheet), page_(std::move(page)) {}
  image::RowSource& sheet_;
  Converter page_;
  std::vector<Frame> frames_;
  std::vector<Converter> converters_;  // one a frame
  std::vector<std::uint16_t> linear_;
};

/// The edge-lettering gauge on the positive (trade.md 4.7).
struct Lettering {
  bool found = false;
  double lightness = 0, chroma = 0, hue_degrees = 0;  // CIE LCh(ab), white D65 as sRGB's, by lcms2
  std::string verdict;                                 // "usual", "check", "odd", "none found", "not compared"
  std::string why;                                     // when it is off: one sentence
  std::optional<profile::Trim> trim;                   // and what would put it right
  int earlier = 0;                                     // sheets of the same stock it was compared with
};
Result<Lettering> gauge(image::RowSource& positive, Spot<SleeveSpace> origin, const profile::SleeveProfile& sleeve);
/// As it would read with no trim: what sheets of one stock have in common, whatever was asked for.
profile::Card::Lettering before_trim(const Lettering& lettering, const profile::Trim& trim);
/// Completes verdict, why and trim: against common practice, which speaks of negatives only, and against earlier sheets of the
/// stock (each before any trim).
void compare(Lettering& lettering, profile::Process process, const profile::Trim& trim, const std::vector<profile::Card::Lettering>& earlier);

/// An outside conversion stage: arguments with {sheet} {card} {proof} filled in, run without a shell. It writes a file of its
/// own beside `proof`, which is then made durable and named; its exit code and last lines are handed back. Errors: bad_profile
/// when it cannot be started or fails (exit code and last lines are told), io when it leaves no file.
Result<core::Finished> run_outside_stage(const std::vector<std::string>& arguments, const std::string& sheet,
                                         const std::string& card, const std::string& proof);

/// sRGB by lcms2; the same bytes each time.
std::vector<unsigned char> srgb_icc_profile();

}  // namespace lapwright::density
