#include <algorithm>
#include <cmath>

#include "bed/meaning.h"

namespace lapwright::bed {
namespace {

constexpr const char* hands_off =
    R"(focus|eject|\bload|lamp|warm|calib|shading|backtrack|document|feeder|\badf\b|buffer|device|resolution|bind|frame count|exposure time)";
constexpr const char* processing =
    R"(preview|mirror|flip|invert|negative|\bauto(?!mated)|dust|scratch|clean|\bice\b|grain|restor|fad(e|ing)|sharp|descreen|despeck|denois|noise|enhanc|crop|deskew|derotat|rotat|jpeg|compress|infra ?red|correct|balance|adjust|button controlled|wait for button|custom gamma|half ?tone|dither|blank|swskip|smooth|hdr|moire|dropout|\bae\b|back ?light (cor|comp)|tone|fill|saturat|vivid)";
constexpr const char* curves = R"(gamma|\btone\b|curve|transfer (function|char)|response|linear)";

Neutral leave() { return {Neutral::What::leave, {}, {}, ""}; }
Neutral stuck() { return {Neutral::What::stuck, {}, {}, ""}; }
Neutral to(double v) { return {Neutral::What::set, {v}, {}, ""}; }
Neutral to(const std::string& text) { return {Neutral::What::set, {}, text, ""}; }

/// The value, or the nearest that the constraint allows; stuck when there is none near.
Neutral fitted(const Option& o, double v) {
  if (o.span) {
    if (!o.span->holds(v)) return stuck();
    if (o.span->quant > 0)
      v = o.span->min + std::round((v - o.span->min) / o.span->quant) * o.span->quant;
    return to(v);
  }
  if (!o.list.empty() &&
      std::none_of(o.list.begin(), o.list.end(), [&](double l) { return std::abs(l - v) < 1e-4; }))
    return stuck();
  return to(v);
}

Neutral text_of(const Option& o, bool curve) {
  const std::string* found = nullptr;
  int most = 0;
  for (const std::string& t : o.texts) {
    const std::string v = folded(t);
    const bool other_power =
        has(v, R"(\d\.\d|\b\d+\b)") && !has(v, R"((^|[^\d.])1(\.0+)?($|[^\d.]))");
    int points = 0;
    if (curve && !has(v, "non ?linear") && has(v, R"(linear|identity)"))
      points = 100;
    else if (curve && !other_power && has(v, R"((^|[^\d.])1\.0+($|[^\d.]))"))
      points = 95;
    else if (has(v, R"(^(none|off|no|disabled?|false|0)$)"))
      points = 90;
    else if (has(v, R"(\b(none|off|disabled?|without)\b|^no )"))
      points = 80;
    else if (!curve && has(v, R"(\braw\b|linear|neutral|unchanged|identity)"))
      points = 70;
    else if (curve && !other_power && has(v, R"(user defined|custom)"))
      points = 40;  // with identity tables
    if (points > most) most = points, found = &t;
  }
  return found ? to(*found) : stuck();
}

Neutral number_of(const Surface& s, const Option& o, const std::string& w) {
  if (has(w, R"(gamma)")) return o.kind == Kind::fixed ? fitted(o, 1.0) : Neutral{};
  if (!o.span && o.list.empty()) return {};
  const double low = o.span ? o.span->min : *std::min_element(o.list.begin(), o.list.end());
  const double high = o.span ? o.span->max : *std::max_element(o.list.begin(), o.list.end());
  if (has(w, R"(\bshadow|black (level|point))")) return low >= 0 ? fitted(o, low) : fitted(o, 0);
  if (has(w, R"(\bhigh ?light|white (level|point))"))
    return low >= 0 ? fitted(o, high) : fitted(o, 0);
  if (has(w,
          R"(sharp|noise|denois|grain|dust|scratch|restor|clean|smooth|blur|descreen|despeck|enhanc|compress|rotat|deskew)"))
    return low <= 0 && high >= 0 ? fitted(o, 0) : fitted(o, low);
  if (has(w,
          R"(brightness|contrast|saturat|\bhue\b|\btint\b|warmth|balance|vibranc|vivid|lightness|mid ?tone|\btone\b|color temp)")) {
    if (low < 0 && high > 0) return fitted(o, 0);
    const double middle = (low + high) / 2;
    // From 0 up, 0 may be neutral or the darkest: the driver's own default tells when it is either
    // end.
    if (low == 0)
      if (auto now = s.numbers(o.index); now && now->front() == 0) return fitted(o, 0);
    return fitted(o, o.kind == Kind::whole ? std::round(middle) : middle);
  }
  if (has(w, "threshold")) return leave();  // of line art only
  return {};
}

Neutral understood(const Surface& s, const Option& o) {
  const std::string w = words_of(o), n = folded(o.name);
  if (has(w, R"(focus)") || has(n, hands_off)) return leave();
  if (o.array()) {
    if (!has(w, R"(gamma|curve|\blut\b|tone|transfer)")) return {};
    return {Neutral::What::set, identity(o), {}, ""};
  }
  if (o.kind == Kind::boolean) {
    if (has(w, R"(\blinear\b)") && !has(w, "non linear|lineari[sz]")) return to(1);
    if (has(w, R"(defect|lamp|shading|calib|geometr|stripe)")) return {};
    return has(w, processing) || has(n, "gamma") ? to(0) : Neutral{};
  }
  if (o.kind == Kind::text) {
    if (o.texts.empty()) return {};
    if (has(n, curves) || (has(w, curves) && !has(n, "resolution"))) return text_of(o, true);
    if (has(w, processing) ||
        has(w, R"(profile|\bicc\b|color (space|management|matrix)|rendering|look|\bstyle\b)"))
      return text_of(o, false);
    return {};
  }
  return number_of(s, o, w);
}

const char* reason(const Option& o) {
  const std::string w = words_of(o);
  if (has(w, curves)) return "the data stay linear";
  if (has(w, "wait|button")) return "the pass starts at once";
  if (has(w, "preview")) return "the pass itself, no preview";
  if (has(w, "mirror|flip|rotat")) return "the picture as it lies";
  if (has(w, "infra")) return "visible light";
  return "no correction by the driver";
}

}  // namespace

Neutral neutral_of(const Surface& s, const Option& o) {
  Neutral n = understood(s, o);
  if (n.what == Neutral::What::set) n.why = reason(o);
  return n;
}

}  // namespace lapwright::bed
