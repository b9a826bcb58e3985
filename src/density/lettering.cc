#include <algorithm>
#include <cmath>
#include <cstdio>

#include "density/density.h"
#include "density/lab.h"
#include "density/paper.h"
#include "density/trim.h"

namespace lapwright::density {
namespace {

using profile::Card;
using profile::Trim;
using Light = std::array<double, 3>;

constexpr double degrees = 180 / 3.14159265358979323846;
constexpr double far_hue = 6,
                 far_colour = 3;  // degrees and dE00 from earlier sheets (OURS, trade.md 4.7)
constexpr double usual_hue[2] = {50, 80}, usual_lightness[2] = {50, 80},
                 usual_chroma = 16;  // well inside the bands of trade.md 4.7

Lab lab(const Card::Lettering& l) {
  return {l.lightness, l.chroma * std::cos(l.hue_degrees / degrees),
          l.chroma * std::sin(l.hue_degrees / degrees)};
}

Card::Lettering lettering(const Lab& c) {
  return {c.l, std::hypot(c.a, c.b), std::fmod(std::atan2(c.b, c.a) * degrees + 360, 360)};
}

Light trimmed(const Light& plain, const Trim& trim) {
  const TrimCurve curve(trim);
  Light out{};
  for (std::size_t c = 0; c < 3; ++c) out[c] = srgb_decode(curve.encode(plain[c], c));
  return out;
}

Light untrimmed(const Light& shown, const Trim& trim) {
  const TrimCurve curve(trim);
  Light out{};
  for (std::size_t c = 0; c < 3; ++c) {
    double low = 0, high = 1;
    for (int i = 0; i < 40; ++i) {
      const double middle = (low + high) / 2;
      (srgb_decode(curve.encode(middle, c)) < shown[c] ? low : high) = middle;
    }
    out[c] = (low + high) / 2;
  }
  return out;
}

double hue_apart(double a, double b) { return std::abs(std::remainder(a - b, 360)); }

/// The whole-numbered trim, with the contrast that is there, that brings `plain` nearest to
/// `target`.
Trim trim_towards(const Light& plain, const Lab& target, const Trim& now) {
  Trim best = now;
  const auto off = [&](const Trim& t) { return de00(lab_of(trimmed(plain, t)), target); };
  double least = off(best);
  for (double step : {40.0, 20.0, 10.0, 5.0, 2.0, 1.0})
    for (bool better = true; better;) {
      better = false;
      for (double Trim::*what : {&Trim::warmth, &Trim::tint, &Trim::brightness})
        for (const double by : {-step, step}) {
          Trim t = best;
          t.*what = std::clamp(std::round(t.*what + by), -100.0, 100.0);
          if (const double d = off(t); d < least - 0.01) least = d, best = t, better = true;
        }
    }
  return best;
}

std::string number(double v) {
  char text[32];
  std::snprintf(text, sizeof text, "%.0f", v);
  return text;
}

double median(std::vector<double> v) {
  const auto at = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), at, v.end());
  return *at;
}

}  // namespace

Card::Lettering before_trim(const Lettering& l, const Trim& trim) {
  return lettering(
      lab_of(untrimmed(light_of(lab(Card::Lettering{l.lightness, l.chroma, l.hue_degrees})), trim)));
}

void compare(Lettering& l, profile::Process process, const Trim& trim, const std::vector<Card::Lettering>& earlier) {
  l.earlier = static_cast<int>(earlier.size());
  if (!l.found) return;
  const Card::Lettering own = before_trim(l, trim);
  const Light plain = light_of(lab(own));
  Lab target = lab(Card::Lettering{l.lightness, l.chroma, l.hue_degrees});
  if (!earlier.empty()) {
    std::vector<double> ls, as, bs;
    for (const auto& e : earlier) {
      const Lab c = lab(e);
      ls.push_back(c.l), as.push_back(c.a), bs.push_back(c.b);
    }
    const Lab before{median(ls), median(as), median(bs)};
    const Card::Lettering usual = lettering(before);
    const double turned =
        own.chroma > 6 && usual.chroma > 6 ? hue_apart(own.hue_degrees, usual.hue_degrees) : 0;
    if (turned <= far_hue && de00(lab(own), before) <= far_colour) {
      // As this stock always was: what it looks like is then its own, whatever is common.
      if (process == profile::Process::slide) l.verdict = "usual";
      if (l.verdict == "odd") l.verdict = "check";
      return;
    }
    l.verdict = turned > 3 * far_hue ? "odd" : "check";
    l.why = "the edge lettering (hue " + number(own.hue_degrees) + ", lightness " +
            number(own.lightness) + ") is not as on " +
            (earlier.size() == 1 ? "the earlier sheet"
                                 : std::to_string(earlier.size()) + " earlier sheets") +
            " of this stock (hue " + number(usual.hue_degrees) + ", lightness " +
            number(usual.lightness) + "): other light, development or stock";
    target = lab_of(trimmed(light_of(before), trim));
  } else if (process == profile::Process::slide) {
    l.verdict = "not compared";
    return;
  } else {
    if (l.verdict == "usual" || l.chroma < 1) return;
    Card::Lettering wanted{std::clamp(l.lightness, usual_lightness[0], usual_lightness[1]),
                           std::max(l.chroma, usual_chroma), 0};
    const double from_middle = std::remainder(l.hue_degrees - 65, 360);
    wanted.hue_degrees = 65 + std::clamp(from_middle, usual_hue[0] - 65, usual_hue[1] - 65);
    target = lab(wanted);
    l.why = "the edge lettering has hue " + number(l.hue_degrees) + ", lightness " +
            number(l.lightness) +
            " where a balanced proof has light brown to orange (common practice: hue 45 to 85, "
            "lightness 45 to 85)";
  }
  const Trim proposed = trim_towards(plain, target, trim);
  const double change =
      std::max({std::abs(proposed.warmth - trim.warmth), std::abs(proposed.tint - trim.tint),
                std::abs(proposed.brightness - trim.brightness)});
  if (change >= 3) l.trim = proposed;
}

}  // namespace lapwright::density
