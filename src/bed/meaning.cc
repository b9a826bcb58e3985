#include "bed/meaning.h"

#include <algorithm>
#include <cctype>
#include <cmath>
#include <map>
#include <regex>

namespace lapwright::bed {
namespace {

constexpr const char* film_like =
    R"(transparen|transmi|\btp[ua]|\btma|\buta|\bxpa|film|slide|diapos|\bdia\b|negative|positive|back ?li[gt]|from above|upper)";
constexpr const char* paper_like =
    R"(flatbed|reflect|normal|\badf\b|feeder|opaque|paper|glass|document|photo|print|\bnone\b|\boff\b|platen)";
constexpr const char* infrared = R"(infra ?red|\bir\b|rgbi)";

/// The best-scoring option above 0.
template <class Score>
const Option* best(const Surface& s, Score score) {
  const Option* found = nullptr;
  int most = 0;
  for (const Option& o : s.options()) {
    if (!o.usable()) continue;
    const int points = score(o);
    if (points > most) most = points, found = &o;
  }
  return found;
}

template <class Score>
std::optional<std::string> best_text(const Option& o, Score score) {
  std::optional<std::string> found;
  int most = 0;
  for (const std::string& t : o.texts) {
    const int points = score(folded(t));
    if (points > most) most = points, found = t;
  }
  return found;
}

bool any_text(const Option& o, const char* pattern) {
  return std::any_of(o.texts.begin(), o.texts.end(),
                     [&](const std::string& t) { return has(folded(t), pattern); });
}

int film_score(const std::string& v) {
  if (!has(v, film_like) || has(v, infrared)) return 0;
  int points = 60;
  if (has(v, R"(transparen|transmi|\btp[ua]|\btma|\buta|\bxpa|back ?li[gt]|from above|upper)"))
    points = 100;
  else if (has(v, "positive"))
    points = 90;
  else if (has(v, R"(slide|diapos|\bdia\b)"))
    points = 80;
  else if (has(v, "film"))
    points = 85;
  if (has(v, "negative") && !has(v, "positive")) points -= 70;
  return std::max(points, 1);
}

bool corrections_name(const std::string& w) {
  return has(
      w,
      R"(gamma|tone|curve|correct|restor|sharp|noise|denois|dust|scratch|clean|profile|balance|dropout|halftone)");
}

}  // namespace

std::string folded(const std::string& text) {
  std::string s;
  for (const char c : text) {
    const auto u = static_cast<unsigned char>(c);
    if (std::isalnum(u) || c == '.' || u >= 128)
      s += static_cast<char>(std::tolower(u));
    else if (!s.empty() && s.back() != ' ')
      s += ' ';
  }
  while (!s.empty() && s.back() == ' ') s.pop_back();
  for (const auto& [british, folded_to] : {std::pair{"colour", "color"}, std::pair{"grey", "gray"}})
    for (auto at = s.find(british); at != std::string::npos; at = s.find(british))
      s.replace(at, std::string(british).size(), folded_to);
  return s;
}

bool has(const std::string& folded_text, const char* pattern) {
  static std::map<std::string, std::regex> made;
  auto at = made.find(pattern);
  if (at == made.end()) at = made.emplace(pattern, std::regex(pattern)).first;
  return std::regex_search(folded_text, at->second);
}

std::string words_of(const Option& o) { return folded(o.name) + " | " + folded(o.title); }

std::vector<std::string> film_values(const Option& source) {
  std::vector<std::string> values;
  for (const std::string& t : source.texts)
    if (film_score(folded(t)) > 0) values.push_back(t);
  std::stable_sort(values.begin(), values.end(), [](const std::string& a, const std::string& b) {
    return film_score(folded(a)) > film_score(folded(b));
  });
  return values;
}

const Option* find_source(const Surface& s) {
  return best(s, [](const Option& o) {
    if (!o.choice()) return 0;
    const std::string n = folded(o.name), w = words_of(o);
    const bool film = any_text(o, film_like), paper = any_text(o, paper_like);
    if (n == "source" || n == "scan source") return 1000;
    // The processing of film, not the light: chosen after the light.
    if (corrections_name(w) || has(n, R"(^(mode|scan mode|color mode)$)")) return 0;
    int points = 0;
    if (has(w, R"(source|light|illumin|lamp|media|medium|original|target|document)")) points += 40;
    if (has(w, R"(\bfilm\b)")) points += 20;
    if (film) points += 30;
    if (film && paper) points += 40;
    return film && points >= 70 ? points : 0;
  });
}

const Option* find_film_switch(const Surface& s) {
  return best(s, [](const Option& o) {
    const std::string w = words_of(o);
    if (o.kind != Kind::boolean || has(w, "negative|correct|detect|auto|clean|dust")) return 0;
    return has(w,
               R"(transparen|transmi|\btpu|\btma|film (light|unit|adapter|lamp|mode)|back ?light|upper (light|lamp))")
               ? 1
               : 0;
  });
}

Infrared find_infrared(const Surface& s) {
  const Option* source = find_source(s);
  const auto value = [](const Option* o) {
    if (o)
      for (const std::string& t : o->texts)
        if (has(folded(t), infrared) && !has(folded(t), R"(dust|scratch|clean|correct|remov)"))
          return t;
    return std::string();
  };
  if (const std::string v = value(source); !v.empty()) return {Infrared::By::source, source, v};
  const Option* mode = find_mode(s, source);
  if (const std::string v = value(mode); !v.empty() && !has(folded(v), "rgbi"))
    return {Infrared::By::mode, mode, v};
  const Option* on = best(s, [](const Option& o) {
    const std::string w = words_of(o);
    return o.kind == Kind::boolean && has(w, infrared) &&
                   !has(w, "dust|scratch|clean|correct|remov|filter")
               ? 1
               : 0;
  });
  if (on) return {Infrared::By::on, on, ""};
  return {};
}

std::string Infrared::text() const {
  if (!option) return "";
  return option->name + (by == By::on ? "" : " = " + value);
}

bool film_only(const Surface& s, const std::string& device_type) {
  if (has(folded(device_type), "film|slide|transparen")) return true;
  bool film = false;
  for (const Option& o : s.options()) {
    if (o.choice() && any_text(o, paper_like) && has(words_of(o), "source|media|document"))
      return false;
    film |= has(words_of(o), R"(\bfilms?\b|film ?strip|slide|transparen)");
  }
  return film;
}

const Option* find_film_type(const Surface& s, const Option* source) {
  return best(s, [&](const Option& o) {
    if (!o.choice() || (source && o.index == source->index)) return 0;
    const std::string n = folded(o.name), w = words_of(o);
    if (n == "film type") return 1000;
    if (corrections_name(w) || n == "mode" || n == "scan mode") return 0;
    const bool kinds = any_text(o, "positive|slide|diapos") || any_text(o, "negative");
    return kinds && has(w, "film|negative|slide|media|original|emulsion|type") ? 50 : 0;
  });
}

const Option* find_mode(const Surface& s, const Option* source) {
  return best(s, [&](const Option& o) {
    if (!o.choice() || (source && o.index == source->index)) return 0;
    const std::string n = folded(o.name), w = words_of(o);
    if (n == "mode" || n == "scan mode") return 1000;
    const bool color = any_text(o, R"(color|\brgb|48 ?bit)"),
               gray = any_text(o, R"(gray|mono|lineart|line art|black|\bb ?w\b|binary)");
    if (!color || corrections_name(w) || has(w, "film|negative")) return 0;
    int points = 0;
    if (gray) points += 50;
    if (has(w, "mode|color|image|pixel|format|output|type")) points += 20;
    return points >= 50 || has(w, "mode|pixel|color type|image type") ? points + 1 : 0;
  });
}

const Option* find_depth(const Surface& s) {
  return best(s, [](const Option& o) {
    if (o.kind == Kind::boolean || o.array()) return 0;
    const std::string n = folded(o.name), w = words_of(o);
    if (n == "depth" || n == "bit depth") return 1000;
    if (has(w, R"(preview|gamma|threshold|sharp|noise|half ?tone|film|frame)")) return 0;
    if (o.kind == Kind::text && !any_text(o, R"(\b(16|14|12|48|8|24)\b|(16|48|8|24) ?bit)"))
      return 0;
    int points = 0;
    if (has(w, R"(\bdepth\b|\bbits?\b|\bbpp\b|\bbps\b|bitdepth|colordepth)")) points += 60;
    if (o.unit == Unit::bit) points += 40;
    const bool eight = std::find(o.list.begin(), o.list.end(), 8) != o.list.end() || o.span ||
                       o.kind == Kind::text ||
                       std::any_of(o.list.begin(), o.list.end(),
                                   [](double v) { return v == 16 || v == 48 || v == 24; });
    return eight ? points : 0;
  });
}

Resolutions find_resolutions(const Surface& s) {
  Resolutions r;
  for (const Option& o : s.options()) {
    if (!o.usable() || o.array()) continue;
    const std::string n = folded(o.name), w = words_of(o);
    if (has(w, "preview|optical|calibrat|maximum|interpol")) continue;
    if (o.kind == Kind::boolean) {
      if (has(w,
              "resolution.*(bind|same|equal|link)|(bind|link).*(resolution|dpi)|same.*resolution"))
        r.bind = &o;
      continue;
    }
    const bool known = n == "resolution" || n == "x resolution" || n == "y resolution";
    const bool named = has(w, R"(resolution|\bdpi\b|\bppi\b|dots per inch|pixels per inch)");
    if (!known &&
        !(named && (o.unit == Unit::dpi || o.span || !o.list.empty() || o.texts.size() > 1)) &&
        !(o.unit == Unit::dpi && !has(w, "threshold")))
      continue;
    r.options.push_back(&o);
  }
  return r;
}

Area find_area(const Surface& s) {
  Area a;
  int points[2][2] = {};
  for (const Option& o : s.options()) {
    if (!o.usable() || !o.number() || o.array()) continue;
    std::string n = folded(o.name);
    const std::string w = words_of(o);
    const bool unit = o.unit == Unit::mm || o.unit == Unit::pixel;
    if (has(n, R"(page|paper|sheet|preview|tile|margin|border|crop)") || has(w, "resolution"))
      continue;
    // Split the run-together spellings.
    static const std::regex run_together(
        R"(\b(tl|br|ul|lr|top ?left|bottom ?right|upper ?left|lower ?right)([xy])\b)");
    n = std::regex_replace(n, run_together, "$1 $2");
    int axis = -1, end = -1;
    bool extent = false;
    if (has(n, R"(\bx\d?\b|horizontal)"))
      axis = 0;
    else if (has(n, R"(\by\d?\b|vertical)"))
      axis = 1;
    if (axis >= 0) {
      if (has(n,
              R"(\btl\b|\bul\b|top ?left|upper ?left|\bleft\b|\btop\b|origin|start|begin|\bmin|from|offset|near|first|[xy][01]?$|pos)"))
        end = 0;
      if (has(n,
              R"(\bbr\b|\blr\b|bottom ?right|lower ?right|\bright\b|\bbottom\b|\bend\b|stop|\bmax|\bto\b|\bfar\b|last|[xy]2$)"))
        end = 1;
      if (has(n, R"(width|height|length|extent|size|span)")) end = 1, extent = true;
      if (has(n, R"(\b[xy]1\b)") && s.find(o.name.substr(0, o.name.find('1')) + "0")) end = 1;
    } else if (has(n, R"(\bleft\b)"))
      axis = 0, end = 0;
    else if (has(n, R"(\bright\b)"))
      axis = 0, end = 1;
    else if (has(n, R"(\btop\b)"))
      axis = 1, end = 0;
    else if (has(n, R"(\bbottom\b)"))
      axis = 1, end = 1;
    else if (has(n, R"(\bwidth\b)"))
      axis = 0, end = 1, extent = true;
    else if (has(n, R"(\b(height|length)\b)"))
      axis = 1, end = 1, extent = true;
    if (axis < 0 || end < 0) continue;
    int p = unit ? 10 : 1;
    if (o.name == "tl-x" || o.name == "tl-y" || o.name == "br-x" || o.name == "br-y") p = 100;
    if (p == 1 && !o.span) continue;
    if (p <= points[axis][end]) continue;
    points[axis][end] = p;
    (end == 0 ? a.begin : a.end)[axis] = &o;
    if (end == 1) a.extent[axis] = extent;
  }
  return a;
}

std::optional<std::string> best_film_type(const Option& o) {
  return best_text(o, [](const std::string& v) {
    if (has(v, infrared)) return 0;
    if (has(v, "negative")) return 0;
    if (has(v, "positive.*film|film.*positive")) return 100;
    if (has(v, "positive")) return 90;
    if (has(v, R"(slide|diapos|\bdia\b|reversal)")) return 80;
    if (has(v, R"(\bnone\b|\boff\b|linear|\braw\b|\bno\b)")) return 60;
    return has(v, "film") ? 50 : 0;
  });
}

std::optional<std::string> best_mode(const Option& o) {
  return best_text(o, [](const std::string& v) {
    if (!has(v, R"(color|\brgb|48 ?bit)") || has(v, infrared)) return 0;
    if (has(v,
            R"(gray|negative|dither|half ?tone|jpeg|\bauto|binary|line ?art|thumb|index|palette)"))
      return 0;
    int points = 50;
    if (has(v, R"((^|[^\d])(16|48)([^\d]|$))"))
      points = 100;
    else if (has(v, R"((^|[^\d])(14|42)([^\d]|$))"))
      points = 80;
    else if (has(v, R"((^|[^\d])(12|36)([^\d]|$))"))
      points = 70;
    else if (has(v, R"((^|[^\d])(8|24|1)([^\d]|$))"))
      points = 20;
    return points;
  });
}

int depth_of(const std::string& value) {
  static const std::regex digits(R"((\d+))");
  std::smatch m;
  const std::string v = folded(value);
  if (!std::regex_search(v, m, digits) || m[1].length() > 3) return 0;
  const int n = std::stoi(m[1]);
  if (n == 24 || n == 30 || n == 36 || n == 42 || n == 48) return n / 3;
  return n;
}

std::optional<double> best_depth(const Option& o) {
  if (o.span) return o.span->holds(16) ? 16 : o.span->max;
  std::optional<double> found;
  int most = 0;
  const auto weigh = [&](double value, int bits) {
    if (bits == 16)
      bits = 1000;
    else if (bits > 16)
      bits = 0;
    if (bits > most) most = bits, found = value;
  };
  for (double v : o.list) weigh(v, depth_of(number_text(v)));
  for (std::size_t i = 0; i < o.texts.size(); ++i)
    if (!has(folded(o.texts[i]), "gray|mono")) weigh(static_cast<double>(i), depth_of(o.texts[i]));
  if (o.list.empty() && o.texts.empty()) return 16;
  return found;
}

bool is_button_sensor(const Option& o) {
  if (!o.active || !o.readable || o.settable || o.array()) return false;
  if (o.kind != Kind::boolean && o.kind != Kind::whole && o.kind != Kind::text) return false;
  const std::string n = folded(o.name), w = words_of(o);
  if (has(w,
          "resolution|lamp|model|serial|firmware|page "
          "loaded|cover|counter|status|calibrat|original|target"))
    return false;
  if (o.kind == Kind::text) return n == "message";
  return has(w, R"(\bbuttons?\b|\bbtn|\bkey\b|pressed)") ||
         has(n, R"(^(scan|file|email|copy|ocr|power|extra|transparency|start|stop|pdf ?\d?)$)");
}

}  // namespace lapwright::bed
