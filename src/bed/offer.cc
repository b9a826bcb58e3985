#include "bed/offer.h"

#include <algorithm>
#include <cmath>
#include <cstdlib>

#include "bed/meaning.h"

namespace lapwright::bed {
namespace {

constexpr int usual_resolutions[] = {75,   100,  150,  200,  300,  400,  600, 800,
                                     1200, 1600, 2400, 3200, 4800, 6400, 9600};

std::vector<int> ascending(std::vector<int> all) {
  std::sort(all.begin(), all.end());
  all.erase(std::unique(all.begin(), all.end()), all.end());
  return all;
}

std::vector<int> resolutions_of(const Option& o) {
  std::vector<int> all;
  for (double v : o.list) all.push_back(static_cast<int>(v));
  for (const std::string& t : o.texts)
    if (int n = std::atoi(t.c_str()); n > 0) all.push_back(n);
  for (int n : usual_resolutions) {
    if (!o.span || !o.span->holds(n)) continue;
    const double steps = o.span->quant > 0 ? (n - o.span->min) / o.span->quant : 0;
    if (std::abs(steps - std::round(steps)) < 1e-3) all.push_back(n);
  }
  return ascending(all);
}

const char* kind_text(Kind kind) {
  switch (kind) {
    case Kind::boolean:
      return "switch";
    case Kind::whole:
      return "whole number";
    case Kind::fixed:
      return "number";
    case Kind::text:
      return "text";
    case Kind::button:
      return "button";
    case Kind::group:
      return "group";
  }
  return "";
}

}  // namespace

std::vector<int> offered_depths(const Surface& s) {
  std::vector<int> all;
  const auto of_texts = [&](const Option& o) {
    for (const std::string& t : o.texts)
      if (int d = depth_of(t)) all.push_back(d);
  };
  if (const Option* o = find_depth(s)) {
    for (double v : o->list) all.push_back(depth_of(number_text(v)));
    of_texts(*o);
    for (int d : {8, 10, 12, 14, 16})
      if (o->span && o->span->holds(d)) all.push_back(d);
  } else if (const Option* m = find_mode(s, find_source(s))) {
    of_texts(*m);
  }
  return ascending(all);
}

std::vector<int> offered_resolutions(const Surface& s) {
  std::vector<int> all;
  bool first = true;
  for (const Option* o : find_resolutions(s).options) {
    const std::vector<int> these = resolutions_of(*o);
    std::vector<int> both;
    std::set_intersection(these.begin(), these.end(), all.begin(), all.end(),
                          std::back_inserter(both));
    all = first ? these : both;
    first = false;
  }
  return all;
}

double finest_resolution(const Surface& s) {
  const std::vector<int> all = offered_resolutions(s);
  double most = all.empty() ? 0 : all.back();
  for (const Option* o : find_resolutions(s).options)
    if (o->span) most = std::max(most, o->span->max);
  return most;
}

std::vector<std::string> stuck_corrections(const Surface& s) {
  std::vector<std::string> all;
  for (const Option& o : s.options()) {
    if (!o.active || !o.readable || o.name.empty() || o.kind == Kind::group ||
        o.kind == Kind::button || is_button_sensor(o))
      continue;
    const Neutral n = neutral_of(s, o);
    const auto now = s.text(o.index);
    if (!now) continue;
    if (o.settable && n.what == Neutral::What::stuck)
      all.push_back(o.name + ": has no value that leaves the data alone (" + allowed(o) +
                    "); it stands at " + *now);
    if (!o.settable && n.what == Neutral::What::set && !o.array()) {
      const std::string right = o.kind == Kind::text ? n.text
                                : o.kind == Kind::boolean
                                    ? (n.numbers.front() != 0 ? "true" : "false")
                                    : number_text(n.numbers.front());
      if (*now != right) all.push_back(o.name + ": is fixed at " + *now + " by the driver");
    }
  }
  return all;
}

std::vector<Seen> everything(const Surface& s) {
  std::vector<Seen> all;
  for (const Option& o : s.options()) {
    if (o.kind == Kind::group || o.name.empty()) continue;
    const auto now = o.active && o.readable ? s.text(o.index) : Result<std::string>(std::string());
    all.push_back({o.name, o.title, kind_text(o.kind), o.kind == Kind::button ? "" : allowed(o),
                   now ? *now : "", o.active, o.settable});
  }
  return all;
}

void to_json(Json& j, const Setting& s) {
  j = {{"option", s.option}, {"value", s.value}, {"was", s.was}, {"why", s.why}, {"kept", s.kept}};
}

void from_json(const Json& j, Setting& s) {
  s = {j.at("option"), j.at("value"), j.at("was"), j.at("why"), j.at("kept")};
}

void to_json(Json& j, const Seen& o) {
  j = {{"option", o.option}, {"title", o.title},   {"kind", o.kind},        {"takes", o.takes},
       {"value", o.value},   {"active", o.active}, {"settable", o.settable}};
}

void from_json(const Json& j, Seen& o) {
  o = {j.at("option"), j.at("title"),  j.at("kind"),    j.at("takes"),
       j.at("value"),  j.at("active"), j.at("settable")};
}

}  // namespace lapwright::bed
