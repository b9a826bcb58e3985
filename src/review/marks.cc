#include "review/marks.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <cstring>
#include <nlohmann/json.hpp>

#include "core/clock.h"
#include "core/files.h"
#include "core/text.h"
#include "ledger/ledger.h"
#include "proof/xmp.h"
#include "review/folder_lock.h"

namespace lapwright::review {
namespace {

constexpr std::size_t most_samples = 20000, most_outline = 60000, most_note = 2000;
constexpr double thickest = 10, room = 50;  // mm; how far from the sheet a hand may slip

struct Colour {
  const char *name, *fill;
};
constexpr std::array<Colour, 4> colours = {
    {{"red", "#c93a2b"}, {"yellow", "#e8b923"}, {"white", "#f4efe4"}, {"blue", "#3f77b5"}}};

tl::unexpected<Error> wrong(const std::string& what, const std::string& right) {
  return fail(Fault::bad_data, what + ": " + right + " is right");
}

bool is_uuid(const std::string& id) {
  if (id.size() != 36) return false;
  for (std::size_t i = 0; i < id.size(); ++i) {
    const bool dash = i == 8 || i == 13 || i == 18 || i == 23;
    if (dash ? id[i] != '-' : std::strchr("0123456789abcdef", id[i]) == nullptr) return false;
  }
  return true;
}

/// Plain decimal, whatever the locale.
std::string decimal(double v, int digits) {
  char text[64];
  std::snprintf(text, sizeof text, "%.*f", digits, v);
  std::string s = text;
  if (s.find('.') != std::string::npos) {
    s.erase(s.find_last_not_of('0') + 1);
    if (s.back() == '.') s.pop_back();
  }
  return s == "-0" ? "0" : s;
}

double rounded(double v) { return std::round(v * 1000) / 1000; }

/// A number member within bounds.
std::optional<double> number(const Json& json, const char* key, double least, double most) {
  const auto it = json.find(key);
  if (it == json.end() || !it->is_number()) return std::nullopt;
  const double v = it->get<double>();
  return v >= least && v <= most ? std::optional(v) : std::nullopt;
}

std::string text_of(const Json& json, const char* key) {
  const auto it = json.is_object() ? json.find(key) : json.end();
  return json.is_object() && it != json.end() && it->is_string() ? it->get<std::string>()
                                                                 : std::string();
}

std::string svg_path(const Stroke& stroke, const iiif::Sheet& sheet) {
  const auto fill = std::find_if(colours.begin(), colours.end(),
                                 [&](const Colour& c) { return stroke.colour == c.name; });
  std::string d;
  const auto pixel = [&](const std::pair<double, double>& p) {
    return decimal((p.first - sheet.origin.x) * sheet.pixels_per_mm, 1) + " " +
           decimal((p.second - sheet.origin.y) * sheet.pixels_per_mm, 1);
  };
  const auto& o = stroke.outline;
  const auto middle = [&](std::size_t i) {
    const auto &a = o[i % o.size()], &b = o[(i + 1) % o.size()];
    return std::pair{(a.first + b.first) / 2, (a.second + b.second) / 2};
  };
  d = "M" + pixel(middle(0));
  for (std::size_t i = 1; i <= o.size(); ++i)
    d += "Q" + pixel(o[i % o.size()]) + " " + pixel(middle(i));
  return "<svg xmlns=\"http://www.w3.org/2000/svg\"><path fill=\"" + std::string(fill->fill) +
         "\" d=\"" + d + "Z\"/></svg>";
}

Json fragment_target(const std::string& fragment) {
  return {{"type", "SpecificResource"},
          {"source", "sheet"},
          {"selector",
           {{"type", "FragmentSelector"},
            {"conformsTo", "http://www.w3.org/TR/media-frags/"},
            {"value", "xywh=pixel:" + fragment}}}};
}

Json annotation(const std::string& id, const char* motivation, const char* kind) {
  return {{"id", id},
          {"type", "Annotation"},
          {"motivation", motivation},
          {"created", core::rfc3339_now()},
          {"kind", kind}};
}

Json text_body(const std::string& purpose, const std::string& value) {
  return {
      {"type", "TextualBody"}, {"purpose", purpose}, {"value", value}, {"format", "text/plain"}};
}

/// Members that the two contexts of the page do not know are told here.
Json context() {
  return Json::array({{{"lapwright", "urn:lapwright:"},
                       {"kind", "lapwright:kind"},
                       {"frame", "lapwright:frame"},
                       {"crop", {{"@id", "lapwright:crop"}, {"@type", "@json"}}},
                       {"ink", {{"@id", "lapwright:ink"}, {"@type", "@json"}}}},
                      "http://iiif.io/api/presentation/3/context.json"});
}

std::string id_of(const char* kind, const frames::Frame& frame) {
  return std::string("marks.json#") + kind + "-" + frame.frame;
}

std::optional<std::array<double, 4>> four(const Json& json) {
  if (!json.is_array() || json.size() != 4) return std::nullopt;
  std::array<double, 4> out{};
  for (std::size_t i = 0; i < 4; ++i) {
    if (!json[i].is_number()) return std::nullopt;
    out[i] = json[i].get<double>();
  }
  return out;
}

/// As keep() wrote it; a person may have changed the file.
bool is_ink(const Json& ink) {
  if (!ink.is_object() || !number(ink, "width", 0.05, thickest)) return false;
  const auto samples = ink.find("samples");
  return std::any_of(colours.begin(), colours.end(),
                     [&](const Colour& c) { return text_of(ink, "colour") == c.name; }) &&
         samples != ink.end() && samples->is_array() && !samples->empty() &&
         samples->size() % 4 == 0 &&
         std::all_of(samples->begin(), samples->end(), [](const Json& v) { return v.is_number(); });
}

}  // namespace

bool is_verdict(const std::string& word) {
  return word == "select" || word == "alt" || word == "kill";
}

Result<Stroke> read_stroke(const Json& json, const std::string& id, const iiif::Sheet& sheet) {
  if (!is_uuid(id)) return wrong("id", "a UUID in lower case");
  if (!json.is_object()) return wrong("stroke", "{colour, width, samples, outline}");
  Stroke s;
  s.id = id;
  s.colour = text_of(json, "colour");
  if (std::none_of(colours.begin(), colours.end(),
                   [&](const Colour& c) { return s.colour == c.name; }))
    return wrong("colour", "red, yellow, white or blue");
  const auto width = number(json, "width", 0.05, thickest);
  if (!width) return wrong("width", "0.05 to 10 mm");
  s.width = rounded(*width);
  const auto samples = json.find("samples"), outline = json.find("outline");
  if (samples == json.end() || !samples->is_array() || samples->empty() || samples->size() % 4 ||
      samples->size() / 4 > most_samples)
    return wrong("samples", "a list of x, y, pressure, t for 1 to 20000 samples");
  const auto& whole = sheet.pyramid.levels.front();
  const double left = sheet.origin.x - room, top = sheet.origin.y - room;
  const double right =
      sheet.origin.x + static_cast<double>(whole.width) / sheet.pixels_per_mm + room;
  const double bottom =
      sheet.origin.y + static_cast<double>(whole.height) / sheet.pixels_per_mm + room;
  const auto within = [](const Json& v, double least, double most) {
    return v.is_number() && v.get<double>() >= least && v.get<double>() <= most;
  };
  double before = 0;
  double l = 1e300, t = 1e300, r = -1e300, b = -1e300;
  for (std::size_t i = 0; i < samples->size(); i += 4) {
    const Json &x = (*samples)[i], &y = (*samples)[i + 1], &p = (*samples)[i + 2],
               &at = (*samples)[i + 3];
    if (!within(x, left, right) || !within(y, top, bottom))
      return wrong("samples", "x and y in millimetres on the sheet");
    if (!within(p, 0, 1)) return wrong("samples", "a pressure from 0 to 1");
    if (!within(at, before, 3.6e6)) return wrong("samples", "t in milliseconds from 0, rising");
    before = at.get<double>();
    l = std::min(l, x.get<double>()), r = std::max(r, x.get<double>());
    t = std::min(t, y.get<double>()), b = std::max(b, y.get<double>());
    for (const Json* v : {&x, &y, &p, &at}) s.samples.push_back(rounded(v->get<double>()));
  }
  if (outline == json.end() || !outline->is_array() || outline->size() < 6 || outline->size() % 2 ||
      outline->size() / 2 > most_outline)
    return wrong("outline", "a list of x, y for 3 to 60000 points");
  const double rim = 2 * s.width + 0.1;  // what the point can cover beside its middle
  for (std::size_t i = 0; i < outline->size(); i += 2) {
    const Json &x = (*outline)[i], &y = (*outline)[i + 1];
    if (!within(x, l - rim, r + rim) || !within(y, t - rim, b + rim))
      return wrong("outline", "points in millimetres beside the samples");
    s.outline.emplace_back(rounded(x.get<double>()), rounded(y.get<double>()));
  }
  return s;
}

Result<std::optional<std::array<double, 4>>> read_crop(const Json& json,
                                                       const frames::Frame& frame) {
  using Crop = std::optional<std::array<double, 4>>;
  const auto it = json.is_object() ? json.find("crop") : json.end();
  if (!json.is_object() || it == json.end())
    return wrong("crop", "{\"crop\": [x, y, width, height]} or null");
  if (it->is_null()) return Crop();
  auto c = four(*it);
  double l = 1e300, t = 1e300, r = -1e300, b = -1e300;
  for (const auto& corner : frame.corners) {
    l = std::min(l, corner.x), r = std::max(r, corner.x);
    t = std::min(t, corner.y), b = std::max(b, corner.y);
  }
  constexpr double slack = 0.01;
  if (!c || !((*c)[2] >= 1) || !((*c)[3] >= 1) || !((*c)[0] >= l - slack) ||
      !((*c)[1] >= t - slack) || !((*c)[0] + (*c)[2] <= r + slack) ||
      !((*c)[1] + (*c)[3] <= b + slack))
    return wrong("crop", "[x, y, width, height] in millimetres, inside the frame, 1 mm at least");
  for (double& v : *c) v = rounded(v);
  return Crop(c);
}

Result<std::string> read_note(const Json& json) {
  const auto it = json.is_object() ? json.find("note") : json.end();
  if (!json.is_object() || it == json.end() || !it->is_string())
    return wrong("note", "{\"note\": text}");
  const std::string note = it->get<std::string>();
  if (note.size() > most_note) return wrong("note", "at most 2000 bytes");
  std::string lines = note;
  std::replace_if(
      lines.begin(), lines.end(), [](char c) { return c == '\n' || c == '\t'; }, ' ');
  if (!core::is_plain(lines)) return wrong("note", "UTF-8 without control characters");
  return note;
}

std::filesystem::path Marks::file() const { return folder_ / ledger::archive::marks_name; }

Marks::Stamp Marks::stamp() const {
  struct stat about {};
  if (::stat(file().c_str(), &about) != 0) return {};
  return {about.st_mtim.tv_sec, about.st_mtim.tv_nsec, about.st_size, about.st_ino};
}

Result<> Marks::refresh() {
  const Stamp now = stamp();
  if (read_ && *read_ == now) return {};
  Items items;
  if (now.bytes >= 0) {
    const auto text = core::read_file(file(), most_bytes);
    if (!text) return fail(text.error());
    auto json = core::parse_json(*text, file().string());
    if (!json) return fail(json.error());
    const auto it = json->is_object() ? json->find("items") : json->end();
    if (!json->is_object() || it == json->end() || !it->is_array())
      return fail(Fault::bad_data,
                  file().string() + ": items: a list of annotations is right; left as it is");
    for (Json& one : *it) {
      if (!one.is_object())
        return fail(Fault::bad_data, file().string() + ": items: objects are right; left as it is");
      items.push_back(item(std::move(one)));
    }
  }
  items_ = std::move(items);
  read_ = now;
  return {};
}

std::shared_ptr<const Marks::Item> Marks::item(Json json) {
  std::string line = json.dump(-1, ' ', false, Json::error_handler_t::replace);
  return std::make_shared<const Item>(Item{std::move(json), std::move(line)});
}

Result<> Marks::write(Items items) {
  // One annotation a line, so that a person can read it and a small change is a small difference.
  std::string text = "{\"@context\": " + context().dump() +
                     ",\n\"id\": \"marks.json\", \"type\": \"AnnotationPage\",\n\"items\": [";
  for (std::size_t i = 0; i < items.size(); ++i) (text += i ? ",\n" : "\n") += items[i]->line;
  text += "\n]}\n";
  if (text.size() > most_bytes)
    return fail(Fault::cannot_create, file().string() + ": would be larger than " +
                                          std::to_string(most_bytes) + " bytes");
  if (auto r = core::write_file(file(), text); !r) return r;
  items_ = std::move(items);
  read_ = stamp();
  return {};
}

template <class Change>
Result<> Marks::change(Change change) {
  const FolderLock lock(folder_);
  if (!lock.held()) return fail(Fault::io, folder_.string() + ": cannot be locked");
  if (auto r = refresh(); !r) return r;
  Items items = items_;
  auto changed = change(items);
  if (!changed) return fail(changed.error());
  return *changed ? write(std::move(items)) : Result<>();
}

Result<> Marks::put(const std::string& id, Json annotation) {
  return change([&](Items& items) -> Result<bool> {
    const auto it = std::find_if(items.begin(), items.end(),
                                 [&](const auto& i) { return text_of(i->json, "id") == id; });
    if (annotation.is_null()) {
      if (it == items.end()) return false;
      items.erase(it);
    } else if (it == items.end()) {
      items.push_back(item(std::move(annotation)));
    } else {
      // The same again, whenever it was said, is no change.
      Json before = (*it)->json, then = annotation;
      before.erase("created"), then.erase("created");
      if (before == then) return false;
      *it = item(std::move(annotation));
    }
    return true;
  });
}

Result<Marks::Kept> Marks::keep(const Stroke& stroke, const iiif::Sheet& sheet) {
  Json one = annotation("urn:uuid:" + stroke.id, "highlighting", "ink");
  one["target"] = {{"type", "SpecificResource"},
                   {"source", "sheet"},
                   {"selector", {{"type", "SvgSelector"}, {"value", svg_path(stroke, sheet)}}}};
  one["ink"] = {{"colour", stroke.colour}, {"width", stroke.width}, {"samples", stroke.samples}};
  Kept kept = Kept::added;
  auto done = change([&](Items& items) -> Result<bool> {
    for (const auto& i : items) {
      const Json& j = i->json;
      if (text_of(j, "id") != one["id"]) continue;
      kept = j.contains("ink") && j["ink"] == one["ink"] ? Kept::there : Kept::another_has_it;
      return false;
    }
    items.push_back(item(one));
    return true;
  });
  if (!done) return fail(done.error());
  return kept;
}

Result<bool> Marks::remove(const std::string& id) {
  bool there = false;
  auto done = change([&](Items& items) -> Result<bool> {
    there =
        std::erase_if(items, [&](const auto& i) {
          return text_of(i->json, "id") == "urn:uuid:" + id && text_of(i->json, "kind") == "ink";
        }) > 0;
    return there;
  });
  if (!done) return fail(done.error());
  return there;
}

Result<> Marks::set_verdict(const iiif::Sheet& sheet, const frames::Frame& frame,
                            const std::string& verdict) {
  const std::string id = id_of("verdict", frame);
  if (verdict.empty()) return put(id, nullptr);
  if (!is_verdict(verdict)) return wrong("verdict", "select, alt, kill or null");
  Json one = annotation(id, "assessing", "verdict");
  one["frame"] = frame.frame;
  one["body"] = text_body("assessing", verdict);
  one["target"] = fragment_target(iiif::frame_fragment(sheet, frame));
  return put(id, std::move(one));
}

Result<> Marks::set_note(const iiif::Sheet& sheet, const frames::Frame& frame,
                         const std::string& note) {
  const std::string id = id_of("note", frame);
  if (note.empty()) return put(id, nullptr);
  Json one = annotation(id, "commenting", "note");
  one["frame"] = frame.frame;
  one["body"] = text_body("commenting", note);
  one["target"] = fragment_target(iiif::frame_fragment(sheet, frame));
  return put(id, std::move(one));
}

Result<> Marks::write_xmp(const iiif::Sheet& sheet) {
  const auto all = state(false);
  if (!all) return fail(all.error());
  proof::About about;
  about.title = "Marks on the contact sheet " + sheet.roll, about.identifier = sheet.roll, about.description = sheet.note;
  const iiif::Extent whole = sheet.pyramid.levels.front();
  for (const frames::Frame& f : sheet.frames) {
    const auto it = all->frames.find(f.frame);
    if (it == all->frames.end() || (it->second.verdict.empty() && it->second.note.empty())) continue;
    proof::Region r{f.frame, {}, it->second.verdict, it->second.note};
    for (std::size_t i = 0; i < 4; ++i)
      r.corners[i] = {std::clamp((f.corners[i].x - sheet.origin.x) * sheet.pixels_per_mm / static_cast<double>(whole.width), 0.0, 1.0),
                      std::clamp((f.corners[i].y - sheet.origin.y) * sheet.pixels_per_mm / static_cast<double>(whole.height), 0.0, 1.0)};
    about.frames.push_back(std::move(r));
  }
  return core::write_file(folder_ / ledger::archive::marks_xmp_name, proof::xmp_packet(about, "") + "\n");
}

Result<> Marks::set_crop(const iiif::Sheet& sheet, const frames::Frame& frame,
                         const std::optional<std::array<double, 4>>& crop) {
  const std::string id = id_of("crop", frame);
  if (!crop) return put(id, nullptr);
  frames::Frame cut = frame;
  const auto [x, y, w, h] = *crop;
  cut.corners = {Spot<SleeveSpace>{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}};
  Json one = annotation(id, "editing", "crop");
  one["frame"] = frame.frame;
  one["crop"] = {x, y, w, h};
  one["target"] = fragment_target(iiif::frame_fragment(sheet, cut));
  return put(id, std::move(one));
}

Result<Marks::State> Marks::state(bool with_ink) {
  if (auto r = refresh(); !r) return fail(r.error());
  State s;
  for (const auto& i : items_) {
    const Json& j = i->json;
    const std::string kind = text_of(j, "kind"), frame = text_of(j, "frame");
    const auto body = j.find("body");
    const std::string value = body == j.end() ? std::string() : text_of(*body, "value");
    if (kind == "verdict" && is_verdict(value)) s.frames[frame].verdict = value;
    if (kind == "note") s.frames[frame].note = value;
    if (kind == "crop" && j.contains("crop")) s.frames[frame].crop = four(j["crop"]);
    const auto ink = j.find("ink");
    const std::string id = text_of(j, "id");
    if (!with_ink || kind != "ink" || ink == j.end() || !is_ink(*ink) ||
        !id.starts_with("urn:uuid:"))
      continue;
    Json one = *ink;
    one["id"] = id.substr(9);
    s.ink.push_back(std::move(one));
  }
  return s;
}

Result<Json> Marks::page(const std::string& base, const iiif::Sheet& sheet) {
  if (auto r = refresh(); !r) return fail(r.error());
  const std::string at = base + "/iiif/rolls/" + sheet.roll_id + "/";
  Json items = Json::array();
  for (const auto& i : items_) {
    const Json& j = i->json;
    Json one = j;
    if (text_of(one, "id").starts_with("marks.json#")) one["id"] = at + text_of(j, "id");
    const auto target = one.find("target");
    if (target != one.end() && text_of(*target, "source") == "sheet")
      (*target)["source"] = at + "sheet";
    items.push_back(std::move(one));
  }
  return Json{{"@context", context()},
              {"id", at + "marks.json"},
              {"type", "AnnotationPage"},
              {"items", std::move(items)}};
}

}  // namespace lapwright::review
