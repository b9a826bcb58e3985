// Random laps of known truth: films that could fool and mistakes that hands and beds make.
//
// Units: sleeve mm, pass pixels. Thread: values.
#pragma once

#include <map>
#include <optional>
#include <set>

#include "lap/master.h"

namespace lapwright::lap::test {

/// What makes a lap hard: its film, or what happened to it.
enum class Kind {
  plain,
  medium_format,
  unperforated,
  partly_blank,
  burst,
  burst_of_three,
  night,
  blank,
  holes_only,
  lettering_only,
  other_sleeve,
  not_moved,
  half_moved,
  half_turn,
  quarter_turn,
  mirrored,
  too_far,
  slid,
  bumped,
  lid_lifted,
  drift,
};
inline constexpr std::array<const char*, 21> kind_names{
    "plain",      "medium format", "unperforated", "partly blank",   "burst",        "burst of 3",
    "night",      "blank",         "holes only",   "lettering only", "other sleeve", "not moved",
    "half moved", "turned 180",    "turned 90",    "mirrored",       "too far",      "strip slid",
    "bumped",     "lid lifted",    "light drifts"};
inline constexpr std::size_t kinds = kind_names.size();

class RandomLaps {
 public:
  explicit RandomLaps(unsigned seed) : seed_(seed), random_(seed) {}

  struct Lap {
    Kind kind{};
    PassSpec a, b;
    Lamp lamp;
    const Master *of_a = nullptr, *of_b = nullptr;
    std::vector<double> slid_mm;  // per strip, from a to b
    std::set<int> empty_strips;   // pockets without film
    double lap_mm = 0;            // as planned
    unsigned noise_seed = 0;
  };

  /// The next sleeve of film; what was drawn before is gone.
  void next_scene() {
    ++scene_;
    drawn_.clear(), empty_.clear();
    process_ = std::array{profile::Process::colour_negative, profile::Process::bw_negative,
                          profile::Process::colour_negative,
                          profile::Process::slide}[static_cast<std::size_t>(scene_) % 4];
    run_ = scene_ % 3 == 2 ? profile::Run::down : profile::Run::right;
    slid_mm_.assign(4, 0.0);
    slid_mm_[random_() % 4] = uniform(0.3, 2) * (random_() % 2 ? 1 : -1);
  }

  /// `drawn`: with its film, which takes time.
  Lap lap(Kind kind, bool drawn = true) {
    Lap l;
    l.kind = kind;
    const Film on = film_of(kind);
    if (drawn) l.of_a = l.of_b = &film(on, false, {});
    const bool beside = random_() % 2;
    const Size page = sleeve_of(on).page;
    const double page_across = (beside ? page.width : page.height).mm(),
                 page_along = (beside ? page.height : page.width).mm();
    const double lap = l.lap_mm = uniform(0, 1) < 0.5 ? uniform(8, 20) : uniform(20, 60);
    const double across = std::min(lap + uniform(15, 40), (page_across + lap) / 2),
                 along = uniform(40, 100), step = across - lap;
    const double c = uniform(0, page_across - across - step), t = uniform(0, page_along - along);
    l.a = {.x = beside ? c : t,
           .y = beside ? t : c,
           .width = beside ? across : along,
           .height = beside ? along : across};
    l.b = l.a;
    (beside ? l.b.x : l.b.y) += step;
    l.b.quarter = std::array{0, 0, 2, 0, 2, 1}[random_() % 6];
    const double plan_turn = -90.0 * l.b.quarter * std::numbers::pi / 180;
    l.b.off_x = uniform(-5, 5), l.b.off_y = uniform(-5, 5), l.b.turn = uniform(-2, 2);
    l.a.wobble_mm = l.b.wobble_mm = 0.06;
    l.b.wobble_phase = uniform(0, 6);
    l.lamp.dust_per_cm2 = random_() % 2 ? uniform(0, 0.6) : 0;
    l.lamp.gain = {uniform(0.97, 1.03), uniform(0.97, 1.03), uniform(0.97, 1.03)};
    // Moves b on the bed by so many sleeve mm along the seam's normal.
    const auto move = [&](double mm) {
      const double x = beside ? mm : 0, y = beside ? 0 : mm;
      l.b.off_x += x * std::cos(plan_turn) + y * std::sin(plan_turn);
      l.b.off_y += -x * std::sin(plan_turn) + y * std::cos(plan_turn);
    };
    switch (kind) {
      case Kind::other_sleeve:
        if (drawn) l.of_b = &film(on, true, {});
        break;
      case Kind::not_moved:
        // Half of them forgot to turn it, too.
        l.b.quarter = random_() % 2 ? 2 : 0, l.b.mistaken_quarter = l.b.quarter;
        l.b.off_x = uniform(-1, 1) + (beside ? step : 0);
        l.b.off_y = uniform(-1, 1) + (beside ? 0 : step);
        break;
      case Kind::half_moved:
        move(step / 2);
        break;
      case Kind::half_turn:
        l.b.mistaken_quarter = 2;
        break;
      case Kind::quarter_turn:
        l.b.mistaken_quarter = random_() % 2 ? 1 : 3;
        break;
      case Kind::mirrored:
        l.b.mirrored = true;
        break;
      case Kind::too_far:
        l.b.off_x = uniform(-2, 2), l.b.off_y = uniform(-2, 2);
        move(-(lap + uniform(-2.5, 15)));
        break;
      case Kind::slid:
        l.slid_mm = slid_mm_;
        if (drawn) l.of_b = &film(on, false, slid_mm_);
        break;
      case Kind::bumped: {
        l.b.bumped_at = uniform(0.1, 0.9);
        const double size = uniform(0.3, 3), way = uniform(0, 6.28);
        l.b.bump_x = size * std::cos(way), l.b.bump_y = size * std::sin(way);
        if (random_() % 2) l.b.bump_turn = uniform(-0.7, 0.7);
        break;
      }
      case Kind::lid_lifted:
        l.lamp.lifted_at = random_() % 2 ? -1 : uniform(0, 0.6);
        switch (random_() % 3) {
          case 0:
            l.lamp.stray = uniform(0.08, 0.5);
            break;
          case 1:
            l.lamp.haze = uniform(0.05, 0.3);
            break;
          default:
            l.lamp.blur_mm = uniform(0.2, 1), l.lamp.stray = uniform(0, 0.2);
        }
        break;
      case Kind::drift:
        l.lamp.drift = uniform(-0.08, 0.08), l.lamp.swell = uniform(-0.04, 0.04);
        break;
      default:
        break;
    }
    if (drawn) l.empty_strips = empty_.at({on, false});
    l.noise_seed = static_cast<unsigned>(random_() % 1000000);
    return l;
  }

 private:
  enum class Film {
    usual,
    medium,
    unperforated,
    partly,
    burst,
    burst_3,
    night,
    blank,
    holes,
    text
  };

  double uniform(double l, double h) {
    return l < h ? std::uniform_real_distribution<double>(l, h)(random_) : l;
  }

  /// Mistakes happen with any film.
  Film film_of(Kind kind) {
    switch (kind) {
      case Kind::plain:
      case Kind::slid:
        return Film::usual;
      case Kind::medium_format:
        return Film::medium;
      case Kind::unperforated:
        return Film::unperforated;
      case Kind::partly_blank:
        return Film::partly;
      case Kind::burst:
        return Film::burst;
      case Kind::burst_of_three:
        return Film::burst_3;
      case Kind::night:
        return Film::night;
      case Kind::blank:
        return Film::blank;
      case Kind::holes_only:
        return Film::holes;
      case Kind::lettering_only:
        return Film::text;
      default: {
        constexpr std::array any{Film::usual, Film::usual,   Film::medium, Film::usual,
                                 Film::burst, Film::burst_3, Film::partly, Film::night};
        return any[random_() % 3 ? random_() % 4 : random_() % any.size()];
      }
    }
  }

  profile::SleeveProfile sleeve_of(Film film) const {
    profile::SleeveProfile s = film == Film::medium ? support::sleeve_120_3x4() : small_sleeve();
    if (film == Film::medium) s.strips.frames = 2, s.strips.length = {122000};
    if (run_ == profile::Run::down) s.strips.run = run_, s.strips.first = {{14000}, {18000}};
    const Micrometres along{150000}, across{film == Film::medium ? 220000 : 170000};
    s.page = run_ == profile::Run::down ? Size{across, along} : Size{along, across};
    return s;
  }

  const Master& film(Film film, bool another, const std::vector<double>& slid_mm) {
    const auto key = std::make_tuple(film, another, slid_mm);
    const auto found = drawn_.find(key);
    if (found != drawn_.end()) return found->second;
    support::SceneOptions o = seeded(seed_ * 7919 + static_cast<unsigned>(scene_) * 61 +
                                     static_cast<unsigned>(film) * 2 + (another ? 1 : 0));
    o.process = process_, o.slid_mm = slid_mm;
    o.burst = film == Film::burst, o.burst_of = film == Film::burst_3 ? 3 : 1;
    o.night = film == Film::night;
    o.lettering = film != Film::blank && film != Film::holes;
    o.perforations = film != Film::blank && film != Film::unperforated;
    std::mt19937 which(o.seed);
    for (int i = 0; i < 12; ++i)
      if (film == Film::blank || film == Film::holes || film == Film::text ||
          (film == Film::partly && which() % 2))
        o.blank_frames.insert(i);
    if (film == Film::partly && which() % 2) o.empty_strips.insert(static_cast<int>(which() % 4));
    empty_[{film, another}] = o.empty_strips;
    return drawn_.emplace(key, Master(support::Scene(sleeve_of(film), o), 150)).first->second;
  }

  unsigned seed_;
  std::mt19937 random_;
  int scene_ = -1;
  profile::Process process_{};
  profile::Run run_{};
  std::vector<double> slid_mm_;  // one strip a scene: drawing takes time
  std::map<std::tuple<Film, bool, std::vector<double>>, Master> drawn_;
  std::map<std::pair<Film, bool>, std::set<int>> empty_;
};

/// How far a join after the report would miss film that both passes show more than 3 mm from their
/// edges, in mm: each strip where the report says that it lies. Nothing where there is none. Nearer
/// to an edge the seam does not come (join/seam.cc), and a bump cannot be told: the check sees in
/// cells of 2 mm. For the same reason a strip's outermost 2 mm, before perforations and pictures
/// begin (trade.md 1.1), do not count.
struct Miss {
  double mm = 0;
  Spot<PassSpace> a, b;  // where: pixels of a, and where b has it
  int strip = 0;
};
inline std::optional<Miss> worst_miss(const RandomLaps::Lap& lap, const Report& report,
                                      double rim_mm = 3, double bare_mm = 2) {
  const MadePass a = make(lap.a), b = make(lap.b);
  const auto& sleeve = lap.of_a->sleeve();
  const bool right = sleeve.strips.run == profile::Run::right;
  const double rim = rim_mm * a.ppi / 25.4, w = static_cast<double>(b.width),
               h = static_cast<double>(b.height);
  std::optional<Miss> worst;
  for (int j = 0; j <= 80; ++j)
    for (int i = 0; i <= 80; ++i) {
      const Spot<PassSpace> pa{rim + (static_cast<double>(a.width) - 2 * rim) * i / 80,
                               rim + (static_cast<double>(a.height) - 2 * rim) * j / 80};
      const auto s = a.where(pa);
      for (int k = 0; k < sleeve.strips.count; ++k) {
        const auto strip = sleeve.strip(k);
        if (lap.empty_strips.count(k)) continue;
        if (s.x < strip.x.mm() + bare_mm || s.x > strip.right().mm() - bare_mm ||
            s.y < strip.y.mm() + bare_mm || s.y > strip.bottom().mm() - bare_mm)
          continue;
        auto content = s;
        if (!lap.slid_mm.empty())
          (right ? content.x : content.y) += lap.slid_mm[static_cast<std::size_t>(k)];
        const auto truth = b.truth(content);
        if (truth.x < rim || truth.y < rim || truth.x > w - rim || truth.y > h - rim) continue;
        auto at = sleeve_at(report.a_on_sleeve, pa);
        for (const Slid& slid : report.slid)
          if (slid.strip == k)
            at = {at.x + (right ? slid.along_mm : slid.across_mm),
                  at.y + (right ? slid.across_mm : slid.along_mm)};
        const auto found = report.b_on_sleeve(at);
        const double mm = std::hypot(found.x - truth.x, found.y - truth.y) * 25.4 / b.ppi;
        if (!worst || mm > worst->mm) worst = {mm, pa, truth, k};
      }
    }
  // Where that leaves nothing, all of the film that both show.
  return worst || rim_mm < 1 ? worst : worst_miss(lap, report, 0.5, 0);
}

}  // namespace lapwright::lap::test
