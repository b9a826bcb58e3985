#include "station/full.h"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <numeric>

#include "core/clock.h"
#include "core/files.h"
#include "join/join.h"
#include "lap/recognise.h"
#include "lap/say.h"
#include "plan/windows.h"

namespace lapwright::station {

namespace {

namespace fs = std::filesystem;

constexpr double print_ppi = 150;
constexpr int features_a_frame = 10, features_of_look = 700;
constexpr double inside_mm = 1.5;        // features nearer a frame's edge say nothing of its picture
constexpr double slides_mm = 3;          // strips in their pockets, between proof and look
constexpr double window_margin_mm = 2;   // 1.5 mm of film around the frame, and half a millimetre
constexpr double infrared_margin_mm = 7; // holes and edges of the film, by which an infrared picture is measured
constexpr double least_share = 0.6;      // of the frames seen, that must be those of the proof
// Where the places alone do not name the roll: chosen by judgement; tests/bench recognise counts how it turns out.
constexpr int agreeing_for_two = 10;
constexpr double nearly_all = 0.8;  // of the frames seen
constexpr int codes_enough = 3;     // on the film's edge, that say the same film number
constexpr std::uint64_t most_features_bytes = 4 << 20;

bool inside(const std::array<Spot<SleeveSpace>, 4>& corners, double x, double y, double by) {
  // Clockwise with y down: inside is to the right of every side.
  for (std::size_t i = 0; i < 4; ++i) {
    const auto &a = corners[i], &b = corners[(i + 1) % 4];
    const double length = std::hypot(b.x - a.x, b.y - a.y);
    if (length <= 0 || ((b.x - a.x) * (y - a.y) - (b.y - a.y) * (x - a.x)) / length < by) return false;
  }
  return true;
}

std::string list_of(const std::vector<std::string>& frames) {
  std::string out = frames.size() == 1 ? "frame " : "frames ";
  for (std::size_t i = 0; i < frames.size(); ++i)
    out += (i == 0 ? "" : i + 1 == frames.size() ? " and " : ", ") + frames[i];
  return out;
}

Json features_list(const std::vector<lap::Feature>& features) {
  Json list = Json::array();
  for (const lap::Feature& f : features) {
    std::string hex;
    for (const std::uint64_t word : f.bits)
      for (int shift = 60; shift >= 0; shift -= 4)
        hex += "0123456789abcdef"[word >> shift & 15U];
    const auto rounded = [](double v, double to) { return std::round(v * to) / to; };
    list.push_back({rounded(f.x, 100), rounded(f.y, 100),
                    rounded(static_cast<double>(f.direction), 1000), hex});
  }
  return list;
}

/// From the file beside the proof, else from the proof's sheet as it is now.
Result<std::vector<lap::Feature>> known_features(const Setting& s, const std::string& roll, const Print* print) {
  const fs::path file = ledger::archive::roll_folder(s.archive, roll) / "proof" / features_file;
  if (const auto text = core::read_file(file, most_features_bytes)) {
    const auto json = core::parse_json(*text, file.string());
    if (json)
      if (auto told = features_from_json(*json, file.string())) return told;
  }
  if (print) {
    image::MemorySource small(print->small, print->small_ppi);
    return features_of(small, print->card.origin_mm, print->frames);
  }
  auto made = print_of(s, roll);
  if (!made) return fail(made.error());
  image::MemorySource small((*made)->small, (*made)->small_ppi);
  return features_of(small, (*made)->card.origin_mm, (*made)->frames);
}

}  // namespace

Result<std::vector<frames::Frame>> frames_of(const Setting& s, const std::string& roll) {
  const fs::path file = ledger::archive::roll_folder(s.archive, roll) / "proof" / "frames.json";
  const auto text = core::read_file(file);
  if (!text) return fail(Fault::no_input, file.string() + ": cannot be read; the roll needs its proof before frames at full resolution");
  auto json = core::parse_json(*text, file.string());
  if (!json) return fail(json.error());
  return frames::from_json(*json, file.string());
}

/// What the codes on the edges of its strips say in frames.json; a proof without codes, or of an older program, says nothing.
std::set<int> films_of(const Setting& s, const std::string& roll) {
  std::set<int> out;
  const auto text = core::read_file(ledger::archive::roll_folder(s.archive, roll) / "proof" / "frames.json");
  const auto read = text ? core::parse_json(*text, "frames.json") : Result<Json>(Json());
  if (!read) return out;
  const Json& all = *read;
  if (!all.is_object() || !all.contains("edge") || !all["edge"].is_object()) return out;
  const Json& edge = all["edge"];
  const auto add = [&](const Json& of) {
    if (of.is_object() && of.contains("film") && of["film"].is_number_integer()) out.insert(of["film"].get<int>());
  };
  add(edge);
  if (edge.contains("strips") && edge["strips"].is_array())
    for (const Json& strip : edge["strips"]) {
      add(strip);
      if (strip.is_object() && strip.contains("codes") && strip["codes"].is_array())
        for (const Json& code : strip["codes"]) add(code);
    }
  return out;
}

Result<std::shared_ptr<const Print>> print_of(const Setting& s, const std::string& roll) {
  const fs::path proof = ledger::archive::roll_folder(s.archive, roll) / "proof";
  auto print = std::make_shared<Print>();
  const auto text = core::read_file(proof / "sheet.yaml");
  if (!text) return fail(text.error());
  auto card = profile::read_card(*text, (proof / "sheet.yaml").string());
  if (!card) return fail(card.error());
  print->card = std::move(*card);
  auto sheet = raw::Reader::open(proof / "sheet.tif");
  if (!sheet) return fail(sheet.error());
  print->sheet = std::move(*sheet);
  print->on_sheet = core::mm_to_pixels<SleeveSpace, PassSpace>(print->card.origin_mm, print->card.ppi);
  auto frames = frames_of(s, roll);
  if (!frames) return fail(frames.error());
  print->frames = std::move(*frames);
  print->films = films_of(s, roll);
  const auto factor = std::max<std::int64_t>(1, static_cast<std::int64_t>(print->card.ppi.value / print_ppi));
  auto small = image::reduced(*print->sheet, 0, 0, print->sheet->width(), print->sheet->height(), factor);
  if (!small) return fail(small.error());
  print->small = std::move(*small);
  print->small_ppi.value = static_cast<std::int32_t>(print->card.ppi.value / factor);
  print->on_small = core::scaled(print->on_sheet, 1 / static_cast<double>(factor));
  return std::shared_ptr<const Print>(std::move(print));
}

Result<std::vector<lap::Feature>> features_of(image::RowSource& sheet, Spot<SleeveSpace> origin,
                                              const std::vector<frames::Frame>& frames) {
  const auto o = lap::overview(sheet, lap::features_ppi);
  if (!o) return fail(o.error());
  std::vector<lap::Feature> out;
  std::vector<int> kept(frames.size());
  for (lap::Feature f : lap::features_of(*o, 100000)) {
    f.x += origin.x, f.y += origin.y;
    for (std::size_t i = 0; i < frames.size(); ++i)
      if (kept[i] < features_a_frame && inside(frames[i].corners, f.x, f.y, inside_mm)) {
        ++kept[i], out.push_back(f);
        break;
      }
  }
  return out;
}

Json features_json(const std::vector<lap::Feature>& features) {
  return {{"about", "what the pictures show, to know the sleeve again: x and y in sleeve millimetres, a direction, 256 comparisons"},
          {"ppi", lap::features_ppi},
          {"features", features_list(features)}};
}

Result<std::vector<lap::Feature>> features_from_json(const Json& json, const std::string& source) {
  const auto bad = [&](std::size_t n) {
    return fail(Fault::bad_data, source + ": feature " + std::to_string(n) +
                                     " is not [x, y, direction, 64 hexadecimal digits]");
  };
  const auto list = json.is_object() ? json.find("features") : json.end();
  if (!json.is_object() || list == json.end() || !list->is_array()) return fail(Fault::bad_data, source + ": features: a list is right");
  std::vector<lap::Feature> out;
  for (const Json& item : *list) {
    if (!item.is_array() || item.size() != 4 || !item[0].is_number() || !item[1].is_number() ||
        !item[2].is_number() || !item[3].is_string())
      return bad(out.size());
    const auto& hex = item[3].get_ref<const std::string&>();
    if (hex.size() != 64) return bad(out.size());
    lap::Feature f;
    f.x = item[0].get<double>(), f.y = item[1].get<double>(),
    f.direction = item[2].get<float>();
    for (std::size_t i = 0; i < 64; ++i) {
      const char c = hex[i];
      const int digit = c >= '0' && c <= '9' ? c - '0' : c >= 'a' && c <= 'f' ? c - 'a' + 10 : -1;
      if (digit < 0) return bad(out.size());
      f.bits[i / 16] = f.bits[i / 16] << 4 | static_cast<std::uint64_t>(digit);
    }
    out.push_back(f);
  }
  return out;
}

Result<Shown> shown_by(const image::Rgb16& proof, Ppi ppi, const Affine<SleeveSpace, PassSpace>& on_proof, const std::vector<frames::Frame>& frames,
                       const profile::SleeveProfile& sleeve, const lap::LookMap& lay, const image::Rgb16& look, Ppi look_ppi) {
  Shown out;
  const auto on_look = core::compose(core::mm_to_pixels<BedSpace, PassSpace>({0, 0}, look_ppi), lay);
  image::MemorySource small(proof, ppi), source(look, look_ppi);
  for (const frames::Frame& f : frames) {
    const bool in_view = std::all_of(f.corners.begin(), f.corners.end(), [&](const auto& c) {
      const auto p = on_look(c);
      return p.x >= 0 && p.y >= 0 && p.x <= static_cast<double>(look.width()) && p.y <= static_cast<double>(look.height());
    });
    if (!in_view) continue;
    // A strip may lie there alone: of the others there is nothing but glass.
    const auto film = frames::film_share(source, on_look, frames::inside(f), sleeve);
    if (!film) return fail(film.error());
    if (*film < 0.5) continue;
    const auto same = lap::same_picture({&small, on_proof}, {&source, on_look}, f.corners, slides_mm, false);
    if (!same) return fail(same.error());
    if (!same->told) continue;
    ++out.seen;
    if (!same->same()) continue;
    ++out.same;
    out.beside[f.frame] = same->off;
  }
  return out;
}

bool told_by_pictures(const std::vector<Shown>& shown) {
  const Shown *best = nullptr, *next = nullptr;
  for (const Shown& s : shown) {
    if (!best || s.same > best->same)
      next = best, best = &s;
    else if (!next || s.same > next->same)
      next = &s;
  }
  if (!best || (next && next->same * 2 > best->same) || best->same < nearly_all * best->seen) return false;
  return best->same >= (best->candidate.agreeing >= agreeing_for_two ? 2 : 3);
}

Result<std::optional<int>> film_seen(const image::Rgb16& look, Ppi look_ppi, const lap::LookMap& lay, const profile::SleeveProfile& sleeve,
                                     profile::Process process) {
  if (sleeve.film != profile::Film::f135) return std::nullopt;
  struct Keep : image::RowSink {
    image::Rgb16 upright;
    std::int64_t have = 0;
    Result<> write(const std::uint16_t* rows, std::int64_t count) override {
      std::copy_n(rows, count * upright.width() * 3, upright.row(have));
      have += count;
      return {};
    }
  };
  const auto geometry = join::SheetGeometry::of({{0}, {0}, sleeve.page.width, sleeve.page.height}, look_ppi);
  image::MemorySource source(look, look_ppi);
  join::Piece piece;
  piece.picture = &source, piece.number = 1;
  piece.placement.affine = core::compose(core::mm_to_pixels<BedSpace, PassSpace>({0, 0}, look_ppi), lay);
  Keep kept;
  kept.upright = image::Rgb16(geometry.width, geometry.height);
  const std::atomic<bool> never = false;
  if (auto r = join::join({piece}, {}, geometry, kept, never); !r) return fail(r.error());
  image::MemorySource upright(kept.upright, look_ppi);
  const auto found = frames::find(upright, geometry.origin, sleeve, process);
  if (!found) return fail(found.error());
  if (!found->edge.film || found->edge.codes < codes_enough) return std::nullopt;
  int same = 0;
  for (const auto& strip : found->edge.strips)
    for (const auto& code : strip.codes) same += code.code.film == *found->edge.film;
  return same >= codes_enough ? found->edge.film : std::nullopt;
}

Result<Recognised> recognise(const Setting& s, const std::vector<std::string>& rolls, const std::string& likely,
                             std::shared_ptr<const Print> print, const LookPicture& look) {
  const core::Stopwatch watch;
  Recognised out;
  image::MemorySource source(look.picture, look.ppi);
  const auto o = lap::overview(source, lap::features_ppi);
  if (!o) return fail(o.error());
  const auto plain = lap::features_of(*o, features_of_look), mirrored = lap::features_of(*o, features_of_look, true);
  if (plain.size() < static_cast<std::size_t>(lap::agreeing_enough)) {
    out.why = "the window shows hardly any picture (" + std::to_string(plain.size()) + " places to know it by)";
    out.say = "I see hardly any picture in the window: lay the sleeve, or a strip of it, so that its frames lie in the window.";
    return out;
  }
  std::vector<lap::RollFeatures> known;
  for (const std::string& roll : rolls) {
    auto features = known_features(s, roll, roll == likely ? print.get() : nullptr);
    if (features)
      known.push_back({roll, std::move(*features)});
    else if (roll == likely)
      return fail(features.error());  // another roll's proof may be anywhere
  }
  auto found = lap::likenesses(plain, mirrored, known, least_of_candidate);
  // Two films of one scene look alike: a roll of another film than the edge says is none of those it could be.
  std::string other_film;
  const auto ruled_out = [&](const lap::Likeness& c, const Print& own, const profile::SleeveProfile& sleeve) {
    if (own.films.empty()) return false;
    const auto stock = s.shelf.stock(own.card.stock);
    if (!stock) return false;
    const auto film = film_seen(look.picture, look.ppi, c.lay, sleeve, stock->process);
    if (!film || !*film || own.films.contains(**film)) return false;
    if (other_film.empty()) other_film = "the film's edge says film number " + std::to_string(**film) + ", that of " + known[c.roll].roll + " says " + std::to_string(*own.films.begin());
    return true;
  };
  std::map<std::size_t, std::shared_ptr<const Print>> at_hand;  // by place in `known`; of those there the film is none other
  for (bool again = !found.empty(); again;) {
    again = false;
    const auto clear = lap::recognised(found);
    const std::size_t looked_at = clear ? 1 : std::min(found.size(), most_candidates);
    for (std::size_t i = 0; i < looked_at && !again; ++i) {
      if (at_hand.contains(found[i].roll)) continue;
      const std::string& roll = known[found[i].roll].roll;
      std::shared_ptr<const Print> own = roll == likely ? print : nullptr;
      if (!own) {
        auto read = print_of(s, roll);
        if (!read) continue;  // told below
        own = std::move(*read);
      }
      const auto sleeve = s.shelf.sleeve(own->card.sleeve);
      if (!sleeve) return fail(sleeve.error());
      if (ruled_out(found[i], *own, *sleeve))
        found.erase(found.begin() + static_cast<std::ptrdiff_t>(i)), again = !found.empty();
      else
        at_hand[found[i].roll] = std::move(own);
    }
  }
  if (!found.empty()) out.agreeing = found[0].agreeing;
  if (found.size() > 1) out.next = found[1].agreeing;
  // Where the places leave it open (a strip alone has few), the pictures of the likeliest rolls are held against the look.
  const auto clear = lap::recognised(found);
  std::vector<lap::Likeness> candidates;
  if (clear)
    candidates = {*clear};
  else
    candidates.assign(found.begin(), found.begin() + static_cast<std::ptrdiff_t>(std::min(found.size(), most_candidates)));
  std::optional<std::size_t> best;
  std::vector<Shown> shown;
  std::vector<std::shared_ptr<const Print>> prints;
  for (const lap::Likeness& c : candidates) {
    const std::string& roll = known[c.roll].roll;
    const auto before = at_hand.find(c.roll);
    auto own = before != at_hand.end() ? Result<std::shared_ptr<const Print>>(before->second) : print_of(s, roll);
    if (!own) {
      if (clear || roll == likely) return fail(own.error());
      continue;  // another roll's proof may be anywhere
    }
    const auto sleeve = s.shelf.sleeve((*own)->card.sleeve);
    if (!sleeve) return fail(sleeve.error());
    auto is = shown_by((*own)->small, (*own)->small_ppi, (*own)->on_small, (*own)->frames, *sleeve, c.lay, look.picture, look.ppi);
    if (!is) return fail(is.error());
    prints.push_back(std::move(*own)), shown.push_back(std::move(*is));
    shown.back().candidate = c;
    if (!best || shown.back().same > shown[*best].same) best = shown.size() - 1;
  }
  out.seconds = watch.seconds();
  const auto name = [&](std::size_t n) { return known[found[n].roll].roll; };
  if (!clear && !told_by_pictures(shown)) {
    if (found.size() > 1 && out.next * 2 > out.agreeing) {
      out.why = "the pictures look like those of " + name(0) + " (" + std::to_string(out.agreeing) + " places) and of " + name(1) + " (" + std::to_string(out.next) + ")";
      out.say = "This could be " + name(0) + " or " + name(1) + ": lay the sleeve so that more of its frames lie in the window.";
    } else if (!other_film.empty()) {
      out.why = other_film;
      out.say = "The pictures look like those of a roll that frames are wanted of, but the film is another: check which sleeve it is.";
    } else {
      out.why = "no roll that has frames to be made shows these pictures (" + std::to_string(out.agreeing) + " of " +
                std::to_string(plain.size()) + " places agree at most)";
      out.say = "This looks like no sleeve that frames are wanted of: check which it is, and lay it so that its frames lie in the window.";
    }
    return out;
  }
  const Shown& named = shown[*best];
  const std::string roll = known[named.candidate.roll].roll;
  print = prints[*best];
  out.lay = named.candidate.lay;
  out.lay.e += look.window.x.mm(), out.lay.f += look.window.y.mm();
  out.beside = named.beside, out.frames_seen = named.seen, out.frames_same = named.same;
  if (out.frames_same == 0 || out.frames_same < least_share * out.frames_seen) {
    out.why = "it looks like " + roll + ", but of " + std::to_string(out.frames_seen) + " frames seen " + std::to_string(out.frames_same) + " show what its proof shows";
    out.say = "I am not sure that this is " + roll + ": lay it flat, with whole frames in the window.";
    return out;
  }
  // A frame that shows nothing to tell by lies as its neighbours on the strip do.
  for (const frames::Frame& f : print->frames) {
    if (out.beside.count(f.frame)) continue;
    Spot<SleeveSpace> sum{};
    int n = 0;
    for (const frames::Frame& g : print->frames)
      if (const auto it = out.beside.find(g.frame); g.strip == f.strip && it != out.beside.end())
        sum.x += it->second.x, sum.y += it->second.y, ++n;
    if (n > 0) out.beside[f.frame] = {sum.x / n, sum.y / n};
  }
  out.roll = roll, out.print = std::move(print);
  return out;
}

Result<WindowsPlanned> plan_windows(const Setting& s, Assignment& a, const Recognised& seen) {
  WindowsPlanned out;
  out.under = a.kept();
  a.print = seen.print;
  std::vector<const frames::Frame*> open;
  std::vector<Rect<BedSpace>> areas;
  for (const frames::Frame& f : a.wanted) {
    if (a.found.count(f.frame)) continue;
    const auto it = seen.beside.find(f.frame);
    const Spot<SleeveSpace> off = it == seen.beside.end() ? Spot<SleeveSpace>{} : it->second;
    double l = 1e300, t = 1e300, r = -1e300, b = -1e300;
    for (const auto& c : f.corners) {
      const auto p = seen.lay({c.x + off.x, c.y + off.y});
      l = std::min(l, p.x), r = std::max(r, p.x), t = std::min(t, p.y), b = std::max(b, p.y);
    }
    const auto um = [](double mm) { return Micrometres::from_mm(mm); };
    areas.push_back({um(l), um(t), um(r - l), um(b - t)});
    open.push_back(&f);
  }
  const double margin = a.takes_infrared(s) ? infrared_margin_mm : window_margin_mm;
  const auto windows = plan::windows_for(areas, Micrometres::from_mm(margin), s.bed, a.plan.ppi);
  plan::Plan plan = a.plan;
  plan.passes.resize(static_cast<std::size_t>(out.under));
  plan.laps.clear();
  for (const auto& group : windows.groups)
    plan.passes.push_back(plan::pass_of(group.shown, plan::lay_of(seen.lay), a.sleeve, s.bed, plan.ppi));
  std::array<double, 2> move{};
  plan::Options later;
  later.margin = Micrometres{5000};
  for (const auto& cut : windows.cut) {
    const frames::Frame& f = *open[static_cast<std::size_t>(cut.area)];
    if (cut.too_large)
      return fail(Fault::bad_data, "frame " + f.frame + " of " + a.job.roll.name + " is larger than what one pass shows at " + std::to_string(plan.ppi.value) +
                                       " ppi as it lies; lay it another way round, or ask for it at a lower --ppi");
    if (out.cut.empty()) move = cut.move_mm;
    out.cut.push_back(f.frame);
    later.wanted.push_back(crop_area(f));
  }
  const int under = static_cast<int>(plan.passes.size());
  if (!out.cut.empty()) {
    const std::string way = lap::way(move);
    out.say = "Slide the sleeve " + (way.empty() ? std::string("so that it lies whole in the window") : way) + ", for " + list_of(out.cut) +
              ": past the window's edge as it lies.";
  }
  a.advice = out.say;
  if (under == out.under) return out;  // nothing to capture: the plan stays
  if (!later.wanted.empty()) {
    auto rest = plan::make_plan(a.sleeve, s.bed, plan.ppi, later);
    if (!rest) return fail(rest.error());
    for (plan::Pass& p : rest->passes) plan.passes.push_back(std::move(p));
  }
  plan.totals = {};
  plan.needed = {};
  for (std::size_t i = 0; i < plan.passes.size(); ++i) {
    plan::Pass& p = plan.passes[i];
    p.number = static_cast<int>(i) + 1;
    plan.totals.bytes += p.bytes, plan.totals.seconds += p.seconds;
    plan.needed = plan.needed.hull(p.covers);
  }
  plan.totals.passes = static_cast<int>(plan.passes.size());
  for (const frames::Frame& f : a.wanted) {
    const auto area = crop_area(f);
    plan.totals.joined_bytes += to_pixels(area.width, plan.ppi).value * to_pixels(area.height, plan.ppi).value * core::bytes_per_pixel;
  }
  a.plan = std::move(plan);
  a.plan_mark = ledger::plan_mark(plan::to_json(a.plan));
  out.under = under;
  return out;
}

}  // namespace lapwright::station
