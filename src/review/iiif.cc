#include "review/iiif.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <map>
#include <nlohmann/json.hpp>

namespace lapwright::review::iiif {
namespace {

constexpr const char* image_context = "http://iiif.io/api/image/3/context.json";
constexpr const char* presentation_context = "http://iiif.io/api/presentation/3/context.json";

/// `count` whole numbers with commas between and nothing else.
template <std::size_t count>
std::optional<std::array<std::int64_t, count>> numbers(std::string_view text) {
  std::array<std::int64_t, count> out{};
  const char* at = text.data();
  const char* const end = at + text.size();
  for (std::size_t i = 0; i < count; ++i) {
    if (i > 0 && (at == end || *at++ != ',')) return std::nullopt;
    if (at == end || *at < '0' || *at > '9' || end - at > 60) return std::nullopt;
    const auto read = std::from_chars(at, end, out[i]);
    if (read.ec != std::errc() || out[i] > (1 << 24)) return std::nullopt;
    at = read.ptr;
  }
  if (at != end) return std::nullopt;
  return out;
}

std::int64_t shrunk(std::int64_t length, std::size_t level) {
  return (length + (std::int64_t{1} << level) - 1) >> level;
}

Json label(const std::string& text) { return {{"none", Json::array({text})}}; }

std::string manifest_id(const std::string& base, const Sheet& s) {
  return base + "/iiif/rolls/" + s.roll_id + "/manifest.json";
}
std::string canvas_id(const std::string& base, const Sheet& s) {
  return base + "/iiif/rolls/" + s.roll_id + "/sheet";
}
std::string service_id(const std::string& base, const Sheet& s) {
  return base + "/iiif/image/" + s.image_id;
}
Json service(const std::string& base, const Sheet& s) {
  return Json::array(
      {{{"id", service_id(base, s)}, {"type", "ImageService3"}, {"profile", "level0"}}});
}
Json picture(const std::string& base, const Sheet& s, Extent size, const std::string& named) {
  return {{"id", service_id(base, s) + "/full/" + named + "/0/default.jpg"},
          {"type", "Image"},
          {"format", "image/jpeg"},
          {"width", size.width},
          {"height", size.height},
          {"service", service(base, s)}};
}
Json thumbnail(const std::string& base, const Sheet& s) {
  const Extent small = s.pyramid.levels.back();
  return Json::array(
      {picture(base, s, small, std::to_string(small.width) + "," + std::to_string(small.height))});
}

}  // namespace

Extent Pyramid::largest(std::int64_t longest) const {
  for (const Extent& l : levels)
    if (l.width <= longest && l.height <= longest) return l;
  return levels.back();
}

Asked read_image_request(std::string_view region, std::string_view size, std::string_view rotation,
                         std::string_view file, const Pyramid& pyramid, std::int64_t longest) {
  if (rotation != "0") return Refused{"rotation: 0 is right here"};
  if (file != "default.jpg") return Refused{"quality and format: default.jpg is right here"};
  const Extent whole = pyramid.levels.front();
  std::array<std::int64_t, 4> r{0, 0, whole.width, whole.height};
  if (region != "full") {
    const auto told = numbers<4>(region);
    if (!told) return Refused{"region: full or x,y,w,h in pixels is right here"};
    r = *told;
    if (r[2] < 1 || r[3] < 1 || r[0] >= whole.width || r[1] >= whole.height)
      return Refused{"region: it lies outside the sheet"};
    r[2] = std::min(r[2], whole.width - r[0]), r[3] = std::min(r[3], whole.height - r[1]);
  }
  const bool all = r[0] == 0 && r[1] == 0 && r[2] == whole.width && r[3] == whole.height;
  Extent to;
  if (size == "max") {
    if (all) {
      to = pyramid.largest(longest);
    } else {
      const Extent most = pyramid.largest(longest);
      const double k = std::min({1.0, static_cast<double>(most.width) / static_cast<double>(r[2]),
                                 static_cast<double>(most.height) / static_cast<double>(r[3])});
      to.width = std::max<std::int64_t>(1, std::llround(static_cast<double>(r[2]) * k));
      to.height = std::max<std::int64_t>(1, std::llround(static_cast<double>(r[3]) * k));
    }
  } else {
    const auto told = numbers<2>(size);
    if (!told) return Refused{"size: max or w,h in pixels is right here"};
    to = {(*told)[0], (*told)[1]};
    if (to.width < 1 || to.height < 1 || to.width > r[2] || to.height > r[3])
      return Refused{"size: from 1 pixel to the region's own size is right"};
  }
  // One of the file's own tiles?
  for (std::size_t k = 0; k < pyramid.levels.size(); ++k) {
    const std::int64_t step = pyramid.tile << k;
    if (r[0] % step || r[1] % step || r[2] != std::min(step, whole.width - r[0]) ||
        r[3] != std::min(step, whole.height - r[1]))
      continue;
    if (to == Extent{shrunk(r[2], k), shrunk(r[3], k)}) return TileOf{k, r[0] / step, r[1] / step};
  }
  const Extent most = all ? pyramid.largest(longest) : Extent{longest, longest};
  if (to.width > most.width || to.height > most.height)
    return Refused{"size: at most " + std::to_string(most.width) + "," +
                   std::to_string(most.height) + " is given in one piece"};
  return PartOf{{{r[0]}, {r[1]}, {r[2]}, {r[3]}}, to.width, to.height};
}

Json image_info(const std::string& id, const Pyramid& pyramid, std::int64_t longest) {
  const Extent whole = pyramid.levels.front(), most = pyramid.largest(longest);
  Json sizes = Json::array(), factors = Json::array();
  for (std::size_t k = 0; k < pyramid.levels.size(); ++k) factors.push_back(std::int64_t{1} << k);
  for (auto l = pyramid.levels.rbegin(); l != pyramid.levels.rend(); ++l)
    if (l->width <= most.width && l->height <= most.height)
      sizes.push_back({{"width", l->width}, {"height", l->height}});
  return {{"@context", image_context},
          {"id", id},
          {"type", "ImageService3"},
          {"protocol", "http://iiif.io/api/image"},
          {"profile", "level0"},
          {"width", whole.width},
          {"height", whole.height},
          {"maxWidth", most.width},
          {"maxHeight", most.height},
          {"sizes", std::move(sizes)},
          {"tiles", Json::array({{{"width", pyramid.tile},
                                  {"height", pyramid.tile},
                                  {"scaleFactors", std::move(factors)}}})},
          {"extraFeatures", {"regionByPx", "sizeByWh"}}};
}

std::string frame_fragment(const Sheet& sheet, const frames::Frame& frame) {
  double l = 1e300, t = 1e300, r = -1e300, b = -1e300;
  for (const auto& c : frame.corners) {
    l = std::min(l, c.x), r = std::max(r, c.x), t = std::min(t, c.y), b = std::max(b, c.y);
  }
  const Extent whole = sheet.pyramid.levels.front();
  const auto pixel = [&](double mm, double origin, std::int64_t most) {
    const double p = (mm - origin) * sheet.pixels_per_mm;
    return std::llround(std::clamp(p, 0.0, static_cast<double>(most)));
  };
  const auto x = pixel(l, sheet.origin.x, whole.width - 1);
  const auto y = pixel(t, sheet.origin.y, whole.height - 1);
  const auto w = std::max<long long>(1, pixel(r, sheet.origin.x, whole.width) - x);
  const auto h = std::max<long long>(1, pixel(b, sheet.origin.y, whole.height) - y);
  return std::to_string(x) + "," + std::to_string(y) + "," + std::to_string(w) + "," +
         std::to_string(h);
}

Json collection(const std::string& base, const std::vector<Sheet>& rolls) {
  Json items = Json::array();
  for (const Sheet& s : rolls)
    items.push_back({{"id", manifest_id(base, s)},
                     {"type", "Manifest"},
                     {"label", label(s.roll)},
                     {"thumbnail", thumbnail(base, s)}});
  return {{"@context", presentation_context},
          {"id", base + "/iiif/collection.json"},
          {"type", "Collection"},
          {"label", label("Rolls")},
          {"items", std::move(items)}};
}

Json canvas(const std::string& base, const Sheet& s) {
  const std::string id = canvas_id(base, s);
  const Extent whole = s.pyramid.levels.front();
  return {
      {"id", id},
      {"type", "Canvas"},
      {"label", label("Sheet")},
      {"width", whole.width},
      {"height", whole.height},
      {"thumbnail", thumbnail(base, s)},
      {"items", Json::array({{{"id", id + "/page"},
                              {"type", "AnnotationPage"},
                              {"items", Json::array({{{"id", id + "/picture"},
                                                      {"type", "Annotation"},
                                                      {"motivation", "painting"},
                                                      {"body", picture(base, s, s.largest, "max")},
                                                      {"target", id}}})}}})},
      {"annotations", Json::array({{{"id", base + "/iiif/rolls/" + s.roll_id + "/marks.json"},
                                    {"type", "AnnotationPage"}}})}};
}

Json manifest(const std::string& base, const Sheet& s) {
  const std::string id = canvas_id(base, s);
  std::map<int, Json> strips;
  for (const frames::Frame& f : s.frames) {
    Json& strip = strips[f.strip];
    if (strip.is_null())
      strip = {{"id", id + "/strip/" + std::to_string(f.strip)},
               {"type", "Range"},
               {"label", label("Strip " + std::to_string(f.strip))},
               {"items", Json::array()}};
    strip["items"].push_back({{"id", id + "/frame/" + f.frame},
                              {"type", "Range"},
                              {"label", label("Frame " + f.frame)},
                              {"items", Json::array({{{"id", id + "#xywh=" + frame_fragment(s, f)},
                                                      {"type", "Canvas"}}})}});
  }
  Json structures = Json::array();
  for (auto& [number, strip] : strips) structures.push_back(std::move(strip));
  Json metadata = Json::array();
  for (const auto& [name, value] : {std::pair<std::string, std::string>{"Stock", s.stock},
                                    {"Sleeve", s.sleeve},
                                    {"Shot", s.shot},
                                    {"Note", s.note}})
    if (!value.empty()) metadata.push_back({{"label", label(name)}, {"value", label(value)}});
  Json out = {{"@context", presentation_context},
              {"id", manifest_id(base, s)},
              {"type", "Manifest"},
              {"label", label(s.roll)}};
  if (!metadata.empty()) out["metadata"] = std::move(metadata);
  out["thumbnail"] = thumbnail(base, s);
  out["items"] = Json::array({canvas(base, s)});
  if (!structures.empty()) out["structures"] = std::move(structures);
  return out;
}

}  // namespace lapwright::review::iiif
