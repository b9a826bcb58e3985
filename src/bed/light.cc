#include "bed/light.h"

#include "bed/area.h"
#include "bed/meaning.h"

namespace lapwright::bed {
namespace {

constexpr const char* why = "light through the film";

std::string listed(const std::vector<std::string>& words) {
  std::string all;
  for (const std::string& w : words) all += (all.empty() ? "" : ", ") + w;
  return all;
}

/// The first in rank whose range holds the window; the first when none does, so that the area names
/// what is wrong.
std::string fitting(Surface& s, int source, const std::vector<std::string>& values,
                    const Rect<BedSpace>& window) {
  for (const std::string& v : values) {
    if (has(folded(v), "negative") && !has(folded(v), "positive")) continue;
    if (!s.set(source, v)) continue;
    const Area a = find_area(s);
    if (!a.complete() || a.end[0]->unit != Unit::mm) break;
    const auto range = area_range(s, 1);
    if (range && range->grown({100}).contains(window)) return v;
  }
  return values.front();
}

Result<> from_sources(Surface& s, Asking& asking, const Wish& wish, Agreement& out,
                      const Option& source, const std::vector<std::string>& values) {
  const int index = source.index;
  if (out.film_source.empty())
    out.film_source =
        wish.window && values.size() > 1 ? fitting(s, index, values, *wish.window) : values.front();
  if (values.size() > 1)
    out.note("several film lights: " + listed(values) + "; \"" + out.film_source +
             "\" is used (name another under the bed profile's options)");
  if (has(folded(out.film_source), "negative"))
    out.lack("a light that does not invert: \"" + out.film_source +
             "\" is the only one for film, and its driver may process what it gives");
  return asking.set(index, out.film_source, Weight::essential, why);
}

Result<> none(const Wish& wish, Agreement& out) {
  if (!wish.window) {
    out.lack("a light for film: " +
             (out.sources.empty() ? std::string("the device offers no choice of light")
                                  : "its sources are " + listed(out.sources)) +
             "; attach its film unit and switch it on again");
    return {};
  }
  return fail(Fault::bad_data,
              "this flatbed has no light for film" +
                  (out.sources.empty() ? "" : " (its sources are " + listed(out.sources) + ")") +
                  "; attach its film unit and switch it on again, or name the light under the bed "
                  "profile's options");
}

/// What comes on top of the film light, or instead of it.
Result<> infrared(Surface& s, Asking& asking, Agreement& out) {
  const Infrared ir = find_infrared(s);
  const char* other = "infrared, for what lies on the film";
  switch (ir.by) {
    case Infrared::By::source:
      out.sources = ir.option->texts, out.film_source = ir.value;
      return asking.set(ir.option->index, ir.value, Weight::essential, other);
    case Infrared::By::on:
      return asking.set(ir.option->index, std::vector<double>{1}, Weight::essential, other);
    case Infrared::By::mode:
      return {};  // with the mode
    case Infrared::By::none:
      break;
  }
  return fail(Fault::bad_data,
              "this flatbed's options show no infrared; leave infrared away, or name the option "
              "under the bed profile's options");
}

Result<> film(Surface& s, Asking& asking, const Wish& wish, Agreement& out);

}  // namespace

Result<> ask_for_light(Surface& s, Asking& asking, const Wish& wish, Agreement& out) {
  const bool infra = wish.light == Light::infrared;
  if (infra && find_infrared(s).by == Infrared::By::source) return infrared(s, asking, out);
  if (auto r = film(s, asking, wish, out); !r) return r;
  return infra ? infrared(s, asking, out) : Result<>();
}

namespace {

Result<> film(Surface& s, Asking& asking, const Wish& wish, Agreement& out) {
  const bool needed = wish.light != Light::any;
  const Option* source = find_source(s);
  if (source) {
    out.sources = source->texts;
    if (asking.own(*source)) {
      out.film_source = asking.own_value(*source);
      return asking.set_own(*source);
    }
    if (!needed) return {};
    if (const auto values = film_values(*source); !values.empty())
      return from_sources(s, asking, wish, out, *source, values);
  }
  if (const Option* on = find_film_switch(s); on && (needed || asking.own(*on))) {
    out.film_source = on->name;
    if (out.sources.empty()) out.sources = {on->name};
    return asking.own(*on) ? asking.set_own(*on)
                           : asking.set(on->index, std::vector<double>{1}, Weight::essential, why);
  }
  if (!needed) return {};
  if (!source && film_only(s, wish.device_type)) {
    out.film_source = "film";
    out.sources = {"film"};
    out.note("no choice of light: the device takes film only");
    return {};
  }
  return none(wish, out);
}

}  // namespace
}  // namespace lapwright::bed
