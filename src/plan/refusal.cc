#include "plan/refusal.h"

#include <algorithm>
#include <cstdlib>
#include <functional>

namespace lapwright::plan {
namespace {

using profile::BedProfile;

/// The smallest whole number of millimetres up to a metre that makes `change` help.
std::optional<int> least(const std::function<bool(int)>& helps) {
  int no = 0, yes = 1000;
  if (!helps(yes)) return {};
  while (yes - no > 1) {
    const int middle = (no + yes) / 2;
    (helps(middle) ? yes : no) = middle;
  }
  return yes;
}

std::string either(const std::vector<std::string>& ways) {
  std::string text;
  for (std::size_t i = 0; i < ways.size(); ++i) text += (i == 0 ? "" : ", or ") + ways[i];
  return text;
}

}  // namespace

std::string mm_number(Um length) {
  const Um tenths = (std::abs(length) + 50) / 100;
  std::string text = (length < 0 && tenths > 0 ? "-" : "") + std::to_string(tenths / 10);
  return tenths % 10 ? text + "." + std::to_string(tenths % 10) : text;
}
std::string mm_text(Um length) { return mm_number(length) + " mm"; }

Error refusal(const profile::SleeveProfile& sleeve, const BedProfile& bed, Ppi ppi, const std::vector<Box>& areas, Needs needs) {
  const auto works = [&](const BedProfile& b) {
    const auto r = reaches(sleeve.page, b, ppi);
    return !r.empty() && std::all_of(areas.begin(), areas.end(), [&](const Box& a) { return fewest_passes(a, r, needs).has_value(); });
  };
  const std::string page = mm_number(sleeve.page.width.value) + " x " + mm_text(sleeve.page.height.value);
  const auto now = reaches(sleeve.page, bed, ppi);
  std::string why;
  if (now.empty()) {
    why = "the page of " + page + " hangs further past the window of " + mm_number(bed.window.width.value) + " x " +
          mm_text(bed.window.height.value) + " than the bed allows, whichever way it is turned";
  } else if (std::all_of(now.begin(), now.end(), [&](const Reach& r) { return std::min(r.x.longest, r.y.longest) <= needs.lap; })) {
    const bool limited = bed.limits.pixels_per_line || bed.limits.lines;
    why = "one pass at " + std::to_string(ppi.value) + " ppi sees " + mm_number(now.front().along_sensor().longest) + " x " +
          mm_text(now.front().along_carriage().longest) + (limited ? " (window and the bed's limits)" : "") +
          ", which leaves nothing beside a lap of " + mm_text(needs.lap);
  } else {
    why = "some of the film stays outside what the window of " + mm_number(bed.window.width.value) + " x " +
          mm_text(bed.window.height.value) + " can see with laps of " + mm_text(needs.lap) +
          ", however the sleeve is turned and moved within the overhang (or more than " + std::to_string(most_passes) +
          " passes would be needed)";
  }
  std::vector<std::string> ways;
  const auto more = [&](Micrometres profile::BedProfile::Overhang::*side, const char* where) {
    const auto mm = least([&](int extra) {
      BedProfile b = bed;
      b.overhang.*side += Micrometres{extra * 1000};
      return works(b);
    });
    if (mm) ways.push_back(std::to_string(*mm) + " mm more overhang at the " + where);
  };
  using Overhang = profile::BedProfile::Overhang;
  more(&Overhang::front, "front");
  more(&Overhang::left, "left");
  more(&Overhang::right, "right");
  more(&Overhang::back, "back (hinge)");
  if (ways.empty()) {
    const auto mm = least([&](int extra) {
      BedProfile b = bed;
      for (auto side : {&Overhang::front, &Overhang::left, &Overhang::right, &Overhang::back}) b.overhang.*side += Micrometres{extra * 1000};
      return works(b);
    });
    if (mm) ways.push_back(std::to_string(*mm) + " mm more overhang on every side");
  }
  const auto window = [&](bool wider, bool longer) {
    return least([&](int extra) {
      BedProfile b = bed;
      if (wider) b.window.width += Micrometres{extra * 1000};
      if (longer) b.window.height += Micrometres{extra * 1000};
      return works(b);
    });
  };
  auto wider = window(true, false), longer = window(false, true);
  if (wider || longer) {
    const bool by_width = wider && (!longer || *wider <= *longer);
    ways.push_back("a window of at least " + mm_number(bed.window.width.value + (by_width ? *wider * 1000 : 0)) + " x " +
                   mm_text(bed.window.height.value + (by_width ? 0 : *longer * 1000)));
  } else if (const auto both = window(true, true)) {
    ways.push_back("a window of at least " + mm_number(bed.window.width.value + *both * 1000) + " x " +
                   mm_text(bed.window.height.value + *both * 1000));
  }
  if (bed.limits.lines || bed.limits.pixels_per_line) {
    BedProfile b = bed;
    b.limits = {};
    if (works(b)) ways.push_back("a lower resolution (the bed's limits on pixels and lines are what stops it)");
  }
  if (needs.lap > 0) {
    Um least_lap = needs.lap;
    while (least_lap > 1000) {
      least_lap -= 1000;
      const Needs smaller{least_lap, std::min(needs.inset, least_lap / 3)};
      if (!now.empty() && std::all_of(areas.begin(), areas.end(), [&](const Box& a) { return fewest_passes(a, now, smaller).has_value(); })) {
        ways.push_back("a lap of at most " + mm_text(least_lap));
        break;
      }
    }
  }
  std::string text = "sleeve " + sleeve.name + " cannot be laid on bed " + bed.name + ": " + why;
  text += ways.empty() ? "; no overhang or window within a metre of this bed's would help" : "; it needs " + either(ways);
  return {Fault::bad_data, text};
}

}  // namespace lapwright::plan
