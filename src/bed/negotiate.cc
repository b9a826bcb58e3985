#include "bed/negotiate.h"

#include <algorithm>
#include <cmath>
#include <set>

#include "bed/area.h"
#include "bed/meaning.h"

namespace lapwright::bed {
namespace {

/// One negotiation: sets, remembers what was asked, and says what did not stick.
class Negotiation {
 public:
  Negotiation(Surface& surface, const Wish& wish) : s_(surface), wish_(wish) {}
  Result<Agreement> run();

 private:
  struct Asked {
    std::string name, value;
    bool essential = false;
  };
  bool overridden(const Option& o) const { return wish_.options.contains(o.name); }
  Result<> ask(int index, const std::vector<double>& values, bool essential);
  Result<> ask(int index, const std::string& value, bool essential);
  Result<> ask_override(const Option& o);
  void remember(const std::string& name, const std::string& value, bool essential);
  void note(const std::string& text) {
    if (noted_.insert(text).second) out_.notes.push_back(text);
  }
  Result<> light();
  Result<> film_type();
  Result<> mode();
  Result<> depth();
  void corrections();
  Result<> overrides();
  Result<> resolution();
  void survey();
  void explain_rest();
  bool settled();
  double finest() const;

  Surface& s_;
  const Wish& wish_;
  Agreement out_;
  std::vector<Asked> asked_;
  std::set<std::string> noted_, handled_;
};

void Negotiation::remember(const std::string& name, const std::string& value, bool essential) {
  handled_.insert(name);
  for (Asked& a : asked_)
    if (a.name == name) {
      a.value = value, a.essential |= essential;
      return;
    }
  asked_.push_back({name, value, essential});
}

Result<> Negotiation::ask(int index, const std::vector<double>& values, bool essential) {
  const Option o = s_.at(index);
  std::string text;
  if (o.kind == Kind::boolean)
    text = values.front() != 0 ? "true" : "false";
  else if (o.array())
    text = "identity";
  else
    text = number_text(values.front());
  remember(o.name, text, essential);
  if (auto now = s_.numbers(index); now && *now == values) return {};
  return s_.set(index, values);
}

Result<> Negotiation::ask(int index, const std::string& value, bool essential) {
  const std::string name = s_.at(index).name;
  remember(name, value, essential);
  if (auto now = s_.text(index); now && *now == value) return {};
  return s_.set(index, value);
}

Result<> Negotiation::ask_override(const Option& option) {
  const Option o = option;
  const std::string& value = wish_.options.at(o.name);
  // Set once, and again only when another option moved it: a set may reset others.
  for (const Asked& a : asked_)
    if (a.name == o.name)
      if (auto now = s_.text(o.index); now && *now == a.value) return {};
  auto r = s_.set_from_text(o.index, value);
  if (!r)
    return fail(Error{r.error().fault == Fault::bad_profile ? Fault::bad_profile : r.error().fault,
                      r.error().text});
  auto now = s_.text(o.index);
  remember(o.name, s_.at(o.index).kind == Kind::text || !now ? value : *now, true);
  if (o.number() && !o.array() && now) {
    if (std::abs(std::stod(*now) - std::stod(value)) > 1e-3)
      return fail(Fault::bad_profile, "option " + o.name + ": asked for " + value +
                                          ", the device made it " + *now + "; right is " +
                                          allowed(o));
  }
  return {};
}

Result<> Negotiation::light() {
  const Option* source = find_source(s_);
  if (source) {
    out_.sources = source->texts;
    if (overridden(*source)) {
      out_.film_source = wish_.options.at(source->name);
      return ask_override(*source);
    }
    if (!wish_.film) return {};
    const auto values = film_values(*source);
    if (!values.empty()) {
      const int index = source->index;
      // The first in rank whose range holds the window; the first when none does, so that the area
      // names what is wrong.
      std::string chosen = values.front();
      if (wish_.window && values.size() > 1 && out_.film_source.empty()) {
        for (const std::string& v : values) {
          if (has(folded(v), "negative") && !has(folded(v), "positive")) continue;
          if (!s_.set(index, v)) continue;
          const Area a = find_area(s_);
          if (!a.complete() || a.end[0]->unit != Unit::mm) break;
          const auto range = area_range(s_, 1);
          if (range && range->grown({100}).contains(*wish_.window)) {
            chosen = v;
            break;
          }
        }
      } else if (!out_.film_source.empty()) {
        chosen = out_.film_source;
      }
      if (values.size() > 1) {
        std::string all;
        for (const std::string& v : values) all += (all.empty() ? "" : ", ") + v;
        note("several film lights: " + all + "; \"" + chosen +
             "\" is used (name another under the bed profile's options)");
      }
      out_.film_source = chosen;
      return ask(index, chosen, true);
    }
  }
  if (const Option* on = find_film_switch(s_)) {
    if (overridden(*on)) {
      out_.film_source = on->name;
      return ask_override(*on);
    }
    if (!wish_.film) return {};
    out_.film_source = on->name;
    if (out_.sources.empty()) out_.sources = {on->name};
    return ask(on->index, std::vector<double>{1}, true);
  }
  if (!wish_.film) return {};
  if (!source && film_only(s_, wish_.device_type)) {
    out_.film_source = "film";
    out_.sources = {"film"};
    note("no choice of light: the device takes film only");
    return {};
  }
  if (!wish_.window) {
    note("no film light found: this bed cannot light film from above");
    return {};
  }
  std::string has_sources;
  for (const std::string& t : out_.sources) has_sources += (has_sources.empty() ? "" : ", ") + t;
  return fail(Fault::bad_data,
              std::string("this flatbed has no light for film") +
                  (has_sources.empty() ? "" : " (its sources are " + has_sources + ")") +
                  "; attach its film unit and switch it on again, or name the light under the bed "
                  "profile's options");
}

Result<> Negotiation::film_type() {
  const Option* type = find_film_type(s_, find_source(s_));
  if (!type) return {};
  if (overridden(*type)) return ask_override(*type);
  if (!wish_.film) return {};
  if (const auto value = best_film_type(*type)) return ask(type->index, *value, true);
  note("film type " + type->name + " has no positive value: left as it is");
  return {};
}

Result<> Negotiation::mode() {
  const Option* mode = find_mode(s_, find_source(s_));
  if (!mode) return {};
  if (overridden(*mode)) return ask_override(*mode);
  const auto value = best_mode(*mode);
  if (!value)
    return fail(Fault::bad_data, "option " + mode->name + ": the device offers no color mode (" +
                                     allowed(*mode) + ")");
  return ask(mode->index, *value, true);
}

Result<> Negotiation::depth() {
  const Option* depth = find_depth(s_);
  if (!depth) return {};
  if (overridden(*depth)) return ask_override(*depth);
  const auto value = best_depth(*depth);
  if (!value) return {};
  if (depth->kind == Kind::text)
    return ask(depth->index, depth->texts[static_cast<std::size_t>(*value)], true);
  return ask(depth->index, std::vector<double>{*value}, true);
}

void Negotiation::corrections() {
  std::set<std::string> placed;
  const Option* source = find_source(s_);
  const auto place = [&](const Option* o) {
    if (o) placed.insert(o->name);
  };
  place(source), place(find_film_switch(s_)), place(find_film_type(s_, source)),
      place(find_mode(s_, source)), place(find_depth(s_));
  const Resolutions resolutions = find_resolutions(s_);
  place(resolutions.bind);
  for (const Option* o : resolutions.options) place(o);
  const Area area = find_area(s_);
  for (int i = 0; i < 2; ++i) place(area.begin[i]), place(area.end[i]);
  // By index: a set may change the list.
  for (int pass = 0; pass < 2; ++pass)
    for (std::size_t i = 1; i < s_.options().size(); ++i) {
      const Option o = s_.options()[i];
      // Switches and choices first: they decide whether the tables count.
      if (!o.usable() || o.name.empty() || placed.contains(o.name) || overridden(o) ||
          (pass == 1) != o.array())
        continue;
      const Neutral n = neutral_of(s_, o);
      if (n.what != Neutral::What::set) {
        if (n.what == Neutral::What::leave) handled_.insert(o.name);
        continue;
      }
      const auto r =
          o.kind == Kind::text ? ask(o.index, n.text, false) : ask(o.index, n.numbers, false);
      if (!r) note("could not be set: " + r.error().text);
    }
}

Result<> Negotiation::overrides() {
  for (const auto& [name, value] : wish_.options) {
    const Option* o = s_.find(name);
    if (!o)
      return fail(Fault::bad_profile,
                  "option " + name + ": the device has no such option; see lapwright beds --json");
    if (!o->settable || o->kind == Kind::button)
      return fail(Fault::bad_profile, "option " + name + ": cannot be set");
    if (!o->active) continue;  // another may wake it: checked at the end
    if (auto r = ask_override(*o); !r) return r;
  }
  return {};
}

Result<> Negotiation::resolution() {
  const Resolutions first = find_resolutions(s_);
  if (first.bind && !overridden(*first.bind))
    if (auto r = ask(first.bind->index, std::vector<double>{1}, false); !r)
      note("could not be set: " + r.error().text);
  std::vector<int> indices;
  for (const Option* o : find_resolutions(s_).options) indices.push_back(o->index);
  if (indices.empty())
    return fail(Fault::bad_data,
                "the device shows no option for the resolution that is understood");
  for (int index : indices) {
    const Option o = s_.at(index);
    if (!o.usable()) continue;  // went to sleep with the one before
    if (overridden(o)) continue;
    const auto refused = [&] {
      return fail(Fault::bad_data, "option " + o.name + ": " + std::to_string(wish_.ppi.value) +
                                       " ppi is not to be had; the device offers " + allowed(o));
    };
    if (o.kind == Kind::text) {
      const auto at = std::find_if(o.texts.begin(), o.texts.end(), [&](const std::string& t) {
        return std::atoi(t.c_str()) == wish_.ppi.value;
      });
      if (at == o.texts.end()) return refused();
      if (auto r = ask(index, *at, true); !r) return r;
      continue;
    }
    const double v = wish_.ppi.value;
    if (!o.list.empty() && std::none_of(o.list.begin(), o.list.end(),
                                        [&](double l) { return std::abs(l - v) < 1e-3; }))
      return refused();
    if (o.span && !o.span->holds(v)) return refused();
    if (auto r = ask(index, std::vector<double>{v}, true); !r) return r;
    auto now = s_.numbers(index);
    if (s_.at(index).active && now && std::abs(now->front() - v) > 1e-3)
      return fail(Fault::bad_data, "option " + o.name + ": asked for " + number_text(v) +
                                       " ppi, the device made it " + number_text(now->front()) +
                                       "; choose one that it keeps exactly (" + allowed(o) + ")");
  }
  return {};
}

void Negotiation::survey() {
  out_.depths.clear(), out_.resolutions.clear();
  if (const Option* o = find_depth(s_)) {
    for (double v : o->list) out_.depths.push_back(depth_of(number_text(v)));
    for (const std::string& t : o->texts)
      if (int d = depth_of(t)) out_.depths.push_back(d);
    if (o->span)
      for (int d : {8, 10, 12, 14, 16})
        if (o->span->holds(d)) out_.depths.push_back(d);
  } else if (const Option* m = find_mode(s_, find_source(s_))) {
    for (const std::string& t : m->texts)
      if (int d = depth_of(t)) out_.depths.push_back(d);
  }
  std::sort(out_.depths.begin(), out_.depths.end());
  out_.depths.erase(std::unique(out_.depths.begin(), out_.depths.end()), out_.depths.end());
  const Resolutions found = find_resolutions(s_);
  for (const Option* o : found.options) {
    std::vector<int> these;
    for (double v : o->list) these.push_back(static_cast<int>(v));
    for (const std::string& t : o->texts)
      if (int n = std::atoi(t.c_str()); n > 0) these.push_back(n);
    if (o->span)
      for (int n :
           {75, 100, 150, 200, 300, 400, 600, 800, 1200, 1600, 2400, 3200, 4800, 6400, 9600}) {
        const double steps = o->span->quant > 0 ? (n - o->span->min) / o->span->quant : 0;
        if (o->span->holds(n) && std::abs(steps - std::round(steps)) < 1e-3) these.push_back(n);
      }
    std::sort(these.begin(), these.end());
    if (out_.resolutions.empty()) {
      out_.resolutions = these;
    } else {
      std::vector<int> both;
      std::set_intersection(these.begin(), these.end(), out_.resolutions.begin(),
                            out_.resolutions.end(), std::back_inserter(both));
      out_.resolutions = both;
    }
  }
}

void Negotiation::explain_rest() {
  std::string left;
  const Resolutions resolutions = find_resolutions(s_);
  std::set<std::string> known = handled_;
  for (const Option* o : resolutions.options) known.insert(o->name);
  const Area area = find_area(s_);
  for (int i = 0; i < 2; ++i) {
    if (area.begin[i]) known.insert(area.begin[i]->name);
    if (area.end[i]) known.insert(area.end[i]->name);
  }
  for (const Option& o : s_.options()) {
    if (!o.usable() || o.name.empty() || known.contains(o.name)) continue;
    auto value = o.readable ? s_.text(o.index) : Result<std::string>("?");
    left += (left.empty() ? "" : ", ") + o.name + " = " + (value ? *value : "?");
  }
  if (!left.empty()) note("left as they are: " + left);
}

/// The device's highest resolution; a range's end need not be one of the usual steps. 0: not known.
double Negotiation::finest() const {
  double most = out_.resolutions.empty() ? 0 : out_.resolutions.back();
  for (const Option* o : find_resolutions(s_).options)
    if (o->span) most = std::max(most, o->span->max);
  return most;
}

bool Negotiation::settled() {
  out_.differs.clear();
  for (const Asked& a : asked_) {
    const Option* o = s_.find(a.name);
    if (!o || !o->active || !o->readable) continue;
    auto now = s_.text(o->index);
    if (!now || *now == a.value) continue;
    out_.differs.push_back(a.name + ": asked " + a.value + ", is " + *now);
  }
  return out_.differs.empty();
}

Result<Agreement> Negotiation::run() {
  double units = 1;
  for (int round = 0; round < 4; ++round) {
    if (auto r = light(); !r) return fail(r.error());
    if (auto r = film_type(); !r) return fail(r.error());
    if (auto r = mode(); !r) return fail(r.error());
    if (auto r = depth(); !r) return fail(r.error());
    corrections();
    if (auto r = overrides(); !r) return fail(r.error());
    if (round == 0 || !wish_.window) survey();
    if (!wish_.window) {
      if (settled() || round == 3) {
        const double ppi = finest();
        if (auto k = area_units_per_mm(s_, ppi > 0 ? ppi : 300, ppi))
          units = *k;
        else
          note(k.error().text);
        out_.range = area_range(s_, units);
        break;
      }
      continue;
    }
    if (!wish_.film && !find_area(s_).complete()) {
      out_.own_area = true;
      if (auto r = resolution(); !r) return fail(r.error());
      if (!settled() && round < 3) continue;
      note("the device takes no area: it gives its own");
      for (const Asked& a : asked_) out_.asked.emplace_back(a.name, a.value);
      break;
    }
    if (round == 0) {
      auto k = area_units_per_mm(s_, wish_.ppi.value, finest());
      if (!k) return fail(k.error());
      units = *k;
    }
    if (auto r = resolution(); !r) return fail(r.error());
    out_.range = area_range(s_, units);
    std::vector<std::pair<std::string, std::string>> edges;
    auto area = set_area(s_, *wish_.window, units, edges);
    if (!area) return fail(area.error());
    out_.area = *area;
    if (settled() || round == 3) {
      for (const Asked& a : asked_) out_.asked.emplace_back(a.name, a.value);
      out_.asked.insert(out_.asked.end(), edges.begin(), edges.end());
      break;
    }
  }
  if (!wish_.window)
    for (const Asked& a : asked_) out_.asked.emplace_back(a.name, a.value);
  for (const auto& [name, value] : wish_.options)
    if (const Option* o = s_.find(name); o && !o->active && !handled_.contains(name))
      return fail(
          Fault::bad_profile,
          "option " + name + ": is asleep on this device with the other options as they are");
  for (const Asked& a : asked_)
    for (const std::string& d : out_.differs)
      if (a.essential && wish_.window && d.rfind(a.name + ": ", 0) == 0)
        return fail(Fault::bad_data, "option " + d + "; the device does not keep what was set");
  for (const std::string& d : out_.differs) note("differs: " + d);
  std::string set;
  for (const auto& [name, value] : out_.asked)
    set += (set.empty() ? "" : ", ") + name + " = " + value;
  if (!wish_.window && !set.empty()) note("will be set: " + set);
  explain_rest();
  return std::move(out_);
}

}  // namespace

Result<Agreement> negotiate(Surface& surface, const Wish& wish) {
  return Negotiation(surface, wish).run();
}

}  // namespace lapwright::bed
