#include "review/site.h"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "core/files.h"
#include "core/text.h"
#include "review/page_files.h"
#include "review/selects.h"
#include "review/trim.h"

namespace lapwright::review {
namespace {

int hex(char c) {
  if (c >= '0' && c <= '9') return c - '0';
  if (c >= 'a' && c <= 'f') return c - 'a' + 10;
  if (c >= 'A' && c <= 'F') return c - 'A' + 10;
  return -1;
}

Reply not_found() { return refusal(404, "there is nothing here"); }

/// Answers 304 when the browser has these bytes.
Reply cached(Reply reply, const std::string& tag, const std::string& how_long,
             const Request& request) {
  const std::string quoted = '"' + tag + '"';
  reply.set("ETag", quoted);
  reply.set("Cache-Control", how_long);
  if (request.header("if-none-match") == quoted) {
    reply.status = 304;
    reply.body.clear();
  }
  return reply;
}

Json frames_json(const iiif::Sheet& sheet, const Marks::State& marks) {
  Json frames = Json::array();
  for (const frames::Frame& f : sheet.frames) {
    Json corners = Json::array();
    for (const auto& c : f.corners) corners.push_back({c.x, c.y});
    Json one = {{"frame", f.frame}, {"strip", f.strip}, {"corners", std::move(corners)}};
    const auto it = marks.frames.find(f.frame);
    const Marks::Frame said = it == marks.frames.end() ? Marks::Frame() : it->second;
    one["verdict"] = said.verdict.empty() ? Json() : Json(said.verdict);
    one["note"] = said.note;
    one["crop"] = said.crop ? Json(*said.crop) : Json();
    frames.push_back(std::move(one));
  }
  return frames;
}

Json counts_json(const iiif::Sheet& sheet, const Marks::State& marks) {
  Json counts = {{"select", 0}, {"alt", 0}, {"kill", 0}};
  for (const frames::Frame& f : sheet.frames) {
    const auto it = marks.frames.find(f.frame);
    if (it != marks.frames.end() && !it->second.verdict.empty())
      counts[it->second.verdict] = counts[it->second.verdict].get<int>() + 1;
  }
  return counts;
}

Json about_json(const iiif::Sheet& s) {
  const iiif::Extent small = s.pyramid.levels.back();
  return {{"roll", s.roll},
          {"address", s.roll_id},
          {"stock", s.stock},
          {"shot", s.shot},
          {"note", s.note},
          {"image", "/iiif/image/" + s.image_id},
          {"info", iiif::image_info("/iiif/image/" + s.image_id, s.pyramid, proof::Tiles::longest)},
          {"small", {{"width", small.width}, {"height", small.height}}}};
}

}  // namespace

Site::Path::Path(std::string_view target) {
  target = target.substr(0, target.find('?'));
  if (target.empty() || target[0] != '/') {
    good = false;
    return;
  }
  for (std::size_t at = 1; at <= target.size() && good;) {
    const std::size_t end = std::min(target.find('/', at), target.size());
    std::string part;
    for (std::size_t i = at; i < end; ++i) {
      char c = target[i];
      if (c == '%') {
        const int high = i + 2 < end ? hex(target[i + 1]) : -1;
        const int low = high >= 0 ? hex(target[i + 2]) : -1;
        if (high < 0 || low < 0)
          good = false;
        else
          c = static_cast<char>(high * 16 + low), i += 2;
      }
      part += c;
    }
    if (part == "." || part == ".." || part.find('/') != std::string::npos || !core::is_plain(part))
      good = false;
    parts.push_back(std::move(part));
    at = end + 1;
  }
  if (parts.size() > 8) good = false;
}

bool Site::Path::begins(std::initializer_list<std::string_view> with) const {
  return parts.size() >= with.size() && std::equal(with.begin(), with.end(), parts.begin());
}

Reply Site::failed(const Error& error) {
  if (error.fault == Fault::no_input) return not_found();
  if (error.fault == Fault::try_again)
    return refusal(503, "the archive is busy; try again in a moment");
  const bool full = error.fault == Fault::cannot_create;
  return refusal(full ? 507 : 500,
                 caution(full ? "there is no room to keep this" : "that went wrong here", error));
}

std::string Site::caution(const std::string& what, const Error& error) {
  const std::string number = std::to_string(++faults_);
  log_("fault " + number + ": " + core::one_line(error.text));
  return what + "; the station's log tells more under fault " + number;
}

Reply Site::answer(const Request& request) {
  const bool elsewhere = request.from_elsewhere && elsewhere_;
  Visit visit{elsewhere ? elsewhere_->door : door_, Visitor::stranger};
  if (!request.from_elsewhere) visit.visitor = door_.visitor;
  Reply reply;
  if (auto much = elsewhere ? too_often(requests_, request.address) : std::nullopt) {
    reply = std::move(*much);
  } else if (auto no = refused(request, visit.door)) {
    reply = std::move(*no);
  } else {
    const Path path(request.target);
    if (!path.good)
      reply = not_found();
    else if (auto out = kept_out(request, path, visit))
      reply = std::move(*out);
    else
      reply = route(request, path, visit);
  }
  if ((reply.status == 421 || reply.status == 403) &&
      (!elsewhere || lines_.spend(request.address, watch_.seconds()) == 0))
    log_("refused " + std::to_string(reply.status) + ": " +
         core::one_line(request.method + " " + request.target, 120) + " for " +
         core::one_line(request.header("host"), 80) +
         (elsewhere ? " from " + request.address : std::string()) +
         (visit.session ? ", tablet " + visit.session->id : std::string()));
  protect(reply);
  return reply;
}

Reply Site::route(const Request& request, const Path& path, const Visit& visit) {
  if (auto reply = about_tablets(request, path, visit)) return std::move(*reply);
  if (path.begins({"api", "station"})) return at_the_bed(request, path);
  if (request.method == "PUT" || request.method == "DELETE") return change(request, path, visit);
  if (request.method == "POST") return not_found();
  const std::string base = visit.door.scheme + "://" + std::string(request.header("host"));
  if (path.size() == 1 && path[0].empty()) return page("index.html", request);
  if (path.size() == 2 && path[0] == "page") return page(path[1], request);
  if (path.size() == 1 && path[0] == "favicon.ico") return page("lamp.svg", request);
  if (path.begins({"iiif"})) return iiif(path, base, request);
  if (path.begins({"api"})) return look(path, visit.visitor);
  return not_found();
}

Reply Site::page(const std::string& name, const Request& request) {
  const PageFile* file = page_file(name);
  if (!file) return not_found();
  Reply r;
  r.set("Content-Type", std::string(file->type));
  r.body = std::string(file->bytes);
  core::Sha256 sum;
  sum.add(file->bytes.data(), file->bytes.size());
  return cached(std::move(r), sum.hex().substr(0, 20), "no-cache", request);
}

Reply Site::iiif(const Path& path, const std::string& base, const Request& request) {
  if (path.size() == 2 && path[1] == "collection.json") {
    const auto shelf = desk_.shelf();
    if (!shelf) return failed(shelf.error());
    std::vector<iiif::Sheet> rolls;
    for (const auto& s : shelf->sheets) rolls.push_back(s->about);
    return json_reply(iiif::collection(base, rolls), 200, iiif::presentation_type);
  }
  if (path.size() >= 3 && path[1] == "image") return image(path, base, request);
  if (path.size() != 4 || path[1] != "rolls") return not_found();
  const auto sheet = desk_.sheet(path[2]);
  if (!sheet) return failed(sheet.error());
  const iiif::Sheet& about = (*sheet)->about;
  if (path[3] == "manifest.json")
    return json_reply(iiif::manifest(base, about), 200, iiif::presentation_type);
  if (path[3] == "sheet")
    return json_reply(iiif::canvas(base, about), 200, iiif::presentation_type);
  if (path[3] == "marks.json") {
    const auto marks = desk_.marks(about.roll).page(base, about);
    if (!marks) return failed(marks.error());
    return json_reply(*marks, 200, iiif::presentation_type);
  }
  return not_found();
}

Reply Site::image(const Path& path, const std::string& base, const Request& request) {
  const auto tiles = desk_.tiles(path[2]);
  if (!tiles) return failed(tiles.error());
  iiif::Pyramid pyramid;
  pyramid.tile = (*tiles)->tile();
  for (const auto& l : (*tiles)->levels()) pyramid.levels.push_back({l.width, l.height});
  const std::string id = base + "/iiif/image/" + path[2];
  if (path.size() == 3) {
    Reply r = refusal(303, "see info.json");
    r.set("Location", id + "/info.json");
    return r;
  }
  if (path.size() == 4 && path[3] == "info.json")
    return json_reply(iiif::image_info(id, pyramid, proof::Tiles::longest), 200, iiif::image_type);
  if (path.size() != 7) return not_found();
  const auto asked =
      iiif::read_image_request(path[3], path[4], path[5], path[6], pyramid, proof::Tiles::longest);
  Reply r;
  r.set("Content-Type", "image/jpeg");
  // The id is of the file's bytes: what it shows never changes.
  r = cached(std::move(r), path[2], "private, max-age=31536000, immutable", request);
  if (const auto* no = std::get_if<iiif::Refused>(&asked)) return refusal(400, no->say);
  if (r.status == 304) return r;
  const auto* tile = std::get_if<iiif::TileOf>(&asked);
  const auto* part = std::get_if<iiif::PartOf>(&asked);
  const auto jpeg = tile ? (*tiles)->at(tile->level, tile->x, tile->y)
                         : (*tiles)->part(part->area, part->width, part->height);
  if (!jpeg && jpeg.error().fault == Fault::usage) return refusal(400, jpeg.error().text);
  if (!jpeg) return failed(jpeg.error());
  r.body.assign(jpeg->begin(), jpeg->end());
  return r;
}

Reply Site::look(const Path& path, Visitor visitor) {
  if (path.size() == 2 && path[1] == "shelf") {
    const auto shelf = desk_.shelf();
    if (!shelf) return failed(shelf.error());
    Json rolls = Json::array(), waiting = Json::array(), cautions = Json::array();
    for (const auto& s : shelf->sheets) {
      const auto marks = desk_.marks(s->about.roll).state(false);
      Json one = about_json(s->about);
      one["frames"] = s->about.frames.size();
      if (marks)
        one["counts"] = counts_json(s->about, *marks);
      else
        cautions.push_back(caution(s->about.roll + ": its marks cannot be read", marks.error()));
      rolls.push_back(std::move(one));
    }
    for (const auto& w : shelf->waiting) waiting.push_back({{"roll", w.roll}, {"stock", w.stock}});
    for (const auto& [roll, error] : shelf->cautions)
      cautions.push_back(caution(roll + ": its proof cannot be shown", error));
    return json_reply({{"rolls", rolls}, {"waiting", waiting}, {"cautions", cautions}});
  }
  if (path.size() == 2 && path[1] == "selects") return selects();
  if (path.size() == 2 && path[1] == "marks.csv") {
    const auto frames = chosen(desk_);
    if (!frames) return failed(frames.error());
    return download(to_csv(*frames), "text/csv; charset=utf-8", "marks.csv");
  }
  if (path.size() == 4 && path[1] == "rolls" && path[3] == "marked.pdf") return marked(path[2]);
  if (path.size() >= 4 && path[1] == "rolls" && path[3] == "trim") return trim(path, nullptr, visitor);
  if (path.size() != 3 || path[1] != "rolls") return not_found();
  const auto sheet = desk_.sheet(path[2]);
  if (!sheet) return failed(sheet.error());
  const iiif::Sheet& about = (*sheet)->about;
  const auto marks = desk_.marks(about.roll).state();
  if (!marks) return failed(marks.error());
  Json out = about_json(about);
  const iiif::Extent whole = about.pyramid.levels.front();
  out["sheet"] = {{"width", whole.width},
                  {"height", whole.height},
                  {"origin", {about.origin.x, about.origin.y}},
                  {"pixels_per_mm", about.pixels_per_mm}};
  out["frames"] = frames_json(about, *marks);
  out["ink"] = marks->ink;
  return json_reply(out);
}

Reply Site::at_the_bed(const Request& request, const Path& path) {
  const bool reads = request.method == "GET" || request.method == "HEAD";
  if (path.size() == 2) return reads ? bed_now() : not_found();
  if (path.size() != 3) return not_found();
  if (path[2] == "events" && reads) {
    Reply r;
    r.set("Content-Type", "text/event-stream");
    r.set("Cache-Control", "no-store");
    if (request.method == "HEAD") return r;
    r.flow = bedside_.watch();
    return r.flow ? r : refusal(503, "the bed is watched from too many windows; close one");
  }
  if (request.method != "POST" || (path[2] != "key" && path[2] != "cancel")) return not_found();
  const auto body = core::parse_json(request.body, "body");
  if (!body || !body->is_object()) return refusal(400, "a change is one JSON document");
  const auto place = body->find("place");
  if (path[2] == "key" && (place == body->end() || !place->is_string()))
    return refusal(422, "place: the time of the place that the key is pressed for is right");
  const auto done = path[2] == "key" ? bedside_.press(place->get<std::string>()) : bedside_.cancel();
  if (done) return json_reply({{"told", true}}, 202);
  const int status = done.error().fault == Fault::usage || done.error().fault == Fault::no_input ? 409 : 503;
  return refusal(status, done.error().text);
}

/// The station's state, and what the ledger knows beside it: what waits, and the last proof.
Reply Site::bed_now() {
  Json out = {{"station", bedside_.state()}, {"queue", Json::array()}, {"last", nullptr}, {"archive", desk_.archive().string()}};
  const auto queue = desk_.queue();
  if (!queue) return failed(queue.error());
  for (const Desk::Due& due : *queue) {
    Json one = {{"roll", due.roll}, {"job", due.frames.empty() ? "proof" : "full"}};
    if (!due.frames.empty()) one["frames"] = due.frames;
    out["queue"].push_back(std::move(one));
  }
  const auto last = desk_.last_proof();
  if (last && *last) out["last"] = about_json((*last)->about);
  return json_reply(out);
}

Reply Site::download(std::string bytes, const std::string& type, const std::string& name) {
  Reply r;
  r.set("Content-Type", type);
  r.set("Content-Disposition", "attachment; filename=\"" + name + "\"");
  r.set("Cache-Control", "no-store");
  r.body = std::move(bytes);
  return r;
}

Reply Site::marked(const std::string& roll) {
  const auto folder = core::temporary_folder();
  if (!folder) return failed(folder.error());
  const auto made = print_marked(desk_, roll, paper_, *folder / "marked.pdf");
  auto bytes = made ? core::read_file(*folder / "marked.pdf", std::uint64_t{256} << 20) : Result<std::string>(fail(made.error()));
  std::error_code ignored;
  std::filesystem::remove_all(*folder, ignored);
  if (!bytes) return failed(bytes.error());
  return download(std::move(*bytes), "application/pdf", "marked.pdf");
}

Reply Site::want(const iiif::Sheet& about, const Json& body) {
  const auto list = body.is_object() ? body.find("frames") : body.end();
  std::vector<std::string> frames;
  if (body.is_object() && list != body.end() && list->is_array())
    for (const Json& f : *list)
      if (f.is_string()) frames.push_back(f.get<std::string>());
  if (frames.empty() || frames.size() != list->size() || frames.size() > 1000) return refusal(422, "frames: a list of this roll's frames is right");
  for (const std::string& f : frames)
    if (std::none_of(about.frames.begin(), about.frames.end(), [&](const frames::Frame& x) { return x.frame == f; }))
      return refusal(422, "frames: roll " + about.roll + " has no frame " + core::one_line(f, 20));
  if (auto r = desk_.want(about.roll, frames); !r) return failed(r.error());
  const auto state = desk_.state(about.roll);
  if (!state) return failed(state.error());
  return json_reply({{"due", state->due}, {"at_full", state->at_full}});
}

Reply Site::trim(const Path& path, const Json* body, Visitor visitor) {
  if (!trimming_) return not_found();
  const auto state = desk_.state(path[2]);
  if (!state) return failed(state.error());
  const std::vector<std::string> rest(path.parts.begin() + 4, path.parts.end());
  return body ? trimming_->change(*state, rest, *body, visitor) : trimming_->look(*state, rest, visitor);
}

Reply Site::selects() {
  const auto shelf = desk_.shelf();
  if (!shelf) return failed(shelf.error());
  Json list = Json::array();
  for (const auto& s : shelf->sheets) {
    const iiif::Sheet& about = s->about;
    const auto marks = desk_.marks(about.roll).state(false);
    if (!marks) return failed(marks.error());
    const auto state = desk_.state(about.roll);
    if (!state) return failed(state.error());
    const auto in = [](const std::vector<std::string>& names, const std::string& f) { return std::find(names.begin(), names.end(), f) != names.end(); };
    for (Json& f : frames_json(about, *marks)) {
      if (f["verdict"] != "select" && f["verdict"] != "alt") continue;
      f.erase("corners");
      Json one = {{"roll", about.roll},
                  {"address", about.roll_id},
                  {"stock", about.stock},
                  {"image", "/iiif/image/" + about.image_id}};
      one.update(f);
      const auto frame = std::find_if(about.frames.begin(), about.frames.end(),
                                      [&](const auto& x) { return x.frame == f["frame"]; });
      one["region"] = iiif::frame_fragment(about, *frame);
      one["at_full"] = in(state->at_full, frame->frame), one["due"] = in(state->due, frame->frame);
      list.push_back(std::move(one));
    }
  }
  return json_reply({{"selects", std::move(list)}});
}

Reply Site::change(const Request& request, const Path& path, const Visit& visit) {
  if (!path.begins({"api", "rolls"}) || path.size() < 4) return not_found();
  const auto sheet = desk_.sheet(path[2]);
  if (!sheet) return failed(sheet.error());
  const iiif::Sheet& about = (*sheet)->about;
  Marks& marks = desk_.marks(about.roll);
  Json body;
  if (request.method == "PUT") {
    auto read = core::parse_json(request.body, "body");
    if (!read) return refusal(400, "a change is one JSON document");
    body = std::move(*read);
  }
  if (path[3] == "trim") return request.method == "PUT" ? trim(path, &body, visit.visitor) : not_found();
  if (path.size() == 4) return path[3] == "wants" && request.method == "PUT" ? want(about, body) : not_found();
  if (path.size() == 5 && path[3] == "ink") {
    if (request.method == "DELETE") {
      const auto gone = marks.remove(path[4]);
      return gone ? json_reply({{"removed", *gone}}) : failed(gone.error());
    }
    const auto stroke = read_stroke(body, path[4], about);
    if (!stroke) return refusal(422, stroke.error().text);
    if (visit.session && !tablets_->has_room(visit.session->id, request.body.size()))
      return refusal(507, "this tablet has drawn its share of ink; pair it again to go on");
    const auto kept = marks.keep(*stroke, about);
    if (!kept) return failed(kept.error());
    if (visit.session && *kept == Marks::Kept::added)
      tablets_->kept(visit.session->id, request.body.size());
    if (*kept == Marks::Kept::another_has_it) return refusal(409, "another mark has this id");
    return json_reply({{"kept", true}}, *kept == Marks::Kept::added ? 201 : 200);
  }
  if (path.size() != 6 || path[3] != "frames" || request.method != "PUT") return not_found();
  const auto frame = std::find_if(about.frames.begin(), about.frames.end(),
                                  [&](const frames::Frame& f) { return f.frame == path[4]; });
  if (frame == about.frames.end()) return not_found();
  Result<> done;
  if (path[5] == "verdict") {
    const auto word = body.is_object() ? body.find("verdict") : body.end();
    const bool there = body.is_object() && word != body.end();
    if (!there || (!word->is_null() && !word->is_string()))
      return refusal(422, "verdict: select, alt, kill or null is right");
    const std::string said = word->is_null() ? std::string() : word->get<std::string>();
    if (!word->is_null() && !is_verdict(said))
      return refusal(422, "verdict: select, alt, kill or null is right");
    done = desk_.set_verdict(**sheet, *frame, said);
  } else if (path[5] == "note") {
    const auto note = read_note(body);
    if (!note) return refusal(422, note.error().text);
    done = desk_.set_note(**sheet, *frame, *note);
  } else if (path[5] == "crop") {
    const auto crop = read_crop(body, *frame);
    if (!crop) return refusal(422, crop.error().text);
    done = marks.set_crop(about, *frame, *crop);
  } else {
    return not_found();
  }
  return done ? json_reply({{"kept", true}}) : failed(done.error());
}

}  // namespace lapwright::review
