#include "bed/asking.h"

#include <algorithm>
#include <cmath>

namespace lapwright::bed {

const Asking::Asked* Asking::find(const std::string& name) const {
  const auto at =
      std::find_if(asked_.begin(), asked_.end(), [&](const Asked& a) { return a.name == name; });
  return at == asked_.end() ? nullptr : &*at;
}

void Asking::remember(const Option& o, const std::string& value, Weight weight,
                      const std::string& why) {
  for (Asked& a : asked_)
    if (a.name == o.name) {
      a.value = value;
      if (weight == Weight::essential) a.weight = weight;
      return;
    }
  const auto was = o.readable ? surface_.text(o.index) : Result<std::string>("");
  asked_.push_back({o.name, value, was ? *was : "", why, weight});
}

Result<> Asking::set(int index, const std::vector<double>& values, Weight weight,
                     const std::string& why) {
  const Option o = surface_.at(index);
  std::string text = number_text(values.front());
  if (o.kind == Kind::boolean)
    text = values.front() != 0 ? "true" : "false";
  else if (o.array())
    text = "identity";
  remember(o, text, weight, why);
  if (auto now = surface_.numbers(index); now && *now == values) return {};
  return surface_.set(index, values);
}

Result<> Asking::set(int index, const std::string& value, Weight weight, const std::string& why) {
  const Option o = surface_.at(index);
  remember(o, value, weight, why);
  if (auto now = surface_.text(index); now && *now == value) return {};
  return surface_.set(index, value);
}

Result<> Asking::set_own(const Option& option) {
  const Option o = option;
  const std::string& value = own_.at(o.name);
  // Set once, and again only when another option moved it: a set may reset others.
  if (const Asked* a = find(o.name); a && !instead(*a)) return {};
  const auto was = o.readable ? surface_.text(o.index) : Result<std::string>("");
  if (auto r = surface_.set_from_text(o.index, value); !r) return r;
  const auto now = surface_.text(o.index);
  if (!find(o.name)) asked_.push_back({o.name, "", was ? *was : "", "", Weight::essential});
  remember(o, o.kind == Kind::text || !now ? value : *now, Weight::essential, "");
  for (Asked& a : asked_)
    if (a.name == o.name) a.why = "the bed profile says so";
  if (o.number() && !o.array() && now && std::abs(std::stod(*now) - std::stod(value)) > 1e-3)
    return fail(Fault::bad_profile, "option " + o.name + ": asked for " + value +
                                        ", the device made it " + *now + "; right is " +
                                        allowed(o));
  return {};
}

Result<> Asking::set_all_own() {
  for (const auto& [name, value] : own_) {
    const Option* o = surface_.find(name);
    if (!o)
      return fail(Fault::bad_profile,
                  "option " + name + ": the device has no such option; see lapwright beds --probe");
    if (!o->settable || o->kind == Kind::button)
      return fail(Fault::bad_profile,
                  "option " + name + ": cannot be set; take it out of the bed profile");
    if (!o->active) continue;  // another may wake it: checked at the end
    if (auto r = set_own(*o); !r) return r;
  }
  return {};
}

std::optional<std::string> Asking::instead(const Asked& a) const {
  const Option* o = surface_.find(a.name);
  if (!o || !o->active || !o->readable) return std::nullopt;
  auto now = surface_.text(o->index);
  if (!now || *now == a.value) return std::nullopt;
  return *now;
}

std::vector<Setting> Asking::settings() const {
  std::vector<Setting> all;
  for (const Asked& a : asked_) all.push_back({a.name, a.value, a.was, a.why, !instead(a)});
  return all;
}

std::vector<std::string> Asking::differs() const {
  std::vector<std::string> all;
  for (const Asked& a : asked_)
    if (const auto now = instead(a)) all.push_back(a.name + ": asked " + a.value + ", is " + *now);
  return all;
}

Result<> Asking::essentials_kept() const {
  for (const Asked& a : asked_)
    if (a.weight == Weight::essential) {
      // What cannot be read because the connection failed is not known to be kept.
      if (const Option* o = surface_.find(a.name); o && o->active && o->readable)
        if (const auto r = surface_.text(o->index); !r && r.error().fault != Fault::unavailable)
          return fail(r.error());
      if (const auto now = instead(a))
        return fail(Fault::bad_data, "option " + a.name + ": asked " + a.value + ", is " + *now +
                                         "; the device does not keep what is set: name what it "
                                         "takes under the bed profile's options");
    }
  return {};
}

Result<> Asking::own_awake() const {
  for (const auto& [name, value] : own_)
    if (const Option* o = surface_.find(name); o && !o->active && !asked(name))
      return fail(Fault::bad_profile,
                  "option " + name +
                      ": is asleep on this device with the other options as they are; take it out "
                      "of the bed profile, or set what wakes it");
  return {};
}

}  // namespace lapwright::bed
