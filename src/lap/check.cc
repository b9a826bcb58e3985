#include <algorithm>
#include <cmath>
#include <cstdio>
#include <future>

#include "core/clock.h"
#include "lap/estimate.h"
#include "lap/interruption.h"
#include "lap/lap.h"
#include "lap/outline.h"
#include "lap/say.h"
#include "lap/search.h"
#include "lap/trial.h"

namespace lapwright::lap {
namespace {

constexpr double overview_ppi = 150;
constexpr double most_residual_mm = 0.036;    // beds of gears and belts leave 0.003 to 0.03
constexpr double sure_enough_to_name = 0.95;  // that it lies wrong, not that it lies right
constexpr double fits_outline = 0.12, clearly_better = 0.03;  // parts of a pass
constexpr int many_lost = 12;  // cells, to be told before the lap is measured finely
constexpr double near_plan_mm = 15, mostly = 0.75;  // to speak of a bump where nothing is sure
constexpr double pi = 3.14159265358979323846;
using OnPass = Affine<SleeveSpace, PassSpace>;

std::string number(const char* format, double v) {
  char text[48];
  std::snprintf(text, sizeof text, format, v);
  return text;
}

PassMap between(const OnPass& a, const OnPass& b) { return core::compose(b, a.inverse()); }

/// What a pass shows, as a rectangle of the sleeve.
Rect<SleeveSpace> shown(const OnPass& placed, std::int64_t width, std::int64_t height,
                        const profile::SleeveProfile& sleeve) {
  const auto back = placed.inverse();
  double l = 1e300, t = 1e300, r = -1e300, b = -1e300;
  for (int i = 0; i < 4; ++i) {
    const auto s = back(
        {(i & 1) ? static_cast<double>(width) : 0.0, (i & 2) ? static_cast<double>(height) : 0.0});
    l = std::min(l, s.x), r = std::max(r, s.x), t = std::min(t, s.y), b = std::max(b, s.y);
  }
  const auto um = [](double v) { return Micrometres::from_mm(v); };
  return Rect<SleeveSpace>{um(l), um(t), um(r - l), um(b - t)}.intersect(
      {{0}, {0}, sleeve.page.width, sleeve.page.height});
}

class Check {
 public:
  Check(const Input& a, const Placement& placed, const Input& b,
        const profile::SleeveProfile& sleeve, const Options& options)
      : a_(a), b_(b), placed_(placed), sleeve_(sleeve), options_(options) {
    report_.a = a.number, report_.b = b.number;
    report_.needed_mm = options.needed_mm;
    report_.a_on_sleeve = placed;
    report_.b_on_sleeve.affine = b.planned;
  }

  Result<Report> run() {
    const core::Stopwatch watch;
    if (auto r = compare(); !r) return fail(r.error());
    report_.seconds = watch.seconds();
    return report_;
  }

 private:
  Result<> compare() {
    auto later =
        std::async(std::launch::async, [&] { return overview(*b_.picture, overview_ppi); });
    auto first = overview(*a_.picture, overview_ppi);
    auto second = later.get();
    if (!first) return fail(first.error());
    if (!second) return fail(second.error());
    oa_ = std::move(*first), ob_ = std::move(*second);
    fa_ = static_cast<double>(oa_.factor), fb_ = static_cast<double>(ob_.factor);
    const OnPass on_a = core::scaled(placed_.affine, 1 / fa_),
                 on_b = core::scaled(b_.planned, 1 / fb_);
    found_ = search(oa_, ob_, between(on_a, on_b), on_a, on_b, sleeve_, options_.sure);
    report_.confidence = 1 - found_.wrong;
    trial_.cells = found_.cells, trial_.ends = found_.ends;
    const bool elsewhere = found_.mirrored || found_.quarter_turns || unmoved();
    if (!found_.sure && !(elsewhere && report_.confidence >= sure_enough_to_name)) {
      nothing_sure();
      return {};
    }
    report_.b_on_sleeve.affine = core::compose(core::scaled(found_.a_to_b, fb_), on_a);
    describe();
    if (found_.mirrored || found_.quarter_turns) {
      turned();
    } else if (unmoved()) {
      not_moved();
    } else if (trial_.ends && trial_.cells.bad() >= many_lost &&
               !between_strips(trial_.cells, trial_.ends->row, oa_, placed_, sleeve_)) {
      interrupted();
    } else {
      if (auto r = refine(); !r) return fail(r.error());
      describe();
      trial_ = try_fit(oa_, ob_, placed_, report_.b_on_sleeve, report_.slid, seen_, sleeve_);
      judge();
    }
    return {};
  }

  Rect<SleeveSpace> a_shows() const {
    return shown(placed_.affine, a_.picture->width(), a_.picture->height(), sleeve_);
  }
  Rect<SleeveSpace> b_shows(const OnPass& placed) const {
    return shown(placed, b_.picture->width(), std::max(b_.picture->height(), options_.rows_in_all),
                 sleeve_);
  }

  /// Fills in what the present placement says: overlap, shift, turn, scale.
  void describe() {
    const Rect<SleeveSpace> sa = a_shows(), sb = b_shows(report_.b_on_sleeve.affine);
    const auto common = sa.intersect(sb);
    report_.overlap_mm = std::min(common.width.mm(), common.height.mm());
    centre_ = common.empty() ? sb.centre_mm() : common.centre_mm();
    const auto is = report_.b_on_sleeve.affine(centre_), plan = b_.planned(centre_);
    report_.shift_px = {is.x - plan.x, is.y - plan.y};
    const double k = b_.picture->ppi().mm_per_pixel();
    off_mm_ = {report_.shift_px[0] * k, report_.shift_px[1] * k};
    const PassMap rest = between(b_.planned, report_.b_on_sleeve.affine);
    report_.turn_degrees = std::atan2(rest.b - rest.c, rest.a + rest.d) * 180 / pi;
    report_.scale = std::sqrt(std::abs(rest.determinant()));
  }

  std::string slide_back() const {
    const std::string w = way({-off_mm_[0], -off_mm_[1]});
    return w.empty() ? "Lay it as the drawing shows" : "Slide the sleeve " + w;
  }
  std::string name(int n) const { return "pass " + std::to_string(n); }
  std::string evidence() const {
    return std::to_string(trial_.cells.agreeing) + " of " + std::to_string(trial_.cells.all()) +
           " places with structure agree, " + std::to_string(found_.rival) +
           " of them not at the best rival";
  }

  /// How far two maps put a's middle from each other, mm.
  double apart(const PassMap& p, const PassMap& q) const {
    const Spot<PassSpace> middle{static_cast<double>(oa_.density.width) / 2,
                                 static_cast<double>(oa_.density.height) / 2};
    const auto u = p(middle), v = q(middle);
    return std::hypot(u.x - v.x, u.y - v.y) * ob_.mm_per_pixel;
  }

  /// The sleeve lies on the glass just as it did for a, where it should not.
  bool unmoved() const {
    const PassMap plan =
        between(core::scaled(placed_.affine, 1 / fa_), core::scaled(b_.planned, 1 / fb_));
    const double k = oa_.mm_per_pixel / ob_.mm_per_pixel;
    const Spot<PassSpace> c{static_cast<double>(oa_.density.width) / 2,
                            static_cast<double>(oa_.density.height) / 2};
    const auto stays = [&](const PassMap& m) {
      const auto p = m(c);
      const double x = b_.corner.x + p.x * ob_.mm_per_pixel - a_.corner.x - c.x * oa_.mm_per_pixel;
      const double y = b_.corner.y + p.y * ob_.mm_per_pixel - a_.corner.y - c.y * oa_.mm_per_pixel;
      return m.determinant() > 0 && m.a > 0.9 * k && std::hypot(x, y) < 8;
    };
    return stays(found_.a_to_b) && !stays(plan);
  }

  void turned() {
    if (unmoved()) return not_moved();
    if (found_.mirrored) {
      report_.finding = Finding::mirrored;
      report_.why = "the pictures are mirrored against " + name(a_.number) + ": " + evidence();
      report_.say = "The sleeve lies wrong side up: turn it over, then lay it as the drawing for " +
                    name(b_.number) + " shows.";
      return;
    }
    report_.finding = Finding::turned;
    const int degrees = found_.quarter_turns * 90;
    report_.why = "the sleeve lies turned by " + std::to_string(degrees) +
                  " degrees clockwise against the plan: " + evidence();
    report_.say = std::string("The sleeve lies turned: turn it ") +
                  (degrees == 180  ? "half way round (180 degrees)"
                   : degrees == 90 ? "a quarter turn counter-clockwise (90 degrees)"
                                   : "a quarter turn clockwise (90 degrees)") +
                  ", then lay it as the drawing for " + name(b_.number) + " shows.";
  }

  void not_moved() {
    report_.finding = Finding::not_moved;
    report_.why = name(b_.number) + " shows what " + name(a_.number) + " showed: " + evidence();
    if (found_.quarter_turns || found_.mirrored)
      report_.say = "The sleeve still lies as for " + name(a_.number) +
                    ": lay it as the drawing for " + name(b_.number) + " shows.";
    else
      report_.say = "The sleeve still lies as for " + name(a_.number) + ": slide it " +
                    way({-off_mm_[0], -off_mm_[1]}) + ".";
  }

  /// From a row of b on nothing agrees any more (or only from there on).
  void interrupted() {
    const double from_start = trial_.ends->row * ob_.mm_per_pixel;
    const std::string where =
        " about " + mm(from_start) + " mm from the start of " + name(b_.number);
    const Interruption by = cause_of(oa_, ob_, found_.a_to_b, trial_.cells, *trial_.ends);
    if (!by.sure && options_.rows_in_all > b_.picture->height()) {
      report_.finding = Finding::cannot_tell;
      report_.why = "from " + mm(from_start) + " mm of " + name(b_.number) +
                    " on the lap agrees otherwise than before, and not enough of it has come to "
                    "tell why: " +
                    evidence();
      report_.say = "Let " + name(b_.number) + " go on.";
      return;
    }
    if (by.cause == Cause::light) {
      report_.finding = Finding::light;
      report_.why = "from " + mm(from_start) + " mm of " + name(b_.number) +
                    " on the film is lit otherwise than before: " + evidence();
      report_.say = "Other light came in" + where +
                    ": leave the sleeve lying, keep the lid closed, and make " + name(b_.number) +
                    " again.";
      return;
    }
    bumped(from_start);
  }

  void bumped(double from_start) {
    report_.finding = Finding::bumped;
    report_.why = "from " + mm(from_start) + " mm of " + name(b_.number) + " on the lap agrees " +
                  "otherwise than before: " + evidence();
    report_.say =
        "The sleeve moved while " + name(b_.number) + " was captured, about " + mm(from_start) +
        " mm from its start: leave it lying, touch nothing while the carriage moves, and make " +
        name(b_.number) + " again.";
  }

  /// A bump too small to make cells disagree, in mm of b. Of a pass that still runs it is left to
  /// the whole of it; where a strip slid, the jump may be that strip's.
  std::optional<double> jumped() const {
    if (options_.rows_in_all > b_.picture->height() || !report_.slid.empty() ||
        std::any_of(found_.slides.begin(), found_.slides.end(),
                    [](const Spot<PassSpace>& s) { return s.x != 0 || s.y != 0; }))
      return {};
    const auto row = jump_at(found_.cells, oa_.mm_per_pixel);
    if (!row || between_strips(found_.cells, *row, oa_, placed_, sleeve_)) return {};
    return *row * ob_.mm_per_pixel;
  }

  bool proved() const {
    return report_.residual_px * b_.picture->ppi().mm_per_pixel() <= most_residual_mm &&
           trial_.passed();
  }

  void judge() {
    if (unmoved()) return not_moved();
    if (trial_.ends) return interrupted();
    const double off = std::hypot(off_mm_[0], off_mm_[1]);
    for (std::size_t c = 0; c < 3; ++c)
      worst_light_ = std::max(worst_light_, std::abs(report_.light_percent[c]));
    report_.why = evidence() + "; lap " + mm(report_.overlap_mm) + " mm of " +
                  mm(report_.needed_mm) + " mm needed, " + mm(off) +
                  " mm from the plan, residual " + number("%.2f px", report_.residual_px) +
                  " over " + std::to_string(report_.patches) + " patches, film up to " +
                  mm(trial_.unseen_mm) + " mm from the nearest place and " +
                  mm(trial_.unseen_rows_mm) + " mm of rows before or behind them" + slid_;
    if (report_.overlap_mm < report_.needed_mm) {
      report_.finding = Finding::too_little;
      report_.say = "The lap is " + mm(report_.overlap_mm) + " mm and must be " +
                    mm(report_.needed_mm) + " mm: " + lower(slide_back()) + ".";
    } else if (off > options_.most_off_mm && proved()) {
      report_.finding = Finding::off_place;
      report_.say =
          "The sleeve lies " + mm(off) + " mm from its place: " + lower(slide_back()) + ".";
    } else if (worst_light_ > options_.most_light_percent) {
      report_.finding = Finding::light;
      report_.say = "The light differs by " + number("%.0f", worst_light_) + " % from " +
                    name(a_.number) + ": close the lid, let the lamp warm up, and make " +
                    name(b_.number) + " again.";
    } else if (const auto haze = haze_of(trial_.cells)) {
      report_.finding = Finding::light;
      report_.why =
          (haze->veil > 0
               ? "stray light: dense film is " + number("%.2f D", haze->veil) +
                     " thinner than in " + name(a_.number) + ", against clear film: "
               : "out of focus against " + name(haze->sharper > 1 ? b_.number : a_.number) + ": ") +
          report_.why;
      report_.say =
          "Stray light or film that does not lie flat: press the film flat, close the "
          "lid, and make " +
          name(b_.number) + " again.";
    } else if (const auto at = trial_.passed() ? std::nullopt : jumped()) {
      bumped(*at);
    } else if (trial_.astray) {
      report_.finding = Finding::cannot_tell;
      report_.why = "strip " + std::to_string(*trial_.astray + 1) +
                    " does not lie where the others say: " + report_.why;
      report_.say =
          "Strip " + std::to_string(*trial_.astray + 1) +
          " lies otherwise than before: push it back in its pocket, lay the sleeve as the "
          "drawing shows and make " +
          name(b_.number) + " again.";
    } else if (trial_.much_unseen()) {
      report_.finding = Finding::cannot_tell;
      report_.why = "too much of the lap shows nothing to measure by: " + report_.why;
      report_.say = "I cannot tell how all of " + name(b_.number) +
                    " joins: too much of the lap shows no picture; lay the sleeve so that more of "
                    "a picture is in both passes.";
    } else if (!proved()) {
      report_.finding = Finding::cannot_tell;
      report_.why = "too much of the lap does not lie where the rest says: " + report_.why;
      report_.say =
          "Part of the lap does not fit: lay the film flat, close the lid, touch nothing while "
          "the carriage moves, and make " +
          name(b_.number) + " again.";
    } else if (report_.patches < least_patches) {
      report_.finding = Finding::cannot_tell;
      report_.why = "too few places to measure the lap by: " + report_.why;
      report_.say = "The lap shows too little to join by: " + lower(slide_back()) + " and make " +
                    name(b_.number) + " again.";
    } else {
      report_.finding = Finding::good;
      report_.ok = true;
      report_.say = "The lap is good: " + mm(report_.overlap_mm) + " mm.";
    }
    report_.located =
        proved() && (report_.finding == Finding::good || report_.finding == Finding::light ||
                     report_.finding == Finding::off_place);
  }

  static std::string lower(std::string s) {
    if (!s.empty() && s[0] >= 'A' && s[0] <= 'Z') s[0] = static_cast<char>(s[0] + ('a' - 'A'));
    return s;
  }

  /// No common picture: say what the outline of the strips and the content still tell.
  void nothing_sure() {
    const PassMap plan =
        between(core::scaled(placed_.affine, 1 / fa_), core::scaled(b_.planned, 1 / fb_));
    const int content = agreement(oa_, ob_, plan, 400).textured;
    const Rect<SleeveSpace> sa = a_shows();
    const double k = b_.picture->ppi().pixels_per_mm();
    const auto lap_at = [&](std::array<double, 2> off) {
      OnPass is = b_.planned;
      is.e += off[0] * k, is.f += off[1] * k;
      const auto common = sa.intersect(b_shows(is));
      return std::min(common.width.mm(), common.height.mm());
    };
    const LapByOutline outline = lap_by_outline(ob_, b_.planned, sleeve_, lap_at);
    const bool nothing_found = found_.wrong > 0.5 || found_.cells.all() == 0;
    if (nothing_found && content >= 8 && outline.without_lap < fits_outline &&
        outline.without_lap + clearly_better < outline.with_lap) {
      off_mm_ = outline.without_at;
      report_.overlap_mm = std::max(0.0, lap_at(off_mm_));
      report_.shift_px = {off_mm_[0] * k, off_mm_[1] * k};
      report_.finding = Finding::too_little;
      report_.why = "no common picture; by the outline of the strips the lap is " +
                    mm(report_.overlap_mm) + " mm, needed " + mm(report_.needed_mm) + " mm";
      report_.say = "The sleeve was moved too far: the lap is about " + mm(report_.overlap_mm) +
                    " mm and must be " + mm(report_.needed_mm) + " mm; " + lower(slide_back()) +
                    ".";
      return;
    }
    if (outline.with_lap < fits_outline &&
        outline.with_lap + clearly_better < outline.without_lap && content >= 20 &&
        trial_.cells.fraction() < 0.5) {
      report_.finding = Finding::other_sleeve;
      report_.why = "the strips lie in their place but the " + std::to_string(content) +
                    " blocks of picture there are not those of " + name(a_.number);
      report_.say = "This does not look like the sleeve of " + name(a_.number) +
                    ": lay the same sleeve as the drawing for " + name(b_.number) + " shows.";
      return;
    }
    const auto moved = apart(found_.a_to_b, plan) < near_plan_mm && !found_.mirrored &&
                               found_.quarter_turns == 0 && found_.cells.fraction() >= mostly
                           ? jumped()
                           : std::nullopt;
    if (moved) return bumped(*moved);
    report_.finding = Finding::cannot_tell;
    report_.why = content < 8 ? "the lap shows too little picture to tell by (" +
                                    std::to_string(content) + " blocks with content)"
                              : "no place is clearly the right one: " + evidence();
    report_.say = content < 8
                      ? "I cannot tell how " + name(b_.number) +
                            " joins: the lap shows almost no picture; lay the sleeve so that more "
                            "of a picture is in both passes."
                      : "I cannot tell how " + name(b_.number) + " joins " + name(a_.number) +
                            ": check that it is the same sleeve and was not moved too far, lay it "
                            "as the drawing shows and make the pass again.";
  }

  Result<> refine() {
    auto found =
        estimate(a_, oa_, placed_, b_, ob_, report_.b_on_sleeve.affine, found_.slides, sleeve_);
    if (!found) return fail(found.error());
    report_.patches = found->patches;
    if (found->patches < least_patches) return {};
    report_.b_on_sleeve = found->b;
    report_.residual_px = found->residual_px;
    report_.light = found->light.light, report_.light_percent = found->light.percent;
    report_.slid = found->slid, seen_ = std::move(found->seen);
    for (const Slid& s : report_.slid)
      slid_ += "; strip " + std::to_string(s.strip + 1) + " slid " +
               number("%.2f mm", std::hypot(s.along_mm, s.across_mm)) + " in its pocket";
    return {};
  }

  const Input &a_, &b_;
  const Placement& placed_;
  const profile::SleeveProfile& sleeve_;
  const Options& options_;
  Report report_;
  Overview oa_, ob_;
  double fa_ = 1, fb_ = 1, worst_light_ = 0;
  Trial trial_;
  Found found_;
  std::vector<Twin> seen_;
  Spot<SleeveSpace> centre_;
  std::array<double, 2> off_mm_{};
  std::string slid_;
};

}  // namespace

Result<Report> check(const Input& a, const Placement& a_placement, const Input& b,
                     const profile::SleeveProfile& sleeve, const Options& options) {
  if (!a.picture || !b.picture) return fail(Fault::internal, "lap check without pictures");
  return Check(a, a_placement, b, sleeve, options).run();
}

}  // namespace lapwright::lap
