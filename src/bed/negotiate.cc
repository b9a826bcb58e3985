#include "bed/negotiate.h"

#include <cmath>
#include <set>

#include "bed/area.h"
#include "bed/asking.h"
#include "bed/light.h"
#include "bed/meaning.h"
#include "bed/offer.h"

namespace lapwright::bed {
namespace {

// Options move each other; what still moves after so many rounds never settles.
constexpr int most_rounds = 4;

class Negotiation {
 public:
  Negotiation(Surface& surface, const Wish& wish)
      : s_(surface), wish_(wish), asking_(surface, wish.options) {}
  Result<Agreement> run();

 private:
  Result<> find_out();
  Result<> agree();
  Result<> quality();
  Result<> film_type();
  Result<> mode();
  Result<> depth();
  Result<> corrections();
  std::set<std::string> placed() const;
  Result<> resolution();
  Result<> resolution_of(const Option& o);
  Result<> close();
  void say_lacks();
  void say_rest();

  Surface& s_;
  const Wish& wish_;
  Asking asking_;
  Agreement out_;
  std::vector<std::pair<std::string, std::string>> edges_;
};

Result<> Negotiation::film_type() {
  const Option* type = find_film_type(s_, find_source(s_));
  if (!type) return {};
  if (asking_.own(*type)) return asking_.set_own(*type);
  if (wish_.light == Light::any) return {};
  if (const auto value = best_film_type(*type))
    return asking_.set(type->index, *value, Weight::essential,
                       "the kind of film that is processed least");
  out_.lack("a film type that does not invert: " + type->name + " takes " + allowed(*type) +
            "; it is left as it is");
  return {};
}

Result<> Negotiation::mode() {
  const Option* mode = find_mode(s_, find_source(s_));
  if (!mode) return {};
  if (asking_.own(*mode)) return asking_.set_own(*mode);
  if (const Infrared ir = find_infrared(s_);
      wish_.light == Light::infrared && ir.by == Infrared::By::mode)
    return asking_.set(mode->index, ir.value, Weight::essential,
                       "infrared, for what lies on the film");
  if (const auto value = best_mode(*mode))
    return asking_.set(mode->index, *value, Weight::essential, "color, with the most bits");
  const std::string what =
      "option " + mode->name + ": the device offers no color mode (" + allowed(*mode) + ")";
  if (wish_.window)
    return fail(Fault::bad_data, what + "; name its color mode under the bed profile's options");
  out_.lack("color: " + what);
  return {};
}

Result<> Negotiation::depth() {
  const Option* depth = find_depth(s_);
  if (!depth) return {};
  if (asking_.own(*depth)) return asking_.set_own(*depth);
  const auto value = best_depth(*depth);
  if (!value) return {};
  const char* why = "the most bits a sample, up to 16";
  if (depth->kind == Kind::text)
    return asking_.set(depth->index, depth->texts[static_cast<std::size_t>(*value)],
                       Weight::essential, why);
  return asking_.set(depth->index, std::vector<double>{*value}, Weight::essential, why);
}

/// The options that a step of their own sets.
std::set<std::string> Negotiation::placed() const {
  const Option* source = find_source(s_);
  std::vector<const Option*> all = {source, find_film_switch(s_), find_film_type(s_, source),
                                    find_mode(s_, source), find_depth(s_)};
  const Resolutions resolutions = find_resolutions(s_);
  all.push_back(resolutions.bind);
  all.insert(all.end(), resolutions.options.begin(), resolutions.options.end());
  const Area area = find_area(s_);
  for (int axis = 0; axis < 2; ++axis)
    all.push_back(area.begin[axis]), all.push_back(area.end[axis]);
  std::set<std::string> names;
  for (const Option* o : all)
    if (o) names.insert(o->name);
  return names;
}

Result<> Negotiation::corrections() {
  std::set<std::string> elsewhere = placed();
  if (const Infrared ir = find_infrared(s_);
      wish_.light == Light::infrared && ir.by == Infrared::By::on)
    elsewhere.insert(ir.option->name);
  // Switches and choices first: they decide whether the tables count.
  for (const bool arrays : {false, true})
    for (std::size_t i = 1; i < s_.options().size(); ++i) {
      const Option o = s_.options()[i];  // a set may change the list
      if (!o.usable() || o.name.empty() || elsewhere.contains(o.name) || asking_.own(o) ||
          arrays != o.array())
        continue;
      const Neutral n = neutral_of(s_, o);
      if (n.what == Neutral::What::leave) asking_.leave(o.name);
      if (n.what != Neutral::What::set) continue;
      const auto r = o.kind == Kind::text ? asking_.set(o.index, n.text, Weight::wished, n.why)
                                          : asking_.set(o.index, n.numbers, Weight::wished, n.why);
      if (r) continue;
      // A device that is busy or whose connection failed has refused nothing.
      if (const Fault f = r.error().fault; wish_.window && f != Fault::unavailable) return r;
      out_.lack("a setting that the device refuses: " + r.error().text);
    }
  return {};
}

Result<> Negotiation::resolution_of(const Option& o) {
  const double v = wish_.ppi.value;
  const auto refused = [&] {
    return fail(Fault::bad_data, "option " + o.name + ": " + number_text(v) +
                                     " ppi is not to be had; the device offers " + allowed(o));
  };
  const char* why = "the resolution of the pass";
  if (o.kind == Kind::text) {
    const auto at = std::find_if(o.texts.begin(), o.texts.end(), [&](const std::string& t) {
      return std::atoi(t.c_str()) == wish_.ppi.value;
    });
    return at == o.texts.end() ? refused() : asking_.set(o.index, *at, Weight::essential, why);
  }
  const auto near = [&](double l) { return std::abs(l - v) < 1e-3; };
  if (!o.list.empty() && std::none_of(o.list.begin(), o.list.end(), near)) return refused();
  if (o.span && !o.span->holds(v)) return refused();
  if (auto r = asking_.set(o.index, std::vector<double>{v}, Weight::essential, why); !r) return r;
  const auto now = s_.numbers(o.index);
  if (s_.at(o.index).active && now && !near(now->front()))
    return fail(Fault::bad_data, "option " + o.name + ": asked for " + number_text(v) +
                                     " ppi, the device made it " + number_text(now->front()) +
                                     "; choose one that it keeps exactly (" + allowed(o) + ")");
  return {};
}

Result<> Negotiation::resolution() {
  if (const Option* bind = find_resolutions(s_).bind; bind && !asking_.own(*bind))
    if (auto r = asking_.set(bind->index, std::vector<double>{1}, Weight::wished,
                             "one resolution for both axes");
        !r)
      out_.note("could not be set: " + r.error().text);
  std::vector<int> indices;
  for (const Option* o : find_resolutions(s_).options) indices.push_back(o->index);
  if (indices.empty())
    return fail(
        Fault::bad_data,
        "the device shows no option for the resolution that is understood; name one under the "
        "bed profile's options (lapwright beds --probe lists them)");
  for (int index : indices) {
    const Option o = s_.at(index);
    if (!o.usable() || asking_.own(o)) continue;  // asleep: went with the one before
    if (auto r = resolution_of(o); !r) return r;
  }
  return {};
}

/// All that does not depend on where and how finely is scanned.
Result<> Negotiation::quality() {
  if (auto r = ask_for_light(s_, asking_, wish_, out_); !r) return r;
  if (auto r = film_type(); !r) return r;
  if (auto r = mode(); !r) return r;
  if (auto r = depth(); !r) return r;
  if (auto r = corrections(); !r) return r;
  return asking_.set_all_own();
}

Result<> Negotiation::find_out() {
  for (int round = 0; round < most_rounds; ++round) {
    if (auto r = quality(); !r) return r;
    if (asking_.differs().empty()) break;
  }
  out_.depths = offered_depths(s_);
  out_.resolutions = offered_resolutions(s_);
  out_.infrared = find_infrared(s_).text();
  say_lacks();
  const double finest = finest_resolution(s_);
  if (auto units = area_units_per_mm(s_, finest > 0 ? finest : 300, finest))
    out_.range = area_range(s_, *units);
  else
    out_.lack(units.error().text);
  return {};
}

Result<> Negotiation::agree() {
  double units = 0;
  for (int round = 0; round < most_rounds; ++round) {
    if (auto r = quality(); !r) return r;
    if (round == 0) out_.depths = offered_depths(s_), out_.resolutions = offered_resolutions(s_);
    out_.own_area = wish_.light == Light::any && !find_area(s_).complete();
    if (units <= 0 && !out_.own_area) {
      auto found = area_units_per_mm(s_, wish_.ppi.value, finest_resolution(s_));
      if (!found) return fail(found.error());
      units = *found;
    }
    if (auto r = resolution(); !r) return r;
    if (!out_.own_area) {
      out_.range = area_range(s_, units);
      edges_.clear();
      auto area = set_area(s_, *wish_.window, units, edges_);
      if (!area) return fail(area.error());
      out_.area = *area;
    }
    if (asking_.differs().empty()) break;
  }
  if (out_.own_area) out_.note("the device takes no area: it gives its own");
  return {};
}

/// What every photographer would miss; told at a probe, when nothing fails for it.
void Negotiation::say_lacks() {
  if (!out_.depths.empty() && out_.depths.back() < 16)
    out_.lack(out_.depths.back() <= 8
                  ? std::string("16 bits: the device gives 8 bits a sample only, and is refused "
                                "for film")
                  : "16 bits: " + std::to_string(out_.depths.back()) +
                        " bits are the most; they are taken where the driver hands them over as "
                        "16-bit samples");
  if (out_.resolutions.empty())
    out_.lack("a resolution: no option for it is understood, or its range holds none of the usual");
  for (const std::string& stuck : stuck_corrections(s_))
    if (!asking_.asked(stuck.substr(0, stuck.find(':'))))
      out_.lack("a correction that can be turned off: " + stuck);
}

void Negotiation::say_rest() {
  const std::set<std::string> elsewhere = placed();
  std::string left;
  for (const Option& o : s_.options()) {
    if (!o.usable() || o.name.empty() || elsewhere.contains(o.name) || asking_.asked(o.name) ||
        asking_.left(o.name))
      continue;
    auto value = o.readable ? s_.text(o.index) : Result<std::string>("?");
    left += (left.empty() ? "" : ", ") + o.name + " = " + (value ? *value : "?");
  }
  if (!left.empty()) out_.note("left as they are: " + left);
}

Result<> Negotiation::close() {
  out_.settings = asking_.settings();
  for (const auto& [name, value] : edges_)
    out_.settings.push_back({name, value, "", "the window of the pass", true});
  out_.differs = asking_.differs();
  if (auto r = asking_.own_awake(); !r) return r;
  if (wish_.window)
    if (auto r = asking_.essentials_kept(); !r) return r;
  for (const std::string& d : out_.differs) out_.lack("a setting that the device keeps: " + d);
  say_rest();
  return {};
}

Result<Agreement> Negotiation::run() {
  if (auto r = wish_.window ? agree() : find_out(); !r) return fail(r.error());
  if (auto r = close(); !r) return fail(r.error());
  return std::move(out_);
}

}  // namespace

Result<Agreement> negotiate(Surface& surface, const Wish& wish) {
  return Negotiation(surface, wish).run();
}

}  // namespace lapwright::bed
